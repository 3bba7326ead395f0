"""Keeping, judged on humidity, and the wall table."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError
from core.grain.commodities import commodity_codes, get_commodity
from core.storage.keeping import (
    DRY,
    UNSURE,
    WET,
    check_lot,
    humidity_when_warm,
    keeping_limit,
    keeping_table,
    target_moisture,
)


def test_limits_are_the_published_bounds():
    # No mould grows below water activity 0.65; mould grows above 70 % humidity (NDSU extension).
    assert keeping_limit("months") == 65
    assert keeping_limit("weeks") == 70


@pytest.mark.parametrize(
    ("humidity", "decision"),
    # Guard of 1.645 x 2 % by hand: below 61.7 % dry, above 68.3 % wet, in between not certain.
    [(55, DRY), (61.6, DRY), (62, UNSURE), (65, UNSURE), (68, UNSURE), (68.4, WET), (85, WET)],
)
def test_three_way_decision(humidity, decision):
    assert check_lot("maize", 25, humidity).decision == decision


def test_a_warmer_store_makes_the_same_grain_more_humid():
    # Maize of 13.5 %: 64 % at 20 °C, 73 % at 40 °C (computed apart from the same isotherm).
    cool = check_lot("maize", 20, 64, store_temperature_c=40)
    assert cool.store_humidity_pct == pytest.approx(73, abs=0.6)
    assert cool.decision == WET
    assert check_lot("maize", 20, 60).decision == DRY


def test_water_to_take_out_is_the_mass_balance():
    check = check_lot("maize", 27, 80, store_temperature_c=27)
    expected = 100 * (check.moisture_pct - check.target_moisture_pct) / (100 - check.target_moisture_pct)
    assert check.water_per_100_kg == pytest.approx(expected)


@given(code=st.sampled_from(commodity_codes()), temperature=st.floats(10, 45), humidity=st.floats(10, 90))
def test_at_its_own_temperature_the_reading_itself_is_judged(code, temperature, humidity):
    # The isotherm's error drops out: whatever the crop, the humidity stays as it was read.
    assert humidity_when_warm(code, temperature, humidity, temperature) == pytest.approx(humidity, abs=1e-6)


def test_which_set_is_right_hardly_matters_for_keeping():
    crop = get_commodity("sorghum")
    other = replace(crop, default_isotherm="chung-pfost-1995")
    ours, theirs = check_lot(crop, 25, 62, 30), check_lot(other, 25, 62, 30)
    assert abs(ours.moisture_pct - theirs.moisture_pct) > 1.4
    assert abs(ours.store_humidity_pct - theirs.store_humidity_pct) < 1.5


def test_warm_dry_and_far_readings_are_flagged():
    assert check_lot("maize", 45, 50).still_warm
    assert check_lot("maize", 25, 40).over_dry
    assert check_lot("maize", 25, 95).outside_range


@pytest.mark.parametrize("values", [(25, 101), (25, -1), (200, 50), (float("nan"), 50)])
def test_impossible_readings_are_refused(values):
    with pytest.raises(InputError):
        check_lot("maize", *values)
    with pytest.raises(InputError):
        check_lot("maize", 25, 60, period="years")


def test_card_agrees_with_the_check():
    card = keeping_table("common_bean", 30)
    for row, temperature in enumerate(card.temperatures_c):
        for column, humidity in enumerate(card.humidities_pct):
            check = check_lot("common_bean", temperature, humidity, 30)
            assert card.moisture_pct[row, column] == pytest.approx(check.moisture_pct)
            assert (card.verdicts[row, column] == "keeps for months") == (
                check.store_humidity_pct <= check.limit_pct + 1e-9
            )


def test_target_is_on_the_card():
    # The moisture at the limit and the store's temperature stands at the limit again.
    moisture = float(target_moisture("paddy", 30, 65))
    card = keeping_table("paddy", 30, temperatures_c=[30], humidities_pct=[65])
    assert card.moisture_pct[0, 0] == pytest.approx(moisture)
    assert card.verdicts[0, 0] == "keeps for months"


@pytest.mark.parametrize(("limit", "taken"), [(30, True), (29.9, False), (85, True), (85.1, False)])
def test_an_own_limit_lies_between_thirty_and_eighty_five(limit, taken):
    if taken:
        assert check_lot("maize", 25, 60, limit_pct=limit).limit_pct == limit
    else:
        with pytest.raises(InputError):
            check_lot("maize", 25, 60, limit_pct=limit)
