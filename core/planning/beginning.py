"""A group's first entry: enough in one form for a first plan; everything else is assumed and can be entered later."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from core.errors import InputError
from core.group.bounds import MOST_BAGS
from core.group.possessions import keep_spaces, keep_stores, space_from, store_from
from core.group.records import Group, Lot, PriceQuote, Reading
from core.group.store import Store
from core.planning.wishes import write_wishes
from core.reference_tables import reference_table


def usual_bag(country: str) -> tuple[float, str]:
    """Return what a bag of grain usually weighs in a country (ISO 3166 code), kg, and where that comes from."""
    bags = reference_table("planning", "beginning.toml")["bag_kg"]
    entry = bags.get(country) or bags["other"]
    return float(entry["value"]), str(entry["source"])


@dataclass(frozen=True, kw_only=True)
class FirstEntry:
    """What a group says of itself at first.

    Parameters
    ----------
    moisture_pct : float or None
        What the meter showed, % wet basis; None where nobody has tested: the plan then assumes one.
    drying_method, storage_method : str
        Rows of the tables of methods.
    price_per_kg : float or None
        What a kg of dry grain fetches there today, money; None where nobody knows.
    need : float
        Money needed by a date; 0 where none is.
    """

    group: Group
    commodity: str
    bags: int
    bag_kg: float
    moisture_pct: float | None
    drying_method: str
    area_m2: float
    storage_method: str
    store_units: int
    market: str = ""
    price_per_kg: float | None = None
    need: float = 0.0
    need_on: date | None = None
    lot: str = "1"
    need_label: str = "1"


def begin(store: Store, entry: FirstEntry, today: date, now: datetime, who: str, token: str = "") -> int:
    """Write a group's first entry, as a whole or not at all, and return the group's number."""
    if not entry.group.name.strip():
        raise InputError("the group needs a name")
    if not 0 < entry.bags <= MOST_BAGS:
        raise InputError("{bags} bags: enter 1 to {most}", bags=entry.bags, most=MOST_BAGS)
    if entry.need > 0 and (entry.need_on is None or entry.need_on < today):
        raise InputError("say by which day the money is needed; the day must not be past")
    with store.by(who, now).transaction(token=token) as kept:
        group_id = kept.add_group(entry.group)
        worth = kept.currency_per_usd(group_id)
        space = space_from({"method": entry.drying_method, "area_m2": entry.area_m2}, worth)
        keep_spaces(kept, group_id, (space,), who, now)
        bags = store_from({"method": entry.storage_method, "units": entry.store_units}, worth)
        keep_stores(kept, group_id, (bags,), who, now)
        lot_id = kept.add_lot(
            Lot(
                group_id=group_id,
                label=entry.lot,
                commodity=entry.commodity,
                bags=entry.bags,
                bag_mass_kg=entry.bag_kg,
                harvested_on=today - timedelta(days=1),
            )
        )
        if entry.moisture_pct is not None:
            kept.add_reading(Reading(lot_id=lot_id, taken_at=now, meter_moisture_pct=entry.moisture_pct, tester=who))
        if entry.price_per_kg is not None:
            quote = PriceQuote(
                group_id=group_id,
                quoted_on=today,
                market=entry.market,
                commodity=entry.commodity,
                price_per_kg=entry.price_per_kg,
                source=who,
            )
            kept.add_price_quotes([quote])
            if entry.market:
                kept.set_fact(group_id, "plan.market", entry.market, "entered", who, now)
        if entry.need > 0 and entry.need_on is not None:
            row = {"on": entry.need_on.isoformat(), "amount": entry.need, "member": "", "label": entry.need_label}
            write_wishes(kept, group_id, {"needs": [row]}, now, who)
    return group_id
