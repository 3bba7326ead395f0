"""What a storage run holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from core.messages import Message

Array = NDArray[Any]


@dataclass(frozen=True)
class StorageRun:
    """What becomes of lots in a store; arrays are (days + 1, lots, scenarios) with absent axes left out.

    Parameters
    ----------
    day : ndarray
        Days since bagging of each row (every day, or every `every`-th).
    moisture_pct : ndarray
        Mean of the lot, % w.b.
    weight_loss_pct : ndarray
        Dry matter lost to insects, respiration and microflora, % of that bagged.
    dry_matter_loss_pct : ndarray
        The part by respiration and microflora.
    damp_loss_pct : ndarray
        Of that, what was lost while the grain was damp enough to spoil (water activity from 0.65-0.70 up); worst place.
    mould_risk : ndarray
        0-1: the share of the lot's bags expected to be unfit because mould has become visible or, in a sealed store,
        because wet grain has soured and would mould within days of opening. It never falls.
    toxin_hours : ndarray
        Hours in which aflatoxin could form (water activity above 0.83, 12-40 degC), weighted by temperature; worst
        place.
    damaged_kernels_pct, insects_per_kg : ndarray
        Kernels with insect damage; living insects of all stages.
    germination_pct : ndarray
        Of seed that germinated 98 % at bagging (relation of wheat at equal humidity).
    soured_share : ndarray
        Share of the bags in which sealed wet grain has fermented: unfit for food and seed.
    equilibrium_humidity_pct : ndarray
        Of the wettest place at its grain temperature.
    """

    commodity: str
    method: str
    day: Array
    moisture_pct: Array
    weight_loss_pct: Array
    dry_matter_loss_pct: Array
    damp_loss_pct: Array
    mould_risk: Array
    toxin_hours: Array
    damaged_kernels_pct: Array
    insects_per_kg: Array
    germination_pct: Array
    soured_share: Array
    places: tuple[str, ...]
    notes: tuple[Message, ...]


def without_axes(run: StorageRun, lots: bool, scenarios: bool) -> StorageRun:
    """Leave out the axes of lots and scenarios that were not asked for."""
    changed = {}
    for name, value in vars(run).items():
        if isinstance(value, np.ndarray) and value.ndim >= 3:
            if not scenarios:
                value = value[..., 0]
            if not lots:
                value = value.take(0, axis=-1 if not scenarios else -2)
            changed[name] = value
        else:
            changed[name] = value
    return StorageRun(**changed)


def lot_of(run: StorageRun, number: int) -> StorageRun:
    """Return one lot's part of a run over lots x scenarios, arrays (days + 1, scenarios)."""
    parts: dict[str, Any] = {
        name: value[..., number, :] if isinstance(value, np.ndarray) and value.ndim >= 3 else value
        for name, value in vars(run).items()
    }
    return StorageRun(**parts)
