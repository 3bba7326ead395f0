"""What a storage run means: how long it keeps and why it ends, and how a buyer would take it week by week."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from core.errors import InputError
from core.market.deductions import Deductions, chance_above, flat_deductions
from core.messages import Figure, Message
from core.storage.insects import chance_seen
from core.storage.simulate import StorageRun

Array = NDArray[Any]

CAUSES = {
    "mould": "mould, or souring of sealed wet grain",
    "toxin": "hours in which aflatoxin could form",
    "dry matter": "spoilage of damp grain (dry-matter loss)",
    "insects": "kernels damaged by insects",
    "moisture": "moisture above the buyer's limit",
}
REASONS = {
    "mould": "Mould would show in more than {limit} % of the bags: damp grain in warm air, or wet grain under a seal.",
    "toxin": "Grain is damp and warm enough for aflatoxin for more than {limit} hours.",
    "dry matter": "Damp grain would have lost more than {limit} % of its dry matter: it heats, smells and loses value.",
    "insects": "Insects would have damaged more than {limit} % of the kernels, past the grade.",
    "moisture": (
        "The grain would stand above {limit} %, which the buyer refuses: stored too wet, or moistened by "
        "the air of the rains."
    ),
}


@dataclass(frozen=True)
class StorageLimits:
    """Where storage counts as ended.

    Parameters
    ----------
    mould_share : float
        Share of bags unfit (judgement).
    toxin_hours : float
        Weighted toxin-possible hours in the worst place: three days, since spores must first germinate (judgement).
    damp_loss_pct : float
        Dry-matter loss while damp: 0.25 % for food (judgement, half of the published table's 0.5 %).
    damaged_kernels_pct : float
        Insect-damaged kernels of the grade.
    moisture_pct : float or None
        Buyer's limit, None to leave it out.
    """

    mould_share: float = 0.05
    toxin_hours: float = 72.0
    damp_loss_pct: float = 0.25
    damaged_kernels_pct: float = 5.0
    moisture_pct: float | None = None


@dataclass(frozen=True)
class Keeping:
    """How long a lot keeps at a certainty.

    Parameters
    ----------
    days : float
        Days from bagging; infinity where nothing ends it within the run (which is no promise beyond it).
    cause : str or None
        A key of `CAUSES`.
    horizon_days : int
        Length of the run.
    """

    days: float
    cause: str | None
    certainty: float
    horizon_days: int
    reason: Message


def end_days(run: StorageRun, limits: StorageLimits | None = None) -> dict[str, Array]:
    """Return the first day past each limit, by cause.

    Returns
    -------
    dict of ndarray
        Shape of the run without its first axis; infinity where the limit is never passed.
    """
    bounds = limits or StorageLimits()
    past = {
        "mould": run.mould_risk > bounds.mould_share,
        "toxin": run.toxin_hours > bounds.toxin_hours,
        "dry matter": run.damp_loss_pct > bounds.damp_loss_pct,
        "insects": run.damaged_kernels_pct > bounds.damaged_kernels_pct,
    }
    if bounds.moisture_pct is not None:
        past["moisture"] = run.moisture_pct > bounds.moisture_pct
    return {
        cause: np.where(over.any(axis=0), run.day[np.argmax(over, axis=0)].astype(float), np.inf)
        for cause, over in past.items()
    }


SURE = 0.95
"""Share of the seasons in which a lot keeps as long as it is said to keep for sure."""


def keeps_until(run: StorageRun, certainty: float = SURE, limits: StorageLimits | None = None) -> Keeping:
    """Return until when one lot keeps with a certainty over the scenarios, and what ends it.

    Parameters
    ----------
    run : StorageRun
        Of one lot: arrays (days + 1,) or (days + 1, scenarios).
    certainty : float
        Fraction of the scenarios in which it keeps at least so long.

    Raises
    ------
    InputError
        A run of several lots, or a certainty outside 0-1.
    """
    if run.moisture_pct.ndim > 2:
        raise InputError("keeps_until takes the run of one lot; take one lot after another")
    if not 0.0 < certainty < 1.0:
        raise InputError("certainty {value} is outside 0-1", value=certainty)
    bounds = limits or StorageLimits()
    by_cause = {cause: np.atleast_1d(days) for cause, days in end_days(run, bounds).items()}
    names = list(by_cause)
    table = np.stack([by_cause[name] for name in names])
    earliest = table.min(axis=0)
    days = float(np.quantile(earliest, 1.0 - certainty, method="lower"))
    horizon = int(run.day[-1])
    if np.isinf(days):
        reason = Message(
            "Nothing ends it within the {days} days looked at. Test again all the same.", {"days": horizon}
        )
        return Keeping(days, None, certainty, horizon, reason)
    ended = table[:, earliest <= days]
    cause = names[int(np.argmax((ended == ended.min(axis=0)).sum(axis=1)))]
    shown = {
        "mould": 100.0 * bounds.mould_share,
        "toxin": bounds.toxin_hours,
        "dry matter": bounds.damp_loss_pct,
        "insects": bounds.damaged_kernels_pct,
        "moisture": bounds.moisture_pct or 0.0,
    }[cause]
    return Keeping(days, cause, certainty, horizon, Message(REASONS[cause], {"limit": Figure(shown, "g")}))


USUAL_DEDUCTIONS = flat_deductions(13.5, 0.0135, refusal_pct=13.5, damage_per_pct=0.032)


@dataclass(frozen=True)
class BuyerTerms:
    """What a buyer refuses and takes off.

    Parameters
    ----------
    sieved_kg : float
        Sample that the buyer sieves for live insects.
    bags_opened : int
        Bags smelled and looked into.
    dust_limit_pct : float
        Foreign matter.
    deductions : Deductions
        For moisture and damaged kernels, and the moisture that is refused. Usual: 0.012-0.015 of the price per point on
        posted sheets; 0.028-0.036 per % of damaged kernels in a Malawi choice experiment (Jones et al. 2016).
    """

    damaged_limit_pct: float = 5.0
    sieved_kg: float = 1.0
    bags_opened: int = 5
    dust_limit_pct: float = 1.0
    tests_aflatoxin: bool = False
    deductions: Deductions = USUAL_DEDUCTIONS


def refusal_chances(run: StorageRun, terms: BuyerTerms | None = None) -> dict[str, Array]:
    """Return the chance that a buyer refuses the lot on each ground, and on any, by day and scenario.

    Returns
    -------
    dict of ndarray
        Keys moisture, damaged kernels, live insects, odour, foreign matter, aflatoxin, any; shape of the run; 0-1.

    Notes
    -----
    The buyer's own reading scatters (`core.market.deductions`), and by 1 % of damaged kernels (judgement). Dust is
    taken as a third of what insects ate (judgement). Aflatoxin: five in a hundred lots come from the field above a
    limit (judgement), and the chance rises over 240 toxin-possible hours (judgement). Grounds are independent within a
    scenario; weather and insects tie them together across scenarios.
    """
    buyer = terms or BuyerTerms()
    insects_ate = np.maximum(run.weight_loss_pct - run.dry_matter_loss_pct, 0.0)
    field = 0.05 if buyer.tests_aflatoxin else 0.0
    later = -np.expm1(-run.toxin_hours / 240.0) if buyer.tests_aflatoxin else np.zeros_like(run.toxin_hours)
    chances = {
        "moisture": buyer.deductions.refused(run.moisture_pct),
        "damaged kernels": chance_above(run.damaged_kernels_pct, buyer.damaged_limit_pct, 1.0),
        "live insects": chance_seen(run.insects_per_kg, buyer.sieved_kg),
        "odour": 1.0 - (1.0 - run.mould_risk) ** buyer.bags_opened,
        "foreign matter": chance_above(insects_ate / 3.0, buyer.dust_limit_pct, 0.3),
        "aflatoxin": 1.0 - (1.0 - field) * (1.0 - later),
    }
    kept = np.ones_like(run.moisture_pct)
    for chance in chances.values():
        kept = kept * (1.0 - chance)
    chances["any"] = 1.0 - kept
    return chances


def unfit_for_food(run: StorageRun) -> Array:
    """Return whether the lot is unfit for food, by day and scenario."""
    return (
        (run.mould_risk > 0.5)
        | (run.soured_share > 0.5)
        | (run.toxin_hours > 3.0 * StorageLimits().toxin_hours)
        | (run.damp_loss_pct > 1.0)
    )


def paid_weight_loss_pct(run: StorageRun, paid_moisture_pct: float) -> Array:
    """Return the weight lost by drying below what is paid for, % of the mass at the moisture bought.

    Parameters
    ----------
    paid_moisture_pct : float
        Moisture up to which a buyer pays for the weight as it is.

    Returns
    -------
    ndarray
        (M paid - M) / (100 - M) for the points below, 0 above; shape of the run.
    """
    below = np.minimum(run.moisture_pct, paid_moisture_pct)
    return np.asarray(100.0 * (paid_moisture_pct - below) / (100.0 - below))


def weekly_table(run: StorageRun, terms: BuyerTerms | None = None) -> pd.DataFrame:
    """Return one lot's run by week with its 10, 50 and 90 % values.

    Parameters
    ----------
    run : StorageRun
        Of one lot.

    Returns
    -------
    DataFrame
        Indexed by week: moisture_pct, weight_loss_pct and mould_risk with suffixes _low, _middle, _high;
        refusal_chance (fraction of the scenarios).
    """
    rows = run.day % 7 == 0
    refusal = refusal_chances(run, terms)["any"]
    columns: dict[str, Array] = {}
    for name in ("moisture_pct", "weight_loss_pct", "mould_risk"):
        values = getattr(run, name)[rows].reshape(int(rows.sum()), -1)
        for suffix, quantile in (("low", 0.1), ("middle", 0.5), ("high", 0.9)):
            columns[f"{name}_{suffix}"] = np.quantile(values, quantile, axis=1)
    count = int(rows.sum())
    columns["refusal_chance"] = refusal[rows].reshape(count, -1).mean(axis=1)
    return pd.DataFrame(columns, index=pd.Index(run.day[rows] // 7, name="week"))
