"""An invented year of the shared meter: bought together, used, paid in money, grain and work."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal

from core.accounts.book import plain_payload
from core.accounts.splitting import split_exactly
from core.group.harvests import harvest_seasons
from core.group.store import Store

PRICE = Decimal(240_000)
CHARGE = Decimal(80_000)
COIN = Decimal(10)
OWN_COSTS = {
    "meter.price": float(PRICE),
    "meter.own_price": float(PRICE),
    "meter.upkeep_season": 15_000.0,
    "meter.per_test": 40.0,
    "meter.paid_test": 0.0,
}
"""What the invented groups entered of their meter: nobody nearby tests for a fee."""


WHO = "Treasurer (invented)"


def add_meter_book(store: Store, group_id: int, now: datetime) -> None:
    """Write the example's meter book into a group.

    Parameters
    ----------
    now : datetime
        Aware; the book ends some days before.
    """
    members = store.members(group_id)
    numbers = [str(member.id) for member in members]
    if len(numbers) < 4:
        return
    today = now.date()
    store.set_facts(group_id, OWN_COSTS, "entered", WHO, now)

    def write(days_ago: int, kind: str, **payload: object) -> None:
        on = today - timedelta(days=days_ago)
        store.append_event(group_id, "meter", kind, on, WHO, plain_payload(payload), now)

    for member in members:
        write(400, "member_added", member=str(member.id), name=member.name)
    write(400, "loss_rule", loss=Decimal("0.5"), theft=Decimal(0), breakage=Decimal("0.5"))
    shares = split_exactly(PRICE, dict.fromkeys(numbers, 1), COIN)
    write(398, "capital_due", shares=shares, text="the meter's price in equal parts")
    for place, number in enumerate(numbers):
        money = "mobile money" if place % 3 == 1 else "cash box"
        reference = f"DEMO-{place:03d}" if money == "mobile money" else ""
        write(396 - place % 9, "payment", member=number, amount=shares[number], money=money, reference=reference)
    in_box = sum((shares[n] for place, n in enumerate(numbers) if place % 3 != 1), Decimal(0))
    write(380, "loan_taken", amount=PRICE - in_box, money="cash box")
    write(380, "meter_bought", amount=PRICE, paid_from="money", money="cash box", life_months=48, resale=Decimal(0))
    write(372, "loan_paid", principal=PRICE - in_box, interest=Decimal(0), money="mobile money")
    write(22, "loan_paid", principal=Decimal(0), interest=Decimal(500), money="cash box")
    write(379, "handover", member=numbers[0], condition="new, in its case")
    write(40, "depreciation", amount=Decimal(55_000))
    tests = {number: 8 + 7 * place % 23 for place, number in enumerate(numbers)}
    charge = split_exactly(CHARGE, tests, COIN)
    write(30, "charge", shares=charge, text="season's charge by tests")
    for place, number in enumerate(numbers[: len(numbers) * 2 // 3]):
        write(28 - place % 7, "payment", member=number, amount=charge[number], money="cash box")
    write(25, "spent", on_what="batteries", amount=Decimal(6_000), money="cash box", text="four cells")
    write(24, "spent", on_what="calibration check", amount=Decimal(9_000), money="cash box", text="three oven samples")
    write(21, "outside_tests", payer="A neighbour (invented)", tests=12, amount=Decimal(6_000), money="cash box")
    write(20, "labour", member=numbers[-1], hours=Decimal(6), price=Decimal(700), amount=Decimal(4_200))
    write(
        18,
        "grain_payment",
        member=numbers[-2],
        kg=Decimal(20),
        moisture_pct=Decimal("14.5"),
        agreed_kg=Decimal("19.655"),
        agreed_moisture_pct=Decimal(13),
        price_per_kg=Decimal(500),
        amount=Decimal(9_820),
    )
    for place, number in enumerate(with_grain(store, group_id, numbers)[:6]):
        write(12 - 2 * place, "handover", member=number, condition="whole")
        write(12 - 2 * place, "tests", member=number, tests=10, bags=10)
    first = today + timedelta(days=2)
    write(
        1, "booking", member=numbers[3], first_day=first, last_day=first + timedelta(days=1), purpose="before bagging"
    )


def with_grain(store: Store, group_id: int, numbers: list[str]) -> list[str]:
    """Return the members who have grain of the latest harvest: nobody else has anything to test."""
    lots = store.lots(group_id)
    seasons = harvest_seasons(lots)
    owners = {str(lot.owner_id) for lot in lots if lot.owner_id and seasons and seasons[0].holds(lot)}
    return [number for number in numbers if number in owners]
