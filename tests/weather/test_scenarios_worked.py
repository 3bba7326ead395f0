"""Scenarios worked again from their parts: what a forecast's trust, the seam and past years make of them."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from core.weather.day_to_day import Before, make_days, make_hours, normals_by_day
from core.weather.frames import NEEDED, Forecast
from core.weather.normals import DAYS_IN_MONTH, Normals
from core.weather.place import Place
from core.weather.scenarios import climate_scenarios, example_members, extend_scenarios, skill
from core.weather.solar import mean_over_hours

PLACE = Place(9.0, 1.0, 370.0, "UTC")
START = datetime(2026, 5, 20, tzinfo=UTC)


def normals(share: float = 0.3) -> Normals:
    table = pd.DataFrame({"temperature_c": 26.0, "relative_humidity_pct": 70.0}, index=range(1, 13))
    return Normals(table.assign(rain_days=share * DAYS_IN_MONTH, rain_mm=9 * share * DAYS_IN_MONTH), "x", "entered")


def forecast(
    hours: int, runs: int = 1, rain: float = 0.0, chance: float | None = None, rainy_hour: int = 39
) -> Forecast:
    """Return runs of 30 °C, 50 %, 3 m/s, half a clear sky, and rain in one hour (to 15 h of the second day)."""
    index = pd.date_range(START + timedelta(hours=1), periods=hours, freq="h")
    frame = pd.DataFrame({"temperature_c": 30.0, "relative_humidity_pct": 50.0, "wind_m_s": 3.0}, index=index)
    frame["rain_mm"] = np.where(np.arange(1, hours + 1) == rainy_hour, rain, 0.0)
    frame["shortwave_w_m2"] = 0.5 * mean_over_hours(index, PLACE, "clear")
    if chance is not None:
        frame["rain_chance"] = np.where(np.arange(1, hours + 1) == rainy_hour, chance, 0.0)
    members = tuple(frame.assign(temperature_c=30.0 + k) for k in range(runs))
    return Forecast(members, "x", START, START, "fresh", "")


def stacked(frames: list[pd.DataFrame], name: str) -> np.ndarray:
    return np.column_stack([frame[name] for frame in frames])


def test_trust_falls_by_the_day():
    """Judgement: 0.95 at once, 0.065 less a day, none after a fortnight (14.6 days)."""
    np.testing.assert_allclose(skill(np.array([0.0, 1.0, 10.0, 14.0, 15.0])), [0.95, 0.885, 0.30, 0.04, 0.0])


@pytest.mark.parametrize("count", [12, 3])
def test_a_single_run_is_mixed_with_invented_days_by_its_trust(count):
    """Forecast * r + usual * (1 - r) + departure * sqrt(1 - r²), r the trust in the hour: correlation r with the run.

    The usual is the mean of the invented days where there are eight or more of them, else each its own.
    """
    days = [START.date() + timedelta(days=step) for step in range(4)]
    frames = extend_scenarios(forecast(96), normals(), PLACE, START, 4, count, 3)
    random = np.random.default_rng(3)
    invented = make_hours(days, make_days(normals(), PLACE, days, count, random), PLACE, random)
    trust = (0.95 - 0.065 * np.arange(1, 97) / 24)[:, None]
    clear = mean_over_hours(frames[0].index, PLACE, "clear")
    runs = {
        "temperature_c": 30.0,
        "relative_humidity_pct": 50.0,
        "wind_m_s": 3.0,
        "shortwave_w_m2": 0.5 * clear[:, None],
    }
    for name, run in runs.items():
        drawn = stacked(invented, name)
        usual = drawn.mean(axis=1, keepdims=True) if count >= 8 else drawn
        wanted = trust * run + (1 - trust) * usual + np.sqrt(1 - trust**2) * (drawn - usual)
        if name == "shortwave_w_m2":
            wanted = np.minimum(wanted, 1.02 * clear[:, None])
        wanted = np.clip(wanted, 3.0, 100.0) if name == "relative_humidity_pct" else np.maximum(wanted, 0.0)
        np.testing.assert_allclose(stacked(frames, name), wanted, err_msg=name)


@pytest.mark.parametrize(("rain", "chance", "told"), [(0.0, 0.4, 0.46), (6.0, None, 1.0), (0.9, None, 0.0)])
def test_a_day_is_wet_as_often_as_forecast_and_season_together_say(rain, chance, told):
    """r p + (1 - r) f by the day: p the service's hourly chance with 15 % on top, else whether a run has 1 mm."""
    count, f = 300, 0.3
    frames = extend_scenarios(forecast(48, 1, rain, chance), normals(f), PLACE, START, 2, count, 4)
    mm = stacked(frames, "rain_mm").reshape(2, 24, count)
    for day in range(2):
        trust = np.mean([0.95 - 0.065 * hour / 24 for hour in range(24 * day + 1, 24 * day + 25)])
        wanted = trust * told * day + (1 - trust) * f
        wet = mm[day].sum(axis=0) > 0
        assert wet.mean() == pytest.approx(wanted, abs=4 * math.sqrt(wanted * (1 - wanted) / count))
    if rain > 1:  # a wet day keeps the hours of the run
        wet = mm[1].sum(axis=0) > 0
        assert (mm[1][14, wet] == rain).all()
        assert np.count_nonzero(mm[1][:, wet]) == wet.sum()
    if rain == 0:  # a shower where neither has rain: an exponential of 9 mm over three hours at most
        lasting = np.count_nonzero(mm[1], axis=0)
        sums = mm[1].sum(axis=0)
        even = (lasting == 3) & (np.ptp(np.where(mm[1] > 0, mm[1], sums / 3), axis=0) < 1e-9)
        level = sums[even]
        assert len(level) > 30
        assert level.mean() == pytest.approx(9.0, rel=0.5)
        first = np.argmax(mm[1][:, even] > 0, axis=0)
        assert np.histogram(first, bins=3, range=(0, 24))[0].min() > 0.2 * len(first)


def test_after_the_forecast_come_days_that_follow_its_last():
    """Five runs are taken as they are; days drawn after them begin where the last of 24 hours left, over six hours."""
    frames = extend_scenarios(forecast(36, 5, rain=1.2, rainy_hour=15), normals(), PLACE, START, 4, 7, 9)
    covered = frames[0].index[:36]
    for k, frame in enumerate(frames):
        assert set(frame.loc[covered, "temperature_c"]) == {30.0 + k % 5}
    days = [START.date() + timedelta(days=step) for step in (1, 2, 3)]
    usual = normals_by_day(normals(), PLACE, [START.date() + timedelta(days=1)]).iloc[0]
    # hours 13 to 36: the day whose noon is in the middle; 1.2 mm of rain fell in them, more than a millimetre
    before = Before(
        np.array([30.0 + k % 5 for k in range(7)]) - usual["temperature_c"],
        np.full(7, 50.0 - usual["relative_humidity_pct"]),
        np.ones(7, dtype=bool),
    )
    random = np.random.default_rng(9)
    tails = make_hours(days, make_days(normals(), PLACE, days, 7, random, before), PLACE, random)
    for k, frame in enumerate(frames):
        tail = tails[k].loc[frame.index[36:]]
        for name, last in (("temperature_c", 30.0 + k % 5), ("relative_humidity_pct", 50.0)):
            fade = np.array([max(0.0, 1 - hour / 7) for hour in range(1, len(tail) + 1)])
            wanted = tail[name] + fade * (last - tail[name].iloc[0])
            wanted = wanted.clip(3.0, 100.0) if name == "relative_humidity_pct" else wanted
            np.testing.assert_allclose(frame[name].iloc[36:], wanted)
        assert frame["rain_mm"].iloc[36:].equals(tail["rain_mm"])


def test_a_forecast_shorter_than_a_day_leaves_no_trace_in_the_days_after():
    frames = extend_scenarios(forecast(20, 5), normals(), PLACE, START, 3, 6, 9)
    days = [START.date() + timedelta(days=step) for step in range(3)]
    random = np.random.default_rng(9)
    tails = make_hours(days, make_days(normals(), PLACE, days, 6, random), PLACE, random)
    for frame, tail in zip(frames, tails, strict=True):
        pd.testing.assert_frame_equal(frame.iloc[27:], tail.loc[frame.index[27:]], check_freq=False)


def past(years: int) -> pd.DataFrame:
    """Return days whose temperature is their number and whose humidity is their day of the year over four."""
    index = pd.date_range("2001-01-01", periods=365 * years, freq="D")  # 2001 to 2003: no leap day
    return pd.DataFrame(
        {"temperature_c": np.arange(len(index), dtype=float), "relative_humidity_pct": index.dayofyear / 4}, index=index
    )


def test_whole_past_years_come_first_each_once():
    """From 1 February (day 32) 300 days fit twice in 900 and thrice in 1,095: those are taken before any is patched."""
    frames = climate_scenarios(past(3), date(2026, 2, 1), 300, 5, 2)
    begins = sorted(frame["temperature_c"].iloc[0] for frame in frames[:3])
    assert begins == [31.0, 396.0, 761.0]
    for frame in frames[:3]:
        assert (np.diff(frame["temperature_c"]) == 1).all()
    # 1,095 - 761 = 334 days: 334 fit, 335 do not
    assert (
        sorted(f["temperature_c"].iloc[0] for f in climate_scenarios(past(3), date(2026, 2, 1), 334, 3, 2))[-1] == 761
    )
    third = climate_scenarios(past(3), date(2026, 2, 1), 335, 3, 2)[2]["temperature_c"]
    assert (np.diff(third) != 1).any()


def test_patched_years_are_stretches_of_five_to_nine_weeks_of_the_same_time_of_year():
    frames = climate_scenarios(past(3), date(2026, 2, 1), 900, 12, 2)
    lengths, away = [], []
    for frame in frames[1:]:
        day = frame["temperature_c"].to_numpy()
        cut = np.flatnonzero(~np.isin(np.diff(day), (1.0, 1.0 - 1095))) + 1
        lengths += list(np.diff([0, *cut]))
        for start in [0, *cut]:
            wanted = (31 + start) % 365 + 1
            away.append((frame["relative_humidity_pct"].iloc[start] * 4 - wanted + 180) % 365 - 180)
    # a stretch may by chance go on where the last one ended, so a few are longer
    assert min(lengths) >= 35
    assert np.quantile(lengths, 0.9) <= 63
    assert max(lengths) > 55
    # the calendar's own year: 2028 is a leap year, a day off
    assert (min(away), max(away)) in {(-8, 7), (-7, 7)}


def test_invented_runs_drift_apart_as_trust_falls():
    days = [START.date() + timedelta(days=step) for step in range(16)]
    runs = example_members(normals(0.0), PLACE, days, 5, np.random.default_rng(5))
    random = np.random.default_rng(5)
    own = make_hours(days, make_days(normals(0.0), PLACE, days, 6, random), PLACE, random)
    common = own.pop()
    trust = np.clip(0.95 - 0.065 * np.arange(len(common)) / 24, 0, 1)
    clear = 1.02 * mean_over_hours(pd.DatetimeIndex(common.index), PLACE, "clear")
    for k, (run, alone) in enumerate(zip(runs, own, strict=True)):
        mix = np.maximum(trust, 0.3) if k == 0 else trust  # the first keeps near the common one throughout
        for name in ("temperature_c", "relative_humidity_pct", "wind_m_s"):
            np.testing.assert_allclose(run[name], mix * common[name] + (1 - mix) * alone[name])
        sun = mix * common["shortwave_w_m2"] + (1 - mix) * alone["shortwave_w_m2"]
        np.testing.assert_allclose(run["shortwave_w_m2"], np.minimum(sun, clear))
        assert list(run.columns) == list(NEEDED)


def test_invented_runs_agree_on_rain_at_first_and_are_damp_and_dark_while_it_rains():
    days = [START.date() + timedelta(days=step) for step in range(12)]
    count = 90
    runs = example_members(normals(0.6), PLACE, days, count, np.random.default_rng(5))
    random = np.random.default_rng(5)
    own = make_hours(days, make_days(normals(0.6), PLACE, days, count + 1, random), PLACE, random)
    common = own[-1]
    clear = 1.02 * mean_over_hours(pd.DatetimeIndex(common.index), PLACE, "clear")
    for day in (0, 6, 11):
        here = slice(24 * day, 24 * day + 23)  # the last hour of a day has a little less trust than its first
        shared = [run["rain_mm"].iloc[here].equals(common["rain_mm"].iloc[here]) for run in runs]
        alike = [frame["rain_mm"].iloc[here].equals(common["rain_mm"].iloc[here]) for frame in own[:-1]]
        trust = 0.95 - 0.065 * day
        wanted = trust + (1 - trust) * np.mean(alike)
        assert np.mean(shared) == pytest.approx(wanted, abs=0.13)
    for k in (1, 7):
        trust = np.clip(0.95 - 0.065 * np.arange(len(common)) / 24, 0, 1)
        sun = trust * common["shortwave_w_m2"] + (1 - trust) * own[k]["shortwave_w_m2"]
        raining = runs[k]["rain_mm"] >= 0.1
        assert raining.any()
        np.testing.assert_allclose(runs[k]["shortwave_w_m2"], np.minimum(np.where(raining, 0.5, 1.0) * sun, clear))
        assert runs[k].loc[raining, "relative_humidity_pct"].min() >= 90
