"""How sure a lot's moisture is, and what may be said: against published values, hand calculations and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError
from core.group.sampling import (
    DRY,
    UNSURE,
    WET,
    LotMoisture,
    acceptance_limit,
    bags_for_precision,
    bags_to_dry_again,
    bags_to_probe,
    estimate_lot,
    judge_bags,
    judge_dryness,
    more_bags_to_settle,
    risk_by_cost,
    share_above,
    student_probability,
)


@pytest.mark.parametrize(
    ("bags", "probed"), [(1, 1), (7, 7), (10, 10), (11, 10), (100, 10), (101, 11), (144, 12), (400, 20), (401, 21)]
)
def test_bags_to_probe_follows_the_ten_and_square_root_rule(bags: int, probed: int) -> None:
    """Tradition of ISO 950 and ISO 13690 (from memory): all up to 10, 10 up to 100, then the root rounded up."""
    assert bags_to_probe(bags) == probed


def test_no_bags_cannot_be_probed() -> None:
    for wrong in (0, -3):
        with pytest.raises(InputError):
            bags_to_probe(wrong)


def test_bags_for_precision_hand_calculation() -> None:
    """Hand calculation: n0 = (1.96 x 0.8 / 0.5)^2 = 9.83; of 30 bags 9.83 / (1 + 9.83 / 30) = 7.4, so 8 bags."""
    assert bags_for_precision(0.8, 0.5, 30) == 8
    assert bags_for_precision(0.8, 0.5, 100_000) == 10
    assert bags_for_precision(0.0, 0.5, 30) == 1
    assert bags_for_precision(5.0, 0.01, 30) == 30


def test_standard_error_hand_calculation() -> None:
    """Bags 12, 13, 14 of 12 in the lot, no reading error, meter sd 0.3: s = 1, u^2 = 1/3 x (1 - 3/12) + 0.09 = 0.34."""
    lot = estimate_lot([12.0, 13.0, 14.0], 12, meter_bias_sd=0.3, reading_sd=0.0)
    assert lot.mean_pct == pytest.approx(13)
    assert lot.bag_sd_pct == pytest.approx(1)
    assert lot.standard_error_pct == pytest.approx(math.sqrt(0.34))
    # Welch-Satterthwaite: 2 x (0.34 / 0.25)^2
    assert lot.degrees_of_freedom == pytest.approx(2 * (0.34 / 0.25) ** 2)


def test_the_meters_own_error_does_not_shrink_with_more_bags() -> None:
    rng = np.random.default_rng(5)
    many = estimate_lot(rng.normal(13, 0.5, 400), 100_000, meter_bias_sd=0.5)
    assert many.standard_error_pct >= 0.5


def test_a_known_bias_is_taken_off_and_repeats_count_by_bag() -> None:
    lot = estimate_lot([14.0, 14.2, 13.0], 2, meter_bias_sd=0.2, meter_bias=0.5, bag_names=["a", "a", "b"])
    assert lot.bags_probed == 2
    assert lot.mean_pct == pytest.approx((13.6 + 12.5) / 2)


@pytest.mark.parametrize("bags", [3, 6, 10, 20, 40])
@pytest.mark.parametrize(("noise", "bias_sd", "bag_sd"), [(0.2, 0.5, 0.8), (0.2, 0.2, 1.2), (0.25, 0.35, 0.5)])
def test_the_90_percent_range_holds_the_mean_in_86_to_94_of_100(
    bags: int, noise: float, bias_sd: float, bag_sd: float
) -> None:
    """Simulation: bags normal, one meter bias for the lot, reading noise; the range must hold the true lot mean."""
    rng = np.random.default_rng([bags, int(10 * bias_sd)])
    held, runs = 0, 1200
    probed = bags_to_probe(bags)
    for _ in range(runs):
        lot = rng.normal(14.0, bag_sd, bags)
        chosen = rng.choice(lot, probed, replace=False)
        shown = chosen + rng.normal(0, bias_sd) + rng.normal(0, noise, probed)
        low, high = estimate_lot(shown, bags, meter_bias_sd=bias_sd).interval(0.9)
        held += low <= lot.mean() <= high
    assert 0.86 <= held / runs <= 0.94


@pytest.mark.parametrize(
    ("limit", "error", "by_risk", "two_sigma", "conform"),
    [(13.5, 0.3, 13.01, 12.9, 0.841), (13.5, 0.5, 12.68, 12.5, 0.726), (14.0, 0.5, 13.18, 13.0, 0.945)],
)
def test_guard_band_table(limit: float, error: float, by_risk: float, two_sigma: float, conform: float) -> None:
    """JCGM 106:2012: 5 % one-sided 1.645 u; w = 2 u is a risk of 2.275 %; P(conform) at 13.2 = Phi((TL - y) / u)."""
    assert acceptance_limit(limit, error, 0.05) == pytest.approx(by_risk, abs=0.005)
    assert acceptance_limit(limit, error, 0.022750132) == pytest.approx(two_sigma, abs=1e-6)
    assert student_probability((limit - 13.2) / error, math.inf) == pytest.approx(conform, abs=0.0006)


def test_the_published_micrometer_example() -> None:
    """Limit 0.003, U = 2u = 0.001, so acceptance at 0.002; 0.0017 passes, 0.0025 is in the grey zone (ILAC-G8:2019)."""
    u, risk = 0.0005, 0.022750132
    assert acceptance_limit(0.003, u, risk) == pytest.approx(0.002, abs=1e-9)
    assert judge_dryness(LotMoisture(mean_pct=0.0017, standard_error_pct=u), 0.003, risk) == DRY
    assert judge_dryness(LotMoisture(mean_pct=0.0025, standard_error_pct=u), 0.003, risk) == UNSURE


def test_the_three_verdicts_with_students_t() -> None:
    """t(0.95, 9) = 1.833 (any t table): with u = 0.3 the guard is 0.55 each way."""
    for mean, verdict in ((12.94, DRY), (12.96, UNSURE), (14.04, UNSURE), (14.06, WET)):
        assert judge_dryness(LotMoisture(mean_pct=mean, standard_error_pct=0.3, degrees_of_freedom=9), 13.5) == verdict


def test_common_practice_maize_below_13_is_dry_and_at_15_is_not() -> None:
    """Common practice, no source: maize below 13 % keeps, at 15 % it is dried more."""
    for mean, verdict in ((12.0, DRY), (15.0, WET)):
        assert judge_dryness(LotMoisture(mean_pct=mean, standard_error_pct=0.3), 13.0) == verdict


@given(
    mean=st.floats(5, 30),
    error=st.floats(0, 3),
    limit=st.floats(5, 30),
    risk=st.floats(0.001, 0.5),
    freedom=st.one_of(st.just(math.inf), st.floats(1, 50)),
)
def test_a_drier_lot_is_never_judged_wetter(
    mean: float, error: float, limit: float, risk: float, freedom: float
) -> None:
    order = [DRY, UNSURE, WET]
    verdicts = [
        order.index(
            judge_dryness(LotMoisture(mean_pct=at, standard_error_pct=error, degrees_of_freedom=freedom), limit, risk)
        )
        for at in (mean, mean + 0.5, mean + 5)
    ]
    assert verdicts == sorted(verdicts)


def test_impossible_input_is_refused() -> None:
    lot = LotMoisture(mean_pct=13, standard_error_pct=0.3)
    for risk in (0, 0.6, -1):
        with pytest.raises(InputError):
            judge_dryness(lot, 13.5, risk)
    for readings in ([], [101.0], [float("nan")], [-1.0]):
        with pytest.raises(InputError):
            estimate_lot(readings, 10)
    with pytest.raises(InputError):
        estimate_lot([13.0], 10, meter_bias_sd=-1)


def test_the_guard_weighs_the_costs() -> None:
    """Accept iff P(too wet) x cost of refusal < cost of a day: risk = day / refusal (JCGM 106:2012)."""
    assert risk_by_cost(100, 5) == pytest.approx(0.05)
    assert risk_by_cost(100, 90) == 0.5
    assert risk_by_cost(10_000, 1) == 0.01
    assert risk_by_cost(0, 1) == 0.5


def test_how_many_more_bags_settle_a_doubt() -> None:
    lot = estimate_lot([13.0, 13.9, 12.6, 13.4, 13.1], 60, meter_bias_sd=0.1, reading_sd=0.1)
    assert judge_dryness(lot, 13.5) == UNSURE
    more = more_bags_to_settle(lot, 13.5)
    assert more is not None
    assert 1 < more < 55
    # The promise is kept by a lot with the same mean and spread and that many more bags.
    means = np.array([13.0, 13.9, 12.6, 13.4, 13.1])
    spread = (means - means.mean()) / means.std(ddof=1)
    count = 5 + more
    values = np.resize(spread, count)
    values = (values - values.mean()) / values.std(ddof=1) * means.std(ddof=1) + means.mean()
    assert judge_dryness(estimate_lot(values, 60, meter_bias_sd=0.1, reading_sd=0.1), 13.5) == DRY


def test_a_doubt_by_the_meter_alone_is_settled_by_no_bag() -> None:
    lot = estimate_lot([13.3] * 5 + [13.4] * 5, 60, meter_bias_sd=1.0)
    assert more_bags_to_settle(lot, 13.5) is None
    assert more_bags_to_settle(lot, 20.0) == 0


def test_single_wet_bags_decide_on_storing() -> None:
    dry = estimate_lot([12.0, 12.1, 11.9, 12.0, 12.2, 11.8, 12.0, 12.1], 20, meter_bias_sd=0.1)
    assert judge_bags(dry, 13.5) == DRY
    mixed = estimate_lot([12.0, 12.1, 11.9, 15.5, 12.2, 16.0, 12.0, 12.1], 8, meter_bias_sd=0.1)
    assert judge_dryness(mixed, 13.5) != WET
    assert judge_bags(mixed, 13.5) == WET
    assert bags_to_dry_again(mixed, 13.5) == ("6", "4")
    assert share_above(mixed, 13.5) == pytest.approx(0.25, abs=0.01)


def test_the_tolerance_factor_is_the_published_one() -> None:
    """ISO 16269-6, one-sided, n = 10, 95 % of the population, 95 % confidence: k = 2.911 (also NIST handbook
    7.2.6.3).
    """
    values = np.array([-1.5, -1.0, -0.7, -0.3, -0.1, 0.1, 0.3, 0.7, 1.0, 1.5])
    values = values / values.std(ddof=1) * 0.5 + 12
    lot = estimate_lot(values, 100_000, meter_bias_sd=0.0, reading_sd=0.0)
    bound = 12 + 2.911 * 0.5
    assert judge_bags(lot, bound + 0.002, 0.05, 0.05) == DRY
    assert judge_bags(lot, bound - 0.002, 0.05, 0.05) == UNSURE
    assert (judge_bags(lot, bound + 0.002), judge_bags(lot, bound - 0.002)) == (DRY, UNSURE)
