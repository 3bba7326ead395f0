"""A delivery: what was weighed, how moist it was, and its weight at the pool's common moisture."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from core.accounts.splitting import as_decimal
from core.errors import InputError
from core.market.deductions import flat_deductions
from core.messages import Message, message

GRAM = Decimal("0.001")
HUNDRED = Decimal(100)


@dataclass(frozen=True)
class Delivery:
    """One weighing of one member's grain.

    Masses in kg to the gram, moisture in % wet basis; `number` is the event's number, `receipt` counts the group's own
    deliveries from 1 without gaps, `slip` is the number of an earlier paper slip.
    """

    number: int
    on: date
    member_id: int
    pool: str
    commodity: str
    gross_kg: Decimal
    tare_kg: Decimal
    bags: int
    moisture_pct: Decimal
    moisture_sd_pct: Decimal
    grade: str
    form: str = "threshed"
    who: str = ""
    slip: str = ""
    receipt: int = 0

    @property
    def receipt_number(self) -> str:
        """Return the number on the receipt: of the paper slip where there is one, else of the group's own count."""
        return self.slip or str(self.receipt or self.number)

    @property
    def net_kg(self) -> Decimal:
        """Return gross less tare, kg."""
        return self.gross_kg - self.tare_kg

    @property
    def dry_kg(self) -> Decimal:
        """Return the dry matter, kg to the gram."""
        return to_gram(self.net_kg * (HUNDRED - self.moisture_pct) / HUNDRED)


def to_gram(mass: Decimal) -> Decimal:
    """Return a mass rounded to the gram, kg."""
    return mass.quantize(GRAM, ROUND_HALF_UP)


def weight_at(dry_kg: Decimal, moisture_pct: Decimal) -> Decimal:
    """Return the mass that a dry mass has at a moisture, kg to the gram.

    Source: mass balance of dry matter, W2 = W1 (100 - M1) / (100 - M2).
    """
    return to_gram(dry_kg * HUNDRED / (HUNDRED - moisture_pct))


def weight_by_flat_rate(
    net_kg: Decimal, moisture_pct: Decimal, base_pct: Decimal, percent_per_point: Decimal
) -> Decimal:
    """Return the weight that a flat rate per point of moisture would give, kg to the gram; to show the difference.

    Parameters
    ----------
    moisture_pct, base_pct : Decimal
        Moisture delivered and common moisture, % wet basis.
    percent_per_point : Decimal
        Such as 1.4 (posted by buyers; a price term, not physics: extension shrink articles, 1.2-1.5).
    """
    cut = flat_deductions(base_pct, percent_per_point / HUNDRED)
    return to_gram(net_kg * (1 - as_decimal(cut.fraction(moisture_pct))))


def checked_delivery(payload: dict[str, Any], number: int, on: date, who: str = "") -> Delivery:
    """Return a delivery from its stored or entered values.

    Parameters
    ----------
    payload : dict
        ``member_id, pool, commodity, gross_kg, tare_kg, bags, moisture_pct, moisture_sd_pct, grade, form``;
        numbers as Decimal, number or text.

    Raises
    ------
    InputError
        A missing member or pool, a mass or moisture that cannot be.
    """
    gross, tare = as_decimal(payload["gross_kg"], "gross mass"), as_decimal(payload.get("tare_kg", 0), "tare")
    moisture = as_decimal(payload["moisture_pct"], "moisture")
    spread = as_decimal(payload.get("moisture_sd_pct", "0.5"), "uncertainty of moisture")
    bags = int(payload.get("bags", 0))
    if not str(payload.get("pool", "")).strip():
        raise InputError("the delivery names no pool")
    if not payload.get("member_id"):
        raise InputError("the delivery names no member")
    if tare < 0 or gross <= tare:
        raise InputError("gross {gross} kg less tare {tare} kg leaves no grain: weigh again", gross=gross, tare=tare)
    if not Decimal(3) <= moisture <= Decimal(45):
        raise InputError("a moisture of {value} % is not possible: give 3 to 45", value=moisture)
    if bags < 0:
        raise InputError("{bags} bags are not possible", bags=bags)
    return Delivery(
        number=number,
        on=on,
        member_id=int(payload["member_id"]),
        pool=str(payload["pool"]).strip(),
        commodity=str(payload["commodity"]),
        gross_kg=to_gram(gross),
        tare_kg=to_gram(tare),
        bags=bags,
        moisture_pct=moisture,
        moisture_sd_pct=spread,
        grade=str(payload.get("grade") or "1"),
        form=str(payload.get("form") or "threshed"),
        who=who,
        slip=str(payload.get("receipt") or ""),
    )


def may_join(delivery: Delivery, limit_pct: Decimal, present: Delivery | None) -> Message | None:
    """Return why a delivery may not be mixed into a pool, or None where it may.

    Parameters
    ----------
    limit_pct : Decimal
        Highest moisture that the pool takes, % wet basis: wet grain is never mixed into dry (common practice, no
        source).
    present : Delivery, optional
        One that is in the pool already, for crop and form.
    """
    if delivery.moisture_pct > limit_pct:
        return message(
            "{moisture} % is above the pool's limit of {limit} %: dry it first, wet grain spoils the dry grain "
            "around it",
            moisture=delivery.moisture_pct,
            limit=limit_pct,
        )
    if present is not None and (present.commodity, present.form) != (delivery.commodity, delivery.form):
        return message("the pool holds another crop or form: open a new pool for this one")
    return None
