"""What a group keeps, as immutable records: the shapes that the database stores and the other rooms read.

A record that is not yet stored has the number 0. ``revision`` counts the edits of a row: an edit rests on the revision
that it was read with. Masses are in kg, moisture in % wet basis,
temperatures in °C, relative humidity in %, money in the group's currency per kg.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

FORMS = ("cob", "panicle", "pod", "threshed", "cleaned")
USES = ("food", "seed", "sale")
STATUSES = ("wet", "drying", "stored", "sold", "used")
OPEN_STATUSES = ("wet", "drying", "stored")
SEXES = ("female", "male", "")
BOOKS = ("meter", "pool", "lot_actions", "diary", "plans", "buyers")


@dataclass(frozen=True, kw_only=True)
class Group:
    """A group of farmers that keeps records together."""

    id: int = 0
    name: str
    district: str = ""
    latitude: float | None = None
    longitude: float | None = None
    altitude_m: float | None = None
    time_zone: str = "UTC"
    currency: str = "USD"
    language: str = "en"
    demo: bool = False
    revision: int = field(default=0, compare=False)


@dataclass(frozen=True, kw_only=True)
class Member:
    """A person of a group; ``consent`` says whether the person agreed to be named in reports."""

    id: int = 0
    group_id: int
    name: str
    sex: str = ""
    birth_year: int | None = None
    phone: str = ""
    consent: bool = False
    joined_on: date | None = None
    left_on: date | None = None
    import_id: int | None = None
    revision: int = field(default=0, compare=False)


USUAL_BAG_KG = 90.0  # the bag of the trade where nobody weighed or named one; common practice, no source


@dataclass(frozen=True, kw_only=True)
class Lot:
    """A quantity of one crop that was harvested, dried and stored together.

    ``bag_mass_kg`` is the weighed mean of a bag (None: never weighed), ``weighed_moisture_pct`` the moisture that it
    was weighed at; ``nominal_bag_kg`` is what the bag is called. ``shares`` lists ``(member id, share)`` of a pooled
    lot.
    """

    id: int = 0
    group_id: int
    label: str
    commodity: str
    variety: str = ""
    form: str = "threshed"
    bags: int = 0
    bag_mass_kg: float | None = None
    nominal_bag_kg: float | None = None
    weighed_moisture_pct: float | None = None
    weighed_on: date | None = None
    owner_id: int | None = None
    shares: tuple[tuple[int, float], ...] = ()
    place: str = ""
    harvested_on: date | None = None
    use: str = "sale"
    status: str = "wet"
    storage_method: str | None = None
    stored_on: date | None = None
    note: str = ""
    demo: bool = False
    import_id: int | None = None
    revision: int = field(default=0, compare=False)

    @property
    def known_bag_kg(self) -> float | None:
        """Return what a full bag holds, kg: as weighed, else as it is called; None where nobody knows."""
        return self.bag_mass_kg or self.nominal_bag_kg

    @property
    def bag_kg(self) -> float:
        """Return what a full bag holds, kg, the usual bag where nobody knows."""
        return self.known_bag_kg or USUAL_BAG_KG


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One test of one bag; each of the three measured values may be missing. ``taken_at`` is aware, in UTC."""

    id: int = 0
    lot_id: int
    taken_at: datetime
    bag: str = ""
    temperature_c: float | None = None
    relative_humidity_pct: float | None = None
    meter_moisture_pct: float | None = None
    tester: str = ""
    settled: bool | None = None
    import_id: int | None = None


@dataclass(frozen=True, kw_only=True)
class Sale:
    """Bags of a lot that were sold; ``mass_kg`` is the mass paid for."""

    id: int = 0
    lot_id: int
    sold_on: date
    bags: int = 0
    mass_kg: float = 0.0
    moisture_pct: float | None = None
    price_per_kg: float = 0.0
    buyer: str = ""
    paid_on: date | None = None
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class PriceQuote:
    """A price seen at a market or offered by a buyer."""

    id: int = 0
    group_id: int
    quoted_on: date
    market: str = ""
    commodity: str
    price_per_kg: float
    price_type: str = "wholesale"
    source: str = ""
    import_id: int | None = None


@dataclass(frozen=True, kw_only=True)
class Fact:
    """A cost, limit or habit of the group, with where it came from: entered, from a file, or assumed."""

    key: str
    value: Any
    origin: str = "assumed"
    source: str = ""
    set_by: str = ""
    set_at: datetime | None = None
    unit: str = ""
    label: str = ""
    basis: str = ""
    low: float = 0.0
    high: float | None = None
    options: tuple[str, ...] = ()
    used_in: tuple[str, ...] = ()
    revision: int = field(default=0, compare=False)


@dataclass(frozen=True, kw_only=True)
class Event:
    """An entry of an append-only book; a mistake is corrected by an entry that ``reverses`` it."""

    id: int = 0
    group_id: int = 0
    book: str
    kind: str
    on: date
    who: str
    payload: dict[str, Any]
    recorded_at: datetime
    reverses: int | None = None


MEMBERS_FILE = "members"
"""The kind of an import that brings members and nothing else."""


@dataclass(frozen=True, kw_only=True)
class ImportRecord:
    """One file that was taken in, or taken back (``undone_at``)."""

    id: int = 0
    group_id: int
    kind: str
    file_name: str
    file_hash: str
    imported_at: datetime
    who: str = ""
    rows: int = 0
    summary: dict[str, Any] | None = None
    undone_at: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class NewEntry:
    """An entry that is to be written into a book; `reverses` the number of the entry that it takes back."""

    book: str
    kind: str
    on: date
    payload: dict[str, Any]
    reverses: int | None = None


@dataclass(frozen=True, kw_only=True)
class Change:
    """An edit of a group, member, lot, fact, document or reading: `changed` is `{name: [before, after]}`."""

    id: int = 0
    group_id: int | None = None
    kind: str
    row: str
    changed: dict[str, Any]
    who: str
    at: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class Role:
    """What somebody may do in a group (0: in every group); see `core.group.access`. `person` is a mail address."""

    person: str
    group_id: int
    role: str
    given_by: str = ""
    given_at: datetime | None = None
