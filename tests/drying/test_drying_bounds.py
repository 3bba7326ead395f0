"""What no drying forecast may break: equilibrium, thin layer, heat and the balance of water."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.drying.layer import heat_of_evaporation
from core.drying.run import DryingSetup, simulate_drying, simulate_lots
from core.drying.thin_layer import moisture_step_db, page_constants, thin_layer_of
from core.grain.air import saturation_vapour_pressure
from core.grain.commodities import commodity_codes, get_commodity
from core.grain.sorption import isotherm_parameters, moisture_dry_basis
from tests.drying.drying_cases import month_of, plain_days, real_year

FLAT = ("tarpaulin", "concrete_floor", "raised_rack", "solar_dryer")
weathers = st.builds(
    plain_days,
    days=st.just(2),
    low_c=st.floats(2, 27),
    high_c=st.floats(28, 40),
    dawn_humidity=st.floats(30, 99),
    sun=st.floats(0, 1050),
    wind=st.floats(0, 10),
)
setups = st.builds(
    DryingSetup,
    method=st.sampled_from(FLAT),
    load_kg_m2=st.floats(3, 50),
    spread_hour=st.floats(0, 10),
    cover_hour=st.floats(14, 24),
    turn_interval_h=st.sampled_from([0.5, 1.0, 3.0, np.inf]),
    altitude_m=st.floats(0, 2500),
)
crops = st.sampled_from(sorted(commodity_codes()))


def dry_basis(moisture):
    return 100 * moisture / (100 - moisture)


@given(crops, st.floats(8, 40), weathers, setups)
def test_water_is_neither_made_nor_lost(crop, moisture, weather, setup):
    """Kernels + surface at the end = at the start + rain caught - evaporated (kg/m²)."""
    wet = weather.copy()
    wet.loc[wet.index.hour == 11, "rain_mm"] = 4.0
    run = simulate_drying(crop, moisture, wet, setup, 12.0)
    end = run.dry_matter_kg_m2 * dry_basis(run.moisture_pct[-1]) / 100 + run.surface_water_kg_m2[-1]
    start = run.dry_matter_kg_m2 * dry_basis(run.moisture_pct[0]) / 100
    assert run.dry_matter_kg_m2 == pytest.approx(setup.load * (1 - moisture / 100))
    np.testing.assert_allclose(end, start + run.rain_taken_kg_m2 - run.evaporated_kg_m2, atol=1e-9)


@given(crops, st.floats(8, 40), weathers, setups)
def test_never_below_equilibrium_at_the_grains_own_temperature(crop, moisture, weather, setup):
    """No hour takes grain below what it would be at rest, at the hottest it got within the hour, with the air's
    vapour.
    """
    run = simulate_drying(crop, moisture, weather, setup, 12.0)
    isotherm = isotherm_parameters(crop)
    vapour = saturation_vapour_pressure(weather["temperature_c"]) * weather["relative_humidity_pct"] / 100
    temperature = run.grain_temperature_c[:, 0]
    hottest = np.maximum(temperature[1:], temperature[:-1]) + 6.0  # within the hour it may pass above both its ends
    before = np.concatenate([[vapour.iloc[0]], vapour.iloc[:-1]])
    least = np.minimum(vapour.to_numpy(), before) / saturation_vapour_pressure(hottest)
    lowest = moisture_dry_basis(isotherm, hottest, least)
    now, then = dry_basis(run.moisture_pct[1:, 0]), dry_basis(run.moisture_pct[:-1, 0])
    assert np.all(now >= np.minimum(lowest, then) - 1e-6)


@given(crops, st.floats(12, 40), weathers, setups)
def test_never_faster_than_the_thin_layer(crop, moisture, weather, setup):
    """No hour dries more than the published thin layer would at the hottest of the hour, from where the grain stood."""
    run = simulate_drying(crop, moisture, weather, setup, 12.0)
    rates, isotherm = thin_layer_of(crop), isotherm_parameters(crop)
    vapour = np.asarray(saturation_vapour_pressure(weather["temperature_c"])) * weather["relative_humidity_pct"] / 100
    temperature = run.grain_temperature_c[:, 0]
    hottest = np.maximum(temperature[1:], temperature[:-1]) + 6.0
    before = np.concatenate([[vapour.iloc[0]], vapour.iloc[:-1]])
    humidity = np.minimum(vapour.to_numpy(), before) / np.asarray(saturation_vapour_pressure(hottest))
    then = dry_basis(run.moisture_pct[:-1, 0])
    initial = np.maximum.accumulate(then)
    limits = []
    for air in (humidity, np.clip(humidity * 1.5, 0.0, 0.83)):  # Page's n rises with humidity: take the faster of two
        k, n = page_constants(rates, hottest, 100 * air, np.full_like(hottest, 2.33), initial)
        limits.append(moisture_step_db(then, moisture_dry_basis(isotherm, hottest, humidity), initial, k, n, 1.0))
    assert np.all(then - dry_basis(run.moisture_pct[1:, 0]) <= np.maximum(np.maximum(*limits), 0.0) + 0.02)


@given(crops, st.floats(14, 40), weathers, setups)
def test_never_more_water_than_the_heat_allows(crop, moisture, weather, setup):
    """Heat taken by evaporation stays below sun absorbed + warm air over grain as cold as the wet bulb + cooling
    of grain.
    """
    run = simulate_drying(crop, moisture, weather, setup, 12.0)
    table, rates = setup.table, thin_layer_of(crop)
    sun = rates.absorptance * table["sun_share"] * weather["shortwave_w_m2"].sum() * 3.6
    wind = weather["wind_m_s"].max() * table["wind_share"] + table["still_air_m_s"]
    convection = table["faces"] * (2.8 + 3.0 * wind)
    air = weather["temperature_c"].to_numpy() + table["air_rise_k_per_w_m2"] * weather["shortwave_w_m2"].to_numpy()
    grain = run.grain_temperature_c[:, 0]
    colder = np.maximum(air - np.minimum(grain[1:], grain[:-1]) + 3.0, 0.0).sum() * 3.6
    stored = 1.2 * setup.load * 2.9 * np.abs(np.diff(grain)).sum()
    allowed = sun + (convection + 6.0 * 1.3 + table["ground_w_m2_k"]) * colder + stored
    assert run.heat_kj_m2[0] <= allowed + 1.0
    least = float(heat_of_evaporation(isotherm_parameters(crop), np.asarray(70.0), np.asarray(200.0)))
    assert run.evaporated_kg_m2[0] * least <= max(run.heat_kj_m2[0], 0.0) + 1e-6


def test_fao_ceiling_of_nine_kilograms_a_day():
    """At most 9 kg/m² and day under 21.6 MJ/m² (FAO T1838E, W1544E), however wet, thin and windy."""
    weather = plain_days(days=1, sun=785.0, wind=3.0)
    assert weather["shortwave_w_m2"].sum() * 3.6e-3 == pytest.approx(21.6, rel=0.01)
    for method in FLAT:
        run = simulate_drying("coffee_parchment", 55.0, weather, DryingSetup(method, 10, 20), 11.0)
        assert run.evaporated_kg_m2[0] < 9.0


def test_nothing_happens_to_covered_grain():
    weather = plain_days(days=2)
    run = simulate_drying("maize", 20.0, weather, DryingSetup("tarpaulin", 10, 15, spread_hour=12, cover_hour=12), 13.0)
    np.testing.assert_allclose(run.moisture_pct, 20.0)
    assert run.evaporated_kg_m2[0] == 0.0


@pytest.mark.parametrize("moisture_db", [8.0, 22.0])
def test_heat_of_evaporation_against_measured_maize(moisture_db):
    """Rodríguez-Arias, Hall & Bakker-Arkema 1963: 2931 kJ/kg at 8 % d.b., 2520 at 22 % d.b., 30-50 °C; within 4 %."""
    measured = {8.0: 2931.0, 22.0: 2520.0}[moisture_db]
    isotherm = isotherm_parameters("maize", "henderson-1986")
    assert float(heat_of_evaporation(isotherm, np.asarray(40.0), np.asarray(moisture_db))) == pytest.approx(
        measured, rel=0.04
    )


def test_many_lots_and_scenarios_give_what_each_alone_gives():
    year = real_year("miami")
    frames = [month_of(year, month, 5).set_index(month_of(year, 5, 5).index) for month in (5, 8)]
    crops_, loads = ["maize", "paddy", "maize"], [10.0, 20.0, 40.0]
    opened = (8.0, 8.0, 11.0)  # so that in some hours one lot lies open and another does not
    lots = [DryingSetup("tarpaulin", 10, load, spread_hour=at) for load, at in zip(loads, opened, strict=True)]
    together = simulate_lots(crops_, [22.0, 24.0, 18.0], frames, lots, [13.0] * 3)
    for place, moisture in enumerate((22.0, 24.0, 18.0)):
        for scenario in (0, 1):
            alone = simulate_drying(crops_[place], moisture, frames[scenario], lots[place], 13.0)
            # the first hours, in finer steps, are those of all lots of a crop
            np.testing.assert_allclose(together[place].moisture_pct[:, scenario], alone.moisture_pct[:, 0], atol=0.02)


def test_a_run_that_ends_when_all_is_dry_says_the_same_hours_and_days():
    """It is the beginning of the whole run, to the hour in which the last lot is dry in the last weather; a lot that is
    never dry takes all hours.
    """
    year = real_year("miami")
    frames = [month_of(year, month, 12).set_index(month_of(year, 5, 12).index) for month in (5, 8)]
    lots = [DryingSetup("tarpaulin", 10, load) for load in (10.0, 30.0)]
    for target in (13.0, 2.0):
        given_ = (["maize", "maize"], [19.0, 22.0], frames, lots, [target] * 2)
        whole, shorter = simulate_lots(*given_), simulate_lots(*given_, only_until_dry=True)
        for one, two in zip(whole, shorter, strict=True):
            for name in ("days_to_target", "hours_to_target", "exposed_hours_to_target"):
                np.testing.assert_array_equal(getattr(one, name), getattr(two, name))
            np.testing.assert_array_equal(one.moisture_pct[: len(two.times)], two.moisture_pct)
            assert len(two.times) == len(two.exposed_hours) == len(two.moisture_pct)
        last = max(run.hours_to_target.max() for run in whole)
        assert len(shorter[0].times) == (len(whole[0].times) if target < 5 else int(np.ceil(last)) + 1)


def test_finer_inner_steps_change_little():
    """Halving the inner step twice moves moisture by less than a tenth of a point (explicit check of stability)."""
    from core.drying.layer import run_layers
    from core.drying.run import open_hours
    from core.drying.weather import layer_weather

    frame = plain_days(days=4)
    for crop, load in (("maize", 4.0), ("paddy", 15.0), ("coffee_parchment", 20.0)):
        setup = DryingSetup("tarpaulin", 10, load)
        start = np.full((1, 1), 28.0)
        runs = [
            run_layers(
                get_commodity(crop),
                thin_layer_of(crop),
                isotherm_parameters(crop),
                [setup],
                start,
                start,
                layer_weather([frame]),
                open_hours(pd.DatetimeIndex(frame.index), [setup]),
                substeps=steps,
            ).moisture_db
            for steps in (2, 8)
        ]
        assert np.abs(runs[0] - runs[1]).max() < 0.25
