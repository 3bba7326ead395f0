"""Pool losses against what was to be expected of that store, moisture and time, from the storage room's physics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

import numpy as np

from core.errors import NotFoundError
from core.messages import Figure, Message, message
from core.pool.deliveries import weight_at
from core.pool.season import Season

STORAGE_KINDS = ("insects and mould", "shrink of dry matter")
SCENARIOS = 20
SEED = 8
LONGEST_DAYS = 700
LossCurve = Callable[[np.ndarray], np.ndarray]
"""Days in store (any shape) to dry matter lost [%], with an axis of scenarios added at the end."""


@dataclass(frozen=True)
class PoolLosses:
    """One pool's losses, kg at the common moisture.

    `expected_storage` holds the 10, 50 and 90 % values of what insects, mould and breathing take in that store;
    `expected_spillage` what handling takes. `measured` is by kind of loss. `days` is the mean time in store.
    """

    pool: str
    method: str
    assumed_method: bool
    delivered_kg: Decimal
    days: float
    moisture_pct: float
    expected_storage: tuple[float, float, float]
    expected_spillage: float
    measured: dict[str, Decimal]

    @property
    def measured_storage(self) -> Decimal:
        """Return what insects, mould and breathing took, kg."""
        return sum((self.measured.get(kind, Decimal(0)) for kind in STORAGE_KINDS), Decimal(0))

    @property
    def verdict(self) -> Message:
        """Return in one sentence how the loss lies against what was to be expected."""
        low, middle, high = self.expected_storage
        lost = float(self.measured_storage)
        values = {
            "pool": self.pool,
            "lost": Figure(lost, ",.0f"),
            "low": Figure(low, ",.0f"),
            "high": Figure(high, ",.0f"),
            "days": Figure(self.days, ".0f"),
        }
        if lost == 0 and high < 1:
            return message(
                "{pool}: no loss in store is recorded, and hardly any is expected after {days} days", **values
            )
        if lost == 0 and middle >= 1:
            return message(
                "{pool}: no loss in store is recorded; {low} to {high} kg are expected after {days} days. Weigh the "
                "stack or count at the next load",
                **values,
            )
        if lost > high:
            return message(
                "{pool}: {lost} kg lost in store is more than the {low} to {high} kg expected after {days} days: "
                "look for insects, damp, leaks and mistakes in the records",
                **values,
            )
        if lost < low:
            return message(
                "{pool}: {lost} kg lost in store is less than the {low} to {high} kg expected after {days} days",
                **values,
            )
        return message(
            "{pool}: {lost} kg lost in store is within the {low} to {high} kg expected after {days} days", **values
        )


def mean_days(season: Season, pool: str, until: date) -> list[tuple[float, float]]:
    """Return for everything that left a pool, and for what is left, (dry kg, mean days in store).

    Grain that leaves is taken to have come on the mean day of all that was delivered until then, since a pool is
    mixed; what is left is counted until `until`.
    """
    brought = [(item.on, float(item.dry_kg)) for item in season.deliveries if item.pool == pool]
    leaving = [(sale.on, float(sale.dry_kg)) for sale in season.sales if sale.pool == pool]
    leaving += [
        (loss.on, float(sum(loss.dry_by_member.values(), Decimal(0)))) for loss in season.losses if loss.pool == pool
    ]
    leaving.append((until, float(season.pool_dry_kg(pool))))
    rows = []
    for day, mass in leaving:
        before = [(on, dry) for on, dry in brought if on <= day]
        total = sum(dry for _on, dry in before)
        if mass > 0 and total > 0:
            mean = sum(dry * (day - on).days for on, dry in before) / total
            rows.append((mass, mean))
    return rows


def pool_losses(
    season: Season, pool: str, until: date, curve: LossCurve, method: str, assumed: bool, spillage: float
) -> PoolLosses:
    """Return a pool's losses beside what was to be expected.

    Parameters
    ----------
    until : date
        Day up to which grain still in store is counted.
    spillage : float
        Fraction spilt between weighing in and loading.
    """
    base = season.terms.base_pct
    to_common = 100.0 / (100.0 - float(base))
    own = [item for item in season.deliveries if item.pool == pool]
    rows = mean_days(season, pool, until)
    mass = np.array([row[0] for row in rows])
    days = np.array([row[1] for row in rows])
    lost = (mass[:, None] * curve(days) / 100.0).sum(axis=0) * to_common if rows else np.zeros(1)
    measured: dict[str, Decimal] = {}
    for loss in season.losses:
        if loss.pool == pool:
            gone = weight_at(sum(loss.dry_by_member.values(), Decimal(0)), base)
            measured[loss.kind] = measured.get(loss.kind, Decimal(0)) + gone
    dry = sum((item.dry_kg for item in own), Decimal(0))
    net = sum((item.net_kg for item in own), Decimal(0))
    delivered = weight_at(dry, base)
    low, middle, high = (float(value) for value in np.quantile(lost, [0.1, 0.5, 0.9]))
    return PoolLosses(
        pool,
        method,
        assumed,
        delivered,
        float((mass * days).sum() / mass.sum()) if rows else 0.0,
        float(100 * (1 - dry / net)) if net else 0.0,
        (low, middle, high),
        spillage * float(delivered),
        measured,
    )


def storage_curve(
    store: Any, group: Any, season: Season, pool: str, method: str, until: date, now: datetime
) -> LossCurve:
    """Return the loss to be expected by days in store, from the storage room under climates of the group's place.

    The run begins on the pool's mean day of delivery at its mean moisture; hand-shelled grain, nobody sieved.
    """
    from core.planning.case_from_records import surroundings_of
    from core.storage.simulate import simulate_storage
    from core.weather.scenarios import climate_scenarios

    own = [item for item in season.deliveries if item.pool == pool]
    dry = sum(float(item.dry_kg) for item in own)
    moisture = 100 * (1 - dry / sum(float(item.net_kg) for item in own))
    first = date.fromordinal(round(sum(item.on.toordinal() * float(item.dry_kg) for item in own) / dry))
    days = min(max((until - min(item.on for item in own)).days + 1, 2), LONGEST_DAYS)
    data = surroundings_of(store, group, now)
    climates = climate_scenarios(data.normals, first, days + 1, SCENARIOS, SEED, data.place)
    run = simulate_storage(
        own[0].commodity, moisture, method, climates, days, borer_present=data.borer_present, seed=SEED, every=7
    )
    table = np.asarray(run.weight_loss_pct)

    def curve(in_store: np.ndarray) -> np.ndarray:
        clipped = np.clip(np.asarray(in_store, dtype=float), 0, float(run.day[-1]))
        return np.column_stack([np.interp(clipped, run.day, table[:, place]) for place in range(table.shape[1])])

    return curve


def method_of(store: Any, group_id: int, season: Season, pool: str) -> tuple[str, bool]:
    """Return how a pool is stored, and whether that is assumed."""
    if pool in season.stores:
        return season.stores[pool], False
    fact = store.fact(group_id, "pool.storage_method")
    return str(fact.value), fact.origin == "assumed"


def losses_against_plan(store: Any, group: Any, season: Season, until: date, now: datetime) -> list[PoolLosses]:
    """Return every pool's losses beside what was to be expected.

    Pools of crops without storage physics are left out.
    """
    spillage = float(store.fact(group.id, "pool.spillage").value)
    rows = []
    for pool in season.pools():
        method, assumed = method_of(store, group.id, season, pool)
        try:
            curve = storage_curve(store, group, season, pool, method, until, now)
        except NotFoundError:
            continue
        rows.append(pool_losses(season, pool, until, curve, method, assumed, spillage))
    return rows
