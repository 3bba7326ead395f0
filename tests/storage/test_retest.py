"""Re-test dates, the meter's round, and what a re-test changes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError
from core.group.records import Event
from core.group.sieves import last_sieves
from core.planning.store_outlook import StoredLot, corrected_by_tests
from core.storage.insects import chance_seen
from core.storage.results import StorageRun
from core.storage.retest import (
    DueTest,
    Retest,
    RetestCosts,
    bags_that_stand_out,
    high_bag,
    next_test,
    resampled,
    schedule_tests,
    update_forecast,
)
from core.storage.simulate import draw_pests, simulate_storage

START = date(2026, 5, 20)


def climates(count: int = 30, days: int = 200, humidity: float = 75.0) -> list[pd.DataFrame]:
    rng = np.random.default_rng(1)
    return [
        pd.DataFrame(
            {
                "temperature_c": 26 + rng.normal(0, 0.5) + rng.normal(0, 1, days),
                "relative_humidity_pct": np.clip(humidity + rng.normal(0, 4) + rng.normal(0, 4, days), 5, 98),
            }
        )
        for _ in range(count)
    ]


def test_wet_lots_are_tested_sooner() -> None:
    days = [
        next_test(simulate_storage("maize", moisture, "woven_bag", climates(), 120)).days for moisture in (12, 14, 17)
    ]
    assert days[0] >= days[1] >= days[2]
    assert days[2] <= 7 < days[0]


def test_interval_against_a_closed_form() -> None:
    # If trouble is there from day 0, cost rate = (c + d v) / d falls with d, so that only the longest interval wins;
    # with trouble at a fixed day e the best interval is e (hand calculation: before e the rate c/d falls, after it
    # d/dd [(c + (d - e) v)/d] = (e v - c)/d^2 > 0 when e v > c).
    run = simulate_storage("maize", 12, "hermetic_bag", climates(4, 200), 120)
    fixed = run.mould_risk * 0
    fixed[20:] = 1
    at_twenty = type(run)(**{**vars(run), "mould_risk": fixed})
    found = next_test(at_twenty, costs=RetestCosts(test_cost=1, lot_value=300, daily_loss_share=0.005))
    assert found.days == 20
    assert found.cause == "mould"


def test_schedule_meets_every_date_that_can_be_met() -> None:
    due = [DueTest(n, START + timedelta(days=5 + n % 3), 10, "store") for n in range(12)]
    visits = schedule_tests(due, START, bags_per_day=40)
    when = {lot: visit.on for visit in visits for lot in visit.lots}
    assert sorted(when) == list(range(12))
    assert all(START <= when[item.lot_id] <= item.due for item in due)
    assert all(visit.bags <= 40 and not visit.late for visit in visits)
    assert len(visits) <= 4


def test_schedule_says_what_is_late() -> None:
    visits = schedule_tests([DueTest(n, START, 10) for n in range(3)], START, bags_per_day=10)
    assert [visit.on for visit in visits] == [START + timedelta(days=n) for n in range(3)]
    assert sum(len(visit.late) for visit in visits) == 2
    with pytest.raises(InputError):
        schedule_tests([], START, bags_per_day=0)


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(1, 12)), min_size=1, max_size=20))
def test_schedule_loses_nobody(rows: list[tuple[int, int]]) -> None:
    due = [DueTest(n, START + timedelta(days=day), bags) for n, (day, bags) in enumerate(rows)]
    visits = schedule_tests(due, START, bags_per_day=20)
    assert sorted(lot for visit in visits for lot in visit.lots) == list(range(len(rows)))
    assert all(visit.bags <= 20 for visit in visits)


def test_retest_moves_the_forecast_towards_what_was_found() -> None:
    run = simulate_storage("maize", 12.5, "woven_bag", climates(60), 120)
    before = float(run.moisture_pct[40].mean())
    after = update_forecast(run, [Retest(40, before + 1.0, 0.3)])
    assert 0.2 < after.moisture_shift < 1.0
    assert after.weights.sum() == pytest.approx(1)
    assert float(after.weights @ run.moisture_pct[40]) > before
    nothing = update_forecast(run, [])
    assert nothing.effective_scenarios == pytest.approx(60)


def test_no_insects_seen_lowers_the_loss_expected() -> None:
    run = simulate_storage("maize", 12.5, "woven_bag", climates(60), 180)
    final = run.weight_loss_pct[-1]
    clean = update_forecast(run, [Retest(60, insects_seen=False)]).weights @ final
    infested = update_forecast(run, [Retest(60, insects_seen=True)]).weights @ final
    assert clean < final.mean() < infested


def test_high_bag() -> None:
    assert high_bag(13.0, [12.8, 12.5, 13.1], 13.5) is None
    assert "take it out" in str(high_bag(16.5, [12.8, 12.5, 13.1], 13.5))
    assert "leak" in str(high_bag(13.4, [10.8, 10.5, 10.9, 10.7], 13.5))


def test_bags_that_stand_out() -> None:
    found = bags_that_stand_out({"1": 12.5, "2": 12.9, "3": 12.7, "4": 16.0}, 13.5)
    assert [bag for bag, _words in found] == ["4"]


def test_resampling_keeps_equal_weights_and_follows_unequal_ones() -> None:
    draw = draw_pests(50, 3)
    assert (resampled(draw, np.ones(50)).pressure == draw.pressure).all()
    heavy = np.where(draw.pressure > np.median(draw.pressure), 1.0, 1e-9)
    assert resampled(draw, heavy).pressure.mean() > draw.pressure.mean()


def test_a_lot_is_corrected_by_what_was_found() -> None:
    bagged = StoredLot(1, "A", "maize", 12.5, 0.4)
    damp = corrected_by_tests(bagged, "woven_bag", climates(40), [Retest(60, 15.0, 0.3)])
    fits = corrected_by_tests(bagged, "woven_bag", climates(40), [Retest(60, damp.expected_pct, 0.3)])
    assert fits.lot.moisture_pct == pytest.approx(damp.expected_pct, abs=0.1)
    # between what was expected and what was read, nearer to the reading than to the forecast
    middle = (damp.expected_pct + 15.0) / 2
    assert middle < damp.lot.moisture_pct < 15.2
    clean = corrected_by_tests(bagged, "woven_bag", climates(40), [Retest(60, insects_seen=False, sieved_kg=3)])
    assert clean.draw.pressure.mean() < draw_pests(40, 0).pressure.mean()


def test_last_sieve_counts_and_a_reversed_one_does_not() -> None:
    at = datetime(2026, 5, 20, tzinfo=UTC)
    entries = [
        Event(
            id=1,
            book="diary",
            kind="sieve",
            on=START,
            who="",
            payload={"lot_id": 4, "insects_per_kg": 2.0, "sieved_kg": 1.0},
            recorded_at=at,
        ),
        Event(
            id=2,
            book="diary",
            kind="sieve",
            on=START + timedelta(days=9),
            who="",
            payload={"lot_id": 4, "insects_per_kg": 9.0, "sieved_kg": 1.0},
            recorded_at=at,
        ),
        Event(
            id=3,
            book="diary",
            kind="sieve",
            on=START + timedelta(days=9),
            who="",
            payload={},
            recorded_at=at,
            reverses=2,
        ),
    ]
    assert last_sieves(entries[:2])[4].insects_per_kg == 9
    assert last_sieves(entries)[4].insects_per_kg == 2


def test_a_test_that_cannot_be_weather_stands_alone() -> None:
    bagged = StoredLot(1, "A", "maize", 18.5, 0.4)
    found = corrected_by_tests(bagged, "hermetic_bag", climates(20), [Retest(30, 12.8, 0.3)])
    assert not found.fits
    assert found.lot.moisture_pct == 12.8


def test_a_bag_stands_out_at_two_and_a_half_standard_errors_of_prediction() -> None:
    """Others 12.5, 12.8, 13.1: 12.8 + 2.5 x 0.75 x sqrt(1 + 1/3) = 14.97; two others vary as usual whatever they say.

    Four others at 11, 12, 14, 15 have a spread of their own: 13 + 2.5 x 1.826 x sqrt(1.25) = 18.10.
    """
    for others, edge in (([12.5, 12.8, 13.1], 14.965), ([10.0, 15.0], 14.796), ([11, 12, 14, 15.0], 18.103)):
        assert high_bag(edge - 0.01, others, 13.5) is None
        assert high_bag(edge + 0.01, others, 13.5) is not None
    assert high_bag(20.0, [], 13.5) is None
    assert "still within" in str(high_bag(13.5, [10.0, 10.1, 10.2], 13.5))
    assert "take it out" in str(high_bag(13.6, [10.0, 10.1, 10.2], 13.5))


def _forecast(moisture: list[float], insects: list[float]) -> StorageRun:
    run = simulate_storage("maize", 12, "woven_bag", climates(len(moisture), 30), 20)
    rows = np.ones((len(run.day), 1))
    return replace(run, moisture_pct=rows * moisture, insects_per_kg=rows * insects)


def test_bayes_on_three_seasons_by_hand() -> None:
    """A reading of 14 with error 0.4 among seasons of 12, 13 and 14: spread sqrt(0.4² + 0.5²), gain 0.25 / 0.41.

    A second reading is held against what the first one shifted; a clean sieve tells as its chance says.
    """
    run = _forecast([12.0, 13.0, 14.0], [0.0, 8.0, 80.0])
    first = update_forecast(run, [Retest(5, 14.0, 0.4)])
    likely = np.exp(-0.5 * np.array([2.0, 1.0, 0.0]) ** 2 / 0.41)
    likely /= likely.sum()
    assert first.weights == pytest.approx(likely)
    shift = 0.25 / 0.41 * float(likely @ [2.0, 1.0, 0.0])
    assert first.moisture_shift == pytest.approx(shift)
    assert first.effective_scenarios == pytest.approx(1 / (likely**2).sum())

    both = update_forecast(run, [Retest(9, 13.5, 0.3), Retest(5, 14.0, 0.4)])
    away = np.array([1.5, 0.5, -0.5]) - shift
    after = likely * np.exp(-0.5 * away**2 / 0.34)
    after /= after.sum()
    assert both.weights == pytest.approx(after)
    assert both.moisture_shift == pytest.approx(shift + 0.25 / 0.34 * float(after @ away))

    seen = np.clip(chance_seen(np.array([0.0, 8.0, 80.0]), 2.0), 0.01, 0.99)
    for found, chances in ((True, seen), (False, 1 - seen)):
        sieved = update_forecast(run, [Retest(20, insects_seen=found, sieved_kg=2.0)])
        assert sieved.weights == pytest.approx(chances / chances.sum())
        assert sieved.moisture_shift == 0.0
    for day in (-1, 21):
        with pytest.raises(InputError):
            update_forecast(run, [Retest(day, 13.0)])


def test_likely_seasons_are_repeated_by_their_weights() -> None:
    """Systematic: weights 0.1, 0.2, 0.7 at the points 1/6, 3/6, 5/6 give the second once and the third twice."""
    draw = replace(draw_pests(3, 1), pressure=np.array([1.0, 2.0, 3.0]), borer=np.array([True, False, True]))
    found = resampled(draw, [1.0, 2.0, 7.0])
    assert found.pressure.tolist() == [2.0, 3.0, 3.0]
    assert found.borer.tolist() == [False, True, True]


def test_a_round_gathers_what_falls_due_within_its_days_and_fills_the_days_before() -> None:
    """By hand: 10 bags a day. Lots due on days 4 and 10 share a visit on day 4: six days are gathered, not seven."""

    def lot(number: int, day: int, bags: int = 4, place: str = "") -> DueTest:
        return DueTest(number, START + timedelta(days=day), bags, place)

    found = schedule_tests([lot(1, 4), lot(2, 10)], START, 10)
    assert [(visit.on, visit.lots, visit.bags) for visit in found] == [(START + timedelta(days=4), (1, 2), 8)]
    apart = schedule_tests([lot(1, 4), lot(2, 11)], START, 10)
    assert [visit.on for visit in apart] == [START + timedelta(days=day) for day in (4, 11)]
    # a full day moves the next to the day before; from the first day on there is nothing before
    full = schedule_tests([lot(1, 1, 10), lot(2, 1, 10), lot(3, 1, 10)], START, 10)
    assert [(visit.on, visit.late) for visit in full] == [
        (START, ()),
        (START + timedelta(days=1), ()),
        (START + timedelta(days=2), (3,)),
    ]
    # what was due before the first day is late; those of one place stand together; big lots take one whole day
    overdue = schedule_tests([lot(1, -2, 4, "b"), lot(2, 0, 3, "a"), lot(3, 0, 3, "b")], START, 10)
    assert (overdue[0].lots, overdue[0].late) == ((2, 1, 3), (1,))
    assert [visit.bags for visit in schedule_tests([lot(1, 3, 25)], START, 10)] == [25]
