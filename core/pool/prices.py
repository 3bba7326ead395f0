"""What the agreed price differences do: grade, week of delivery and sharing of sales, with the effect per member."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal

from core.group.records import Event
from core.messages import Figure, Message, message
from core.pool.payout import share_sales
from core.pool.season import Season, replay
from core.pool.terms import week_words

ZERO = Decimal(0)


@dataclass(frozen=True)
class PriceEffect:
    """One agreed difference: a sentence, and what each member gains (or loses) by it, money; together always 0."""

    name: str
    sentence: Message
    by_member: dict[int, Decimal]


def _proceeds(season: Season) -> dict[int, Decimal]:
    sums: dict[int, Decimal] = {}
    for parts in share_sales(season)[0].values():
        for member, part in parts.items():
            sums[member] = sums.get(member, ZERO) + part
    return sums


def price_effects(events: Iterable[Event]) -> list[PriceEffect]:
    """Return the effect of each agreed difference, added one after another to one plain price for all.

    Returns
    -------
    list of PriceEffect
        Grade, week, and the sharing rule, those that the group has agreed. Each adds up to 0: what one member gains
        another gives. Together they are a member's proceeds less what one price for all would give him.
    """
    events = list(events)
    season = replay(events)
    terms = season.terms
    if not season.sales:
        return []
    at = replace(terms, grade_factors={}, week_factors={}, price_rule="pool_price")
    before = _proceeds(replay(events, at))
    steps: list[tuple[str, Message, dict[str, object]]] = []
    if any(factor != 1 for factor in terms.grade_factors.values()):
        listed = tuple(
            message("{what}: {part} %", what=grade, part=Figure(float(100 * factor), ".4g"))
            for grade, factor in terms.grade_factors.items()
        )
        words = message("Grades are paid at these parts of the first grade's price: {listed}", listed=listed)
        steps.append(("grade", words, {"grade_factors": terms.grade_factors}))
    if any(factor != 1 for factor in terms.week_factors.values()):
        listed = tuple(
            message("{what}: {part} %", what=week_words(week), part=Figure(float(100 * factor), ".4g"))
            for week, factor in sorted(terms.week_factors.items())
        )
        words = message("Weeks of delivery are paid at these parts of the price: {listed}", listed=listed)
        steps.append(("week", words, {"week_factors": terms.week_factors}))
    if terms.price_rule == "by_sale":
        words = message("Each load's money goes to those who had grain in the pool on that day")
        steps.append(("rule", words, {"price_rule": "by_sale"}))
    elif terms.price_rule == "by_week":
        words = message(
            "Grain leaves the pool in the order of its weeks of delivery and gets what its load was sold for"
        )
        steps.append(("rule", words, {"price_rule": "by_week"}))
    effects = []
    for name, words, change in steps:
        at = replace(at, **change)  # type: ignore[arg-type]
        after = _proceeds(replay(events, at))
        members = sorted(set(before) | set(after))
        effects.append(
            PriceEffect(name, words, {member: after.get(member, ZERO) - before.get(member, ZERO) for member in members})
        )
        before = after
    return effects
