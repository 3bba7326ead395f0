"""The names that others call stay callable, with the meanings that they were given: scalars in, scalars out.

Arrays in, arrays out.
"""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

CODES = {
    "maize",
    "paddy",
    "sorghum",
    "pearl_millet",
    "wheat",
    "soybean",
    "common_bean",
    "cowpea",
    "chickpea",
    "groundnut_kernel",
    "groundnut_pod",
    "sesame",
    "sunflower",
    "barley",
    "coffee_parchment",
    "cocoa",
}


def hourly(days: int = 3) -> pd.DataFrame:
    index = pd.date_range("2026-05-01 01:00", periods=24 * days, freq="h", tz="UTC")
    hour = index.hour.to_numpy()
    sun = 850 * np.clip(np.sin((hour - 4.5) / 12 * np.pi), 0, None)
    return pd.DataFrame(
        {
            "temperature_c": 22 + 8 * sun / 850,
            "relative_humidity_pct": 80 - 35 * sun / 850,
            "wind_m_s": 2.0,
            "rain_mm": 0.0,
            "shortwave_w_m2": sun,
        },
        index=index,
    )


def daily(days: int) -> pd.DataFrame:
    return pd.DataFrame(
        {"temperature_c": 26.0, "relative_humidity_pct": 70.0}, index=pd.date_range("2026-05-01", periods=days)
    )


def test_sixteen_commodities():
    from core.grain.commodities import commodity_codes, get_commodity

    assert set(commodity_codes()) == CODES
    assert all(get_commodity(code).isotherms for code in CODES)


@pytest.mark.parametrize("code", sorted(CODES))
def test_sorption_takes_codes_and_commodities_scalars_and_arrays(code):
    from core.grain.commodities import get_commodity
    from core.grain.sorption import equilibrium_humidity, equilibrium_moisture

    one = equilibrium_moisture(code, 25.0, 65.0)
    assert np.ndim(one) == 0
    many = equilibrium_moisture(get_commodity(code), np.array([20.0, 25.0]), np.array([65.0, 65.0]))
    assert many.shape == (2,)
    assert float(many[1]) == pytest.approx(float(one))
    assert float(equilibrium_humidity(code, 25.0, float(one))) == pytest.approx(65.0, abs=1e-6)


def test_air_and_mass():
    from core.grain.air import saturation_vapour_pressure
    from core.grain.mass import mass_after_drying

    assert float(saturation_vapour_pressure(25.0)) == pytest.approx(3.1692, abs=2e-4)  # ASHRAE, by psychrolib
    assert float(mass_after_drying(1000.0, 25.0, 15.5)) == pytest.approx(887.57, abs=0.01)  # SDSU, 11.24 %
    assert float(mass_after_drying(1000.0, 13.0, 15.0)) > 1000


def test_drying():
    from core.drying.run import DryingSetup, simulate_drying

    for method in ("tarpaulin", "concrete_floor", "raised_rack", "solar_dryer", "mechanical", "crib"):
        setup = DryingSetup(method, 20.0, 15.0)
        run = simulate_drying("maize", 18.0, [hourly(), hourly()], setup, 13.5)
        assert np.shape(run.days_to_target) == (2,)
        assert np.shape(run.exposed_hours_to_target) == (2,)
        first = np.asarray(run.moisture_pct)[0]
        assert np.allclose(first, 18.0)


def test_storage():
    from core.storage.loss import dry_matter_loss, safe_storage_days
    from core.storage.simulate import simulate_storage

    assert float(safe_storage_days("maize", 20.0, 15.0, damaged_pct=30)) == pytest.approx(175, rel=0.03)  # Bern 2002
    assert float(dry_matter_loss("maize", 175.0, 20.0, 15.0, damaged_pct=30)) == pytest.approx(0.5, rel=0.03)
    for method in ("woven_bag", "woven_bag_protectant", "hermetic_bag", "metal_silo", "crib", "warehouse"):
        run = simulate_storage("maize", 13.0, method, daily(60), 60)
        assert len(run.weight_loss_pct) == len(run.mould_risk) == len(run.moisture_pct) == 61


def test_sampling():
    from core.group.sampling import bags_to_probe, estimate_lot, judge_dryness

    assert [bags_to_probe(n) for n in (7, 10, 11, 100, 101, 144, 400, 401)] == [7, 10, 10, 10, 11, 12, 20, 21]
    lot = estimate_lot([12.0, 12.2, 11.9, 12.1], 20, meter_bias_sd=0.2)
    assert lot.mean_pct == pytest.approx(12.05)
    assert lot.standard_error_pct > 0.2
    assert judge_dryness(lot, 13.5) == "dry enough"
    assert judge_dryness(lot, 10.5) == "too wet"
    assert judge_dryness(lot, 12.1) == "cannot tell"


def test_market():
    from core.market.costs import breakeven_price
    from core.market.hindcast import hindcast
    from core.market.season import fit_season

    random = np.random.default_rng(1)
    month = np.arange(96)
    level = np.exp(0.14 * np.cos(2 * np.pi * month / 12) + np.cumsum(random.normal(0.004, 0.04, 96)))
    prices = pd.Series(level, index=pd.period_range("2015-01", periods=96, freq="M"))
    curve = fit_season(prices.drop(prices.index[40]))
    assert len(curve.factors) == 12
    assert np.exp(np.mean(np.log(np.asarray(curve.factors, dtype=float)))) == pytest.approx(1.0)
    forecast = curve.forecast(6)
    assert list(forecast.index) == [1, 2, 3, 4, 5, 6]
    assert {"low", "median", "high", "mean"} <= set(forecast.columns)
    paths = curve.sample_paths(6, 50, 3, from_price=2.0)
    assert paths.shape == (50, 7)
    assert np.allclose(paths[:, 0], 2.0)
    assert np.array_equal(paths, curve.sample_paths(6, 50, 3, from_price=2.0))
    table = hindcast(prices, 0.01, 0.02, 6).table
    assert {"sell at harvest", "plan", "perfect foresight", "wait 1 months", "wait 5 months"} <= set(table.index)
    assert {"mean", "worst", "share_losing"} <= set(table.columns)
    assert table.loc["sell at harvest", "mean"] == pytest.approx(1.0)
    assert breakeven_price(300, 6, 0.02, 0.01) == pytest.approx(358.85, abs=0.01)  # economics reference, section 2
    assert breakeven_price(300, 6, 0.02, 0.01, 2) == pytest.approx(372.25, abs=0.01)


def test_accounts_and_shares():
    from core.accounts.finance import instalment
    from core.accounts.splitting import split_exactly
    from core.meter.shares import airport_shares, nucleolus, shapley_values

    assert float(instalment(15000, 0.055, 12)) == pytest.approx(1740.44, abs=0.005)  # published annuity example
    parts = split_exactly(Decimal("100.00"), {"a": 1, "b": 1, "c": 1})
    assert sum(parts.values()) == Decimal("100.00")
    costs = {"a": 8, "b": 11, "c": 13, "d": 18}
    assert [float(x) for x in airport_shares(costs).values()] == pytest.approx([2, 3, 4, 9])  # encyclopaedia example
    names = list(costs)
    from itertools import combinations

    game = {frozenset(s): max([costs[n] for n in s], default=0) for k in range(5) for s in combinations(names, k)}
    assert [float(shapley_values(game)[n]) for n in names] == pytest.approx([2, 3, 4, 9])
    assert [float(nucleolus(game)[n]) for n in names] == pytest.approx([3.25, 3.25, 3.25, 8.25], abs=1e-6)


def test_plan_and_rules():
    from core.planning.case import PlanningCase, make_case
    from core.planning.rules import compare_with_rules
    from core.planning.sale import plan_sale

    case = make_case(4, 10, 40, 5)
    assert isinstance(case, PlanningCase)
    plan = plan_sale(case)
    table = compare_with_rules(case, plan, 6)
    assert "plan" in table.index
    assert len(table) >= 5
    assert {"mean", "worst_tenth_mean", "chance_below_selling_now", "cash_needs_missed"} <= set(table.columns)


def test_comparison():
    from core.programme.comparison import funnel_limits, shrink_to_mean

    low, high = funnel_limits(0.1, 40)
    assert (float(low), float(high)) == pytest.approx((0.025, 0.2))  # scipy.stats.binom
    assert shrink_to_mean([0.2, 0.4, 0.3, 0.5], [10, 10, 10, 10]).shape == (4,)
