"""Edges of drying: what a set-up, a field and an hour's sun may be, costs, beliefs and days at their borders."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from core.drying import advice, layer, learning
from core.drying.advice import (
    care_without_spreading,
    chance_dry_by,
    chance_spoilt,
    day_hours,
    dryer_cost,
    overdrying_cost,
    quantiles_with_misses,
)
from core.drying.field import field_loss, field_moisture, field_value
from core.drying.learning import learn_rate, prior_belief, update_belief
from core.drying.run import open_hours, simulate_drying, simulate_lots
from core.drying.setups import DryingSetup
from core.drying.thin_layer import page_constants, thin_layer_of
from core.drying.weather import as_frames, layer_weather, mend_weather
from core.errors import InputError
from core.grain.commodities import get_commodity
from core.grain.sorption import isotherm_parameters, moisture_dry_basis
from tests.drying.drying_cases import plain_days

DAYS = plain_days(days=3)
SETUP = DryingSetup("tarpaulin", 10, 15)


@pytest.mark.parametrize(
    ("name", "low", "high", "below", "above"),
    [
        ("area_m2", 1e-3, 1e6, 9.9e-4, 1.001e6),
        ("load_kg_m2", 0.1, 2000.0, 0.099, 2000.1),
        ("spread_hour", 0.0, 24.0, -0.1, 24.1),
        ("cover_hour", 0.0, 24.0, -0.1, 24.1),
        ("altitude_m", -450.0, 6000.0, -450.1, 6000.1),
        ("rate_factor", 0.01, 100.0, 0.0099, 100.1),
        ("turn_interval_h", 1e-3, np.inf, 0.0, -1.0),
    ],
)
def test_each_bound_of_a_setup(name, low, high, below, above):
    for fine in (low, high):
        DryingSetup("tarpaulin", **{name: fine})
    for wrong in (below, above, np.nan):
        with pytest.raises(InputError):
            DryingSetup("tarpaulin", **{name: wrong})
    for wrong in ({"grain_temperature_limit_c": np.inf}, {"already_dried_from_pct": np.nan}, {"time_zone": "Here/Now"}):
        with pytest.raises(InputError):
            DryingSetup("tarpaulin", **wrong)
    assert DryingSetup("tarpaulin", 12.0, 15.0).capacity_kg == 180.0


def test_a_setup_takes_what_its_method_says_unless_told():
    table = SETUP.table
    usual, own = DryingSetup("solar_dryer"), DryingSetup("solar_dryer", 9, 4.0, 6.5, 19.5, 3.0)
    row = usual.table
    assert (usual.load, usual.turning) == (row["load_kg_m2"], row["turn_interval_h"])
    assert usual.hours_open == (row["spread_hour"], row["cover_hour"])
    assert (own.load, own.turning, own.hours_open) == (4.0, 3.0, (6.5, 19.5))
    assert table["spread_hour"] == SETUP.hours_open[0]


@pytest.mark.parametrize("count", ["crops", "moistures", "setups", "targets"])
def test_each_count_of_lots_must_be_the_same(count):
    given = {"crops": ["maize"] * 2, "moistures": [14.0] * 2, "setups": [SETUP] * 2, "targets": [13.0] * 2}
    given[count] = given[count] * 2
    with pytest.raises(InputError, match="differ in number"):
        simulate_lots(given["crops"], given["moistures"], DAYS, given["setups"], given["targets"])


def test_moisture_lies_between_nothing_and_eighty():
    for fine in (0.0, 80.0):
        assert simulate_drying("maize", fine, DAYS.iloc[:2], SETUP, 13.0).moisture_pct[0, 0] == pytest.approx(fine)
    for wrong in (-0.1, 80.1, np.array([20.0, 80.1]), np.array([-0.1, 20.0])):
        with pytest.raises(InputError, match="outside 0 to 80"):
            simulate_drying("maize", wrong, [DAYS.iloc[:2]] * 2, SETUP, 13.0)


def test_hours_are_read_from_the_quarter_of_an_hour_they_end_in():
    """In Kathmandu (UTC+5:45) hours of the UTC end at a quarter to; from 8 to 10 lie the middles 8:15 and 9:15."""
    index = pd.date_range("2026-02-01 00:00", periods=8, freq="h", tz="UTC")
    setup = DryingSetup("tarpaulin", spread_hour=8, cover_hour=10, time_zone="Asia/Kathmandu")
    assert open_hours(index, [setup])[:, 0].tolist() == [False] * 3 + [True, True] + [False] * 3


def test_inner_steps_are_half_hours_unless_said(monkeypatch):
    seen = []
    real = layer._open_hour
    monkeypatch.setattr(layer, "_open_hour", lambda bed, *more: (seen.append(bed.substeps), real(bed, *more))[1])
    simulate_drying("maize", 20.0, DAYS.iloc[9:11], SETUP, 13.0)
    assert set(seen) == {2}


# -- the thin layer and the field -----------------------------------------------------------------------------------


def test_a_borrowed_rate_runs_on_a_time_of_its_own():
    """exp(-k (1.3 t)^n): k of the borrowed relation is k 1.3^n, n stays."""
    rates = thin_layer_of("maize")
    given = tuple(map(np.asarray, (40.0, 35.0, 0.8, 28.0)))
    k, n = page_constants(rates, *given)
    slow_k, slow_n = page_constants(replace(rates, time_scale=1.3), *given)
    assert float(slow_k) == pytest.approx(float(k) * 1.3 ** float(n))
    assert float(slow_n) == float(n)
    own = thin_layer_of(replace(get_commodity("cowpea"), thin_layer=None))
    assert (own.stand_in, own.basis, own.absorptance) == (True, "judgement", rates.absorptance)


def test_a_field_at_its_borders():
    """A day of just so much rain as a dry day may have still dries; air is held at 5 and 95 %."""
    day = (np.array([[23.0]]), np.array([[55.0]]))
    wet = field_value("wet_day_mm")
    dried, kept = (float(field_moisture("maize", 25.0, *day, np.array([[rain]]))[-1, 0]) for rain in (wet, wet + 0.1))
    assert dried < kept == pytest.approx(25.0)
    for fine in (0.1, 79.9):
        assert field_moisture("maize", fine, *day, np.array([[50.0]]))[-1, 0] == pytest.approx(fine)
    for wrong in (0.0, 80.0, [20.0, 80.0], [0.0, 20.0]):
        with pytest.raises(InputError):
            field_moisture("maize", wrong, *(np.full((1, 2), value) for value in (23.0, 55.0, 0.0)))
    one, two = np.full((2, 1), 20.0), np.full((3, 1), 20.0)
    for shapes in ((two, one, one), (one, two, one), (one, one, two), (one[0], one[0], one[0])):
        with pytest.raises(InputError):
            field_moisture("maize", 20.0, *shapes)
    curve = isotherm_parameters("sorghum")
    for humidity, held in ((1.0, 0.05), (99.0, 0.95)):
        rest = float(moisture_dry_basis(curve, np.asarray(23.0), np.asarray(held)))
        long = field_moisture("sorghum", 20.0, *(np.full((400, 1), value) for value in (23.0, humidity, 0.0)))
        assert long[-1, 0] == pytest.approx(100 * rest / (100 + rest), rel=1e-3)


def test_what_the_field_takes_counts_the_days_that_it_stood():
    """Ten days, of which the wet ones count that lie within; later rain is nothing to it."""
    rain = np.zeros((12, 2))
    rain[[2, 11], 0], rain[[1, 5, 9, 10], 1] = 9.0, 9.0
    spent = field_value("loss_per_week") * 10 / 7 + field_value("loss_per_wet_day") * np.array([1, 3])
    assert field_loss(10, rain) == pytest.approx(1 - np.exp(-spent))


# -- weather --------------------------------------------------------------------------------------------------------


def test_little_sun_says_nothing_of_the_clock():
    """500 W/m² h in all: less, and nobody can say where the sun stood."""
    share = DAYS["shortwave_w_m2"].sum()
    for total, named in ((499.0, 0), (501.0, 1)):
        given = DAYS.assign(shortwave_w_m2=DAYS["shortwave_w_m2"] * total / share)
        assert len(mend_weather(given, longitude=-135.0).notes) == named


def test_weather_is_one_table_or_several_with_the_same_hours():
    assert len(as_frames(DAYS)) == 1
    assert len(as_frames([DAYS, DAYS])) == 2
    assert len(as_frames(DAYS.iloc[:1])) == 1
    late = DAYS.set_index(DAYS.index + pd.Timedelta(hours=1))
    for wrong in (
        [],
        [DAYS, 7],
        [DAYS.iloc[:0]],
        7,
        [DAYS, late],
        DAYS.iloc[[0, 2]],
        [DAYS, DAYS.drop(columns="rain_mm")],
    ):
        with pytest.raises(InputError):
            as_frames(wrong)
    for wrong in ([], [DAYS.iloc[:0]]):
        with pytest.raises(InputError):
            mend_weather(wrong)


@pytest.mark.parametrize("hours", [23, 24, 25])
def test_the_ground_of_about_a_day(hours):
    """The mean of the day before; of as much as there is where it is less."""
    frame = DAYS.iloc[:hours]
    air = frame["temperature_c"].to_numpy()
    ground = layer_weather([frame]).ground_c[1:, 0, 0]
    assert ground[:23] == pytest.approx([air[:24].mean()] * 23)
    assert ground[23:] == pytest.approx([air[end - 24 : end].mean() for end in range(24, hours + 1)])


# -- what readings teach --------------------------------------------------------------------------------------------


def test_what_is_believed_before_is_even_to_both_sides():
    """In logarithms: four standard deviations of the factor about 1, two and a half (of 0.4) of the noise about 0.5."""
    belief = prior_belief(0.3)
    assert belief.factors * belief.factors[::-1] == pytest.approx(np.ones(81))
    assert belief.noises * belief.noises[::-1] == pytest.approx(np.full(9, 0.25))
    assert np.log(belief.factors[-1]) == pytest.approx(1.2)
    assert np.log(belief.noises[-1] / 0.5) == pytest.approx(1.0)
    # one standard deviation off is exp(-1/2) as likely: 10 of 40 steps of the factor
    assert belief.weights[50, 4] / belief.weights[40, 4] == pytest.approx(np.exp(-0.5))
    # a quarter of two and a half of the noise
    assert belief.weights[40, 5] / belief.weights[40, 4] == pytest.approx(np.exp(-0.5 * 0.625**2))
    assert belief.interval() == belief.interval(0.8) == (belief.quantile(0.1), pytest.approx(belief.quantile(0.9)))
    assert sorted(belief.sample(4, 1)) == pytest.approx(
        [belief.quantile(part) for part in (0.125, 0.375, 0.625, 0.875)]
    )


def test_two_readings_are_needed_and_the_meters_bias_is_as_usual_unless_said(monkeypatch):
    """The earlier of two is the start, from whose hour on the weather counts; 0.4 points of bias stand in."""
    asked = []
    monkeypatch.setattr(
        learning, "predicted_readings", lambda *given: (asked.append(given), np.zeros((3, 3, len(given[-1]), 1)))[1]
    )
    start, later = DAYS.index[7].to_pydatetime(), DAYS.index[11].to_pydatetime()
    assert learn_rate("maize", [(later, 18.0), (start, 20.0)], DAYS, SETUP).readings == 1
    _crop, at, times, since, _setup, _factors = asked[0]
    assert (at, times, since.index[0]) == (20.0, [later], DAYS.index[8])
    belief = prior_belief(0.25)
    predicted = np.log(belief.factors)[None, None, :, None] * np.ones((3, 3, 1, 1))
    usual, said, none = (
        update_belief(belief, predicted, np.array([0.3]), *bias).weights for bias in ((), (0.4,), (0.0,))
    )
    np.testing.assert_array_equal(usual, said)
    assert np.abs(usual - none).max() > 1e-5


# -- advice ---------------------------------------------------------------------------------------------------------


def test_over_drying_lies_between_none_and_all_of_the_water():
    assert overdrying_cost(800.0, 14.0, 0.0, 2.0) == 0.0
    assert overdrying_cost(800.0, 14.0, 13.9, 2.0) == pytest.approx(1600 * 13.9 / 99.9)
    for wrong in (-0.1, 14.0):
        with pytest.raises(InputError):
            overdrying_cost(800.0, 14.0, wrong, 2.0)
    # 900 kg from 18 to 13 %: 4,500 points of a kg at 0.3, and 900 x 5 / 87 kg of water at 2
    assert dryer_cost(900.0, 18.0, 13.0, 0.3, 2.0) == pytest.approx(1350 + 2 * 4500 / 87)


@pytest.mark.parametrize(("count", "places"), [(1, (0, 0, 0)), (2, (0, 0, 1)), (11, (1, 5, 9)), (20, (1, 9, 17))])
def test_order_statistics_of_few_values(count, places):
    """The smallest value that at least so many in a hundred do not pass."""
    assert quantiles_with_misses(np.arange(count)[::-1]) == places


MADE = simulate_drying("maize", 18.0, DAYS.iloc[:1], SETUP, 13.0)


def a_run(moisture: list[float], celsius: list[float]):
    return replace(
        MADE, moisture_pct=np.array(moisture)[:, None], grain_temperature_c=np.array(celsius)[:, None],
        hours_to_target=np.array([np.inf]),
    )  # fmt: skip


def test_spoiling_is_held_to_what_grain_can_be_and_stops_at_the_target():
    """Means of each hour's ends; above 60 °C as at 60, wetter than 35 % as at 35; a dry hour adds nothing."""
    hours = 40
    wet = chance_spoilt("maize", a_run([21.0, 23.0] * hours, [29.0, 31.0] * hours))
    plain = chance_spoilt("maize", a_run([22.0] * 2 * hours, [30.0] * 2 * hours))
    assert wet == pytest.approx(plain)
    assert 0 < wet < 1
    assert chance_spoilt("maize", a_run([13.0] * 80, [30.0] * 80)) == 0.0
    assert chance_spoilt("maize", a_run([20.0] * 80, [70.0] * 80)) == chance_spoilt(
        "maize", a_run([20.0] * 80, [60.0] * 80)
    )


def test_a_chance_by_a_date_counts_local_days():
    run = replace(
        simulate_drying("maize", 18.0, DAYS, SETUP, 13.0), days_to_target=np.array([1.0, 2.0, 2.0, 3.0, np.inf])
    )
    assert [chance_dry_by(run, date(2024, 2, day)) for day in (1, 2, 3)] == [0.2, 0.6, 0.8]
    assert chance_dry_by(run, date(2024, 1, 31)) == 0.0


def test_advice_is_for_two_days_with_some_sun():
    """Hours of more than 20 W/m² count; a day without any is left out."""
    assert [item.day.day for item in day_hours("maize", 20.0, DAYS, SETUP, 13.0)] == [1, 2]
    dark = DAYS.assign(shortwave_w_m2=np.where(DAYS.index.day == 1, 20.0, DAYS["shortwave_w_m2"]))
    assert [item.day.day for item in day_hours("maize", 20.0, dark, SETUP, 13.0)] == [2]


def test_who_watches_a_dryer_and_who_looks_into_a_crib():
    assert [len(care_without_spreading(DryingSetup(name))) for name in ("mechanical", "crib", "tarpaulin")] == [5, 2, 0]
    hired = DryingSetup("mechanical", turn_interval_h=3.0)
    words = " ".join(str(item) for item in care_without_spreading(hired))
    assert "45 °C" in words
    assert "every 3 hours" in words


def test_of_runs_as_long_the_first_and_a_single_hour_is_one():
    for good, found in (
        ([False, True, False, True], (1, 1)),
        ([True, False, True, True], (2, 3)),
        ([True, True, False, True, True], (0, 1)),
        ([True] * 3, (0, 2)),
    ):
        assert advice._longest_run(np.array(good)) == found
