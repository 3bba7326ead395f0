"""Grain that is not free to be sold where it brings most: eaten at home, kept for seed, or promised."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import pandas as pd

from core.accounts.finance import WEEKS_PER_MONTH
from core.group.selling import still_owed
from core.market.deductions import Deductions, flat_deductions
from core.planning.case import DAYS_PER_WEEK, CaseBuyer, CaseLot, CropPrice, Reserve, nine_digits
from core.planning.case_lots import week_of
from core.planning.group_seasons import season_of

SEED_LEFT = 0.9  # of a seed lot's dried mass that must be there at planting; the rest is what keeping takes (judgement)
ONE_BAG_KG = 100.0
Value = Callable[[str], float]


LEAN_FACTOR = 1.3
"""On today's price where the history tells no season; basis: judgement, stated."""


def lean_price(price: CropPrice, weeks: int, margin: float) -> float:
    """Return what 1 kg of a crop costs to buy in the dearest month of the weeks looked at [money per kg].

    Parameters
    ----------
    margin : float
        What is paid more in small measures than wholesale [fraction].
    """
    curve = season_of(price)
    if curve is None:
        return nine_digits(price.price_now * LEAN_FACTOR)
    months = max(1, round(weeks / WEEKS_PER_MONTH))
    dearest = float(curve.forecast(months, from_price=price.price_now)["mean"].max())
    return nine_digits(max(dearest, price.price_now) * (1.0 + margin))


def dried_kg(lot: CaseLot, target_pct: float) -> float:
    """Return the mass of a lot when dried to a moisture, W2 = W1 (100 - M1)/(100 - M2), not more than now [kg]."""
    mass = lot.bags * lot.bag_mass_kg
    return mass * min(1.0, (100.0 - lot.moisture_pct) / (100.0 - target_pct))


def reserves_of(
    rows: Sequence[Mapping[str, Any]],
    value: Value,
    prices: Sequence[CropPrice],
    lots: Sequence[CaseLot],
    targets: Mapping[str, float],
    weeks: int,
) -> tuple[Reserve, ...]:
    """Return what is kept back for eating and for seed.

    Home use lasts until the next harvest of the staple (maize, or the crop of most mass), or to the end of the weeks
    looked at, and is valued at what buying it in the lean season would cost. Seed lots are kept whole to the end,
    whatever else is asked for.
    """
    by_crop = {price.commodity: price for price in prices}
    margin, last = value("plan.buying_margin"), weeks - 1
    made: list[Reserve] = []
    for row in rows:
        crop, kg = str(row.get("commodity")), float(row.get("kg") or 0)
        if crop not in by_crop or kg <= 0:
            continue
        evenly = bool(row.get("evenly", True))
        lean = lean_price(by_crop[crop], weeks, margin)
        usual = lean if evenly else by_crop[crop].price_now * value("plan.seed_value_factor")
        until = min(last, int(row.get("weeks") or last))
        made.append(
            Reserve(
                str(row.get("label") or "reserve"),
                crop,
                kg,
                until,
                float(row.get("value_per_kg") or usual),
                evenly,
                "food" if evenly else "seed",
            )
        )
    made += _seed_lots(made, by_crop, lots, targets, last, value)
    weekly = value("plan.home_use_kg_week")
    staple = _staple(by_crop, lots)
    if weekly > 0 and staple:
        coming = [lot.available_week for lot in lots if lot.standing and lot.commodity == staple]
        until = min([last, *(week for week in coming if week >= 2)])
        lean = lean_price(by_crop[staple], until + 1, margin)
        made.append(Reserve("home use", staple, weekly * (until + 1), until, lean))
    each = value("plan.eaten_damage_per_pct")
    return tuple(replace(reserve, damage_per_pct=each) for reserve in made)


def _staple(by_crop: Mapping[str, CropPrice], lots: Sequence[CaseLot]) -> str:
    """Return the crop that is eaten at home: maize where there is any, else the crop of most mass."""
    if "maize" in by_crop:
        return "maize"
    mass: dict[str, float] = {}
    for lot in lots:
        mass[lot.commodity] = mass.get(lot.commodity, 0.0) + lot.bags * lot.bag_mass_kg
    return max(mass, key=lambda crop: mass[crop], default="")


def _seed_lots(
    asked: list[Reserve],
    by_crop: Mapping[str, CropPrice],
    lots: Sequence[CaseLot],
    targets: Mapping[str, float],
    last: int,
    value: Value,
) -> list[Reserve]:
    """Return one reserve for each crop with seed lots, less what was asked for as seed of that crop already."""
    made = []
    for crop in sorted({lot.commodity for lot in lots if lot.use == "seed"}):
        held = sum(dried_kg(lot, targets[crop]) for lot in lots if lot.use == "seed" and lot.commodity == crop)
        there = sum(reserve.kg for reserve in asked if reserve.use == "seed" and reserve.commodity == crop)
        rest = SEED_LEFT * held - there
        if rest > 1.0:
            worth = by_crop[crop].price_now * value("plan.seed_value_factor")
            made.append(Reserve(f"seed of {crop.replace('_', ' ')}", crop, round(rest, 1), last, worth, False, "seed"))
    return made


def promised_deductions(limit_pct: float | None, value: Value) -> Deductions:
    """Return the deductions of a promise: the assumed ones above an agreed moisture, refused one point above it."""
    damage = value("damaged_price_cut_per_point")
    if limit_pct is None:
        return Deductions(damage_per_pct=damage)
    rate = value("plan.discount_per_point")
    return flat_deductions(limit_pct, rate, refusal_pct=limit_pct + 1.0, damage_per_pct=damage)


def promised_sales(
    rows: Sequence[Mapping[str, Any]],
    sales: pd.DataFrame,
    lots: Sequence[CaseLot],
    start: date,
    weeks: int,
    value: Value,
) -> tuple[CaseBuyer, ...]:
    """Return promised grain as buyers who must be served.

    Parameters
    ----------
    sales : DataFrame
        Of the group: what a buyer got since the promise is taken off it.
    lots : sequence of CaseLot
        A promise of a lot that is gone, or of a crop of which there is none, is left out.
    """
    made, owed = [], still_owed(rows, sales)
    for number, row in enumerate(rows):
        due, left = week_of(date.fromisoformat(row["due"]), start), owed[number]
        named = tuple(lot.id for lot in lots if lot.id == str(row.get("lot") or ""))
        fits = any(lot.commodity == row["commodity"] and (not named or lot.id in named) for lot in lots)
        if left <= 0.5 or not fits or due >= weeks:
            continue
        last = max(0, due)
        limit = float(row.get("moisture_limit_pct") or 0) or None
        made.append(
            CaseBuyer(
                code=f"promise-{number + 1}",
                name=f"{row['buyer']} (promised)",
                commodities=(str(row["commodity"]),),
                fixed_price=float(row["price_per_kg"]),
                deductions=promised_deductions(limit, value),
                pay_delay_weeks=math.ceil(float(row.get("pay_delay_days") or 0) / DAYS_PER_WEEK),
                quantity_kg=left + ONE_BAG_KG,
                first_week=0,
                last_week=last,
                promised_kg=left,
                lots=named,
                strict=True,
            )
        )
    return tuple(made)
