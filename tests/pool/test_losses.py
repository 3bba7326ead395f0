"""A pool's losses beside what was to be expected: the sentence, the climates' middle, the run asked for."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal as D
from types import SimpleNamespace

import numpy as np
import pytest

from core.errors import NotFoundError
from core.pool.losses import PoolLosses, losses_against_plan, mean_days, method_of, pool_losses, storage_curve
from core.pool.season import replay
from tests.pool.helpers import delivery, event, sale

JUNE, NOW = date(2026, 6, 30), datetime(2026, 6, 30, 7, tzinfo=UTC)
EVENTS = [
    delivery(1, 1, "100", "20", on=date(2026, 5, 1)),  # 80 kg dry
    delivery(2, 2, "300", "20", on=date(2026, 5, 5)),  # 240 kg dry: mean day 4 May
    sale(3, "50", "20", "2", on=date(2026, 5, 3)),  # of the first alone: 2 days
    event(4, "loss", {"pool": "maize", "dry_kg": "8", "kind": "insects and mould"}, date(2026, 5, 14)),
    event(5, "loss", {"pool": "maize", "dry_kg": "4", "kind": "shrink of dry matter"}, date(2026, 5, 14)),
    event(6, "loss", {"pool": "maize", "dry_kg": "2", "kind": "spillage"}, date(2026, 5, 14)),
    event(7, "store", {"pool": "maize", "method": "woven_bag"}, date(2026, 5, 1)),
]


def a_pool(lost: str, expected: tuple[float, float, float]) -> PoolLosses:
    return PoolLosses("P", "woven_bag", False, D(1000), 60.4, 13.0, expected, 5.0, {"insects and mould": D(lost)})


@pytest.mark.parametrize(
    ("lost", "expected", "words"),
    [
        ("0", (0.1, 0.3, 0.9), "hardly any"),
        ("0", (0.5, 0.9, 3.0), "less than"),
        ("0", (0.0, 0.9, 3.0), "within"),
        ("0", (0.5, 1.0, 3.0), "Weigh the stack"),
        ("0.2", (0.1, 0.3, 0.9), "within"),
        ("3.1", (0.5, 1.0, 3.0), "more than"),
        ("3", (0.5, 1.0, 3.0), "within"),
        ("0.5", (0.5, 1.0, 3.0), "within"),
        ("0.4", (0.5, 1.0, 3.0), "less than"),
    ],
)
def test_the_sentence_says_where_the_loss_lies(lost, expected, words):
    found = a_pool(lost, expected)
    assert words in str(found.verdict)
    assert "60 days" in str(found.verdict)
    assert replace(found, measured={"spillage": D(9), "theft": D(9)}).measured_storage == 0


def test_days_and_expected_kilograms_by_hand():
    """Sold 40 kg dry after 2 days; lost 8 + 4 + 2 after 10 days on average (80 x 13 + 240 x 9 days, over 320); left
    266 after 57 days. Climates lose 0 to 10 hundredths of a per cent a day: tenth, middle, ninth tenth are 1, 5, 9.
    Together 40 x 2 + 14 x 10 + 266 x 57 = 15,382 kg days: at 0.05 % a day 7.691 kg dry, 8.89133 at 13.5 %.
    """
    season = replay(EVENTS)
    rows = mean_days(season, "maize", JUNE)
    expected = [(40, 2), (8, 10), (4, 10), (2, 10), (266, 57)]
    assert [value for row in rows for value in row] == pytest.approx([value for row in expected for value in row])
    found = pool_losses(season, "maize", JUNE, lambda days: days[:, None] * np.arange(11) / 100, "bag", True, 0.005)
    assert found.expected_storage == pytest.approx([15382 * rate / 100 / 86.5 for rate in (1, 5, 9)])
    assert found.days == pytest.approx(15382 / 320)
    assert found.moisture_pct == pytest.approx(20)
    assert found.delivered_kg == D("369.942")  # 320 / 0.865
    assert found.expected_spillage == pytest.approx(0.005 * 369.942)
    assert found.measured == {
        "insects and mould": D("9.249"),
        "shrink of dry matter": D("4.624"),
        "spillage": D("2.312"),
    }
    assert found.measured_storage == D("13.873")
    assert (found.pool, found.method, found.assumed_method) == ("maize", "bag", True)
    nothing = pool_losses(replay([]), "maize", JUNE, lambda days: days[:, None], "bag", True, 0.005)
    assert (nothing.days, nothing.moisture_pct, nothing.expected_storage) == (0, 0, (0, 0, 0))


@pytest.fixture
def asked(monkeypatch):
    """Note what the storage room is asked for; its answer: climate A loses 1 % in 10 days, B 3 %."""
    seen: dict = {}
    place = SimpleNamespace(name="here")

    def climates(normals, first, days, scenarios, seed, place):
        seen.update(normals=normals, first=first, weather_days=days, place=place)
        return "climates"

    def simulate(crop, moisture, method, climates, days, borer_present, seed, every):
        if method == "unknown":
            raise NotFoundError("no such method")
        seen.update(crop=crop, moisture=moisture, method=method, days=days, borer=borer_present)
        return SimpleNamespace(day=np.array([0, 10]), weight_loss_pct=np.array([[0.0, 0.0], [1.0, 3.0]]))

    monkeypatch.setattr(
        "core.planning.case_from_records.surroundings_of",
        lambda store, group, now: SimpleNamespace(normals="normals", place=place, borer_present=True),
    )
    monkeypatch.setattr("core.weather.scenarios.climate_scenarios", climates)
    monkeypatch.setattr("core.storage.simulate.simulate_storage", simulate)
    return seen


def test_the_run_begins_on_the_mean_day_at_the_mean_moisture(asked):
    """By hand: 80 kg dry on 1 May and 240 on 5 May: 4 May; 20 %; 61 days from the first to 30 June, that day too."""
    beside = [delivery(8, 3, "999", "13", pool="beans", on=date(2026, 1, 1))]
    curve = storage_curve(None, None, replay(EVENTS + beside), "maize", "woven_bag", JUNE, NOW)
    assert asked["moisture"] == pytest.approx(20)
    seen = {name: asked[name] for name in ("first", "days", "weather_days", "crop", "method", "borer", "normals")}
    assert seen == {
        "first": date(2026, 5, 4),
        "days": 61,
        "weather_days": 62,
        "crop": "maize",
        "method": "woven_bag",
        "borer": True,
        "normals": "normals",
    }
    # half way a half; past the run's end its end; before it nothing
    assert curve(np.array([5, 12, -3])) == pytest.approx(np.array([[0.5, 1.5], [1, 3], [0, 0]]))
    storage_curve(None, None, replay(EVENTS), "maize", "woven_bag", date(2026, 5, 1), NOW)
    assert asked["days"] == 2  # a run needs two days
    storage_curve(None, None, replay(EVENTS), "maize", "woven_bag", date(2029, 5, 1), NOW)
    assert asked["days"] == 700  # no longer than that


def test_every_pool_with_a_known_store_has_its_row(asked):
    """The store that was named counts; else the group's setting, marked assumed; what has no physics is left out."""
    facts = {
        "pool.spillage": SimpleNamespace(value="0.01", origin="assumed"),
        "pool.storage_method": SimpleNamespace(value="hermetic_bag", origin="assumed"),
    }
    store = SimpleNamespace(fact=lambda _group, key: facts[key])
    events = [*EVENTS, delivery(8, 3, "100", "13.5", pool="beans", on=date(2026, 5, 1))]
    rows = losses_against_plan(store, SimpleNamespace(id=7), replay(events), JUNE, NOW)
    assert [(row.pool, row.method, row.assumed_method) for row in rows] == [
        ("beans", "hermetic_bag", True),
        ("maize", "woven_bag", False),
    ]
    assert rows[0].expected_spillage == pytest.approx(1.0)  # 1 % of 100 kg at 13.5 %
    unknown = [*events, event(9, "store", {"pool": "maize", "method": "unknown"}, date(2026, 5, 2))]
    assert [row.pool for row in losses_against_plan(store, SimpleNamespace(id=7), replay(unknown), JUNE, NOW)] == [
        "beans"
    ]
    facts["pool.storage_method"].origin = "entered"
    assert method_of(store, 7, replay(events), "beans") == ("hermetic_bag", False)


def test_what_came_on_the_day_of_a_load_may_be_in_it():
    """By hand: 80 kg dry on 1 May and 80 on 5 May; what leaves on 5 May lay 4 and 0 days: 2 on average."""
    events = [
        delivery(1, 1, "100", "20", on=date(2026, 5, 1)),
        delivery(2, 1, "100", "20", on=date(2026, 5, 5)),
        sale(3, "200", "20", "2", on=date(2026, 5, 5)),
    ]
    assert mean_days(replay(events), "maize", JUNE) == [(160, 2)]
