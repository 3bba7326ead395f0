"""What the group agreed before the season: common moisture, grades, first payment, order of deductions, price rule."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from functools import partial
from typing import Any

from core.accounts.splitting import as_decimal
from core.accounts.typed import typed_number
from core.errors import InputError
from core.group.facts import default_number
from core.messages import Message, message
from core.tables.dates import date_and_time

PRICE_RULES = ("by_sale", "pool_price", "by_week")
DEDUCTIONS = ("levies", "meter", "loans", "advances")
"""What can be deducted from a member's pay besides truck and market costs, in the usual order."""
WEEK = re.compile(r"\d{4}-W\d{2}")


def _assumed(key: str) -> Decimal:
    """Return a moisture that holds until a pool has agreed its own, % wet basis."""
    return as_decimal(default_number(key))


@dataclass(frozen=True)
class Levy:
    """Something taken off a member's pay, in the order in which the group lists them.

    `kind` is "per_kg" (of grain sold) or "share" (of proceeds); `amount` in money per kg, or a fraction.
    """

    name: str
    kind: str
    amount: Decimal


@dataclass(frozen=True)
class Terms:
    """The agreement of a pool.

    `base_pct` is the common moisture and `limit_pct` the highest taken in, % wet basis; `grade_factors` are price
    factors by grade; `first_payment_per_kg` is paid on delivery per kg at the common moisture; `step` is the smallest
    coin in use; `price_rule` is "by_sale" (each sale is shared by those who had grain in the pool then),
    "pool_price" (all sales of the season are shared as one, by what each had sold) or "by_week" (the week delivered
    first is sold first, so that each week's grain gets the price that it fetched). `week_factors` are price factors by
    ISO week of delivery ("2026-W20"). `order` names what is taken off first, of `DEDUCTIONS`; `minimum_take_home` is
    the fraction of a member's proceeds, less truck and market, that is never taken off.
    """

    base_pct: Decimal = field(default_factory=partial(_assumed, "pool.base_pct"))
    limit_pct: Decimal = field(default_factory=partial(_assumed, "pool.limit_pct"))
    grade_factors: dict[str, Decimal] = field(default_factory=lambda: {"1": Decimal(1)})
    first_payment_per_kg: Decimal = Decimal(0)
    levies: tuple[Levy, ...] = ()
    step: Decimal = Decimal("0.01")
    price_rule: str = "by_sale"
    week_factors: dict[str, Decimal] = field(default_factory=dict)
    order: tuple[str, ...] = DEDUCTIONS
    minimum_take_home: Decimal = Decimal(0)

    def factor(self, grade: str, week: str = "") -> Decimal:
        """Return the price factor of a grade delivered in a week; 1 for what the group has not named."""
        return self.grade_factors.get(grade, Decimal(1)) * self.week_factors.get(week, Decimal(1))


def week_of(day: date) -> str:
    """Return the ISO week of a day, such as 2026-W20 (ISO 8601)."""
    year, week, _weekday = day.isocalendar()
    return f"{year}-W{week:02d}"


def week_words(week: str) -> Message:
    """Return what an ISO week is called: by its Monday."""
    return message("week of {day}", day=first_day_of(week))


def first_day_of(week: str) -> date:
    """Return the Monday of an ISO week such as 2026-W20."""
    return date.fromisocalendar(int(week[:4]), int(week[-2:]), 1)


def checked_terms(payload: dict[str, Any]) -> Terms:
    """Return terms from stored or entered values.

    Raises
    ------
    InputError
        An unknown price rule, levy kind or deduction, a factor of 0 or less, a share of 1 or more, a limit below the
        base.
    """
    base = as_decimal(payload.get("base_pct", _assumed("pool.base_pct")), "common moisture")
    limit = as_decimal(payload.get("limit_pct", _assumed("pool.limit_pct")), "moisture limit")
    factors = {str(k): as_decimal(v, "grade factor") for k, v in payload.get("grade_factors", {"1": 1}).items()}
    levies = tuple(Levy(str(x["name"]), str(x["kind"]), as_decimal(x["amount"])) for x in payload.get("levies", ()))
    rule = str(payload.get("price_rule", "by_sale"))
    step = as_decimal(payload.get("step", "0.01"), "smallest coin")
    if rule not in PRICE_RULES:
        raise InputError("the price rule '{rule}' is unknown: {rules}", rule=rule, rules=", ".join(PRICE_RULES))
    if not 3 <= base <= 30 or not base <= limit <= 30:
        raise InputError("agreed moisture {base} % and limit {limit} % do not fit together", base=base, limit=limit)
    weeks = {str(k): as_decimal(v, "week factor") for k, v in payload.get("week_factors", {}).items()}
    if any(factor <= 0 for factor in [*factors.values(), *weeks.values()]):
        raise InputError("a price factor of a grade or week must be above 0")
    for week in weeks:
        if not WEEK.fullmatch(week):
            raise InputError("'{week}' is not a week such as 2026-W20", week=week)
    order = tuple(str(name) for name in payload.get("order", DEDUCTIONS))
    if sorted(order) != sorted(DEDUCTIONS):
        raise InputError("the order of deductions must name each of {names} once", names=", ".join(DEDUCTIONS))
    kept = as_decimal(payload.get("minimum_take_home", 0), "least that a member takes home")
    if not 0 <= kept <= 1:
        raise InputError("the least that a member takes home is a part between 0 and 1, not {value}", value=kept)
    if step <= 0:
        raise InputError("the smallest coin must be above 0")
    if len({levy.name for levy in levies}) < len(levies):
        raise InputError("two levies have the same name")
    for levy in levies:
        if levy.kind not in {"per_kg", "share"} or levy.amount < 0 or (levy.kind == "share" and levy.amount >= 1):
            raise InputError("the levy '{name}' is neither money per kg nor a share below 1", name=levy.name)
    first = as_decimal(payload.get("first_payment_per_kg", 0), "first payment")
    if first < 0:
        raise InputError("the first payment cannot be below 0")
    return Terms(base, limit, factors, first, levies, step, rule, weeks, order, kept)


# What a person types, one line for each


def factors_typed(text: str) -> dict[str, str]:
    """Return price factors by name from lines such as ``2: 93`` (grade or week, and % of the price)."""
    found: dict[str, str] = {}
    for name, rest in _lines(text):
        percent = typed_number(rest.removesuffix("%"))
        if percent <= 0 or percent > 1000:
            raise InputError(
                "'{name}' is paid {percent} % of the price: give a number above 0", name=name, percent=percent
            )
        found[name] = str(percent / 100)
    return found


def weeks_typed(text: str) -> dict[str, str]:
    """Return price factors by ISO week from lines such as ``11 May 2026: 95``: any day of the week, and % of the price.

    Raises
    ------
    InputError
        A line without a day, or that `factors_typed` refuses.
    """
    found = {}
    for name, factor in factors_typed(text).items():
        stamp = None if WEEK.fullmatch(name) else date_and_time(name)
        found[name if stamp is None else week_of(stamp[0])] = factor
    return found


def factors_text(factors: Mapping[str, Decimal]) -> str:
    """Return price factors as the lines that `factors_typed` reads."""
    return "\n".join(f"{name}: {_plain(100 * factor)}" for name, factor in factors.items())


def levies_typed(text: str) -> list[dict[str, str]]:
    """Return levies from lines such as ``office: 4`` (money a kg sold) or ``school: 2 %`` (of the proceeds).

    Raises
    ------
    InputError
        A line that is no name and number, or a number below 0.
    """
    found = []
    for name, rest in _lines(text):
        share = rest.endswith("%")
        amount = typed_number(rest.removesuffix("%"))
        if amount < 0:
            raise InputError("the levy '{name}' cannot be below 0", name=name)
        found.append(
            {"name": name, "kind": "share" if share else "per_kg", "amount": str(amount / 100 if share else amount)}
        )
    return found


def levies_text(levies: Sequence[Levy]) -> str:
    """Return levies as the lines that `levies_typed` reads."""
    return "\n".join(
        f"{levy.name}: {_plain(100 * levy.amount)} %" if levy.kind == "share" else f"{levy.name}: {_plain(levy.amount)}"
        for levy in levies
    )


def _lines(text: str) -> list[tuple[str, str]]:
    rows = []
    for line in text.splitlines():
        if not line.strip():
            continue
        name, colon, rest = line.rpartition(":")
        if not colon or not name.strip() or not rest.strip():
            raise InputError("'{line}' is not a name, a colon and a number", line=line.strip()[:60])
        rows.append((" ".join(name.split()), rest.strip()))
    return rows


def _plain(value: Decimal) -> str:
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
