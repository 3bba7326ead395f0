"""Losses by stage: what drying, shelling, cleaning and the store took from each lot, and how stages multiply."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from core.errors import InputError
from core.grain.mass import dry_matter
from core.group.lot_actions import LotAction, actions_of_lot
from core.group.records import Lot
from core.programme.counting import Indicator, Records, lot_mass, mean

STAGE_KEYS = ("loss_drying", "loss_shelling", "loss_cleaning", "loss_storage")
USUAL_TURNOUT = 0.8
"""Grain for each kg of cobs; basis: judgement, the default of the records of work on lots."""
Losses = dict[str, list[tuple[float | None, int | None]]]


def food_loss_index(losses_now: Sequence[float], losses_base: Sequence[float], values_base: Sequence[float]) -> float:
    """Return the food loss index of SDG 12.3.1.a: 100 x value-weighted losses now over those of the base year.

    Parameters
    ----------
    losses_now, losses_base : sequence of float
        Loss fractions by crop.
    values_base : sequence of float
        Base-year value of each crop (quantity x price), any one currency.

    Returns
    -------
    float
        100 = as in the base year. Source: SDG indicator 12.3.1.a, formula from memory.
    """
    now, base, value = (np.asarray(item, dtype=float) for item in (losses_now, losses_base, values_base))
    below = float(np.sum(base * value))
    if below <= 0:
        raise InputError("the base year has no loss to compare with")
    return 100 * float(np.sum(now * value)) / below


def _work_losses(lot: Lot, actions: Sequence[LotAction], daily: pd.Series, losses: Losses) -> None:
    moisture: float | None = None
    for action in actions:
        kept = action.mass_out_kg / action.mass_in_kg
        if action.kind == "weighing":
            # what stands before the first weighing is the lot as it came in: its first reading
            first = float(daily.iloc[0]) if len(daily) and daily.index[0] <= action.on else None
            before = first if moisture is None else moisture
            after = action.moisture_pct
            lost = None if before is None or after is None else 1 - kept * (100 - after) / (100 - before)
            losses["loss_drying"].append((lost, lot.owner_id))
        elif action.kind == "shelling":
            losses["loss_shelling"].append((1 - kept / USUAL_TURNOUT, lot.owner_id))
        else:
            losses["loss_cleaning"].append((1 - kept, lot.owner_id))
        moisture = action.moisture_pct if action.moisture_pct is not None else moisture


def _store_loss(lot: Lot, sales: pd.DataFrame) -> float | None:
    """Return the part of the dry matter weighed in that was not sold.

    None unless all bags were sold with a moisture.
    """
    mass_in, start = lot_mass(lot), lot.weighed_moisture_pct
    if not mass_in or start is None or sales["moisture_pct"].isna().any():
        return None
    out = dry_matter(sales["mass_kg"].to_numpy(float), sales["moisture_pct"].to_numpy(float)).sum()
    return 1 - float(out) / float(dry_matter(mass_in, start))


def stage_losses(records: Records, daily: Mapping[int, pd.Series]) -> dict[str, Indicator]:
    """Return the mean loss of each stage and of all stages together.

    Parameters
    ----------
    daily : mapping of lot number to Series
        Mean moisture by day, % wet basis (see `moistures_by_day`).

    Returns
    -------
    dict of key to Indicator
        The stages of `STAGE_KEYS` and "dry_matter_loss". A stage without records does not count as free of loss: it is
        left out of the product. Variance of the product by linearisation, stages taken as independent.
    """
    losses: Losses = {key: [] for key in STAGE_KEYS}
    by_lot = dict(tuple(records.sales.groupby("lot_id"))) if len(records.sales) else {}
    worked = {event.payload.get("lot_id") for event in records.lot_book}
    for lot in records.lots:
        own = daily.get(lot.id, pd.Series(dtype=float))
        if lot.id in worked:
            _work_losses(lot, actions_of_lot(list(records.lot_book), lot.id), own, losses)
        sold = by_lot.get(lot.id)
        if sold is not None and lot.bags and sold["bags"].sum() >= lot.bags:
            losses["loss_storage"].append((_store_loss(lot, sold), lot.owner_id))
    found = {key: mean(key, items) for key, items in losses.items()}
    known = [item for item in found.values() if item.value is not None]
    kept = float(np.prod([1 - (item.value or 0) for item in known]))
    variance: float | None = None
    if known and all(item.variance is not None for item in known):
        variance = kept**2 * sum((item.variance or 0) / (1 - (item.value or 0)) ** 2 for item in known)
    fewest = min((item.denominator for item in known), default=0.0)
    value = 1 - kept if known else None
    alone = known[0] if len(known) == 1 else None
    found["dry_matter_loss"] = Indicator(
        "dry_matter_loss",
        value,
        (value or 0.0) * fewest,
        fewest,
        variance,
        sum(item.missing for item in found.values()),
        alone.values if alone else (),
        alone.owners if alone else (),
        count=int(fewest),
    )
    return found
