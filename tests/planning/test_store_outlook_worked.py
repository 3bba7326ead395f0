"""A lot's outlook in store by hand: what the store's day is given, and what its end is read from.

The store itself is stood in for: what comes of a lot in it is tested in its own room.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from core.market.deductions import flat_deductions
from core.planning import store_outlook as room
from core.planning.store_outlook import OutlookSettings, StoredLot, corrected_by_tests, method_outlook
from core.storage.advice import BuyerTerms, StorageLimits
from core.storage.retest import Retest

LOT = StoredLot(
    1, "A", "maize", 13.0, 0.4, insects_per_kg=2.0, sieved_kg=0.7, sieved_days_ago=6, method="woven_bag", stored_days=20
)
TERMS = BuyerTerms(deductions=flat_deductions(14.0, 0.02, refusal_pct=16.0, damage_per_pct=0.03))
SETTINGS = OutlookSettings(StorageLimits(moisture_pct=15.0), TERMS, borer_present=True, store_offset_c=1.5, seed=3)
CLIMATES = [None] * 5
SHOCK = np.random.default_rng([3, 17]).standard_normal(5)


@pytest.fixture
def asked(monkeypatch):
    """Stand in for the store and for what reads its end; return what they were given."""
    found = SimpleNamespace(store=[], limits=[], terms=[], pests=[])

    def simulate(crop, moisture, method, climates, days, **more):
        found.store.append((crop, moisture, method, len(climates), days, more))
        return SimpleNamespace(
            notes=("noted",), moisture_pct=np.linspace(12, 14, days + 1)[:, None] + np.arange(5) / 10
        )

    def chances(run, terms):
        found.terms.append(terms)
        ends = {"odour": (0.9, 0.2), "live insects": (0.1, 0.5), "any": (1.0, 1.0), "moisture": (0.0, 0.3)}
        return {name: np.array([[first] * 5, [last] * 5]) for name, (first, last) in ends.items()}

    def until(run, certainty, limits):
        found.limits.append(limits)
        return certainty

    monkeypatch.setattr(room, "simulate_storage", simulate)
    monkeypatch.setattr(room, "lot_of", lambda run, number: run if number == 0 else None)
    monkeypatch.setattr(room, "draw_pests", lambda *given: found.pests.append(given) or "drawn")
    monkeypatch.setattr(room, "refusal_chances", chances)
    monkeypatch.setattr(room, "weekly_table", lambda run, terms: terms)
    monkeypatch.setattr(room, "keeps_until", until)
    monkeypatch.setattr(room, "next_test", lambda run, costs, limits: SimpleNamespace(days=9.0, costs=costs))
    lost = np.array([[0.1, 0.2, 0.3, 0.4, 9.0], [3.0, 1.0, 2.0, 5.0, 4.0]])
    monkeypatch.setattr(room, "paid_weight_loss_pct", lambda run, paid: lost + paid)
    monkeypatch.setattr(room, "storage_refusal", lambda *given: None)
    return found


def test_what_the_store_is_given_and_what_is_read_from_its_end(asked):
    """The dryings below what is paid for have their most at 3, 1, 2, 5 and 9 %, over 14: the middle one is 17."""
    found = method_outlook(LOT, "woven_bag", CLIMATES, 40, SETTINGS)
    [(crop, moisture, method, climates, days, more)] = asked.store
    assert (crop, method, climates, days) == ("maize", "woven_bag", 5, 40)
    np.testing.assert_allclose(moisture, [13.0 + 0.4 * SHOCK])
    assert asked.pests == [(5, 3, True)]
    assert more == {
        "insects_per_kg": 2.0,
        "borer_present": True,
        "draw": "drawn",
        "sieved_kg": 0.7,
        "stored_days": 20,
        "insects_grown_days": 6,
        "store_offset_c": 1.5,
    }
    assert (found.sure, found.likely, found.test_days, found.notes) == (0.95, 0.80, 9, ("noted",))
    assert found.test.costs is SETTINGS.costs
    assert found.refusal_grounds == (("live insects", 0.5), ("moisture", 0.3), ("odour", 0.2))
    assert found.dried_below_pct == 17.0
    assert replace(found, refusal="too wet").test_days == 1
    assert asked.limits == [SETTINGS.limits] * 2
    assert asked.terms == [TERMS]
    free = replace(SETTINGS, terms=BuyerTerms(deductions=replace(TERMS.deductions, base_pct=None, steps=())))
    assert method_outlook(LOT, "woven_bag", CLIMATES, 40, free, draw="given").dried_below_pct == 0.0
    assert asked.store[-1][-1]["draw"] == "given"
    assert len(asked.pests) == 1


def test_a_limit_of_the_lots_own_buyer_takes_the_place_of_the_settings(asked):
    method_outlook(replace(LOT, limit_pct=12.5), "woven_bag", CLIMATES, 40, SETTINGS)
    assert asked.limits == [replace(SETTINGS.limits, moisture_pct=12.5)] * 2
    own = flat_deductions(12.5, 0.02, refusal_pct=12.5, damage_per_pct=0.03)
    assert asked.terms == [replace(TERMS, deductions=own)]


@pytest.mark.parametrize(
    ("now", "insects", "to", "grown", "stored"),
    [
        ("woven_bag", 2.0, "woven_bag", 6, 20),  # they were counted six days ago
        ("woven_bag", 2.0, "hermetic_bag", 6, 0),
        ("woven_bag", None, "woven_bag", 0, 20),  # nobody sieved: the run itself begins twenty days ago
        ("woven_bag", None, "hermetic_bag", 20, 0),
        ("hermetic_bag", 2.0, "hermetic_bag", 0, 20),  # none grow without air
        ("hermetic_bag", None, "woven_bag", 0, 0),
        (None, 2.0, "woven_bag", 6, 0),
    ],
)
def test_for_how_long_insects_have_grown(asked, now, insects, to, grown, stored):
    method_outlook(replace(LOT, method=now, insects_per_kg=insects), to, CLIMATES, 40, SETTINGS)
    more = asked.store[0][-1]
    assert (more["insects_grown_days"], more["stored_days"]) == (grown, stored)


def test_a_lot_corrected_by_its_tests_by_hand(asked, monkeypatch):
    """The stand-in goes from 12 to 14 % in 40 days, weather k another k / 10. Weights 0, 0, 1/2, 1/4 and 1/4 give
    14.275 on the last day, and 0.083 of spread, which is less than the two tenths that are always left.
    """
    weights = np.array([0.0, 0.0, 0.5, 0.25, 0.25])
    updated = SimpleNamespace(weights=weights, moisture_shift=0.15, effective_scenarios=2.5)
    monkeypatch.setattr(room, "update_forecast", lambda run, tests: updated)
    monkeypatch.setattr(room, "resampled", lambda pests, given: (pests, given))
    seen = Retest(40, insects_seen=False)
    found = corrected_by_tests(LOT, "crib", CLIMATES, [Retest(20, 13.4, 0.3), seen], SETTINGS)
    [(crop, moisture, method, _, days, more)] = asked.store
    assert (crop, method, days) == ("maize", "crib", 40)
    np.testing.assert_allclose(moisture, [13.0 + 0.4 * SHOCK])
    assert more["store_offset_c"] == 1.5
    assert (more["insects_per_kg"], more["sieved_kg"], more["borer_present"]) == (2.0, 0.7, True)
    assert (found.lot.moisture_pct, found.lot.moisture_sd) == (pytest.approx(14.275 + 0.15), 0.2)
    assert (found.lot.method, found.lot.stored_days, found.draw) == ("crib", 40, ("drawn", weights))
    assert (found.expected_pct, found.effective_scenarios, found.fits) == (pytest.approx(14.2), 2.5, True)
    # ten times as far apart, 20 to 24 %, and weighed one to three: 23, and 4 x sqrt(3) / 4 about it
    updated.weights = np.array([1, 0, 0, 0, 3]) / 4
    monkeypatch.setattr(room, "lot_of", lambda run, _: SimpleNamespace(moisture_pct=10 * run.moisture_pct - 120))
    wide = corrected_by_tests(LOT, "crib", CLIMATES, [seen], SETTINGS).lot
    assert (wide.moisture_pct, wide.moisture_sd) == (pytest.approx(23.15), pytest.approx(np.sqrt(3)))


@pytest.mark.parametrize(("read", "fits"), [(14.9, True), (15.0, False), (11.6, True), (11.4, False)])
def test_a_test_that_no_weather_explains_stands_alone(asked, monkeypatch, read, fits):
    """On day 20 the scenarios lie from 13 to 13.4 %: up to a point and a half from the nearest a test is believed.

    The one of day 10 is older, the one of day 40 read nothing.
    """
    updated = SimpleNamespace(weights=np.full(5, 0.2), moisture_shift=0.0, effective_scenarios=5.0)
    monkeypatch.setattr(room, "update_forecast", lambda run, tests: updated)
    monkeypatch.setattr(room, "resampled", lambda pests, given: pests)
    tests = [Retest(10, 30.0, 0.3), Retest(20, read, 0.35), Retest(40, insects_seen=True)]
    found = corrected_by_tests(LOT, "crib", CLIMATES, tests, SETTINGS)
    assert found.fits == fits
    assert found.lot.stored_days == 40
    if not fits:
        assert (found.lot.moisture_pct, found.lot.moisture_sd, found.lot.method) == (read, 0.35, "crib")
        assert (found.expected_pct, found.effective_scenarios, found.draw) == (pytest.approx(13.2), 5.0, "drawn")


def test_a_test_on_the_day_of_bagging_looks_a_day_ahead(asked, monkeypatch):
    updated = SimpleNamespace(weights=np.full(5, 0.2), moisture_shift=0.0, effective_scenarios=5.0)
    monkeypatch.setattr(room, "update_forecast", lambda run, tests: updated)
    monkeypatch.setattr(room, "resampled", lambda pests, given: pests)
    found = corrected_by_tests(LOT, "crib", CLIMATES, [Retest(0, insects_seen=True)], SETTINGS)
    assert asked.store[0][4] == 1
    assert found.expected_pct == pytest.approx(12.2)
