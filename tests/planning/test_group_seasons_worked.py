"""A group's possible seasons by hand.

Drying, storage and the field are stood in for by laws that a reader can reckon in his head (a point a day, a tenth of
a point a week), so that what is tested is what this room does with them: which weather a scenario meets, between which
two runs it reads, what is booked, what is lost.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.drying.setups import drying_method
from core.errors import InputError
from core.planning import group_seasons as room
from core.planning.case import CropPrice, DryingChoice, Reserve, StorageChoice, make_case

COUNT = 30  # scenarios: the 25th meets the first weather again
WAYS = (DryingChoice("a", "Sheets", "tarpaulin", 500.0, area_m2=25.0), DryingChoice("b", "Crib", "crib", 900.0))
WOVEN = StorageChoice("w", "Bags", "woven_bag")
SCENE = make_case(1, 8, COUNT, 1)
LOT = replace(SCENE.lots[0], commodity="maize", available_week=1)
SCENE = SCENE.with_changes(
    lots=(LOT,), drying=WAYS, storage=(WOVEN,), reserves=(), target_pct=(("maize", 13.0),), target_choices=()
)
WEATHER = np.arange(COUNT) % 24  # of each scenario


def fixed_rate(rates):
    return SimpleNamespace(sample=lambda count, seed: np.asarray(rates, dtype=float)[:count])


# the first twelve weathers dry twice as fast; the second space is four times as fast in all of them
RATES = {"tarpaulin": fixed_rate([2.0] * 12 + [1.0] * 12), "crib": fixed_rate([4.0] * 24)}


def scene(case=SCENE, climates=(), **data):
    surroundings = room.Surroundings(None, None, SimpleNamespace(longitude=0.0), rates=RATES, **data)
    return room._Scene(case, 1, surroundings, datetime(2026, 7, 5, 21, tzinfo=UTC), list(climates), "pests")


def daily_run(start, rates):
    """Return a drying run: midnight, then the noon of each day; every noon takes a point times the rate."""
    midnight = pd.Timestamp("2026-07-05 21:00", tz="UTC")  # midnight in Nairobi
    noons = [midnight + timedelta(days=day, hours=12) for day in range(30)]
    moisture = start - np.arange(31)[:, None] * np.asarray(rates, dtype=float)
    zone = SimpleNamespace(time_zone="Africa/Nairobi")
    return SimpleNamespace(moisture_pct=moisture, times=pd.DatetimeIndex([midnight, *noons]), setup=zone)


@pytest.fixture
def drying(monkeypatch):
    asked = []

    def simulate_lots(crops, starts, frames, setups, targets, rate_factors, only_until_dry):
        asked.append((crops, starts, setups, targets, only_until_dry))
        return [daily_run(start, rates) for start, rates in zip(starts, rate_factors, strict=True)]

    warm = (20.0, 22.0, 24.0, 26.0, 99.0)  # of the first four weathers the mean is 23
    frames = tuple(pd.DataFrame({"temperature_c": [value, value]}) for value in warm)
    monkeypatch.setattr("core.drying.run.simulate_lots", simulate_lots)
    monkeypatch.setattr(room, "weather_ahead", lambda data, start, seed: SimpleNamespace(frames=frames))
    monkeypatch.setattr("core.storage.loss.dry_matter_loss", lambda crop, days, warm, moisture: days * warm * moisture)
    return asked


def test_a_lot_between_two_runs_takes_what_lies_between_them_in_the_weather_of_its_scenario(drying):
    """17 % lies half way between the runs from 16 % and from 18 % to 13 %.

    A point a day: 3 and 5 days, so 4; two points: 2 (1.5 begun) and 3 (2.5 begun), so 2.5. Scenarios 24 to 29 meet
    weathers 0 to 5, which are the quick ones. 12 of 30 need 4 days: four in five are dry after 4.
    """
    dried = room._dry(scene(), LOT, WAYS[0], 1, np.full(COUNT, 17.0), 13.0)
    np.testing.assert_allclose(dried.days, np.where(WEATHER < 12, 2.5, 4.0))
    assert dried.planned_days == 4.0
    crops, starts, setups, targets, until_dry = drying[0]
    assert starts == [13.5, 14.5, 16.0, 18.0, 21.0, 25.0, 30.0, 30.5] * 2
    assert [setup.method for setup in setups] == ["tarpaulin"] * 8 + ["crib"] * 8
    assert (crops, targets, until_dry) == (["maize"] * 16, [13.0] * 16, True)


def test_the_second_space_has_its_own_runs_and_its_own_rate(drying):
    """Four points a day: from 16 % and 18 % to 13 % it takes 1 and 2 days; never less than a day, however dry."""
    dried = room._dry(scene(), LOT, WAYS[1], 1, np.linspace(17.0, 17.0, COUNT), 13.0)
    np.testing.assert_allclose(dried.days, 1.5)
    assert dried.planned_days == 2.0
    np.testing.assert_allclose(room._dry(scene(), LOT, WAYS[1], 1, np.full(COUNT, 12.0), 13.0).days, 1.0)


def test_a_lot_at_a_run_takes_that_run_and_beyond_the_wettest_goes_on_a_little(drying):
    """The last two runs are from 30 % (17 days; 9 at two points) and 30.5 % (18; 9): 40 % goes on by one and a half of
    that step, to 18.5 (9), and no further.
    """
    at = [13.2, 13.5, 14.5, 30.0, 30.25, 30.5, 30.6, 30.75, 40.0]
    slow = [1.0, 1.0, 2.0, 17.0, 17.5, 18.0, 18.2, 18.5, 18.5]
    moistures = np.full(COUNT, 17.0)
    moistures[12 : 12 + len(at)] = at  # weathers 12 to 20: a point a day
    found = room._dry(scene(), LOT, WAYS[0], 1, moistures, 13.0).days
    np.testing.assert_allclose(found[12 : 12 + len(at)], slow)


def test_two_targets_share_runs_to_the_lower_one(drying):
    """Down to 12 % for both: the wettest run lies a further point and a half above (17 + 13 - 12 + 0.5)."""
    case = SCENE.with_changes(target_choices=(("maize", 12.0),))
    view = scene(case)
    keeping, drier = (room._dry(view, LOT, WAYS[0], 1, np.full(COUNT, 17.0), target) for target in (13.0, 12.0))
    assert len(drying) == 1
    assert drying[0][1][:8] == [12.5, 13.5, 15.0, 17.0, 20.0, 24.0, 29.0, 30.5]
    assert set(drying[0][3]) == {12.0}
    # the run from 17 % itself: 4 and 5 days at a point a day, 2 and 3 (2.5 begun) at two
    np.testing.assert_allclose(keeping.days, np.where(WEATHER < 12, 2.0, 4.0))
    np.testing.assert_allclose(drier.days, np.where(WEATHER < 12, 3.0, 5.0))


def test_what_the_grain_loses_by_hand(drying):
    """The stand-in loses days x warmth x moisture. Two weeks from the first day it could be handled: 14.01 days at 23
    degrees and 17 %; on the floor the mean of the days, 18 of 30 at 2.5 and 12 at 4 = 3.1, at 28 degrees and 15 %.
    Who needs longer loses more, in proportion.
    """
    dried = room._dry(scene(), LOT, WAYS[0], 3, np.full(COUNT, 17.0), 13.0)
    whole = 14.01 * 23 * 17 + 3.1 * 28 * 15
    np.testing.assert_allclose(dried.dry_matter_loss_pct, whole * np.where(WEATHER < 12, 2.5, 4.0) / 3.1)
    early = room._dry(scene(), replace(LOT, available_week=5), WAYS[0], 3, np.full(COUNT, 17.0), 13.0)
    np.testing.assert_allclose(early.dry_matter_loss_pct.mean(), 0.01 * 23 * 17 + 3.1 * 28 * 15)


def test_no_more_than_thirty_days_of_loss_are_counted_and_none_known_is_a_tenth(drying, monkeypatch):
    slow = replace(scene().data, rates={"tarpaulin": fixed_rate([0.3] * 24), "crib": fixed_rate([4.0] * 24)})
    view = replace(scene(), data=slow)
    # 0.3 a day: from 21 % (27 days: 8 / 0.3 begun) and 25 % (more than the run has: 60) the half way is 43.5
    dried = room._dry(view, LOT, WAYS[0], 1, np.full(COUNT, 23.0), 13.0)
    np.testing.assert_allclose(dried.days, 43.5)
    np.testing.assert_allclose(dried.dry_matter_loss_pct, 0.01 * 23 * 23 + 30 * 28 * 18)

    def unknown(*_):
        raise InputError("no relation for this crop")

    monkeypatch.setattr("core.storage.loss.dry_matter_loss", unknown)
    np.testing.assert_allclose(room._dry(view, LOT, WAYS[0], 1, np.full(COUNT, 23.0), 13.0).dry_matter_loss_pct, 0.1)


def test_a_space_is_not_booked_for_what_does_not_dry_there(drying, monkeypatch):
    """Below 54 days (nine tenths of the 60 that stand for never) grain dries; 7 of 30 that do not are too many."""
    days = np.full((2, 2, 24), 4.0)

    def booked_with(slow, value):
        days[:, :, 24 - slow :] = value
        monkeypatch.setattr(room, "_days_by_moisture", lambda *_: (np.array([16.0, 18.0]), days))
        return room._dry(scene(), LOT, WAYS[0], 1, np.full(COUNT, 17.0), 13.0).planned_days

    assert booked_with(7, 53.9) == 54.0
    assert booked_with(7, 54.0) == np.inf
    assert booked_with(6, 54.0) == np.inf
    days[:] = 4.0
    assert booked_with(6, 54.0) == 4.0


def test_days_of_a_run_count_where_the_group_lives():
    """Begun at midnight in Nairobi, 21 hours UTC: noon of the first day is day 1; what is dry when it is laid out needs
    none; exactly at the target is dry; what never gets there needs the 60 days that stand for never.
    """
    run = daily_run(15.0, [1.0, 2.0, 0.5, 0.01])
    assert room._days_to(run, 13.0).tolist() == [2.0, 1.0, 4.0, 60.0]
    assert room._days_to(run, 15.0).tolist() == [0.0] * 4
    assert room._days_to(run, 14.999).tolist() == [1.0, 1.0, 1.0, 1.0]
    # one in the morning there is still the evening before in Greenwich
    hourly = pd.date_range("2026-07-05 21:00", periods=40, freq="h", tz="UTC")
    moisture = np.full((40, 2), 20.0)
    moisture[23:, 0] = 12.0  # 23 hours after midnight: still the first day
    moisture[26:, 1] = 12.0  # two in the morning of the second
    for zone, days in (("Africa/Nairobi", [1.0, 2.0]), (None, [2.0, 2.0])):
        run = SimpleNamespace(moisture_pct=moisture, times=hourly, setup=SimpleNamespace(time_zone=zone))
        assert room._days_to(run, 13.0).tolist() == days


def test_weather_begins_with_the_week_or_today(monkeypatch):
    asked = []

    def weather_ahead(data, start, seed):
        asked.append(start)
        return SimpleNamespace(frames=())

    monkeypatch.setattr(room, "weather_ahead", weather_ahead)
    view = scene(SCENE.with_changes(days_gone=3))
    for week in (0, 2, 0):
        room._weather(view, week)
    assert asked == [view.midnight + timedelta(days=3), view.midnight + timedelta(days=14)]


STARTS = np.linspace(9.5, 17.5, COUNT)


def kept_run(moistures, rows, climates):
    """Return a run in store, (weeks, moistures, climates): each loses 1 % of dry matter a week, and insects a tenth."""
    week = np.arange(rows)[:, None, None] * np.ones((1, len(moistures), climates))
    climate = np.arange(climates) * np.ones((rows, len(moistures), 1))
    return SimpleNamespace(
        moisture_pct=np.asarray(moistures)[:, None] + 0.1 * week + 0.01 * climate,
        dry_matter_loss_pct=week,
        weight_loss_pct=100 - (100 - week) * 0.9,
        damaged_kernels_pct=2 * week + climate,
        mould_risk=0.05 * week,
        germination_pct=np.minimum(99.0 - 9.8 * week, 99.0) - (week > 0),
        spoilt=(week >= 4) & (climate >= 20),
    )


@pytest.fixture
def storing(monkeypatch):
    asked = []

    def simulate_storage(crop, moistures, method, frames, days, insects, **more):
        asked.append((crop, moistures.tolist(), method, len(frames), len(frames[0]), days, insects, more))
        return kept_run(moistures, days // 7 + 1, len(frames))

    chances = {"damaged kernels": 0.1, "live insects": 0.2, "odour": 0.3, "foreign matter": 0.4, "moisture": 0.9}
    monkeypatch.setattr("core.storage.simulate.simulate_storage", simulate_storage)
    monkeypatch.setattr("core.storage.advice.unfit_for_food", lambda run: run.spoilt)
    monkeypatch.setattr("core.storage.advice.refusal_chances", lambda run: chances)
    return asked


def climates(days=80, count=24):
    return [pd.DataFrame({"temperature_c": np.zeros(days)}) for _ in range(count)]


def test_a_lot_in_store_by_hand(storing):
    """The stand-in's moisture is a straight line in that at the start, so between two runs it is the lot's own.

    Losses: 1 % of dry matter a week, and a tenth of what is left of it to insects: 10 %. A buyer passes 0.9 x 0.8 x
    0.7 x 0.6 = 0.3024 of it; the moisture is judged elsewhere. After four weeks the last four climates are unfit.
    """
    view = scene(climates=climates(), store_offset_c=1.5)
    starts = np.clip(STARTS, 9.0, 18.0)
    kept = room._keep(view, LOT, starts, WOVEN, 2, 5)
    week = np.arange(6)[:, None]
    np.testing.assert_allclose(kept.moisture_pct, starts + 0.1 * week + 0.01 * WEATHER)
    np.testing.assert_allclose(kept.dry_matter_loss_pct, week + 0 * starts)
    np.testing.assert_allclose(kept.insect_loss_pct, np.full((6, COUNT), 10.0))
    np.testing.assert_allclose(kept.damaged_pct, 2 * week + WEATHER)
    np.testing.assert_allclose(kept.refusal_chance, np.full((6, COUNT), 1 - 0.3024))
    np.testing.assert_allclose(kept.unfit_share, np.where((week >= 4) & (WEATHER >= 20), 1.0, 0.05 * week))
    assert kept.alive_share == 1.0
    [(crop, moistures, method, many, length, days, insects, more)] = storing
    assert (crop, method, many, length, days, insects) == ("maize", "woven_bag", 24, 66, 42, None)
    assert moistures == [9.0, 11.0, 12.0, 12.5, 13.0, 13.5, 14.0, 15.0, 16.5, 18.0]
    expected = {"draw": "pests", "every": 7, "sieved_kg": 1.0, "insects_grown_days": 0, "store_offset_c": 1.5}
    assert more == expected


def test_beyond_the_runs_the_driest_and_the_wettest_stand_in(storing):
    starts = np.array([5.0, 9.0, 18.0, 25.0] + [13.0] * (COUNT - 4))
    assert scene().data.store_offset_c == 0.0  # stores are as their kind where nobody measured
    kept = room._keep(scene(climates=climates()), LOT, starts, WOVEN, 0, 2)
    np.testing.assert_allclose(kept.moisture_pct[0, :4] - 0.01 * WEATHER[:4], [9.0, 9.0, 18.0, 18.0])


def test_seed_is_followed_where_seed_is_wanted_and_shares_are_of_fresh_seed(storing):
    """98 % of fresh seed germinates; the stand-in has 99 %, which is no better than fresh, and loses a tenth a week."""
    wanted = SCENE.with_changes(reserves=(Reserve("seed", "maize", 50.0, 6, 1.0, use="seed"),))
    kept = room._keep(scene(wanted, climates()), LOT, STARTS, WOVEN, 0, 4)
    np.testing.assert_allclose(kept.alive_share, 1 - 0.1 * np.arange(5)[:, None] + 0 * STARTS)
    eaten = SCENE.with_changes(reserves=(Reserve("home", "maize", 50.0, 6, 1.0),))
    assert room._keep(scene(eaten, climates()), LOT, STARTS, WOVEN, 0, 4).alive_share == 1.0


def test_odd_weeks_take_the_climate_of_the_even_one_before_and_what_ends_early_stays_as_it_ended(storing):
    """Bagged in week 3, the run is that from week 2; a climate that ends after 4 weeks (29 days) holds from there."""
    view = scene(climates=climates())
    room._keep(view, LOT, STARTS, WOVEN, 2, 3)
    room._keep(view, LOT, STARTS, WOVEN, 3, 5)
    assert [asked[4:6] for asked in storing] == [(66, 42)]
    kept = room._keep(scene(climates=climates(29)), LOT, STARTS, WOVEN, 0, 7)
    assert storing[-1][5] == 28
    np.testing.assert_allclose(kept.dry_matter_loss_pct[:, 0], [0, 1, 2, 3, 4, 4, 4, 4])
    # at least a week is worked out, also in the last week of the plan
    room._keep(scene(climates=climates()), LOT, STARTS, WOVEN, 8, 0)
    assert storing[-1][5] == 7


def test_what_insects_ate_is_apart_from_what_the_grain_breathed(storing, monkeypatch):
    """2 % of the weight gone and 2 % breathed: nothing eaten. 3 % gone and 4 % breathed: nothing, not less."""
    losses = [(2.0, 2.0, 0.0), (3.0, 4.0, 0.0), (51.0, 2.0, 50.0), (100.0, 0.0, 100.0), (100.0, 100.0, 100.0)]
    run = kept_run([13.0], len(losses), 24)
    for week, (weight, breathed, _) in enumerate(losses):
        run.weight_loss_pct[week], run.dry_matter_loss_pct[week] = weight, breathed
    monkeypatch.setattr("core.storage.simulate.simulate_storage", lambda *_, **__: run)
    eaten = room._stored(scene(climates=climates()), "maize", (13.0,), "woven_bag", 0, None)[2]
    np.testing.assert_allclose(eaten[:, 0], [part[2] for part in losses], atol=1e-9)


@pytest.mark.parametrize(
    ("insects", "kg", "ago", "expected"),
    [
        (None, 1.0, 6, None),
        (None, 1.0, 7, (None, 1.0, 0)),  # 7 / 14 to the nearest even: none
        (None, 3.0, 20, (None, 1.0, 14)),
        (None, 1.0, 22, (None, 1.0, 28)),
        (0.0, 1.0, 22, (0.0, 1.0, 28)),
        (0.0, 2.04, 28, (0.0, 2.0, 28)),
        (0.24, 1.0, 0, (0.0, 1.0, 0)),
        (0.26, 1.0, 0, (0.5, 1.0, 0)),
        (2.7, 1.0, 6, (1.5, 1.0, 0)),
        (2.8, 1.0, 8, (4.0, 1.0, 14)),
        (17.0, 1.0, 0, (10.0, 1.0, 0)),
        (18.0, 1.0, 0, (25.0, 1.0, 0)),
        (72.0, 1.0, 0, (60.0, 1.0, 0)),  # a fifth above the last step
        (73.0, 1.0, 0, (70.0, 1.0, 0)),
        (176.0, 1.0, 0, (180.0, 1.0, 0)),
    ],
)
def test_counts_of_insects_that_share_a_run(insects, kg, ago, expected):
    assert room._sieve_of(replace(LOT, insects_per_kg=insects, sieved_kg=kg, sieved_days_ago=ago)) == expected


def test_a_standing_lot_by_hand(monkeypatch):
    """Stated for week 1 and harvested in week 3, the stand-in takes 14 days x 0.1 point, and weather k another k / 100.

    Fields lose from the first day on which they can be cut (week 2): 7 days, with the rain from day 14 on.
    """
    asked = []

    def extend_scenarios(forecast, normals, place, start, days, count, seed):
        asked.append((start, days, count, seed))
        hours = np.arange(24 * days)
        damp = 60.0 + (hours % 24)
        return [
            pd.DataFrame({"temperature_c": hours // 24 + k, "relative_humidity_pct": damp, "rain_mm": hours // 24 / 24})
            for k in range(count)
        ]

    def field_moisture(crop, moisture, warm, damp, rain):
        # day d of the whole run has warmth d + k, mean humidity 60 + 11.5 and d mm of rain
        np.testing.assert_allclose(warm[0], 7 + np.arange(24))
        np.testing.assert_allclose(damp, 71.5)
        np.testing.assert_allclose(rain[:, 0], 7 + np.arange(len(rain)))
        return moisture - 0.1 * np.arange(len(warm))[:, None] - 0.01 * np.arange(24)

    def field_loss(days, rain):
        np.testing.assert_allclose(rain[:, 3], 14 + np.arange(len(rain)))
        return days / 100 + np.arange(24) / 1000

    monkeypatch.setattr("core.weather.scenarios.extend_scenarios", extend_scenarios)
    monkeypatch.setattr("core.drying.field.field_moisture", field_moisture)
    monkeypatch.setattr("core.drying.field.field_loss", field_loss)
    lot = replace(LOT, standing=True, available_week=2, latest_week=5, moisture_week=1)
    sooner, harvested = replace(lot, id="b", latest_week=3), replace(LOT, id="c", available_week=7)
    case = SCENE.with_changes(lots=(sooner, lot, harvested))
    view = scene(case)
    starts = np.linspace(20.0, 26.0, COUNT)
    stood = room._stand(view, lot, 3, starts)
    np.testing.assert_allclose(stood.moisture_pct, starts - 1.4 - 0.01 * WEATHER, atol=1e-4)
    np.testing.assert_allclose(stood.lost, 0.07 + WEATHER / 1000)
    first = room._stand(view, lot, 2, starts)
    np.testing.assert_allclose(first.lost, WEATHER / 1000)
    np.testing.assert_allclose(first.moisture_pct, starts - 0.7 - 0.01 * WEATHER, atol=1e-4)
    # to the last day of the last week of harvest, once for all: the day of harvest itself is there
    assert asked == [(view.midnight, 7 * 5 + 1, 24, 1)]


def test_prices_without_a_season_walk_about_todays():
    """No history: the log change of a week has the case's deviation, and weeks add up; nothing moves the first."""
    quiet = CropPrice("maize", 0.4, weekly_sd=0.0)
    wild = CropPrice("sorghum", 2.0, weekly_sd=0.05)
    case = SCENE.with_changes(prices=(quiet, wild), scenarios=4000)
    found = room.group_prices(case, 3)
    assert {crop: rows.shape for crop, rows in found.items()} == {"maize": (9, 4000), "sorghum": (9, 4000)}
    np.testing.assert_allclose(found["maize"], 0.4)
    np.testing.assert_allclose(found["sorghum"][0], 2.0)
    logs = np.log(found["sorghum"] / 2.0)
    # a standard deviation of 4000 draws is known to 1.1 % (1 / sqrt(2 x 4000)): 5 % is more than four of those
    np.testing.assert_allclose(logs[1:].std(axis=1), 0.05 * np.sqrt(np.arange(1, 9)), rtol=0.05)
    steps = np.diff(logs, axis=0)
    assert np.abs(np.corrcoef(steps) - np.eye(8)).max() < 0.07


def test_a_season_is_looked_for_from_two_years_of_prices_on(monkeypatch):
    asked = []

    class Curve:
        def sample_weekly_paths(self, weeks, count, seed, price_now):
            return np.arange(count)[:, None] + price_now * np.arange(weeks + 1)

    def fitted(*given):
        asked.append(given)
        return Curve()

    monkeypatch.setattr(room, "_fitted", fitted)
    months = tuple((str(month), 1.0) for month in pd.period_range("2022-01", periods=24, freq="M"))
    short, long = (CropPrice("maize", 3.0, history=months[:count], price_rise_monthly=0.02) for count in (23, 24))
    assert room.season_of(short) is None
    assert not asked
    found = room.group_prices(SCENE.with_changes(prices=(long,)), 1)["maize"]
    assert asked == [(months, (), 0.02)]
    np.testing.assert_allclose(found, np.arange(COUNT) + 3.0 * np.arange(9)[:, None])  # weeks first


def test_how_a_group_dries_on_a_space():
    data = scene(grain_limits_c={"maize": 45.0, "seed": 40.0}).data
    seed = replace(LOT, use="seed")
    limits = [
        room.setup_of(WAYS[0], SCENE, data, room.kept_cool_as(lot)).grain_temperature_limit_c for lot in (LOT, seed)
    ]
    assert limits == [45.0, 40.0]
    open_air = room.setup_of(WAYS[1], SCENE, data, "maize")  # a crib is open to the air: nothing to cover
    assert open_air.grain_temperature_limit_c is None
    assert (room.setup_of(WAYS[0], SCENE, data, "maize").area_m2, open_air.area_m2) == (25.0, 1.0)
    small = replace(WAYS[0], area_m2=1.05, load_kg_m2=12.0)
    made = room.setup_of(small, SCENE, data, "maize")
    assert (made.area_m2, made.load_kg_m2) == (1.05, 12.0)
    assert made.altitude_m == SCENE.climate.altitude_m
    assert made.cover_in_rain


def test_what_a_groups_seasons_are_made_of(monkeypatch):
    """Stored grain meets two weeks and a day more than the plan looks at, in 24 climates of the kind that is given."""
    asked = []

    def climate_scenarios(*given):
        asked.append(given)
        return climates()

    monkeypatch.setattr("core.weather.scenarios.climate_scenarios", climate_scenarios)
    monkeypatch.setattr("core.storage.simulate.draw_pests", lambda *given: asked.append(given))
    for climate, meets in ((None, "normals"), ("past years", "past years")):
        data = room.Surroundings(None, "normals", "place", borer_present=True, climate=climate)
        made = room.group_seasons(SCENE, 5, data)
        assert asked == [(meets, SCENE.start, 71, 24, 5, "place"), (24, 5, True)]
        asked.clear()
    assert set(made.prices) == {price.commodity for price in SCENE.prices}
    assert made.offer_draw.shape == (len(SCENE.buyers), COUNT)


def test_a_group_without_measured_runs_has_the_usual_rate_of_its_way_of_drying():
    data = room.Surroundings(None, None, None)
    belief = data.rate_of("tarpaulin")
    logs = np.log(belief.sample(20_000, 1))
    assert logs.std() == pytest.approx(float(drying_method("tarpaulin")["rate_sd"]), rel=0.03)
