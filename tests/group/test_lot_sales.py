"""A sale is checked against its lot, taken once and can be cancelled; drying is recorded in one step."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from core.errors import AlreadySavedError, InputError, NotFoundError
from core.group.lot_sales import Dried, cancel_sale, check_sale, known_buyers, record_dried, record_sale
from core.group.lot_state import current_lot_states
from core.group.records import Sale
from tests.advice.groups import NOW, Heap, small_group

TODAY = NOW.date()


@pytest.fixture
def store(tmp_path):
    made = small_group(f"sqlite:///{tmp_path / 'x.sqlite3'}", (Heap("maize", 10, (18.0, 18.2, 17.8)),))
    yield made
    made.engine.dispose()


def lot_of(store):
    return current_lot_states(store, store.groups()[0].id, NOW)[0]


def sale_of(state, **changes) -> Sale:
    good = Sale(lot_id=state.lot.id, sold_on=TODAY, bags=4, mass_kg=360.0, price_per_kg=200.0, buyer="market")
    return replace(good, **changes)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bags": 11}, "has 10 bags left"),
        ({"bags": 0}, "has 10 bags left"),
        ({"mass_kg": 500.0}, "is more than 4 bags"),
        ({"sold_on": TODAY + timedelta(days=1)}, "future"),
        ({"sold_on": TODAY - timedelta(days=60)}, "was harvested"),
        ({"price_per_kg": 0.0}, "above zero"),
        ({"buyer": "somebody"}, "from the list"),
        ({"paid_on": TODAY - timedelta(days=1)}, "between the sale and today"),
    ],
)
def test_what_cannot_be_sold_is_refused(store, changes, words):
    """Ten bags of 90 kg at 18 %: four of them weigh 360 kg."""
    state = lot_of(store)
    assert check_sale(state, sale_of(state), ["market"], TODAY) == ()
    with pytest.raises(InputError, match=words):
        check_sale(state, sale_of(state, **changes), ["market"], TODAY)


def test_a_mass_far_below_the_bags_is_asked_about(store):
    state = lot_of(store)
    assert "much less" in str(check_sale(state, sale_of(state, mass_kg=100.0), ["market"], TODAY)[0])


def test_a_sale_is_taken_once_counts_against_the_lot_and_can_be_cancelled(store):
    group = store.groups()[0].id
    state = lot_of(store)
    number = record_sale(store, state, sale_of(state), TODAY, token="a")
    with pytest.raises(AlreadySavedError):
        record_sale(store, state, sale_of(state), TODAY, token="a")
    assert len(store.sales(group)) == 1
    assert lot_of(store).bags == 6
    with pytest.raises(InputError):
        record_sale(store, lot_of(store), sale_of(state, bags=7, mass_kg=630.0), TODAY)
    cancel_sale(store, group, number)
    assert lot_of(store).bags == 10
    with pytest.raises(NotFoundError):
        cancel_sale(store, group, number)


def test_the_last_bag_closes_the_lot_and_cancelling_opens_it_again(store):
    group = store.groups()[0].id
    state = lot_of(store)
    number = record_sale(store, state, sale_of(state, bags=10, mass_kg=880.0), TODAY)
    assert store.lots(group, open_only=True) == []
    cancel_sale(store, group, number)
    assert len(store.lots(group, open_only=True)) == 1


def test_a_sale_of_another_group_cannot_be_cancelled(store):
    state = lot_of(store)
    number = record_sale(store, state, sale_of(state), TODAY)
    with pytest.raises(NotFoundError):
        cancel_sale(store, store.groups()[0].id + 1, number)
    assert len(store.sales(store.groups()[0].id)) == 1


def test_buyers_to_choose_are_those_of_the_book_and_the_usual_places(store):
    assert known_buyers(store, store.groups()[0].id) == ["market", "trader at the farm gate"]


def test_drying_is_recorded_in_one_step_and_more_grain_than_there_was_is_refused(store):
    """By hand: 900 kg at 18 % hold 738 kg dry matter; at 13 % that is 848 kg, so ten bags of 84 kg can be."""
    state = lot_of(store)
    good = Dried(on=TODAY, tests_pct=(13.0, 12.8, 13.2), bags=10, bag_mass_kg=84.0)
    record_dried(store, state, good, NOW, TODAY, token="d")
    after = lot_of(store)
    assert after.moisture.mean_pct == pytest.approx(13.0, abs=0.3)
    assert after.mass_now_kg == pytest.approx(840.0, rel=0.01)
    assert after.lot.status == "drying"
    tests = len(store.readings(store.groups()[0].id))
    with pytest.raises(AlreadySavedError):
        record_dried(store, state, good, NOW, TODAY, token="d")
    with pytest.raises(InputError, match="more dry grain"):
        record_dried(store, after, replace(good, bag_mass_kg=99.0), NOW, TODAY)
    for wrong in ({"on": TODAY + timedelta(days=1)}, {"tests_pct": ()}, {"tests_pct": (55.0,)}, {"bags": 0}):
        with pytest.raises(InputError):
            record_dried(store, after, replace(good, **wrong), NOW, TODAY)
    assert len(store.readings(store.groups()[0].id)) == tests
