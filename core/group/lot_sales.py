"""Sales of a lot, and what was measured after drying: checked against the lot, written as a whole, cancellable."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from core.errors import InputError
from core.group.lot_state import DRIED_TEST, LotState
from core.group.records import Reading, Sale
from core.group.selling import buyer_book
from core.messages import Message, message, plural

PLACES = ("market", "trader at the farm gate")
MOST_OF_MASS, LEAST_OF_MASS = 1.10, 0.80
"""Mass paid for against the mass of the bags: above the first it cannot be, below the second it is asked about.

Judgement: a market scale errs by a few per cent, and what dried since the weighing is counted already.
"""


def known_buyers(store: Any, group_id: int) -> list[str]:
    """Return whom a sale may name: the buyers of the book, then market and farm gate, then whoever bought before."""
    book = [entry.buyer.name for entry in buyer_book(store, group_id).standing_buyers()]
    sales = store.sales(group_id)
    before = sorted({str(name) for name in sales["buyer"] if name}) if len(sales) else []
    return list(dict.fromkeys([*book, *PLACES, *before]))


def check_sale(state: LotState, sale: Sale, buyers: list[str], today: date) -> tuple[Message, ...]:
    """Refuse a sale that cannot be, and return what should be looked at twice.

    Raises
    ------
    InputError
        More bags or mass than the lot has, a day to come or before the harvest, no price, an unknown buyer.
    """
    if not 1 <= sale.bags <= state.bags:
        raise InputError(
            plural(
                "bags",
                "lot {lot} has {bags} bag left, not {sold}",
                "lot {lot} has {bags} bags left, not {sold}",
                lot=state.lot.label,
                bags=state.bags,
                sold=sale.bags,
            )
        )
    if sale.sold_on > today:
        raise InputError("a sale cannot be dated in the future: {day}", day=sale.sold_on)
    if state.lot.harvested_on is not None and sale.sold_on < state.lot.harvested_on:
        raise InputError(
            "lot {lot} was harvested on {day}, after the sale", lot=state.lot.label, day=state.lot.harvested_on
        )
    if sale.paid_on is not None and not sale.sold_on <= sale.paid_on <= today:
        raise InputError("the payment must be dated between the sale and today")
    if not sale.price_per_kg > 0:
        raise InputError("a price must be above zero")
    if sale.buyer not in buyers:
        raise InputError("choose the buyer from the list; enter a new one under 'Prices and buyers' first")
    free, twice = state.free_from(today), []
    if free is not None and sale.sold_on < free:
        twice.append(message("Do not sell or eat this lot before {date}: its waiting time has not ended.", date=free))
    weigh = sale.bags * state.mass_now_kg / state.bags
    said = {"mass": round(sale.mass_kg, 1), "bags": sale.bags, "lot": state.lot.label, "weigh": round(weigh)}
    if not 0 < sale.mass_kg <= MOST_OF_MASS * weigh:
        raise InputError(
            plural(
                "bags",
                "{mass} kg is more than {bags} bag of lot {lot} weighs: about {weigh} kg",
                "{mass} kg is more than {bags} bags of lot {lot} weigh: about {weigh} kg",
                **said,
            )
        )
    if sale.mass_kg < LEAST_OF_MASS * weigh:
        twice.append(
            plural(
                "bags",
                "{mass} kg is much less than {bags} bag of lot {lot} weighs: about {weigh} kg",
                "{mass} kg is much less than {bags} bags of lot {lot} weigh: about {weigh} kg",
                **said,
            )
        )
    return tuple(twice)


def record_sale(store: Any, state: LotState, sale: Sale, today: date, token: str = "") -> int:
    """Record a sale, and the lot as sold where its last bag went, and return the sale's number."""
    check_sale(state, sale, known_buyers(store, state.lot.group_id), today)
    with store.transaction(state.lot.group_id, token) as writing:
        number = int(writing.add_sale(sale))
        if sale.bags == state.bags:
            writing.update_lot(replace(state.lot, status="sold"))
    return number


def cancel_sale(store: Any, group_id: int, sale_id: int, token: str = "") -> None:
    """Cancel a sale that was entered by mistake; a lot that it had emptied is in store again."""
    with store.transaction(group_id, token) as writing:
        lot_id = writing.remove_sale(sale_id, group_id)
        lot = writing.lot(lot_id)
        if lot.status == "sold":
            writing.update_lot(replace(lot, status="stored" if lot.stored_on or lot.storage_method else "drying"))


@dataclass(frozen=True, kw_only=True)
class Dried:
    """What was measured after drying: moisture of each tested bag, bags there are now, and what one weighs."""

    on: date
    tests_pct: tuple[float, ...]
    bags: int
    bag_mass_kg: float


def check_dried(state: LotState, dried: Dried, today: date) -> None:
    """Refuse what cannot have come off the drying space.

    Raises
    ------
    InputError
        A day to come, a moisture outside 2-40 %, no bags, or more dry matter than the lot had.
    """
    if dried.on > today:
        raise InputError("a weighing cannot be dated in the future: {day}", day=dried.on)
    if not dried.tests_pct or not all(2.0 <= pct <= 40.0 for pct in dried.tests_pct):
        raise InputError("enter the moisture of at least one bag, from 2 to 40 %")
    if dried.bags < 1 or not dried.bag_mass_kg > 0:
        raise InputError("enter the bags that there are now and what one weighs")
    mean = sum(dried.tests_pct) / len(dried.tests_pct)
    dry_matter = dried.bags * dried.bag_mass_kg * (1 - mean / 100)
    # what was never weighed may have been heavier than its nominal bag
    most = state.dry_matter_kg * (MOST_OF_MASS if state.mass_is_weighed else 1.5)
    if state.dry_matter_kg > 0 and dry_matter > most:
        raise InputError(
            "{mass} kg at {moisture} % is more dry grain than lot {lot} had: check bags, mass and moisture",
            mass=round(dried.bags * dried.bag_mass_kg),
            moisture=round(mean, 1),
            lot=state.lot.label,
        )


def record_dried(store: Any, state: LotState, dried: Dried, at: datetime, today: date, token: str = "") -> None:
    """Record moisture after drying and the bags weighed again, in one step: tests and lot together or not at all.

    Parameters
    ----------
    at : datetime
        When it is entered, aware; tests of an earlier day are dated at its noon in UTC.
    """
    check_dried(state, dried, today)
    taken = (
        at if dried.on == today else datetime.combine(dried.on, datetime.min.time(), tzinfo=at.tzinfo).replace(hour=12)
    )
    mean = round(sum(dried.tests_pct) / len(dried.tests_pct), 2)
    sold = state.lot.bags - state.bags
    lot = replace(
        state.lot,
        bags=dried.bags + sold,
        bag_mass_kg=dried.bag_mass_kg,
        weighed_moisture_pct=mean,
        weighed_on=dried.on,
        status="drying" if state.lot.status == "wet" else state.lot.status,
    )
    tests = [
        Reading(lot_id=state.lot.id, taken_at=taken, bag=f"{DRIED_TEST} {number}", meter_moisture_pct=pct)
        for number, pct in enumerate(dried.tests_pct, start=1)
    ]
    with store.transaction(state.lot.group_id, token) as writing:
        writing.add_readings(tests)
        writing.update_lot(lot)
