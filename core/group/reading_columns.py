"""The columns of a table of tests: what each may hold, in which unit, within which bounds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from core.group.bounds import COLDEST_C, HOTTEST_C, MOST_BAG_KG, MOST_BAGS
from core.group.records import FORMS
from core.market.products import crop_choices
from core.tables.reading import Column
from core.tables.words import plain

VALUE_FIELDS = ("temperature", "humidity", "moisture")
FILLED_DOWN = ("lot", "date", "tester", "commodity", "owner", "bags")
FORM_WORDS = {
    "cob": "cob cobs ear ears epi epis mazorca espiga kolben",
    "panicle": "panicle panicles panicule head heads",
    "pod": "pod pods gousse gousses vaina vainas vagem",
    "threshed": "threshed shelled grain grains graine grano grao loose nafaka",
    "cleaned": "cleaned clean sorted nettoye limpio limpo safi",
}
SETTLED_WORDS = {"settled": "yes", "stable": "yes", "steady": "yes", "not settled": "no", "unstable": "no"}


@dataclass(frozen=True, kw_only=True)
class TableOptions:
    """How a file is to be read.

    Parameters
    ----------
    columns : mapping of str to int
        Position of the column for each meaning (see `FIELDS`).
    order : str
        ``"day"`` or ``"month"``: what stands first in dates such as 03/04/2026.
    basis : str
        ``"wet"`` or ``"dry"``: what moisture is a percentage of.
    commodity : str
        Crop of new lots for which the file names none.
    default_lot : str
        Lot of rows when the file has no column for it.
    default_date : date, optional
        Date of rows when the file has no column for it.
    fill_down : bool
        An empty cell means the same as above (lot, date, tester, crop, owner, bags).
    fahrenheit, fractions : bool
        Temperatures are in °F; moisture and humidity are written as 0.135 for 13.5 %.
    new_lots, new_members : bool
        Whether lots and members that the file names, and the group does not have, may be created.
    """

    columns: Mapping[str, int] = field(default_factory=dict)
    order: str = "day"
    basis: str = "wet"
    commodity: str = "maize"
    default_lot: str = ""
    default_date: date | None = None
    fill_down: bool = False
    fahrenheit: bool = False
    fractions: bool = False
    new_lots: bool = True
    new_members: bool = True


def reading_columns(options: TableOptions, own_names: Mapping[str, str] | None = None) -> tuple[Column, ...]:
    """Return the columns of a table of tests, with the units that were chosen."""
    percent = 100.0 if options.fractions else 1.0

    def moisture(value: float) -> float:
        return (
            100 * value * percent / (100 + value * percent)
            if options.basis == "dry" and value >= 0
            else value * percent
        )

    crops = {**crop_choices(), **{plain(name): code for name, code in (own_names or {}).items()}}
    return (
        Column(name="lot"),
        Column(name="bag", longest=64),
        Column(name="date", kind="date"),
        Column(name="time", kind="time"),
        Column(
            name="temperature",
            kind="number",
            unit="°C",
            low=COLDEST_C,
            high=HOTTEST_C,
            convert=(lambda value: (value - 32) / 1.8) if options.fahrenheit else None,
        ),
        Column(name="humidity", kind="number", unit="%", low=0, high=100, convert=lambda value: value * percent),
        Column(name="moisture", kind="number", unit="%", low=0, high=99.9, convert=moisture),
        Column(name="tester"),
        Column(name="settled", kind="yes", choices=SETTLED_WORDS),
        Column(name="commodity", kind="choice", choices=crops, unknown="the crop '{value}' is not known"),
        Column(name="owner"),
        Column(name="bags", kind="whole", unit="bags", low=1, high=MOST_BAGS),
        Column(name="bag_mass", kind="number", unit="kg", above=0, high=MOST_BAG_KG),
        Column(name="variety", longest=100),
        Column(name="place"),
        Column(name="form", kind="choice", choices=form_choices(), unknown="the form of grain '{value}' is not known"),
        Column(name="note", longest=2000),
    )


def form_choices() -> dict[str, str]:
    """Return the form of grain for each word of it."""
    return {**{word: form for form, words in FORM_WORDS.items() for word in words.split()}, **{f: f for f in FORMS}}


FIELDS = tuple(column.name for column in reading_columns(TableOptions()))


def options_to_dict(options: TableOptions) -> dict[str, Any]:
    """Return options as values that a document can hold."""
    values = {name: getattr(options, name) for name in TableOptions.__dataclass_fields__}
    values["columns"] = dict(options.columns)
    values["default_date"] = options.default_date.isoformat() if options.default_date else None
    return values


def options_from_dict(values: Mapping[str, Any], width: int) -> TableOptions:
    """Return options from a document; columns that the file does not have are left out."""
    known = {key: value for key, value in values.items() if key in TableOptions.__dataclass_fields__}
    columns = {name: int(at) for name, at in known.get("columns", {}).items() if name in FIELDS and int(at) < width}
    day = known.get("default_date")
    return TableOptions(**{**known, "columns": columns, "default_date": date.fromisoformat(day) if day else None})
