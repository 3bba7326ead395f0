"""Edges of the store: its table of rates, its days, its rows and notes, and the borders of what is taken."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.errors import InputError, OutOfRangeError
from core.grain.commodities import get_commodity
from core.grain.sorption import equilibrium_moisture, isotherm_parameters, moisture_dry_basis
from core.storage import simulate
from core.storage.advice import BuyerTerms
from core.storage.comparison import safe_moistures
from core.storage.day import PlaceAir, place_air, run_place, tabulated
from core.storage.keeping import DRY, UNSURE, WET, check_lot, keeping_table
from core.storage.loss import (
    ageing_rate,
    check_grain,
    dry_matter_loss,
    maize_moisture_multiplier,
    moisture_at_equal_humidity,
    safe_storage_days,
)
from core.storage.methods import Position, get_method, method_codes, method_table, places
from core.storage.mould import mould_dose_rate
from core.storage.results import StorageRun
from core.storage.retest import RetestCosts, next_test
from core.storage.scenarios import PestDraw, climate_arrays
from core.storage.simulate import simulate_storage

MAIZE = get_commodity("maize")


def steady(celsius: float, humidity: float, days: int) -> pd.DataFrame:
    return pd.DataFrame({"temperature_c": [celsius] * days, "relative_humidity_pct": [humidity] * days})


def test_a_table_of_rates_gives_the_middle_of_the_nearest_cell():
    """Cells are a quarter of a degree and a twentieth of a point, from -5 to 50 °C and from 2 to 40 % dry basis."""
    read = tabulated(lambda t, m: np.stack([t + 0 * m, m + 0 * t, np.where(t + m > 80, np.nan, 7.0 + 0 * t * m)], -1))
    for given, found in (
        ((10.12, 12.024), (10.0, 12.0, 7.0)),
        ((10.13, 12.026), (10.25, 12.05, 7.0)),
        ((-9.0, 1.0), (-5.0, 2.0, 7.0)),
        ((70.0, 55.0), (50.0, 40.0, 0.0)),
        ((49.9, 30.0), (50.0, 30.0, 7.0)),
    ):
        assert read(*map(np.asarray, given)).tolist() == pytest.approx(list(found))


def test_a_place_is_stepped_through_its_days():
    """Seven days in rows of three: the seventh is left out; water of respiration comes in with each row."""
    temperature, rest = np.array([20.0, 22, 24, 26, 28, 30, 32])[:, None], np.array([14.0, 15, 16, 17, 18, 19, 20])
    air = PlaceAir(temperature, rest[:, None], 0.2)
    place = Position("wet side", 0.5, 0.1, condensation_points_per_month=3.0)
    factor = np.linspace(0.9, 0.3, 7)[:, None]

    def rates(celsius, moisture):
        daily = [celsius * moisture / 400 + 0 * moisture, moisture / 9]
        return np.stack([*daily, *[moisture * 0 + k for k in (2.0, 3.0, 4.0, 5.0)], moisture / 5], axis=-1)

    def loss_of(age):
        return age * 0.5

    def eaten_of(sums):
        return np.stack([sums[..., 6] * 0.7])

    start = np.array([[11.0], [24.0]])
    found = run_place(air, place, rates, factor, start, 3, loss_of, eaten_of, 0.4)
    for lot in range(2):
        moisture, sums, lost = float(start[lot, 0]), np.zeros(7), 0.0
        for day in range(6):
            moisture += (rest[day] - moisture) * 0.2 + 3.0 / 30
            today = rates(temperature[day, 0], np.asarray(moisture))
            today[6] *= factor[day, 0]
            sums += today
            if day in (2, 5):
                row = (day + 1) // 3
                gone, ate = sums[0] * 0.5, sums[6] * 0.7
                now = gone + 0.4 * 60 * (1 - math.exp(-ate / 60))
                moisture = min(moisture + 0.6 * (now - lost), 40.0)
                lost = now
                assert [part[row, lot, 0] for part in found[:2]] == pytest.approx([moisture, gone])
                assert found[2][row, 0, lot, 0] == pytest.approx(ate)
                assert found[3][row, :, lot, 0] == pytest.approx(sums)
    assert [len(part) for part in found] == [3] * 4
    assert found[0][0].tolist() == start.tolist()
    # rotten grain drips: no wetter than 40 % dry basis
    drowned = run_place(air, place, rates, factor, start + 30, 3, lambda age: age * 9, eaten_of, 0.4)
    assert drowned[0][2].tolist() == [[40.0], [40.0]]


def test_grain_follows_its_air_slowly_in_vessels_from_300_kg_on():
    for capacity, lag in ((299.0, 3), (300.0, 10)):
        how = replace(get_method("woven_bag"), unit_capacity_kg=capacity, roof_offset_c=0.0)
        air = place_air(MAIZE, how, Position("x", 1.0, 0.1), np.array([[20.0], [30.0]]), np.full((2, 1), 60.0))
        assert air.grain_temperature_c[1, 0] == pytest.approx(30 - 10 * math.exp(-1 / lag))


def test_insects_grew_before_today_at_the_rates_of_the_first_two_weeks():
    """Weather that differs from the fifteenth day on only changes nothing of what is there today; from the last of
    the fourteen on it does. What was counted today has not grown before.
    """
    cool, late, early = steady(22, 70, 20), steady(22, 70, 20), steady(22, 70, 20)
    late.loc[14:, "temperature_c"] = 30.0
    early.loc[13:, "temperature_c"] = 30.0

    def at_start(climate, **more):
        return float(simulate_storage("maize", 13, "crib", climate, 20, stored_days=30, **more).insects_per_kg[0])

    assert at_start(cool) == at_start(late) < at_start(early)
    assert at_start(cool, insects_per_kg=3.0) == at_start(early, insects_per_kg=3.0)


def test_moistures_are_of_lots_or_of_lots_by_scenario():
    climate = [steady(25, 70, 3), steady(26, 75, 3)]
    found = simulate_storage("maize", [[12.0, 13.0], [14.0, 15.0], [16.0, 17.0]], "crib", climate, 2)
    assert found.moisture_pct[0] == pytest.approx(np.array([[12, 13], [14, 15], [16, 17]]))
    for wrong in ([[12.0, 13.0, 14.0]], [[[12.0, 13.0]]]):
        with pytest.raises(InputError):
            simulate_storage("maize", wrong, "crib", climate, 2)


def test_large_runs_read_a_table_in_single_precision(monkeypatch):
    """Lots x scenarios x days x places: 3 x 2 x 2 x 1 are twelve cells."""
    assert len(get_method("crib").positions) == 1
    climate = [steady(25, 70, 3), steady(26, 75, 3)]
    for most, kind in ((12, np.float64), (11, np.float32)):
        monkeypatch.setattr(simulate, "EXACT_UP_TO", most)
        assert simulate_storage("maize", [12, 13, 14], "crib", climate, 2).moisture_pct.dtype == kind


def test_bags_leak_by_how_often_borers_are_about():
    """2 in 100 without, 10 with: one of four scenarios has them, 2 + 8 / 4."""
    how = replace(get_method("hermetic_bag"), leak_share=0.02, leak_share_borer=0.10)
    draw = PestDraw(np.ones(4), np.array([True, False, False, False]))
    assert simulate._leaking_share(how, draw) == pytest.approx(0.04)
    named = [pest.key for pest in simulate._pests_about(MAIZE, draw)]
    assert named == [*MAIZE.pests, *MAIZE.pests_where_present]
    assert [pest.key for pest in simulate._pests_about(MAIZE, replace(draw, borer=draw.borer & False))] == list(
        MAIZE.pests
    )
    leaking = places(get_method("hermetic_bag"), 0.1)[-1]
    assert (leaking.share, leaking.half_thickness_m, leaking.open_to_insects) == (0.1, 0.2, True)
    assert not places(get_method("hermetic_bag"), 0.1)[0].open_to_insects


@pytest.mark.parametrize(
    ("crop", "method", "moisture", "borer", "words"),
    [
        ("maize", "woven_bag", 12.0, True, []),
        ("maize", "woven_bag", 12.0, None, ["It is not known"]),
        ("sorghum", "woven_bag", 12.0, None, ["dry-matter-loss relation"]),
        ("maize", "hermetic_bag", 13.1, False, ["Too wet to seal"]),
        ("maize", "hermetic_bag", [12.0, 13.1], False, ["Too wet to seal"]),
        ("maize", "hermetic_bag", 13.0, False, []),
        ("maize", "woven_bag_protectant", 12.0, False, ["treated grain"]),
    ],
)
def test_what_is_said_beside_a_run(crop, method, moisture, borer, words):
    notes = simulate_storage(crop, moisture, method, steady(25, 60, 2), 2, borer_present=borer).notes
    assert len(notes) == len(words)
    for note, word in zip(notes, words, strict=True):
        assert word in str(note)


def test_a_climate_at_its_edges():
    for celsius, humidity in ((54.9, 100.0), (-39.9, 0.0)):
        assert climate_arrays(steady(celsius, humidity, 3), 3)[0].tolist() == [[celsius]] * 3
    fine = steady(20, 60, 3)
    for column, value in (
        ("temperature_c", 55.0),
        ("temperature_c", -40.0),
        ("relative_humidity_pct", 100.1),
        ("relative_humidity_pct", -0.1),
    ):
        bad = fine.astype(float)
        bad.loc[1, column] = value
        for given in (bad, [fine, bad]):
            with pytest.raises(InputError):
                climate_arrays(given, 3)
    for given in (fine.iloc[::-1], fine.iloc[:2], [fine, fine.drop(columns="temperature_c")], [fine, 7], None):
        with pytest.raises(InputError):
            climate_arrays(given, 3)
    assert climate_arrays([fine, steady(25, 70, 5)], 2)[1].tolist() == [[60, 70]] * 2


def test_what_the_table_of_methods_does_not_name_is_not_there():
    optional = (
        "treatment_cost_usd", "waiting_days", "sealed_oxygen_days", "leak_share", "leak_share_borer",
        "protectant_share_stopped", "protectant_share_stopped_borer", "protectant_full_days", "unshelled",
    )  # fmt: skip
    for code in method_codes():
        how, row = get_method(code), method_table()[code]
        assert {name: getattr(how, name) for name in optional} == {name: row.get(name, 0) for name in optional}
        assert how.cost_per_month_unit_kg == row.get("cost_per_month_unit_kg", row["unit_capacity_kg"])
        assert {place.open_to_insects for place in how.positions} == {not row["sealed"]}
        assert how.treated == ("waiting_days" in row)


def test_one_impossible_value_among_good_ones_is_refused_and_grain_is_hand_shelled_unless_said():
    for temperature, moisture, damaged, error in (
        ([20.0, 70.0], 14.0, 5.0, OutOfRangeError),
        (20.0, [14.0, 0.0], 5.0, InputError),
        (20.0, 14.0, [5.0, -1.0], InputError),
    ):
        with pytest.raises(error):
            check_grain(temperature, moisture, damaged)
    with pytest.raises(InputError):
        dry_matter_loss("maize", [5.0, -1.0], 25, 15)
    with pytest.raises(InputError):
        safe_storage_days("maize", 25, 15, [0.5, 51.0])
    # 3-10 % of hand-shelled kernels are damaged: 5 stands in; half a per cent is the published tables' loss
    assert ageing_rate("maize", 25, 15) == ageing_rate("maize", 25, 15, 5.0)
    assert dry_matter_loss("maize", 9, 25, 15) == dry_matter_loss("maize", 9, 25, 15, 5.0)
    assert safe_storage_days("maize", 25, 15) == safe_storage_days("maize", 25, 15, 0.5, 5.0)
    # below 3 % dry basis (2.9126 % wet) nothing ages faster or more slowly
    assert maize_moisture_multiplier([0.5, 2.0]) == pytest.approx(float(maize_moisture_multiplier(300 / 103)))


def test_the_law_of_paddy_by_hand():
    """Seib et al. (1980): A exp(D (F - 60)) exp(E (M - 0.14)) per thousand hours, to the power 1 / C a day's age."""
    rate = 0.001889 * math.exp(0.02740 * (1.8 * 22 + 32 - 60)) * math.exp(31.63 * (0.17 - 0.14))
    assert ageing_rate("paddy", 22.0, 17.0) == pytest.approx(rate ** (1 / 0.7101) * 0.024)
    age = float(ageing_rate("paddy", 22.0, 17.0)) * 40
    assert dry_matter_loss("paddy", 40, 22.0, 17.0) == pytest.approx(100 * (1 - math.exp(-(age**0.7101))))


def test_grain_is_read_as_another_between_half_a_per_cent_and_99_of_humidity():
    celsius = np.asarray(25.0)
    for wet, fraction in ((45.0, 0.99), (0.05, 0.005)):
        dry = float(moisture_dry_basis(isotherm_parameters("wheat"), celsius, np.asarray(fraction)))
        found = moisture_at_equal_humidity("maize", "wheat", celsius, np.asarray(wet))
        assert float(found) == pytest.approx(100 * dry / (100 + dry))


@pytest.mark.parametrize(("activity", "days"), [(0.72, 130), (0.85, 10), (0.90, 5), (0.95, 3), (1.0, 2)])
def test_days_to_visible_mould_at_its_best_temperature(activity, days):
    """From memory of Snow, Crichton and Wright (1944) and Ayerst (1969): months at 0.72, three days near saturation."""
    assert 1 / float(mould_dose_rate(np.linspace(25, 40, 301), activity).max()) == pytest.approx(days, rel=1e-3)


# -- keeping --------------------------------------------------------------------------------------------------------


def test_a_verdict_turns_at_the_guard_and_flags_at_their_bounds():
    """1.645 x 2 % on each side of 65 %: 61.71 is dry enough, 68.29 not surely too wet; a cooler store warms nothing."""
    for humidity, decision in ((61.71, DRY), (61.72, UNSURE), (68.29, UNSURE), (68.30, WET)):
        for store in (None, 20.0, 25.0):
            assert check_lot("maize", 25, humidity, store).decision == decision
    assert [check_lot("maize", celsius, 60).still_warm for celsius in (37.9, 38.0)] == [False, True]
    assert [check_lot("maize", 25, humidity).over_dry for humidity in (44.9, 45.0)] == [True, False]
    assert check_lot("maize", 25, 50).water_per_100_kg == 0.0
    weeks = check_lot("maize", 25, 60, period="weeks")
    assert weeks.limit_pct == 70
    assert weeks.target_moisture_pct == pytest.approx(float(equilibrium_moisture("maize", 25, 70)))


def test_the_wall_table_by_its_borders():
    """Rows as warm as the store or warmer are judged as read: up to 65 % months, up to 70 % weeks."""
    table = keeping_table("maize", 30.0, [30.0, 35.0], [65.0, 65.1, 70.0, 70.1])
    assert table.verdicts.tolist() == [["keeps for months", "keeps for weeks", "keeps for weeks", "too wet"]] * 2
    own = keeping_table("maize", 30.0, [30.0], [60.0, 60.1, 63.0, 63.1], limits_pct=(60.0, 63.0))
    assert own.verdicts.tolist() == table.verdicts.tolist()[:1]
    wall = keeping_table("maize", 30.0)
    assert wall.temperatures_c.tolist() == [15, 18, 21, 24, 27, 30, 33, 36, 40]
    assert wall.humidities_pct.tolist() == [40, 45, 50, 55, 60, 65, 70, 75, 80, 85, 90]


def test_published_moistures_are_doubted_above_seventy_per_cent():
    for row in safe_moistures():
        assert row.disagrees == (row.humidity_pct > 70)
        assert float(equilibrium_moisture(row.commodity, 27.0, row.humidity_pct)) == pytest.approx(row.moisture_pct)


# -- the next test --------------------------------------------------------------------------------------------------


def seasons(count: int, mould: dict[int, int], insects: dict[int, int] | None = None) -> StorageRun:
    """Return a run of 60 days in which mould and insects pass their limits on the days of some seasons."""
    none = np.zeros((61, count))
    columns = {"mould_risk": none.copy(), "damaged_kernels_pct": none.copy()}
    for name, days in (("mould_risk", mould), ("damaged_kernels_pct", insects or {})):
        for season, day in days.items():
            columns[name][day:, season] = 99.0
    return SimpleNamespace(day=np.arange(61), toxin_hours=none, damp_loss_pct=none, moisture_pct=none, **columns)


def test_the_usual_costs_of_a_test_weigh_against_half_a_per_cent_a_day():
    """Trouble on day 20 in one of 25 seasons: testing then is best while 0.04 x 20 x 0.005 x value is above its cost;
    else at the longest, eight weeks; trouble on the first day is met after three.
    """
    few = seasons(25, {0: 20})
    assert next_test(few, RetestCosts(0.79, 200.0)).days == 20
    assert next_test(few, RetestCosts(0.81, 200.0)).days == 56
    assert next_test(seasons(2, {0: 1, 1: 1})).days == 3


@pytest.mark.parametrize("day", [0, 2, 3, 20, 55])
def test_no_test_comes_later_than_the_lot_keeps_for_sure(day):
    """Dear tests: two of 40 seasons go wrong on a day; it keeps in 19 of 20 until then, so it is tested by then."""
    dear = RetestCosts(500.0, 200.0)
    run = seasons(40, {3: day, 9: day})
    found = next_test(run, dear)
    assert (found.days, found.cause, str(found.reason)[:9]) == (max(day, 3), "mould", "5 in 100 ")
    assert "cost" not in str(found.reason)
    assert next_test(seasons(41, {3: day}), dear).days == 56


def test_the_cause_is_what_comes_first_in_most_seasons_and_one_in_two_hundred_is_named():
    costs = RetestCosts(1e-6, 300.0)
    found = next_test(seasons(5, {0: 20, 1: 20, 2: 30}, {2: 20, 3: 20, 4: 20, 0: 40}), costs)
    assert (found.days, found.cause, found.reason.values["chance"]) == (20, "insects", 100)
    assert next_test(seasons(200, {7: 20}), costs).cause == "mould"
    assert next_test(seasons(201, {7: 20}), costs).cause == ""


def test_a_buyer_usually_takes_1_35_per_cent_a_point_and_refuses_above_13_5():
    usual = BuyerTerms().deductions
    assert float(usual.kept(13.5, 0.0)) == pytest.approx(1.0)
    assert float(usual.kept(15.5, 0.0)) == pytest.approx(1 - 2 * 0.0135)
    assert float(usual.refused(13.5)) == pytest.approx(0.5)
