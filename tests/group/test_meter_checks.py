"""What is learnt of the meter: salt jar, oven samples, beside the buyer's meter."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest

from core.errors import InputError
from core.group.meter_checks import bias_from_pairs, meter_error, salt_humidity
from core.group.records import Event, Group
from core.group.sieves import last_sieves
from core.planning.wishes import read_wishes, write_wishes
from tests.shared_store import fresh_store

AT = datetime(2026, 5, 1, tzinfo=UTC)


def _check(number: int, payload: dict[str, Any], reverses: int | None = None) -> Event:
    return Event(
        id=number,
        book="diary",
        kind="meter_check",
        on=date(2026, 5, 1),
        who="a",
        payload=payload,
        recorded_at=AT,
        reverses=reverses,
    )


@pytest.mark.parametrize(
    ("temperature", "humidity"), [(10, 75.67), (15, 75.61), (20, 75.47), (25, 75.29), (30, 75.09), (40, 74.68)]
)
def test_humidity_over_kitchen_salt(temperature: float, humidity: float) -> None:
    """Greenspan (1977), table 2, sodium chloride (from memory; the paper's own fit is good to 0.1 to 0.2 %)."""
    assert salt_humidity(temperature) == pytest.approx(humidity, abs=0.06)


def test_the_salt_check_has_its_range() -> None:
    with pytest.raises(InputError):
        salt_humidity(-5)


def test_bias_of_pairs_hand_calculation() -> None:
    """Differences 0.2, 0.4, 0.6, 0.8: mean 0.5, s = 0.2582, s / sqrt(4) = 0.1291."""
    bias, error = bias_from_pairs([13.2, 13.4, 13.6, 13.8], [13, 13, 13, 13], reference_sd=0.0)
    assert bias == pytest.approx(0.5)
    assert error == pytest.approx(0.1291, abs=1e-4)
    with pytest.raises(InputError):
        bias_from_pairs([], [])


def test_checks_narrow_the_error_and_reversed_ones_do_not_count() -> None:
    unchecked = meter_error([])
    assert (unchecked.moisture_bias, unchecked.checked) == (0.0, ())
    oven = _check(
        1, {"method": "oven", "shown": [14.1, 13.6, 15.2, 12.9, 14.4], "true": [13.5, 13.1, 14.6, 12.3, 13.8]}
    )
    known = meter_error([oven])
    assert 0.4 < known.moisture_bias < 0.6
    assert known.moisture_sd < unchecked.moisture_sd
    taken_back = _check(2, {}, reverses=1)
    assert meter_error([oven, taken_back]) == unchecked


def test_a_salt_jar_teaches_the_humidity_sensor() -> None:
    error = meter_error([_check(1, {"method": "salt", "shown": [78.3, 78.2, 78.4, 78.3], "temperature_c": 25})])
    # Shown 3.0 above 75.3; weighed with the prior of 0 +/- 2 against the jar's own 1.0: between 2 and 3.
    assert 2.0 < error.humidity_bias < 3.0
    assert error.humidity_sd < 1.1


def test_beside_the_buyers_meter() -> None:
    error = meter_error([_check(1, {"method": "side_by_side", "shown": [13.0, 13.2], "true": [13.5, 13.7]})])
    assert error.buyer_bias == pytest.approx(-0.5)
    assert error.moisture_bias == 0.0


def test_a_check_or_a_count_with_parts_missing_stops_nobody() -> None:
    """As a damaged file may bring it: the meter is as one that nobody checked, the lot as one that nobody sieved."""
    bare = meter_error([])
    for damaged in ({"method": "salt"}, {"method": "oven", "shown": [13.0]}, {"method": "oven", "shown": 13.0}):
        assert meter_error([_check(1, damaged)]) == bare
    for damaged in ({"lot_id": 4}, {"lot_id": 4, "insects_per_kg": 2.0, "sieved_kg": 0.0}):
        assert last_sieves([replace(_check(1, damaged), kind="sieve")]) == {}


def test_a_day_that_is_none_is_refused_before_it_is_kept() -> None:
    store = fresh_store()
    group = store.add_group(Group(name="Upper terrace"))
    with pytest.raises(InputError, match="2026-13-40"):
        write_wishes(store, group, {"needs": [{"on": "2026-13-40", "amount": 5.0}]}, AT)
    assert read_wishes(store, group)["needs"] == []
