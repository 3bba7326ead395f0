"""Recorded losses of a programme over seasons, weighted by value as SDG indicator 12.3.1.a weights them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from core.errors import InputError
from core.grain.mass import dry_matter
from core.group.records import Lot
from core.programme.counting import Records, lot_mass
from core.programme.stages import food_loss_index

FEWEST_GROUPS = 5


@dataclass(frozen=True)
class CropLoss:
    """A crop of one group and season: dry matter weighed in and sold [kg], and what was paid [the group's money]."""

    dry_in_kg: float
    dry_out_kg: float
    worth: float


def crop_losses(records: Records) -> dict[str, CropLoss]:
    """Return dry matter in and out by crop, of lots sold whole with mass and moisture at both ends."""
    if records.sales.empty:
        return {}
    lots: Mapping[int, Lot] = {lot.id: lot for lot in records.lots}
    found: dict[str, CropLoss] = {}
    for lot_id, sold in records.sales.groupby("lot_id"):
        lot = lots.get(int(str(lot_id)))
        mass = None if lot is None else lot_mass(lot)
        if lot is None or not mass or lot.weighed_moisture_pct is None:
            continue
        if sold["bags"].sum() < lot.bags or sold["moisture_pct"].isna().any():
            continue
        dry_out = float(dry_matter(sold["mass_kg"].to_numpy(float), sold["moisture_pct"].to_numpy(float)).sum())
        worth = float((sold["mass_kg"] * sold["price_per_kg"]).sum())
        before = found.get(lot.commodity, CropLoss(0.0, 0.0, 0.0))
        found[lot.commodity] = CropLoss(
            before.dry_in_kg + float(dry_matter(mass, lot.weighed_moisture_pct)),
            before.dry_out_kg + dry_out,
            before.worth + worth,
        )
    return found


@dataclass(frozen=True)
class LossIndex:
    """Losses against the base season = 100, with a 95 % interval (NaN below five groups).

    Crops and groups behind it.
    """

    value: float
    low: float
    high: float
    crops: tuple[str, ...]
    groups: int


Season = Mapping[str, CropLoss]


def _index(groups: Sequence[tuple[Season, Season, float]]) -> tuple[float, tuple[str, ...]] | None:
    """Return the index of groups taken together; each is (base season, later season, factor of its money)."""
    sums: tuple[dict[str, list[float]], dict[str, list[float]]] = ({}, {})
    for base, later, factor in groups:
        for season, total in ((base, sums[0]), (later, sums[1])):
            for crop, loss in season.items():
                own = total.setdefault(crop, [0.0, 0.0, 0.0])
                for at, amount in enumerate((loss.dry_in_kg, loss.dry_out_kg, loss.worth * factor)):
                    own[at] += amount
    crops = tuple(sorted(set(sums[0]) & set(sums[1])))
    lost = [[max(0.0, 1 - total[crop][1] / total[crop][0]) for crop in crops] for total in sums]
    try:
        return food_loss_index(lost[1], lost[0], [sums[0][crop][2] for crop in crops]), crops
    except InputError:
        return None


def loss_index(groups: Sequence[tuple[Season, Season, float]]) -> LossIndex | None:
    """Return a programme's losses in a season against a base season, crops weighted by their value in the base season.

    Parameters
    ----------
    groups : sequence of (base season, later season, factor)
        Losses by crop (`crop_losses`); factor turns the group's money into the programme's.

    Returns
    -------
    LossIndex or None
        None where nothing was lost, or no crop was sold in both seasons. The weights are those of SDG 12.3.1.a
        (`food_loss_index`); the losses are only those that groups record between weighing and sale. Interval by leaving
        out one group at a time (jackknife; J. W. Tukey, Annals of Mathematical Statistics 29 (1958) 614), Student's t.
    """
    own = [item for item in groups if item[0] and item[1]]
    whole = _index(own)
    if whole is None:
        return None
    count = len(own)
    left_out = [_index([*own[:at], *own[at + 1 :]]) for at in range(count)] if count >= FEWEST_GROUPS else []
    values = np.array([item[0] for item in left_out if item is not None])
    low = high = float("nan")
    if values.size == count:
        from scipy.stats import t

        spread = float(np.sqrt((count - 1) / count * np.sum((values - values.mean()) ** 2)))
        half = float(t.ppf(0.975, count - 1)) * spread
        low, high = max(0.0, whole[0] - half), whole[0] + half
    return LossIndex(whole[0], low, high, whole[1], count)
