"""A group's first entry: written as a whole and once, and enough for a plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from core.errors import AlreadySavedError, InputError, NotFoundError
from core.group.possessions import possessions
from core.group.records import Group
from core.group.towns import get_town, towns
from core.planning.beginning import FirstEntry, begin, usual_bag
from core.planning.wishes import read_wishes
from tests.shared_store import fresh_store

NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)
TODAY = date(2026, 5, 20)
ENTRY = FirstEntry(
    group=Group(name="Nova", latitude=9.0, longitude=1.1, altitude_m=370.0, time_zone="Africa/Lome", currency="XOF"),
    commodity="maize",
    bags=40,
    bag_kg=100.0,
    moisture_pct=17.5,
    drying_method="tarpaulin",
    area_m2=60.0,
    storage_method="hermetic_bag",
    store_units=40,
    market="Sokodé",
    price_per_kg=210.0,
    need=50_000.0,
    need_on=date(2026, 9, 1),
)


@pytest.fixture
def store(tmp_path):
    opened = fresh_store(tmp_path / "x.sqlite3")
    yield opened
    opened.engine.dispose()


def test_everything_entered_is_kept(store):
    group = begin(store, ENTRY, TODAY, NOW, "Ama", "token")
    lot = store.lots(group)[0]
    assert (lot.bags, lot.bag_mass_kg, lot.commodity) == (40, 100.0, "maize")
    assert store.readings(group)["meter_moisture_pct"].tolist() == [17.5]
    assert store.price_quotes(group)["price_per_kg"].tolist() == [210.0]
    assert store.fact(group, "plan.market").value == "Sokodé"  # a price file of other towns does not take its place
    has = possessions(store, group)
    assert [(space.method, space.area_m2) for space in has.spaces] == [("tarpaulin", 60.0)]
    assert [(kept.method, kept.units) for kept in has.stores] == [("hermetic_bag", 40)]
    assert [need["amount"] for need in read_wishes(store, group)["needs"]] == [50_000.0]


def test_the_same_form_is_taken_once(store):
    begin(store, ENTRY, TODAY, NOW, "Ama", "token")
    with pytest.raises(AlreadySavedError):
        begin(store, ENTRY, TODAY, NOW, "Ama", "token")
    assert len(store.groups()) == 1


@pytest.mark.parametrize(
    "change",
    [{"bags": 0}, {"area_m2": -1.0}, {"need_on": None}, {"need_on": date(2026, 5, 1)}, {"drying_method": "an oven"}],
)
def test_what_cannot_be_leaves_nothing_behind(store, change):
    with pytest.raises((InputError, NotFoundError)):
        begin(store, replace(ENTRY, **change), TODAY, NOW, "Ama", "token")
    assert not store.groups()


def test_an_untested_lot_gets_no_invented_test(store):
    group = begin(store, replace(ENTRY, moisture_pct=None), TODAY, NOW, "Ama", "token")
    assert store.readings(group).empty


def test_towns_lie_where_atlases_have_them():
    """Tamale 9.4 N 0.8 W, Lilongwe 14.0 S 33.8 E, Nagpur 21.1 N 79.1 E: to a tenth of a degree, by any atlas."""
    for country, name, latitude, longitude, zone in (
        ("GH", "Tamale", 9.4, -0.84, "Africa/Accra"),
        ("MW", "Lilongwe", -13.97, 33.79, "Africa/Blantyre"),
        ("IN", "Nagpur", 21.15, 79.08, "Asia/Kolkata"),
    ):
        town = get_town(country, name)
        assert abs(town.latitude - latitude) < 0.1
        assert abs(town.longitude - longitude) < 0.1
        assert town.time_zone == zone
    with pytest.raises(NotFoundError):
        get_town("GH", "Nowhere")
    assert len(towns()) > 60


def test_every_country_has_a_usual_bag():
    assert usual_bag("KE")[0] == 90.0
    assert all(20 <= usual_bag(country)[0] <= 120 for country in towns())
