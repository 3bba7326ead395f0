"""The maker of likely weather, worked again one day and one hour at a time in plain numbers, and by its laws."""

from __future__ import annotations

import calendar
import math
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from core.grain.air import saturation_vapour_pressure
from core.weather.day_to_day import Before, Days, make_days, make_hours, normals_by_day, settings
from core.weather.normals import DAYS_IN_MONTH, Normals
from core.weather.place import Place
from core.weather.solar import extraterrestrial_daily, mean_over_hours
from core.weather.usual import bundled_normals

HERE = Place(9.0, 0.0, 400.0, "UTC")  # the sun's hour is the clock's
FROM = date(2026, 3, 10)


def all_year(share: float, **columns: float) -> Normals:
    """Return the same weather for every month, with rain on a share of the days, 9 mm each."""
    table = pd.DataFrame({name: [value] * 12 for name, value in columns.items()}, index=range(1, 13))
    table["rain_days"] = share * DAYS_IN_MONTH
    table["rain_mm"] = 9.0 * table["rain_days"]
    return Normals(table, "x", "entered")


CLIMATES = {
    "middling": {
        "share": 0.3,
        "temperature_c": 25.0,
        "relative_humidity_pct": 70.0,
        "daily_range_c": 10.0,
        "shortwave_w_m2": 200.0,
        "wind_m_s": 2.0,
        "temperature_sd_c": 1.2,
        "humidity_sd_pct": 6.0,
    },
    "as damp as can be": {
        "share": 0.9,
        "temperature_c": 24.0,
        "relative_humidity_pct": 97.0,
        "daily_range_c": 0.6,
        "shortwave_w_m2": 30.0,
        "wind_m_s": 1.0,
        "temperature_sd_c": 0.05,
        "humidity_sd_pct": 0.3,
    },
    "at the bounds": {
        "share": 0.5,
        "temperature_c": 30.0,
        "relative_humidity_pct": 8.0,
        "daily_range_c": 28.0,
        "shortwave_w_m2": 255.0,
        "wind_m_s": 4.0,
        "temperature_sd_c": 3.0,
        "humidity_sd_pct": 9.0,
    },
}


def correlations(p: dict[str, float]) -> np.ndarray:
    """Return how temperature, humidity, clearness and wind go together on one day."""
    a, b, c = (
        p[f"{name}_correlation"] for name in ("temperature_humidity", "humidity_clearness", "temperature_clearness")
    )
    return np.array([[1, a, c, 0], [a, 1, b, 0], [c, b, 1, 0], [0, 0, 0, 1.0]])


@pytest.mark.parametrize("follows", [False, True])
@pytest.mark.parametrize("climate", CLIMATES)
def test_each_day_worked_again_in_plain_numbers(climate, follows):
    """Richardson (1981), x' = A x + B e with A the lags and B B' = C - A C A'; Geng et al. (1986) for the rain.

    The chances are drawn in the order of the maker: who was wet, each day's rain, the four series, the amounts.
    """
    usual, p, n, count = CLIMATES[climate], settings(), 12, 5
    f = usual["share"]
    days = [FROM + timedelta(days=step) for step in range(n)]
    before = Before(np.full(count, 9.0), np.arange(count) - 2.0, np.arange(count) > 2) if follows else None
    made = make_days(all_year(**usual), HERE, days, count, np.random.default_rng(6), before)

    chance = np.random.default_rng(6)
    wet_yesterday = before.wet if before else chance.random(count) < f
    uniform = chance.random((n, count))
    lags = np.diag([p[f"{name}_lag"] for name in ("temperature", "humidity", "clearness", "wind")])
    together = correlations(p)
    state = np.linalg.cholesky(together) @ chance.standard_normal((4, count))
    if before:  # six standard deviations of the general figure: three are believed
        state[0] = np.clip(before.temperature_anomaly_c / p["temperature_sd_c"], -3, 3)
        state[1] = before.humidity_anomaly_pct / p["humidity_sd_pct"]
        assert (state[0] == 3).all()
    new = np.linalg.cholesky(together - lags @ together @ lags)
    series = []
    for day in range(n):
        if before or day:
            state = lags @ state + new @ chance.standard_normal((4, count))
        series.append(state)
    # 9 mm on a wet day: scale -2.16 + 1.83 * 9 = 14.31, shape 9 / 14.31
    amount = np.maximum(chance.gamma(9 / 14.31, 14.31, (n, count)), 0.2)

    for k in range(count):
        wet = bool(wet_yesterday[k])
        for day in range(n):
            wet = uniform[day, k] < 0.75 * f + (0.25 if wet else 0.0)
            t, h, clear, wind = series[day][:, k]
            assert made.rain_mm[day, k] == pytest.approx(amount[day, k] if wet else 0.0)
            warm = usual["temperature_c"] - 0.5 * (wet - f) + max(usual["temperature_sd_c"], 0.1) * t
            assert made.temperature_c[day, k] == pytest.approx(warm)
            damp = min(max(usual["relative_humidity_pct"] + 8 * (wet - f), 5), 98)
            room = min(max(usual["humidity_sd_pct"], 0.5), (damp - 2) / 2, (100.5 - damp) / 2)
            assert made.relative_humidity_pct[day, k] == pytest.approx(min(max(damp + room * h, 3), 100))
            # the wet days' figure is 0.65 (0.62) of the dry days', and f of one and 1 - f of the other make the mean
            span = usual["daily_range_c"] * (0.65 if wet else 1) / (0.65 * f + 1 - f) * math.exp(0.18 * clear - 0.016)
            assert made.daily_range_c[day, k] == pytest.approx(min(max(span, 0.5), 30))
            cloudless = 0.97 * (0.75 + 2e-5 * 400) * float(extraterrestrial_daily(9.0, 69 + day)) * 1e6 / 86400
            bright = min(usual["shortwave_w_m2"] * (0.62 if wet else 1) / (0.62 * f + 1 - f), 0.97 * cloudless)
            sun = bright + min(0.2 * bright, (cloudless - bright) / 1.5) * clear
            assert made.shortwave_w_m2[day, k] == pytest.approx(min(max(sun, 0.08 * cloudless), cloudless))
            gust = usual["wind_m_s"] * math.exp(0.26 * wind - 0.26**2 / 2)
            assert made.wind_m_s[day, k] == pytest.approx(gust)


def test_drizzle_has_the_gamma_law_of_its_own_mean():
    """2 mm on a wet day: -2.16 + 1.83 * 2 = 1.5 mm of scale; never below half the mean (1 mm: 0.5), at least 0.2 mm."""
    for mean, scale in ((2.0, 1.5), (1.0, 0.5), (0.3, 0.25)):
        normals = all_year(0.9, temperature_c=25, relative_humidity_pct=70)
        normals.table["rain_mm"] = mean * normals.table["rain_days"]
        rain = make_days(normals, HERE, [FROM], 40_000, np.random.default_rng(1)).rain_mm[0]
        rain = rain[rain > 0]
        drawn = np.maximum(np.random.default_rng(2).gamma(max(mean, 0.5) / scale, scale, 200_000), 0.2)
        assert rain.min() == pytest.approx(0.2)
        assert np.quantile(rain, [0.3, 0.5, 0.9]) == pytest.approx(np.quantile(drawn, [0.3, 0.5, 0.9]), rel=0.04)


def test_the_days_of_a_month_have_the_months_mean():
    months = bundled_normals()
    days = [date(2026, 1, 1) + timedelta(days=step) for step in range(365)]
    by_day = normals_by_day(months, HERE, days)
    grouped = by_day.groupby([day.month for day in days]).mean()
    for name in ("temperature_c", "relative_humidity_pct", "daily_range_c"):
        # rounds that mend the knots leave a hundredth of the year's span
        span = months.table[name].max() - months.table[name].min()
        np.testing.assert_allclose(grouped[name], months.table[name], atol=0.01 * span)
    # straight lines: within a month the bend is at its middle only, and nothing jumps over New Year's Eve
    warm = by_day["temperature_c"].to_numpy()
    bend = np.abs(np.diff(warm, 2)) > 1e-9
    assert [month for month in range(1, 13) if any(bend[i] for i in range(363) if days[i + 1].month == month)]
    for i in np.flatnonzero(bend):
        assert 13 <= days[i + 1].day <= 17
    # from mid-December to mid-January one line: the slope over the turn of the year is that before and after it
    assert warm[0] - warm[-1] == pytest.approx(warm[1] - warm[0], rel=0.35)
    # 29 February counts as a day of the year like others; rain days are a share of their month's length
    assert by_day["wet_share"].to_numpy().min() >= 0
    assert calendar.isleap(2028)
    assert np.isfinite(normals_by_day(months, HERE, [date(2028, 12, 31)]).to_numpy()).all()


def still(n: int = 3, count: int = 4, **values: float) -> Days:
    """Return the same day n times in each scenario, without rain unless it is given."""
    usual = {
        "temperature_c": 25.0,
        "relative_humidity_pct": 60.0,
        "daily_range_c": 12.0,
        "shortwave_w_m2": 250.0,
        "wind_m_s": 2.0,
        "rain_mm": 0.0,
    } | values
    return Days(**{name: np.full((n, count), value) for name, value in usual.items()})


def hours_of(made: Days, place: Place = HERE, seed: int = 3) -> list[pd.DataFrame]:
    days = [FROM + timedelta(days=step) for step in range(len(made.rain_mm))]
    return make_hours(days, made, place, np.random.default_rng(seed))


def test_the_course_of_a_clear_days_temperature_is_parton_and_logans():
    """Their equations one hour at a time, day length from FAO-56: 1.86 h lag of the highest, 2.20, -0.17 h lowest."""
    frame = hours_of(still())[0].iloc[24:48]
    # FAO-56 equations 24, 25 and 34 at 9 degrees north on 11 March (day 70)
    tilt = 0.409 * math.sin(2 * math.pi * 70 / 365 - 1.39)
    light = 24 / math.pi * math.acos(-math.tan(math.radians(9)) * math.tan(tilt))
    dawn, dusk = 12 - light / 2 - 0.17, 12 + light / 2

    def rise(hour: float) -> float:
        since = (hour - dawn) % 24
        sunset = dusk - dawn
        if since < sunset:
            return math.sin(math.pi * since / (light + 2 * 1.86))
        return math.sin(math.pi * sunset / (light + 2 * 1.86)) * math.exp(-2.20 * (since - sunset) / (24 - light))

    fine = np.array([rise(hour) for hour in np.arange(0, 24, 0.01)])
    below_dawn = rise(dawn - 1e-9)  # what is left when the night ends
    wanted = [25 + 12 * (rise(stamp.hour) - fine.mean()) / (1 - below_dawn) for stamp in frame.index]
    np.testing.assert_allclose(frame["temperature_c"], wanted, atol=0.02)
    assert np.argmax(frame["temperature_c"]) + 1 == 14


def test_wind_is_highest_at_two_and_keeps_its_mean():
    wind = hours_of(still())[1]["wind_m_s"].iloc[24:48]
    assert wind.mean() == pytest.approx(2.0)
    assert wind.loc["2026-03-11 14:00+00:00"] == pytest.approx(2.6)
    assert wind.loc["2026-03-11 02:00+00:00"] == pytest.approx(1.4)
    assert wind.loc["2026-03-11 08:00+00:00"] == pytest.approx(2.0)


def test_one_day_slides_into_the_next_between_nine_and_three_at_night():
    made = still(n=2)
    made.wind_m_s[:] = [[1.0], [4.0]]
    wind = hours_of(made)[0]["wind_m_s"]
    course = np.array([1 + 0.3 * math.cos(2 * math.pi * (stamp.hour - 14) / 24) for stamp in wind.index])
    level = (wind / course).to_numpy()
    # middles of hours: 20:30 all the first day's; 21:30 half an hour of six on the way, and so on; 03:30 the second's
    np.testing.assert_allclose(level[:21], 1.0)
    np.testing.assert_allclose(level[21:27], [1 + 3 * part / 12 for part in (1, 3, 5, 7, 9, 11)])
    np.testing.assert_allclose(level[27:], 4.0)


def test_a_dry_days_damp_is_one_vapour_pressure_and_its_mean_the_days():
    for wanted in (25.0, 60.0):
        frame = hours_of(still(relative_humidity_pct=wanted))[2].iloc[24:48]
        assert frame["relative_humidity_pct"].mean() == pytest.approx(wanted, abs=0.05)
        pressure = frame["relative_humidity_pct"] * saturation_vapour_pressure(frame["temperature_c"].to_numpy())
        assert np.ptp(pressure) < 0.01 * pressure.mean()


def test_while_it_rains_the_air_is_at_least_92_per_cent_damp():
    made = still(count=200, rain_mm=12.0, relative_humidity_pct=75.0)
    frames = pd.concat(hours_of(made))
    raining = frames["rain_mm"] >= 0.1
    assert frames.loc[raining, "relative_humidity_pct"].min() == pytest.approx(92.0)
    assert frames.loc[~raining, "relative_humidity_pct"].min() < 60
    assert frames["relative_humidity_pct"].mean() == pytest.approx(75.0, abs=0.5)


def test_the_suns_hours_add_up_and_follow_the_sky():
    place = HERE
    index = hours_of(still())[0].index
    clear = mean_over_hours(index, place, "clear")
    cloudless = clear.reshape(3, 24).mean(axis=1)
    for share in (0.3, 0.7, 0.97):
        made = still(count=100, shortwave_w_m2=share * float(cloudless.mean()))
        frames = hours_of(made)
        sun = np.stack([frame["shortwave_w_m2"].to_numpy() for frame in frames])
        assert (sun[:, clear == 0] == 0).all()
        assert (sun <= 1.02 * clear + 1e-9).all()
        np.testing.assert_allclose(sun.reshape(-1, 3, 24).mean(axis=2), made.shortwave_w_m2[0, 0], rtol=0.02)
        # patchy by exp(0.35 e) to the power 2 (1 - share), whole below a half: the spread of the log between noon hours
        noon = np.log(sun[:, 36] / sun[:, 37] * clear[37] / clear[36])
        if share < 0.5:
            assert noon.std() == pytest.approx(0.35 * math.sqrt(2), rel=0.12)
        if share == 0.97:
            assert noon.std() < 0.35 * math.sqrt(2) * 0.07


def test_an_hour_of_rain_is_darker():
    """By 0.35 before the day's sum is kept: seen against the dry hour beside it, where neither meets the ceiling."""
    made = still(count=900, rain_mm=10.0, shortwave_w_m2=90.0)
    frames = hours_of(made)
    clear = mean_over_hours(frames[0].index, HERE, "clear")
    sun = np.stack([frame["shortwave_w_m2"].to_numpy() for frame in frames]) / np.where(clear > 0, clear, np.nan)
    wet = np.stack([frame["rain_mm"].to_numpy() >= 0.1 for frame in frames])
    one = wet[:, 38] & ~wet[:, 37]
    assert one.sum() > 30
    assert np.log(sun[one, 38] / sun[one, 37]).mean() == pytest.approx(math.log(0.35), abs=0.15)


@pytest.mark.parametrize("amount", [2.0, 20.0])
def test_a_days_rain_worked_again_spell_by_spell(amount):
    """One spell: 1 + Poisson(1 + mm / 7) hours, ten at most; 70 % begin about 16 h; past midnight counts before it."""
    n, count = 3, 60
    frames = hours_of(still(n=n, count=count, rain_mm=amount), seed=8)
    chance = np.random.default_rng(8)
    days = n * count
    spell = np.clip(1 + chance.poisson(1 + amount / 7, days), 1, 10)
    usual = chance.random(days) < 0.7
    afternoon, any_hour = chance.normal(16, 3, days), chance.uniform(0, 24, days)
    parts = chance.exponential(1.0, (days, 10))
    wanted = np.zeros((n * 24, count))
    for i in range(days):
        day, k = divmod(i, count)
        begin = round(((afternoon[i] if usual[i] else any_hour[i]) - 0.5) % 24)  # the first hour's middle is 0:30
        for step in range(spell[i]):
            hour = min(begin + step, 23)
            wanted[24 * day + hour, k] += amount * parts[i, step] / parts[i, : spell[i]].sum()
    wanted[wanted < 0.02] = 0.0  # a trace
    np.testing.assert_allclose(np.column_stack([frame["rain_mm"] for frame in frames]), wanted, atol=1e-9)


def test_hours_begin_and_end_with_the_places_own_day():
    """Kathmandu is 5:45 ahead: the hours whose middles lie on the day end at 19:00 UTC (middle 0:15) and onwards."""
    place = Place(27.7, 85.3, 1400, "Asia/Kathmandu")
    made = still(n=2)
    made.wind_m_s[:] = [[1.0], [4.0]]
    index = hours_of(made, place)[0].index
    assert index[0].to_pydatetime() == datetime(2026, 3, 9, 19, tzinfo=UTC)
    assert index[-1].to_pydatetime() == datetime(2026, 3, 11, 18, tzinfo=UTC)
    assert len(index) == 48
