"""Tests of bags: their moisture, their doubts, and where a lot stands."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest

from core.errors import InputError, NotFoundError
from core.grain.sorption import equilibrium_moisture, isotherm_uncertainty, sensor_uncertainty
from core.group.limits import Limit, LimitChoice
from core.group.lot_actions import LotAction, actions_of_lot, expected_mass_out, grade, lot_after, record_action
from core.group.lot_state import (
    NOT_TESTED,
    JudgingRules,
    _judge,
    _masses,
    as_buyer_reads,
    current_lot_states,
    estimate_from_tests,
    judging_rules,
    last_round,
    lot_state,
)
from core.group.measures import WeighedMeasure, measure_mass, weigh_measure, weighed_measures
from core.group.meter_checks import MeterError
from core.group.reading_flags import CONDENSED, DISAGREES, NOT_SETTLED, OUTLIER, RANGE, SUN, flag_readings
from core.group.reading_moisture import BY_AIR, BY_HUMIDITY, BY_METER, MeterSettings, moisture_of_readings
from core.group.records import Group, Lot, Reading, Sale
from core.group.sampling import DRY, UNSURE, WET, LotMoisture, estimate_lot, more_bags_to_settle
from core.messages import message
from core.storage.keeping import humidity_when_warm
from tests.shared_store import fresh_store

START = datetime(2026, 5, 1, 6, tzinfo=UTC)


def _tests(*rows: dict[str, Any]) -> pd.DataFrame:
    """Return tests as the store gives them; each row may leave anything out."""
    usual = {
        "taken_at": START,
        "bag": "",
        "temperature_c": np.nan,
        "relative_humidity_pct": np.nan,
        "meter_moisture_pct": np.nan,
        "tester": "",
        "settled": None,
    }
    frame = pd.DataFrame([{"id": at + 1, "lot_id": 1, **usual, **row} for at, row in enumerate(rows)])
    frame["taken_at"] = pd.to_datetime(frame["taken_at"], utc=True)
    return frame


def test_moisture_rests_on_what_is_there() -> None:
    said = moisture_of_readings(
        "maize",
        _tests(
            {"temperature_c": 25, "relative_humidity_pct": 65, "meter_moisture_pct": 13.0},
            {"relative_humidity_pct": 65},
            {"meter_moisture_pct": 13.0},
            {"temperature_c": 25},
        ),
    )
    assert list(said["basis"]) == [BY_AIR, BY_HUMIDITY, BY_METER, ""]
    expected = float(equilibrium_moisture("maize", 25, 65))
    assert said["moisture_pct"].iloc[0] == pytest.approx(expected)
    assert said["difference"].iloc[0] == pytest.approx(13.0 - expected)
    # Without the temperature one knows less; without anything, nothing.
    assert said["common_sd"].iloc[1] > said["common_sd"].iloc[0]
    assert np.isnan(said["moisture_pct"].iloc[3])


def test_a_known_bias_is_taken_off() -> None:
    meter = MeterSettings(error=MeterError(moisture_bias=0.8, humidity_bias=3.0))
    said = moisture_of_readings(
        "maize", _tests({"meter_moisture_pct": 13.8}, {"temperature_c": 25, "relative_humidity_pct": 68}), meter
    )
    assert said["moisture_pct"].iloc[0] == pytest.approx(13.0)
    assert said["moisture_pct"].iloc[1] == pytest.approx(float(equilibrium_moisture("maize", 25, 65)))


def test_an_electrical_meter_is_weighed_with_the_air() -> None:
    rows = _tests({"temperature_c": 25, "relative_humidity_pct": 65, "meter_moisture_pct": 14.0})
    both = moisture_of_readings("maize", rows, MeterSettings(kind="electrical"))
    by_air = float(equilibrium_moisture("maize", 25, 65))
    assert by_air < both["moisture_pct"].iloc[0] < 14.0
    assert both["common_sd"].iloc[0] < 0.5


@pytest.mark.parametrize("kind", ["humidity", "electrical"])
def test_where_two_figures_of_a_bag_cannot_both_be_right_the_wetter_counts(kind: str) -> None:
    """25 °C and 65 % are 13.3 % maize (published table: 13.3); errors of 0.5 and about 0.7 point allow 1.7 points."""
    settings = MeterSettings(kind=kind)
    rows = _tests(
        {"temperature_c": 25, "relative_humidity_pct": 65, "meter_moisture_pct": 16.0},
        {"temperature_c": 25, "relative_humidity_pct": 65, "meter_moisture_pct": 10.5},
        {"temperature_c": 25, "relative_humidity_pct": 65, "meter_moisture_pct": 13.9},
    )
    said = moisture_of_readings("maize", rows, settings)
    assert list(said["disagrees"]) == [True, True, False]
    assert said["moisture_pct"].iloc[0] == pytest.approx(16.0)
    assert said["moisture_pct"].iloc[1] == pytest.approx(13.3, abs=0.05)
    assert said["moisture_pct"].iloc[2] < 13.9
    assert [flag.key for flag in flag_readings("maize", rows, settings)].count(DISAGREES) == 2


def _keys(frame: pd.DataFrame) -> dict[int, list[str]]:
    found: dict[int, list[str]] = {}
    for flag in flag_readings("maize", frame):
        assert str(flag.reason)
        found.setdefault(flag.reading_id, []).append(flag.key)
    return found


def test_each_doubt_has_its_flag_and_reason() -> None:
    frame = _tests(
        {"bag": "1", "temperature_c": 25, "relative_humidity_pct": 65, "meter_moisture_pct": 13.0},
        {"bag": "2", "temperature_c": 25, "relative_humidity_pct": 65, "meter_moisture_pct": 15.0},
        {"bag": "3", "temperature_c": 41, "relative_humidity_pct": 60},
        {"bag": "4", "temperature_c": 25, "relative_humidity_pct": 99},
        {"bag": "5", "temperature_c": 25, "relative_humidity_pct": 65, "settled": False},
        {"bag": "6", "temperature_c": 25, "relative_humidity_pct": 4},
    )
    found = _keys(frame)
    assert 1 not in found
    assert found[2] == [DISAGREES]
    assert SUN in found[3]
    assert CONDENSED in found[4]
    assert NOT_SETTLED in found[5]
    assert RANGE in found[6]


def test_the_series_decides_on_settling_where_there_is_one() -> None:
    minutes = [0, 5, 10, 15]
    humidity = [60.0, 66.0, 69.0, 69.5]
    frame = _tests(
        *[
            {"bag": "1", "taken_at": START + timedelta(minutes=m), "temperature_c": 25, "relative_humidity_pct": h}
            for m, h in zip(minutes, humidity, strict=True)
        ]
    )
    flags = {flag.reading_id: flag for flag in flag_readings("maize", frame)}
    # 6 and 3 % in five minutes move, half a percent does not (0.3 % a minute).
    assert set(flags) == {1, 2}
    assert all(flag.left_out for flag in flags.values())
    moving = flag_readings("maize", frame.iloc[:2])
    assert [(flag.reading_id, flag.left_out) for flag in moving] == [(1, True), (2, False)]


def test_a_wet_bag_is_named_but_stays_in() -> None:
    frame = _tests(
        *[{"bag": str(b), "meter_moisture_pct": 13 + 0.1 * (b % 3)} for b in range(9)],
        {"bag": "9", "meter_moisture_pct": 17.0},
    )
    flags = [flag for flag in flag_readings("maize", frame) if flag.key == OUTLIER]
    assert [(flag.bag, flag.left_out) for flag in flags] == [("9", False)]


def _lot(**changes: Any) -> Lot:
    return Lot(**{"id": 1, "group_id": 1, "label": "A", "commodity": "maize", "bags": 20, **changes})


def _round(humidity: float, spread: float = 1.0, count: int = 10, seed: int = 0) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    return _tests(
        *[
            {"bag": str(bag), "temperature_c": 27.0, "relative_humidity_pct": humidity + rng.normal(0, spread)}
            for bag in range(count)
        ]
    )


def test_where_a_lot_stands_follows_its_humidity() -> None:
    verdicts = [lot_state(_lot(), _round(humidity), JudgingRules()).decision for humidity in (50, 60, 64, 75, 88)]
    assert verdicts[0] == DRY
    assert verdicts[-1] == WET
    order = [DRY, UNSURE, WET]
    assert [order.index(v) for v in verdicts] == sorted(order.index(v) for v in verdicts)
    assert lot_state(_lot(), _round(50).iloc[0:0], JudgingRules()).decision == NOT_TESTED


def test_mass_follows_moisture_and_form() -> None:
    """2000 kg weighed at 20 %, now at M: 2000 x 80 / (100 - M) (dry matter stays)."""
    lot = _lot(bag_mass_kg=100.0, weighed_moisture_pct=20.0)
    state = lot_state(lot, _round(60), JudgingRules())
    assert state.moisture is not None
    assert state.mass_now_kg == pytest.approx(2000 * 80 / (100 - state.moisture.mean_pct))
    assert state.dry_matter_kg == pytest.approx(1600)
    cobs = lot_state(_lot(form="cob", bag_mass_kg=100.0), _round(60), JudgingRules(turnout={"maize": 0.8}))
    assert cobs.grain_kg == pytest.approx(cobs.mass_now_kg * 0.8)


def test_an_unweighed_lot_cannot_gain_dry_matter() -> None:
    """20 bags of 90 kg, first tested at M1, now at M2: the dry matter is 1800 (100 - M1) / 100, the mass falls."""
    wet, dry = _round(88), _round(58, seed=1)
    dry["taken_at"] += timedelta(days=5)
    both = pd.concat([wet, dry.assign(id=dry["id"] + 100)], ignore_index=True)
    lot = _lot(nominal_bag_kg=90.0)
    before, after = (lot_state(lot, rows, JudgingRules()) for rows in (wet, both))
    assert before.moisture is not None
    assert after.moisture is not None
    assert after.moisture.mean_pct < before.moisture.mean_pct - 3
    assert before.mass_now_kg == pytest.approx(1800)
    assert after.dry_matter_kg == pytest.approx(18 * (100 - before.moisture.mean_pct))
    assert after.dry_matter_kg == pytest.approx(before.dry_matter_kg)
    assert after.mass_now_kg == pytest.approx(after.dry_matter_kg / (1 - after.moisture.mean_pct / 100))


def test_only_the_last_round_counts() -> None:
    early, late = _round(80), _round(58, seed=1)
    late["taken_at"] += timedelta(days=5)
    both = pd.concat([early, late.assign(id=late["id"] + 100)], ignore_index=True)
    assert len(last_round(both)) == 10
    assert lot_state(_lot(), both, JudgingRules()).decision != WET


def test_a_buyers_contract_binds_what_is_sold_only() -> None:
    rules = JudgingRules(contracts={"maize": (12.0, "the mill")}, months=1, warmest_c=20)
    assert lot_state(_lot(), _round(60), rules).limit.binding.kind == "contract"
    assert lot_state(_lot(use="food"), _round(60), rules).limit.of_kind("contract") is None


def test_states_from_the_store_with_checks_and_sales() -> None:
    store = fresh_store()
    group_id = store.add_group(Group(name="Upper terrace"))
    lot_id = store.add_lot(Lot(group_id=group_id, label="A", commodity="maize", bags=10))
    store.add_readings(
        [
            Reading(lot_id=lot_id, taken_at=START, bag=str(b), temperature_c=27, relative_humidity_pct=60 + b / 10)
            for b in range(10)
        ]
    )
    payload = {"method": "salt", "shown": [75.0, 75.6, 75.4, 75.2], "temperature_c": 25}
    before = current_lot_states(store, group_id, START + timedelta(hours=1))[0]
    store.append_event(group_id, "diary", "meter_check", START.date(), "a", payload, START)
    after = current_lot_states(store, group_id, START + timedelta(hours=1))[0]
    assert before.moisture is not None
    assert after.moisture is not None
    assert after.moisture.common_sd_pct < before.moisture.common_sd_pct
    assert current_lot_states(store, group_id, START - timedelta(days=1))[0].decision == NOT_TESTED


def test_shelling_turns_cobs_into_grain_with_its_book_entry() -> None:
    """1000 kg of cobs at a turnout of 0.8 and 2 % lost: 784 kg."""
    assert expected_mass_out("shelling", 1000, 0.8, 0.02) == pytest.approx(784)
    store = fresh_store()
    group_id = store.add_group(Group(name="Upper terrace"))
    lot = store.lot(store.add_lot(Lot(group_id=group_id, label="A", commodity="maize", form="cob", bags=20)))
    action = LotAction(
        kind="shelling", on=date(2026, 5, 2), mass_in_kg=1000, mass_out_kg=784, bags_out=9, moisture_pct=14.0, cost=12
    )
    record_action(store, lot, action, "Asha", START)
    after = store.lot(lot.id)
    assert (after.form, after.bags, after.weighed_moisture_pct) == ("threshed", 9, 14.0)
    assert after.bag_mass_kg == pytest.approx(784 / 9)
    assert actions_of_lot(store.events(group_id, "lot_actions"), lot.id) == [action]
    for wrong in (action, LotAction(kind="cleaning", on=action.on, mass_in_kg=700, mass_out_kg=800, bags_out=9)):
        with pytest.raises(InputError):
            lot_after(after, wrong)


def test_grades_by_counted_faults() -> None:
    """EAS 2 maize, from memory: broken 2 / 4 / 6 %, insect damaged 1 / 3 / 5 %."""
    assert grade("maize", {"broken": 1.5, "insect_damaged": 0.8})[0] == 1  # type: ignore[index]
    assert grade("maize", {"broken": 1.5, "insect_damaged": 2.0})[0] == 2  # type: ignore[index]
    worst = grade("maize", {"broken": 7.0})
    assert worst is not None
    assert worst[0] == 4
    assert "broken" in str(worst[1])
    assert grade("sesame", {"broken": 1.0}) is None
    assert grade("maize", {}) is None


def test_local_measures_by_dated_weighings() -> None:
    store = fresh_store()
    group_id = store.add_group(Group(name="Upper terrace"))
    for day, mass in (
        (date(2025, 7, 1), 16.0),
        (date(2026, 5, 1), 17.4),
        (date(2026, 5, 1), 17.8),
        (date(2026, 5, 1), 17.6),
    ):
        weigh_measure(
            store,
            group_id,
            WeighedMeasure(name="Big tin", commodity="maize", weighed_on=day, mass_kg=mass, moisture_pct=15.0),
            "a",
            START,
        )
    samples = weighed_measures(store.events(group_id, "diary"))
    now = measure_mass(samples, "big tin", "maize", date(2026, 6, 1))
    assert (now.mass_kg, now.samples) == (pytest.approx(17.6), 3)
    assert now.standard_error_kg == pytest.approx(0.2 / 3**0.5)
    assert measure_mass(samples, "big tin", "maize", date(2025, 12, 1)).mass_kg == 16.0
    with pytest.raises(NotFoundError):
        measure_mass(samples, "basin", "maize", date(2026, 6, 1))


def test_the_buyers_meter_decides_on_the_contract_where_the_two_met() -> None:
    """The buyer reads 0.5 point more than we do: 13.0 for us (true) is 13.5 for the buyer."""
    lot = LotMoisture(mean_pct=13.0, standard_error_pct=0.5, common_sd_pct=0.4)
    judged = as_buyer_reads(lot, MeterError(buyer_bias=-0.5, buyer_sd=0.1))
    assert judged.mean_pct == pytest.approx(13.5)
    assert judged.standard_error_pct == pytest.approx((0.5**2 - 0.4**2 + 0.1**2) ** 0.5)
    assert as_buyer_reads(lot, MeterError()) == lot


def test_work_on_what_is_left_of_a_lot_loses_none_of_its_bags() -> None:
    """By hand: of 10 bags 4 are sold; the other 6, weighed as 5 bags of 100 kg, are 5 bags, and all can be sold."""
    store = fresh_store()
    group_id = store.add_group(Group(name="Upper terrace"))
    lot_id = store.add_lot(Lot(group_id=group_id, label="A", commodity="maize", bags=10, bag_mass_kg=90.0))
    first = store.add_sale(Sale(lot_id=lot_id, sold_on=START.date(), bags=4, mass_kg=360.0, price_per_kg=1.0))
    work = LotAction(kind="weighing", on=START.date(), mass_in_kg=540, mass_out_kg=500, bags_out=5)
    record_action(store, store.lot(lot_id), work, "Asha", START)
    left = current_lot_states(store, group_id, START)[0]
    assert left.bags == 5
    assert left.mass_now_kg == pytest.approx(500)
    store.add_sale(Sale(lot_id=lot_id, sold_on=START.date(), bags=5, mass_kg=500.0, price_per_kg=1.0))
    store.remove_sale(first, group_id)
    assert current_lot_states(store, group_id, START)[0].bags == 4


def _air(temperature: float, humidity: float, temperature_sd: float, humidity_sd: float = 2.0) -> tuple[float, float]:
    """Return maize's moisture by the air between its grains, and its error: sensors and sets in quadrature."""
    sensors = float(sensor_uncertainty("maize", temperature, humidity, temperature_sd, humidity_sd))
    sets = float(isotherm_uncertainty("maize", temperature, humidity))
    return float(equilibrium_moisture("maize", temperature, humidity)), math.hypot(sensors, sets)


def test_each_tests_moisture_and_error_by_plain_formulas() -> None:
    """A meter 0.4 points and 3 % humidity too high, sure to 0.3 points; a thermometer sure to 0.7 °C.

    Noted temperatures 22 and 32 °C: 27 °C where only humidity was noted, sure to 6 °C. Two figures count by the inverse
    of their variances; further apart than 1.96 errors the wetter counts, with the larger error.
    """
    error = MeterError(moisture_bias=0.4, moisture_sd=0.3, humidity_bias=3.0, humidity_sd=2.5)
    rows = _tests(
        {"temperature_c": 22, "relative_humidity_pct": 68, "meter_moisture_pct": 13.9},
        {"temperature_c": 32, "relative_humidity_pct": 63},
        {"relative_humidity_pct": 70},
        {"meter_moisture_pct": 12.0},
        {"temperature_c": 27, "relative_humidity_pct": 102.9},
        {"temperature_c": 27, "relative_humidity_pct": 102.8},
        {"temperature_c": 27, "relative_humidity_pct": 3.1},
        {"temperature_c": 27, "relative_humidity_pct": 68, "meter_moisture_pct": 18.4},
        {},
    )
    kinds = {
        kind: moisture_of_readings("maize", rows, MeterSettings(kind=kind, error=error, temperature_sd=0.7))
        for kind in ("humidity", "electrical")
    }
    first, first_sd = _air(22, 65, 0.7, 2.5)
    second, second_sd = _air(32, 60, 0.7, 2.5)
    third, third_sd = _air(27, 67, 6.0, 2.5)
    for said in kinds.values():
        assert list(said["moisture_pct"].iloc[[1, 2, 3]]) == pytest.approx([second, third, 11.6])
        assert list(said["common_sd"].iloc[[1, 2, 3]]) == pytest.approx([second_sd, third_sd, 0.3])
        assert list(said["grain_temperature_c"].iloc[[0, 2, 3]]) == [22, 27, 27]
        assert list(said["humidity_pct"].iloc[:3]) == [65, 60, 67]
        assert said["difference"].iloc[0] == pytest.approx(13.9 - first)
        assert said["air_moisture_pct"].iloc[0] == pytest.approx(first)
        # no moisture of air at 99.9 % and above; at its dry and wet ends the relation is asked at 0.5 and 99.5 %
        assert np.isnan(said["moisture_pct"].iloc[4])
        assert np.isnan(said["humidity_pct"].iloc[4])
        assert list(said["moisture_pct"].iloc[[5, 6]]) == pytest.approx([_air(27, 99.5, 1)[0], _air(27, 0.5, 1)[0]])
        assert list(said["basis"]) == [BY_AIR, BY_AIR, BY_HUMIDITY, BY_METER, "", BY_AIR, BY_AIR, BY_AIR, ""]
        assert list(said["disagrees"]) == [False] * 7 + [True, False]
        assert said["moisture_pct"].iloc[7] == pytest.approx(18.0)
        assert said["common_sd"].iloc[7] == pytest.approx(max(0.3, _air(27, 65, 0.7, 2.5)[1]))
        assert np.isnan(said["common_sd"].iloc[8])
    assert kinds["humidity"]["moisture_pct"].iloc[0] == pytest.approx(first)
    assert kinds["humidity"]["common_sd"].iloc[0] == pytest.approx(first_sd)
    by_air, by_meter = 1 / first_sd**2, 1 / 0.3**2
    both = kinds["electrical"].iloc[0]
    assert both["moisture_pct"] == pytest.approx((by_air * first + by_meter * 13.5) / (by_air + by_meter))
    assert both["common_sd"] == pytest.approx(1 / math.sqrt(by_air + by_meter))
    assert moisture_of_readings("maize", rows.iloc[[2]])["grain_temperature_c"].iloc[0] == 26  # of a warm country


def test_how_far_two_figures_may_lie_apart() -> None:
    """1.96 standard deviations of both errors: just below, the first counts; just above, the wetter."""
    value, sd = _air(27, 65, 0.5)
    gap = 1.96 * math.hypot(sd, 0.5)
    rows = [
        {"temperature_c": 27, "relative_humidity_pct": 65, "meter_moisture_pct": value + side * factor * gap}
        for factor in (0.999, 1.001)
        for side in (1, -1)
    ]
    assert list(moisture_of_readings("maize", _tests(*rows))["disagrees"]) == [False, False, True, True]


def test_doubts_begin_at_their_borders() -> None:
    """Warm from the sun from 38 °C, or more than 6 °C above the middle; condensed from 97 %; a meter from 4 to 40 %."""

    def flags(*rows: dict[str, Any]) -> list[tuple[int, str, bool]]:
        return [(flag.reading_id, flag.key, flag.left_out) for flag in flag_readings("maize", _tests(*rows))]

    def bags(*values: float, name: str = "temperature_c") -> list[dict[str, Any]]:
        return [{"bag": str(at), name: value} for at, value in enumerate(values)]

    assert flags(*bags(24.0, 25.0, 31.0)) == flags(*bags(37.9, 37.9)) == []
    assert flags(*bags(24.0, 25.0, 31.1)) == [(3, SUN, False)]
    assert flags(*bags(38.0, 37.9)) == [(1, SUN, False)]
    shown = bags(4.0, 40.0, name="meter_moisture_pct")
    assert flags(*shown) == []
    assert flags(*bags(3.9, 40.1, name="meter_moisture_pct")) == [(1, RANGE, False), (2, RANGE, False)]
    air = [{**row, "temperature_c": 25.0} for row in bags(97.0, 96.9, 60.0, name="relative_humidity_pct")]
    assert [item for item in flags(*air) if item[1] == CONDENSED] == [(1, CONDENSED, True)]
    assert 3 not in {number for number, _key, _out in flags(*air)}
    numbered = _tests(*bags(24.0, 25.0, 31.1)).drop(columns="id")
    assert [flag.reading_id for flag in flag_readings("maize", numbered)] == [2]  # by place where it has no number
    assert flag_readings("maize", numbered.iloc[:0]) == ()


def test_lots_are_judged_by_what_is_assumed_where_nobody_entered_anything() -> None:
    store = fresh_store()
    group_id = store.add_group(Group(name="New", currency="USD"))
    rules = judging_rules(store, group_id)
    assert replace(rules, turnout={}) == JudgingRules()
    facts = store.facts(group_id)
    for crop in ("maize", "sorghum", "other"):
        assert rules.turnout[crop] == facts[f"shelling_turnout.{crop}"].value


@pytest.mark.parametrize(
    ("lot", "first", "now", "mass", "dry", "grain"),
    [
        # 7 of 20 bags of 100 kg weighed at 20 %: 560 kg dry; at 12.5 % 640 kg
        ({"bag_mass_kg": 100.0, "weighed_moisture_pct": 20.0}, None, 12.5, 640.0, 560.0, 640.0),
        # weighed, but nobody said at which moisture: as it is now
        ({"bag_mass_kg": 100.0}, None, 12.5, 700.0, 612.5, 700.0),
        # never weighed: 50 kg at its first tests of 30 %: 245 kg dry; at 12.5 % 280 kg
        ({"nominal_bag_kg": 50.0}, 30.0, 12.5, 280.0, 245.0, 280.0),
        ({"nominal_bag_kg": 50.0, "weighed_moisture_pct": 20.0}, 30.0, 12.5, 280.0, 245.0, 280.0),
        # never tested: weighed at 20 %, or taken as 15 %
        ({"bag_mass_kg": 100.0, "weighed_moisture_pct": 20.0}, None, None, 700.0, 560.0, 700.0),
        ({"nominal_bag_kg": 50.0}, None, None, 350.0, 297.5, 350.0),
        # cobs give 0.8, other crops' pods and heads 0.6; groundnuts are sold in their pods
        ({"bag_mass_kg": 100.0, "form": "cob"}, None, 12.5, 700.0, 612.5, 560.0),
        ({"bag_mass_kg": 100.0, "form": "panicle", "commodity": "sorghum"}, None, 12.5, 700.0, 612.5, 420.0),
        ({"bag_mass_kg": 100.0, "form": "pod", "commodity": "cowpea"}, None, 12.5, 700.0, 612.5, 420.0),
        ({"bag_mass_kg": 100.0, "form": "pod", "commodity": "groundnut_pod"}, None, 12.5, 700.0, 612.5, 700.0),
        ({"bag_mass_kg": 100.0, "form": "cleaned", "commodity": "cowpea"}, None, 12.5, 700.0, 612.5, 700.0),
    ],
)
def test_the_mass_of_what_is_left_by_hand(
    lot: dict[str, Any], first: float | None, now: float | None, mass: float, dry: float, grain: float
) -> None:
    moisture = None if now is None else LotMoisture(mean_pct=now, standard_error_pct=0.3)
    rules = JudgingRules(turnout={"maize": 0.8, "other": 0.6})
    assert _masses(_lot(**lot), 7, moisture, first, rules) == pytest.approx((mass, dry, grain))


def test_the_humidity_of_a_warm_store_and_the_tests_that_count() -> None:
    """Bags read in a cool store, as they will be at 32 °C; one bag's air is known without its temperature."""
    rows = _tests(
        {"bag": "a", "temperature_c": 20, "relative_humidity_pct": 60},
        {"bag": "a", "temperature_c": 22, "relative_humidity_pct": 62},
        {"bag": "", "temperature_c": 24, "relative_humidity_pct": 66},
        {"bag": "", "relative_humidity_pct": 70},
        {"bag": "dry", "meter_moisture_pct": 0.3},
        {"bag": "less", "meter_moisture_pct": 0.1},
    )
    rules = JudgingRules(meter=MeterSettings(error=MeterError(moisture_bias=0.2, humidity_sd=3.0)))
    said = moisture_of_readings("maize", rows, rules.meter)
    moisture, humidity = estimate_from_tests(_lot(), rows, rules)
    assert moisture is not None
    assert humidity is not None
    # what a meter shows below nothing, once its bias is off, is no moisture
    assert set(moisture.bag_means_pct) == {"a", "test 3", "test 4", "dry"}
    assert moisture.common_sd_pct == pytest.approx(math.sqrt(np.mean(said["common_sd"].iloc[:5] ** 2)))
    warm = humidity_when_warm("maize", [20, 22, 24, 22], [60, 62, 66, 70], 32)
    plain = estimate_lot(warm, 20, 3.0, reading_sd=1.0, bag_names=["a", "a", "3", "4"])
    assert (humidity.mean_pct, humidity.standard_error_pct) == pytest.approx((plain.mean_pct, plain.standard_error_pct))
    assert humidity.bag_means_pct["a"] == pytest.approx(float(np.mean(warm[:2])))
    sunny, _air_too = estimate_from_tests(_lot(), rows, rules, sun_warm=True)
    assert sunny is not None
    # half a point more where the grain was warm from the sun, for all bags alike
    assert sunny.common_sd_pct == pytest.approx(math.hypot(moisture.common_sd_pct, 0.5))
    alone = rows.iloc[[3]]
    assert estimate_from_tests(_lot(), alone, rules)[1] is None  # the air alone, at no known temperature
    two = estimate_from_tests(_lot(), rows.iloc[:2], rules)[1]
    assert two is not None
    # one bag: the usual spread of humidity between bags stands in, 4.5, less its two tests' own error
    assert two.bag_sd_pct == pytest.approx(math.sqrt(4.5**2 - 1 / 2))
    assert estimate_from_tests(_lot(), rows.iloc[:0], rules) == (None, None)
    weighed, _none = estimate_from_tests(_lot(weighed_moisture_pct=14.0, bags=0), rows.iloc[[5]], rules)
    assert weighed is not None
    assert (weighed.mean_pct, weighed.bags, weighed.common_sd_pct) == (14.0, 1, 0.5)


def test_the_verdict_over_several_limits() -> None:
    """Too wet for one is too wet; in doubt, the bags that settle the harder doubt, none where one is never settled."""

    def one(kind: str, pct: float, humidity: float | None = None) -> Limit:
        return Limit(kind=kind, moisture_pct=pct, reason=message(kind), humidity_pct=humidity)

    def judged(*limits: Limit, lot: LotMoisture, air: LotMoisture | None = None) -> tuple[str, list[str], int | None]:
        choice = LimitChoice(binding=limits[0], applying=limits)
        verdict, reasons, more = _judge(lot, air, choice, 0.05, MeterError())
        return verdict, [str(reason).split(" ")[0] for reason in reasons], more

    lot = LotMoisture(
        mean_pct=13.0, standard_error_pct=0.3, degrees_of_freedom=9.0, bag_sd_pct=0.9, bags=80, bags_probed=10
    )
    near, nearer, wet, dry = (one("standard", pct) for pct in (13.4, 13.25, 12.0, 14.0))
    needed, more = (more_bags_to_settle(lot, limit.moisture_pct, 0.05) for limit in (near, nearer))
    assert needed is not None
    assert more is not None
    assert 0 < needed < more
    assert judged(dry, lot=lot) == (DRY, ["dry"], 0)
    assert judged(near, dry, nearer, lot=lot) == (UNSURE, ["cannot", "testing", "dry", "cannot", "testing"], more)
    assert judged(nearer, near, lot=lot)[2] == more
    assert judged(near, wet, lot=lot) == (WET, ["cannot", "testing", "too"], 0)
    sure = replace(lot, bag_sd_pct=0.0, common_sd_pct=0.3)
    assert judged(near, lot=sure) == (UNSURE, ["cannot", "more"], None)
    assert judged(near, nearer, lot=sure)[2] is None
    # keeping is judged by bags, and by humidity where that was measured and the limit has one
    air = LotMoisture(mean_pct=50.0, standard_error_pct=0.5, bags=80, bags_probed=10, bag_sd_pct=0.5)
    assert judged(one("keeping", 13.0, 65.0), lot=lot, air=air)[0] == DRY
    assert judged(one("keeping", 10.0), lot=lot, air=air)[0] == WET
    assert judged(one("keeping", 10.0, 65.0), lot=lot)[0] == WET
    assert judged(one("standard", 10.0, 65.0), lot=lot, air=air)[0] == WET
    spread = one("keeping", 14.0, 70.0)  # the mean is far below, single bags are not
    assert judged(spread, lot=lot) == (UNSURE, ["cannot", "the"], 0)
    # a contract by the buyer's meter, which shows 1.5 points less than ours
    contract, error = one("contract", 12.5), MeterError(moisture_bias=0.5, buyer_bias=2.0, buyer_sd=0.1)
    choice = LimitChoice(binding=contract, applying=(contract,))
    assert _judge(lot, None, choice, 0.05, MeterError())[0] == UNSURE
    assert _judge(lot, None, choice, 0.05, error)[0] == DRY
