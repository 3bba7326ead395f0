"""Worth of testing the group's own lots: what must hold for any crop, price and judgement."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.errors import InputError
from core.grain.commodities import commodity_codes
from core.group.facts import load_defaults
from core.group.limits import standard_limit
from core.testing.lot_testing import (
    JUDGEMENTS,
    Circumstances,
    Errors,
    LotCase,
    LotReport,
    draw_circumstances,
    errors_from_facts,
    lot_table,
    report_table,
    retest_error,
    worth_of_retest,
)

ERRORS = Errors(0.8, 0.3, 0.4, 0.2, 1.5, 2.0, 15.0, 0.7)


def circumstances(seed: int = 1, scenarios: int = 40) -> Circumstances:
    return draw_circumstances(
        seed,
        scenarios,
        0.25,
        2.5,
        0.2,
        belief_sd_pct=2.0,
        store_days=120.0,
        store_temperature_c=27.0,
        deduction_per_point=0.02,
        refusal_above_limit_pct=1.5,
        refused_price=0.7,
        day_cost_per_kg=0.002,
    )


def report_lot(case: LotCase, around: Circumstances, judgement: str) -> LotReport:
    return report_table(*lot_table(case, around), case.bags, ERRORS, judgement, 10, 0.05)


CASE = LotCase("maize", 30, 2700.0, 15.0, 13.5, 0.3)


@pytest.mark.parametrize("crop", commodity_codes())
def test_testing_any_crop_is_worth_something_between_nothing_and_the_truth(crop: str) -> None:
    limit = standard_limit(crop)
    limit_pct = limit.moisture_pct if limit else 12.0
    case = LotCase(crop, 30, 2000.0, limit_pct + 1.5, limit_pct, 0.4)
    report = report_lot(case, circumstances(), "none")
    assert -1e-9 <= report.worth.mean <= report.worth.perfect + 1e-9
    assert report.worth.perfect < 2000.0 * 0.4 * 1.2
    assert report.calibration >= -1e-9


def test_the_better_the_judgement_the_less_the_meter_adds() -> None:
    worth = {name: report_lot(CASE, circumstances(), name).worth.mean for name in JUDGEMENTS}
    assert worth["bite"] <= worth["rattle"] <= worth["none"]
    assert worth["salt_jar"] <= worth["none"]
    with pytest.raises(InputError):
        report_lot(CASE, circumstances(), "guess")


def test_the_gain_is_the_losses_avoided() -> None:
    """Identity: both policies share the full price, so the gain is the sum of the losses avoided."""
    report = report_lot(CASE, circumstances(), "bite")
    assert sum(report.worth.avoided.values()) == pytest.approx(report.worth.mean, abs=1e-6)


def test_twice_the_grain_or_the_price_is_twice_the_worth() -> None:
    around = replace(circumstances(), day_cost_per_kg=0.0)
    one = report_lot(CASE, around, "rattle").worth.mean
    assert report_lot(replace(CASE, mass_kg=5400.0), around, "rattle").worth.mean == pytest.approx(2 * one)
    assert report_lot(replace(CASE, price_per_kg=0.6), around, "rattle").worth.mean == pytest.approx(2 * one)


def test_one_seed_gives_one_answer_and_impossible_lots_are_refused() -> None:
    first, second = (report_lot(CASE, circumstances(), "bite").worth.by_scenario for _ in range(2))
    assert np.array_equal(first, second)
    with pytest.raises(InputError):
        report_lot(replace(CASE, mass_kg=0.0), circumstances(), "bite")


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
    table, _belief = lot_table(CASE, circumstances())
    near = worth_of_retest(table, 30, 14.0, 1.0, ERRORS, 10)
    assert near > 0
    assert worth_of_retest(table, 30, 14.0, 0.4, ERRORS, 10) == 0
    assert worth_of_retest(table, 30, 14.0, 0.6, ERRORS, 10) < near
    assert worth_of_retest(table, 30, 14.0, 1.0, ERRORS, 30) >= near
