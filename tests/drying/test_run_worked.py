"""What a drying run and its advice say, worked again from a path of moisture given by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from core.drying import advice
from core.drying.advice import chance_dry_by, chance_spoilt, day_hours, outlook, retest_time, stop_times
from core.drying.learning import RateBelief, prior_belief, update_belief
from core.drying.run import _calendar_days, _crossing, open_hours, simulate_drying
from core.drying.setups import DryingSetup
from core.drying.weather import checked_values, mend_weather
from core.errors import InputError
from core.grain.sorption import humidity, isotherm_parameters
from core.storage.loss import ageing_rate, loss_at_age
from core.storage.mould import mould_dose_rate
from tests.drying.drying_cases import plain_days

DAYS = plain_days(days=4)
SETUP = DryingSetup("tarpaulin", 10, 20)


def test_the_moment_of_the_target_lies_on_the_line_between_two_hours():
    """20, 18, 14, 12: 13 is met half an hour after the second hour; a lot at 13 at the start needs none."""
    path = np.array([[20.0, 13.0, 20, 20], [18, 12, 19, 13], [14, 11, 18, 16], [12, 10, 17, 12]])
    assert _crossing(path, 13.0).tolist() == [2.5, 0.0, math.inf, 1.0]


def test_sunny_hours_to_the_target_are_those_of_its_moment():
    """Between two hours in the open the hours so far grow as the clock does; from midnight on 8 are covered."""
    run = simulate_drying("maize", 16.0, DAYS, SETUP, 14.0)
    at = float(run.hours_to_target[0])
    assert 8 < at < 17
    assert at % 1 > 0.01
    assert float(run.exposed_hours_to_target[0]) == pytest.approx(at - 8)


def test_days_are_counted_by_the_clock_of_the_place():
    """From 18 h local (15 h UTC): six hours end with the first day, one second more is the second."""
    times = pd.date_range("2026-02-01 15:00", periods=60, freq="h", tz="UTC")
    found = _calendar_days(np.array([0.0, 0.5, 6.0, 6.1, 30.0, 30.1, np.inf]), times, "Africa/Nairobi")
    assert found.tolist() == [0, 1, 1, 2, 2, 3, math.inf]
    # weather from midnight on counts from the day that begins there
    midnight = pd.date_range("2026-02-01 21:00", periods=60, freq="h", tz="UTC")
    assert _calendar_days(np.array([23.0, 25.0]), midnight, "Africa/Nairobi").tolist() == [1, 2]


def test_open_hours_are_those_whose_middle_lies_between_spreading_and_covering():
    index = pd.date_range("2026-02-01 00:00", periods=24, freq="h", tz="UTC")  # hour ends
    local = DryingSetup("tarpaulin", spread_hour=8, cover_hour=17, time_zone="Africa/Nairobi")
    night = DryingSetup("tarpaulin", spread_hour=20, cover_hour=5)
    half = DryingSetup("tarpaulin", spread_hour=8.5, cover_hour=16.5)
    found = open_hours(index, [local, night, half])
    # 9 to 17 h in Nairobi end from 6 to 14 h UTC; middles at the half hour itself are not inside
    assert [hour for hour in range(24) if found[hour, 0]] == list(range(6, 15))
    assert [hour for hour in range(24) if found[hour, 1]] == [0, 1, 2, 3, 4, 5, 21, 22, 23]
    assert [hour for hour in range(24) if found[hour, 2]] == list(range(10, 17))


def ten_runs():
    """Return one run of maize with paths of ten scenarios that meet 13 % after 1.5, 2.5, ... 9.5 h and never."""
    made = simulate_drying("maize", 18.0, [DAYS] * 10, SETUP, 13.0)
    hours = np.array([1.5 + k for k in range(9)] + [np.inf])
    rows = np.arange(len(made.times))[:, None]
    path = np.where(rows < hours, 18.0, 12.0)
    days = np.array([1.0] * 5 + [2.0] * 4 + [np.inf])
    return replace(
        made,
        moisture_pct=path,
        hours_to_target=hours,
        days_to_target=days,
        exposed_hours_to_target=hours / 2,
        grain_temperature_c=np.full(path.shape, 35.0),
    )


def test_outlook_and_stops_are_order_statistics():
    run = ten_runs()
    found = outlook("maize", run)
    assert found.days == (1.0, 1.0, 2.0)
    assert found.sunny_hours == (0.75, 2.75, 4.75)
    assert found.chance_in_time == 0.9
    first = run.times[0]
    assert stop_times(run) == tuple((first + pd.Timedelta(hours=h)).to_pydatetime() for h in (1.5, 5.5, 9.5))
    assert chance_dry_by(run, date(2024, 2, 1)) == 0.5
    assert chance_dry_by(run, date(2024, 2, 2)) == 0.9


def test_spoiling_is_summed_hour_by_hour_until_the_target():
    """At 28 % and 35 °C for three days: each scenario's age and mould dose in plain sums."""
    made = ten_runs()
    hours = np.array([5.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 90.0, np.inf, np.inf])
    path = np.full(made.moisture_pct.shape, 24.0)
    celsius = np.linspace(25.0, 36.0, 10) * np.ones(path.shape)
    run = replace(made, moisture_pct=path, hours_to_target=hours, grain_temperature_c=celsius)
    shares = []
    for k, end in enumerate(hours):
        wet_hours = min(sum(1 for step in range(len(path) - 1) if step + 0.5 < end), len(path) - 1)
        age = wet_hours / 24 * float(ageing_rate("maize", celsius[0, k], 24.0))
        water = float(humidity(isotherm_parameters("maize"), np.asarray(celsius[0, k]), np.asarray(100 * 24 / 76)))
        dose = wet_hours / 24 * float(mould_dose_rate(celsius[0, k], water))
        shares.append(1.0 if float(loss_at_age("maize", age)) > 0.5 else 1 - 2 ** -(dose**2))
    assert 0.0 < min(shares) < 0.5
    assert chance_spoilt("maize", run) == pytest.approx(np.mean(shares))


@pytest.mark.parametrize(("warm", "cool", "hour"), [(45.0, 22.0, 18), (45.0, 22.0, 2), (23.0, 22.0, 10)])
def test_the_test_waits_for_the_heap_to_cool(warm, cool, hour):
    """4 h x ln((warm - cool) / 3 K), then up to the next whole hour, then to the morning where that is dark."""
    made = ten_runs()
    celsius = np.full(made.moisture_pct.shape, cool)
    celsius[: hour + 1] = warm
    early = float(hour)
    run = replace(made, grain_temperature_c=celsius, hours_to_target=np.full(10, early))
    wait = 4 * math.log(max((warm - cool) / 3, 1))
    ready = math.ceil(early + wait - 1e-9)  # the run begins at midnight
    clock, day = ready % 24, ready // 24
    if clock >= advice.EVENING_HOUR:
        clock, day = advice.MORNING_HOUR, day + 1
    elif clock < advice.MORNING_HOUR:
        clock = advice.MORNING_HOUR
    found = retest_time(run)
    assert (found.hour, found.day) == (clock, 1 + day)


def test_hours_to_turn_and_the_chance_of_rain_of_a_day():
    """Independent hours: one less the product of dry ones; turned every so many hours, not in the last half hour."""
    hour = DAYS.index.hour
    chances = DAYS.assign(rain_chance=np.where((hour >= 10) & (hour <= 12), 0.1, 0.0))
    every_two = replace(SETUP, turn_interval_h=2.0)
    first, _second = day_hours("maize", 22.0, chances, every_two, 13.0)
    assert first.rain_chance == pytest.approx(1 - 0.9**3)
    assert first.turn_hours == tuple(range(first.spread_hour + 2, first.cover_hour, 2))
    assert day_hours("maize", 22.0, chances, replace(SETUP, turn_interval_h=24.0), 13.0)[0].turn_hours == ()
    # what it loses is what the median lot loses in those hours
    open_then = replace(SETUP, spread_hour=float(first.spread_hour), cover_hour=float(first.cover_hour))
    run = simulate_drying("maize", 22.0, chances.iloc[:24], open_then, 13.0)
    assert first.points == pytest.approx(22.0 - float(run.moisture_pct[-1, 0]), rel=0.25)


@pytest.mark.parametrize(
    ("column", "edge", "beyond"),
    [
        ("temperature_c", 60.0, 60.1),
        ("temperature_c", -40.0, -40.1),
        ("relative_humidity_pct", 105.0, 105.1),
        ("relative_humidity_pct", -5.0, -5.1),
        ("wind_m_s", 60.0, 60.1),
        ("wind_m_s", 0.0, -0.1),
        ("rain_mm", 300.05, 300.1),
        ("shortwave_w_m2", 1510.0, 1510.1),
        ("shortwave_w_m2", -10.0, -10.1),
    ],
)
def test_each_bound_of_an_hours_weather(column, edge, beyond):
    one = DAYS.copy()
    one.iloc[7, one.columns.get_loc(column)] = edge
    held = checked_values([one])[column][7, 0]
    assert held == min(
        max(edge, {"temperature_c": -40.0}.get(column, 0.0)), {"relative_humidity_pct": 100.0}.get(column, held)
    )
    one.iloc[7, one.columns.get_loc(column)] = beyond
    with pytest.raises(InputError, match=column):
        checked_values([one])
    assert len(mend_weather(one).notes) == 1


@pytest.mark.parametrize(("gap", "bridged"), [(3, True), (4, False)])
def test_three_hours_are_bridged_and_four_come_from_other_days(gap, bridged):
    holed = DAYS.copy()
    holed["temperature_c"] = np.arange(len(DAYS)) / 10.0  # the same hour of other days lies far from its neighbours
    holed.iloc[30 : 30 + gap, 0] = np.nan
    found = mend_weather(holed)
    line = np.arange(30, 30 + gap) / 10.0
    if bridged:
        assert found.notes == ()
        np.testing.assert_allclose(found.frames[0].iloc[30 : 30 + gap, 0], line)
    else:
        assert len(found.notes) == 1
        others = [np.mean([(hour + 24 * day) / 10.0 for day in (-1, 1, 2)]) for hour in range(30, 30 + gap)]
        np.testing.assert_allclose(found.frames[0].iloc[30 : 30 + gap, 0], others)


@pytest.mark.parametrize(("off", "named"), [(2.4, False), (2.6, True), (-2.4, False), (-2.6, True), (12.0, True)])
def test_a_sun_two_and_a_half_hours_off_is_named(off, named):
    """Invented days have their noon at 12 h of UTC+3: 45 °E; 15 degrees are an hour."""
    longitude = (45.0 + 15 * off + 180) % 360 - 180
    notes = mend_weather(DAYS, longitude=longitude).notes
    assert bool(notes) == named
    if named:
        assert f"{abs(off):.0f} hours" in str(notes[0])


# -- what readings teach --------------------------------------------------------------------------------------------


def test_quantiles_of_a_belief_are_read_along_the_logarithm():
    """Four factors a doubling apart with weights 0.1, 0.4, 0.4, 0.1: the middle is the geometric one, 2 sqrt 2."""
    belief = RateBelief(np.array([1.0, 2.0, 4.0, 8.0]), np.array([0.5]), np.array([[0.1], [0.4], [0.4], [0.1]]))
    assert belief.median == pytest.approx(math.sqrt(8))
    assert belief.quantile(0.1) == pytest.approx(math.sqrt(2))
    assert belief.quantile(0.3) == pytest.approx(2.0)
    assert belief.quantile(1.0) == pytest.approx(8 * math.sqrt(2))
    assert belief.interval(0.8) == pytest.approx((math.sqrt(2), 4 * math.sqrt(2)))
    assert belief.noise == 0.5
    assert prior_belief(0.25).noise == pytest.approx(0.5 * math.exp(0.4**2 / 2), rel=0.03)  # mean of a log-normal


def test_the_suns_error_is_summed_over_as_a_normal_one():
    """Readings that move by 2 points for 25 % of sun and in no other way: the noise of them has 1.2 points more.

    Odds of two noises against the normal law's density of one reading, start known by a reading of the same noise
    (flat prior, a line in steps), no bias: variance 2 s² + (2 x 0.15 / 0.25)², within the quadrature's accuracy.
    """
    belief = prior_belief(0.25)
    predicted = np.zeros((3, 3, len(belief.factors), 1))
    predicted += np.array([-2.0, 0.0, 2.0])[:, None, None, None]
    predicted += np.linspace(-2.5, 2.5, 3)[None, :, None, None]
    after = update_belief(belief, predicted, np.array([0.9]), bias_sd=0.0)

    def density(noise: float) -> float:
        variance = 2 * noise**2 + 1.2**2
        return math.exp(-0.5 * 0.9**2 / variance) / math.sqrt(variance)

    a, b = 8, 5  # the wide noises: smooth against the nodes of the sun
    odds = after.weights[40, a] / after.weights[40, b] * belief.weights[40, b] / belief.weights[40, a]
    assert odds == pytest.approx(density(belief.noises[a]) / density(belief.noises[b]), rel=0.05)
    assert after.readings == 1


@pytest.mark.parametrize(
    ("falls", "rains", "spread", "cover", "chance", "words"),
    [
        ([0.05] * 6, [0, 0, 0.3, 0, 0, 0], 11, 14, 0.0, "nearly so"),
        ([0.05] * 6, [0.1, 0, 0.29, 0, 0.2, 0], 8, 14, 1 - 0.9 * 0.71 * 0.8, "nearly so"),
        ([0.05, 0.05, 0.05, 0.03, 0.05, 0.05], [0.0] * 6, 8, 11, 0.0, "nearly so"),
        ([0.05, 0.05, 0, 0.05, 0.05, 0], [0.0] * 6, 8, 10, 0.0, "nearly so"),  # of two as long the first
        ([0.05] * 6, [0, 0, 0, 0, 0.3, 0], 8, 12, 0.0, "until 12:00, then rain is likely (30 in 100)"),
        ([0.05] * 4 + [0.0] * 2, [0, 0, 0, 0, 0.29, 0], 8, 12, 0.0, "nearly so"),
        ([0.0] * 6, [0, 0.3, 0, 0, 0, 0], None, None, 0.3, "rain is likely in the hours"),
        ([0.0] * 6, [0, 0.29, 0.1, 0, 0, 0], None, None, 1 - 0.71 * 0.9, "almost no water"),
    ],
)
def test_hours_of_a_day_at_the_edges_of_rain_and_of_what_is_worth_it(falls, rains, spread, cover, chance, words):
    """Worth it: more than 0.03 points an hour, and less than 3 in 10 for rain; the longest run of such hours counts."""
    hours = pd.DataFrame({"hour": range(8, 14), "rain": np.array(rains, dtype=float)})
    found = advice._day(DAYS.index[0].date(), hours, np.array(falls), replace(SETUP, turn_interval_h=2.0))
    assert (found.spread_hour, found.cover_hour) == (spread, cover)
    assert found.rain_chance == pytest.approx(chance)
    assert words in str(found.reason)
    if spread is not None:
        assert found.points == pytest.approx(sum(falls[spread - 8 : cover - 8]))
        assert list(found.turn_hours) == [hour for hour in range(spread + 2, 24, 2) if hour < cover - 0.5]


def test_under_a_roof_rain_stops_nothing():
    hours = pd.DataFrame({"hour": range(8, 14), "rain": [0.0, 0.0, 0.9, 0.0, 0.0, 0.0]})
    found = advice._day(DAYS.index[0].date(), hours, np.full(6, 0.05), replace(SETUP, method="crib"))
    assert (found.spread_hour, found.cover_hour) == (8, 14)
