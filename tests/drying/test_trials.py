"""Drying times against every trial found: held-out ones as a whole, and the laws of a thick layer."""

from __future__ import annotations

import numpy as np
import pytest

from core.drying.run import simulate_drying
from core.drying.setups import DryingSetup, drying_method
from tests.benchmarks.drying_trials import all_compared, by_range, error, published, trials, weather_of
from tests.drying.drying_cases import plain_days


def test_every_trial_names_its_source_and_what_was_assumed():
    for name, trial in trials().items():
        assert trial["source"], name
        assert trial["assumed"], name
        assert trial["use"] in ("fit", "predict", "apart"), name
        assert trial["basis"] in ("published", "practice", "memory"), name
        assert trial["low"] <= trial["high"], name


def test_held_out_trials_are_predicted_without_much_bias():
    """Fifteen or more trials that set nothing: mean ratio within a fifth of 1, typical factor below 1.35.

    The bounds are what weather that no source prints allows (a quarter), with a rate that differs by a quarter from
    place to place (`rate_sd`): a factor of exp(hypot(0.22, 0.25)) = 1.39.
    """
    rows = [row for row in all_compared() if row.use == "predict"]
    assert len(rows) >= 15
    bias, spread = error(rows)
    assert 1 / 1.25 <= np.exp(bias) <= 1.25
    assert np.exp(spread) < 1.35
    maize = {row.name: row.computed for row in rows}
    assert 2 <= maize["practice_maize_dry_days"] <= 3
    assert 4 <= maize["practice_maize_humid_days"] <= 6
    assert 4 <= maize["practice_maize_showery_days"] <= 6


def test_damp_days_have_the_sun_that_was_measured_in_damp_months():
    """10.71 MJ/m² a day at Ibadan in August, 249.8 W/m² by day at Ile-Ife in July and August (sources in the table).

    The showery days have it on the mean of a day with a shower and a day without.
    """
    suns = [
        weather_of(trials()[f"practice_maize_{sky}_days"])["shortwave_w_m2"].iloc[24:72].mean()
        for sky in ("humid", "showery")
    ]
    assert suns == pytest.approx([10.71e6 / 86400] * 2, rel=0.03)
    assert suns == pytest.approx([249.8 / 2] * 2, rel=0.03)


def test_no_lean_of_the_published_trials_can_be_told_from_the_sun_that_was_assumed():
    """With remembered suns the model is fast, with those of FAO-56 equation 50 it is not."""
    remembered, by_equation = (error(published(all_compared(other_sun)))[0] for other_sun in (False, True))
    assert -0.15 < remembered < 0.0 < by_equation < 0.03
    told = trials()["practice_maize_humid_days"]
    assert by_range(told) is told


def test_the_doubt_about_the_rate_is_what_the_published_trials_show():
    """`rate_sd` in the sun is the root mean square of the logarithms of their ratios, their common bias in it."""
    rows = published(all_compared())
    bias, spread = error(rows)
    assert len(rows) >= 10  # all that tell a time for grain in layers that can be computed
    assert abs(bias) < 2 * spread / np.sqrt(len(rows))  # else the middle, too, would have to be moved
    for method in ("tarpaulin", "concrete_floor", "raised_rack", "solar_dryer"):
        assert drying_method(method)["rate_sd"] == pytest.approx(spread, abs=0.03)


@pytest.mark.parametrize("method", ["tarpaulin", "concrete_floor", "raised_rack"])
def test_water_leaves_a_thick_layer_more_slowly_than_its_heat_would_allow(method):
    """Four times the depth takes more than twice as long, for vapour and heat must come through the grain.

    And grain that nobody turns takes longer than grain turned each hour (both: IRRI and FAO practice).
    """
    weather = plain_days(days=12)
    thin, thick = (
        simulate_drying("maize", 18.0, weather, DryingSetup(method, 10, load), 13.0).exposed_hours_to_target[0]
        for load in (15.0, 60.0)
    )
    assert thick > 2.0 * thin
    turned, still = (
        simulate_drying(
            "maize", 18.0, weather, DryingSetup(method, 10, 40.0, turn_interval_h=hours), 13.0
        ).exposed_hours_to_target[0]
        for hours in (1.0, 8.0)
    )
    assert still > 1.1 * turned


def test_open_grain_breathes_more_than_close_grain():
    """Paddy (porosity about 0.5) lets more water through a 6 cm layer in a day than a crop as close as wheat would."""
    from dataclasses import replace

    from core.grain.commodities import get_commodity

    paddy = get_commodity("paddy")
    weather = plain_days(days=2)
    lost = [
        22.0 - simulate_drying(crop, 22.0, weather, DryingSetup("tarpaulin", 10, 35.0), 5.0).moisture_pct[24, 0]
        for crop in (paddy, replace(paddy, porosity=0.40))
    ]
    assert lost[0] > 1.05 * lost[1]
