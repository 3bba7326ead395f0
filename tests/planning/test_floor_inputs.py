"""From weather and wet lots to the schedule's numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from core.drying.run import simulate_drying
from core.drying.setups import DryingSetup
from core.errors import InputError
from core.planning.floor import FloorSpace, plan_floor
from core.planning.floor_inputs import DryingPlace, FloorTerms, WetLot, floor_problem, value_lost_wet
from core.storage.loss import dry_matter_loss

ZONE = "Africa/Lusaka"


def weather(days: int, rainy: tuple[int, ...] = (), start: str = "2026-05-02 00:00") -> pd.DataFrame:
    """Return invented hours of a dry highland month (UTC, hour ends), with overcast wet days where told."""
    begin = pd.Timestamp(start, tz=ZONE).tz_convert("UTC")
    index = pd.date_range(begin + pd.Timedelta(hours=1), periods=24 * days, freq="h")
    local = index.tz_convert(ZONE)
    hour = (local.hour + local.minute / 60 - 0.5) % 24
    day = (local - pd.Timedelta(minutes=30)).normalize()
    wet = np.isin((day - day[0]).days, rainy)
    sun = np.clip(np.sin((hour - 6) / 12 * np.pi), 0, None)
    return pd.DataFrame(
        {
            "temperature_c": np.where(wet, 19.0, 18 + 9 * sun),
            "relative_humidity_pct": np.where(wet, 95.0, 80 - 40 * sun),
            "wind_m_s": 2.0,
            "rain_mm": np.where(wet, 1.0, 0.0),
            "shortwave_w_m2": np.where(wet, 60, 900) * sun,
        },
        index=index,
    )


def place(name: str = "sheet", method: str = "tarpaulin", area: float = 30.0) -> DryingPlace:
    return DryingPlace(FloorSpace(name, area, 15.0), DryingSetup(method, time_zone=ZONE))


def lot(name: str = "lot", moisture: float = 20.0, bags: int = 5) -> WetLot:
    return WetLot(name, "maize", bags, 60.0, moisture, 13.0, 0.3)


def test_days_are_those_of_the_drying_model_from_each_day():
    scenarios = [weather(16), weather(16, rainy=(0, 1))]
    problem = floor_problem([lot()], [place()], scenarios, 5, ZONE)
    table = problem.lots[0].drying_days["sheet"]
    assert table.shape == (5, 2)
    setup = DryingSetup("tarpaulin", load_kg_m2=15.0, time_zone=ZONE)
    for day in range(5):
        start = pd.Timestamp("2026-05-02", tz=ZONE) + pd.Timedelta(days=day)
        later = [frame[frame.index > start] for frame in scenarios]
        run = simulate_drying("maize", 20.0, later, setup, 13.0)
        np.testing.assert_array_equal(table[day], np.maximum(run.days_to_target, 1))
    assert table[0, 1] > table[0, 0]


def test_a_wetter_lot_loses_more_by_waiting_and_goes_first():
    problem = floor_problem([lot("dryish", 15.5), lot("wet", 22.0)], [place(area=20.0)], [weather(16)], 6, ZONE)
    dryish, wet = problem.lots
    assert wet.waiting_cost[3] > 3 * dryish.waiting_cost[3]
    found = plan_floor(problem)
    # The sheet holds five bags of 60 kg, so one lot has to wait.
    assert [batch.lot for batch in found.batches if batch.start_day == 0] == ["wet"]


def test_value_lost_is_never_less_than_dry_matter_loss_says():
    # 18 % at 30 °C: published relation, 0.3 of the value at 0.5 % dry-matter loss; mould only adds to it.
    warmth = np.full((10, 1), 30.0)
    share = value_lost_wet("maize", warmth, 18.0, 0.3)[:, 0]
    graded = 0.3 * dry_matter_loss("maize", np.arange(11), 30.0, 18.0) / 0.5
    assert np.all(share >= graded - 1e-9)
    assert np.all(np.diff(share) >= 0)
    assert share[0] == 0
    assert share[-1] <= 1
    dry = value_lost_wet("maize", warmth, 12.0, 0.3)[-1, 0]
    assert dry < 0.02


def test_labour_counts_as_money_and_as_a_limit():
    free = floor_problem([lot()], [place()], [weather(14)], 4, ZONE, FloorTerms(wage_per_hour=0.0))
    paid = floor_problem([lot()], [place()], [weather(14)], 4, ZONE, FloorTerms(wage_per_hour=1.0, labour_hours=2.0))
    assert paid.spaces[0].cost_per_bag == pytest.approx(0.4)  # 2 x 0.2 h
    assert plan_floor(paid).parts["spaces"] > 0
    assert plan_floor(free).parts["spaces"] == 0
    assert np.all(plan_floor(paid).hours <= 2.0 + 1e-9)


def test_own_rates_are_used():
    slow = DryingPlace(FloorSpace("slow", 30, 15), DryingSetup("tarpaulin", time_zone=ZONE), np.array([0.3]))
    problem = floor_problem([lot()], [place(), slow], [weather(16)], 4, ZONE)
    days = problem.lots[0].drying_days
    assert days["slow"][0, 0] > days["sheet"][0, 0]


def test_weather_shorter_than_the_plan_is_refused():
    with pytest.raises(InputError, match="weather ends"):
        floor_problem([lot()], [place()], [weather(3)], 5, ZONE)


def test_least_chance_to_be_dry_is_kept():
    scenarios = [weather(16), weather(16), weather(16, rainy=(0, 1, 2, 3)), weather(16)]
    problem = floor_problem([lot()], [place()], scenarios, 6, ZONE, FloorTerms(least_chance_dry=1.0))
    assert all(batch.chance_dry == 1 for batch in plan_floor(problem).batches)
