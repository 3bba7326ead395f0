"""Worth of testing the group's own lots: what must hold for any crop, price and judgement."""

from __future__ import annotations

import numpy as np
import pytest

from core.errors import InputError
from core.group.facts import load_defaults
from core.testing.lot_testing import (
    JUDGEMENTS,
    Errors,
    LotReport,
    errors_from_facts,
    report_table,
    retest_error,
    worth_of_retest,
)
from core.testing.worth import DecisionTable, normal_belief

ERRORS = Errors(0.8, 0.3, 0.4, 0.2, 1.5, 2.0, 15.0, 0.7)


LIMIT, PRICE, GRID = 13.5, 0.3, np.arange(7.0, 23.01, 0.25)


def bagging_table(
    mass_kg: float = 2700.0, price: float = PRICE, day_cost: float = 0.002, seed: int = 1
) -> DecisionTable:
    """Return a made table: bag now or after 1 to 8 more days of drying towards 11 %."""
    generator = np.random.default_rng(seed)
    rate, prices = generator.uniform(0.15, 0.35, 40), price * generator.uniform(0.8, 1.2, 40)
    days = np.arange(9.0)[:, None, None]
    bagged = 11.0 + (GRID[None, :, None] - 11.0) * np.exp(-rate * days)
    dry = mass_kg * (1 - 0.15)
    gross, full = dry / (1 - bagged / 100) * prices, dry / (1 - LIMIT / 100) * prices
    paid = np.where(bagged > LIMIT + 1.5, 0.7, 1 - 0.02 * np.maximum(bagged - LIMIT, 0))
    work = np.broadcast_to(day_cost * days * mass_kg, bagged.shape)
    parts = {"over-drying": full - gross, "refusal and deductions": gross * (1 - paid), "days of drying": work}
    return DecisionTable(tuple(f"{day} days" for day in range(9)), GRID, gross * paid - work, parts)


def report(judgement: str, **changes: float) -> LotReport:
    table = bagging_table(**changes)  # type: ignore[arg-type]
    return report_table(table, normal_belief(GRID, 15.0, 2.0), 30, ERRORS, judgement, 10, 0.05)


def test_testing_is_worth_something_between_nothing_and_the_truth() -> None:
    found = report("none")
    assert -1e-9 <= found.worth.mean <= found.worth.perfect + 1e-9
    assert found.worth.perfect < 2700.0 * PRICE * 1.2
    assert found.calibration >= -1e-9


def test_the_better_the_judgement_the_less_the_meter_adds() -> None:
    worth = {name: report(name).worth.mean for name in JUDGEMENTS}
    assert worth["bite"] <= worth["rattle"] <= worth["none"]
    assert worth["salt_jar"] <= worth["none"]
    with pytest.raises(InputError):
        report("guess")


def test_the_gain_is_the_losses_avoided() -> None:
    """Identity: both policies share the full price, so the gain is the sum of the losses avoided."""
    found = report("bite")
    assert sum(found.worth.avoided.values()) == pytest.approx(found.worth.mean, abs=1e-6)


def test_twice_the_grain_or_the_price_is_twice_the_worth() -> None:
    one = report("rattle", day_cost=0.0).worth.mean
    assert report("rattle", day_cost=0.0, mass_kg=5400.0).worth.mean == pytest.approx(2 * one)
    assert report("rattle", day_cost=0.0, price=2 * PRICE).worth.mean == pytest.approx(2 * one)


def test_the_defaults_name_every_error() -> None:
    assert errors_from_facts(load_defaults()).bite > errors_from_facts(load_defaults()).common


def test_another_test_by_the_same_meter_leaves_its_own_error() -> None:
    """Simulation as reference: truth, the meter's common error, and two means drawn 400,000 times.

    How far the second mean moves the
    first one's belief about the truth (least squares) is what the closed form says."""
    generator = np.random.default_rng(4)
    common, first, second = 0.4, 0.35, 0.25
    size = 400_000
    truth = generator.normal(0.0, 50.0, size)  # next to nothing known before the first test
    bias = generator.normal(0.0, common, size)
    one = truth + bias + generator.normal(0.0, first, size)
    two = truth + bias + generator.normal(0.0, second, size)
    news = two - one
    moved = np.cov(truth - one, news)[0, 1] / news.std()
    se = np.hypot(common, first)
    assert moved == pytest.approx(first**2 / np.hypot(first, second), rel=0.02)
    error = retest_error(se, common, second)
    assert se**2 / np.hypot(se, error) == pytest.approx(moved, rel=0.02)
    assert retest_error(0.4, 0.4, 0.1) == np.inf
    # without a common error it is the new test's own error
    assert retest_error(0.6, 0.0, 0.25) == pytest.approx(0.25)


def test_a_lot_well_known_or_far_from_every_limit_needs_no_other_test() -> None:
    table = bagging_table()
    near = worth_of_retest(table, 30, 14.0, 1.0, ERRORS, 10)
    assert near > 0
    assert worth_of_retest(table, 30, 14.0, 0.4, ERRORS, 10) == 0
    assert worth_of_retest(table, 30, 14.0, 0.6, ERRORS, 10) < near
    assert worth_of_retest(table, 30, 14.0, 1.0, ERRORS, 30) >= near
