"""What the group agreed before the season: common moisture, grades, first payment, order of deductions, price rule."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from core.accounts.splitting import as_decimal
from core.errors import InputError

PRICE_RULES = ("by_sale", "pool_price")


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
    coin in use; `price_rule` is "by_sale" (each sale is shared by those who had grain in the pool then) or
    "pool_price" (all sales of the season are shared as one, by what each had sold).
    """

    base_pct: Decimal = Decimal("13.5")
    limit_pct: Decimal = Decimal("14.0")
    grade_factors: dict[str, Decimal] = field(default_factory=lambda: {"1": Decimal(1)})
    first_payment_per_kg: Decimal = Decimal(0)
    levies: tuple[Levy, ...] = ()
    step: Decimal = Decimal("0.01")
    price_rule: str = "by_sale"

    def factor(self, grade: str) -> Decimal:
        """Return the price factor of a grade; 1 for one that the group has not named."""
        return self.grade_factors.get(grade, Decimal(1))


def checked_terms(payload: dict[str, Any]) -> Terms:
    """Return terms from stored or entered values.

    Raises
    ------
    InputError
        An unknown price rule or levy kind, a factor of 0 or less, a share of 1 or more, a limit below the base.
    """
    base = as_decimal(payload.get("base_pct", "13.5"), "common moisture")
    limit = as_decimal(payload.get("limit_pct", "14.0"), "moisture limit")
    factors = {str(k): as_decimal(v, "grade factor") for k, v in payload.get("grade_factors", {"1": 1}).items()}
    levies = tuple(Levy(str(x["name"]), str(x["kind"]), as_decimal(x["amount"])) for x in payload.get("levies", ()))
    rule = str(payload.get("price_rule", "by_sale"))
    step = as_decimal(payload.get("step", "0.01"), "smallest coin")
    if rule not in PRICE_RULES:
        raise InputError("the price rule '{rule}' is unknown: by_sale or pool_price", rule=rule)
    if not 3 <= base <= 30 or not base <= limit <= 30:
        raise InputError("common moisture {base} % and limit {limit} % do not fit together", base=base, limit=limit)
    if any(factor <= 0 for factor in factors.values()):
        raise InputError("a grade's price factor must be above 0")
    if step <= 0:
        raise InputError("the smallest coin must be above 0")
    for levy in levies:
        if levy.kind not in {"per_kg", "share"} or levy.amount < 0 or (levy.kind == "share" and levy.amount >= 1):
            raise InputError("the levy '{name}' is neither money per kg nor a share below 1", name=levy.name)
    first = as_decimal(payload.get("first_payment_per_kg", 0), "first payment")
    if first < 0:
        raise InputError("the first payment cannot be below 0")
    return Terms(base, limit, factors, first, levies, step, rule)


def terms_payload(terms: Terms) -> dict[str, Any]:
    """Return terms as JSON values, decimals as text."""
    return {
        "base_pct": str(terms.base_pct),
        "limit_pct": str(terms.limit_pct),
        "grade_factors": {grade: str(factor) for grade, factor in terms.grade_factors.items()},
        "first_payment_per_kg": str(terms.first_payment_per_kg),
        "levies": [{"name": levy.name, "kind": levy.kind, "amount": str(levy.amount)} for levy in terms.levies],
        "step": str(terms.step),
        "price_rule": terms.price_rule,
    }
