"""Days to dry against what a group's own weather, crop and moisture allowed."""

from __future__ import annotations

import math
import statistics
from datetime import date

import numpy as np
import pytest

from core.drying.run import DryingSetup
from core.group.records import Lot
from core.programme.expected import expected_days_to_dry, observed_against_expected
from core.programme.indicators import LotFacts
from core.weather.place import Place
from core.weather.usual import bundled_normals

PLACE = Place(-10.6, 34.4, 800, "Africa/Blantyre")


def lot(number, moisture, harvested):
    return Lot(
        id=number,
        group_id=1,
        label=str(number),
        commodity="maize",
        bags=10,
        nominal_bag_kg=90.0,
        weighed_moisture_pct=moisture,
        harvested_on=harvested,
    )


def sheets(_lot):
    return DryingSetup("tarpaulin", area_m2=30.0, altitude_m=PLACE.altitude_m, time_zone=PLACE.time_zone)


def test_wetter_grain_and_wetter_weather_take_longer():
    dry_season, rains = date(2026, 6, 1), date(2026, 1, 12)
    days = expected_days_to_dry(
        [
            (lot(1, 16, dry_season), 13.5),
            (lot(2, 21, dry_season), 13.5),
            (lot(3, 21, rains), 13.5),
            (lot(4, 12, rains), 13.5),
        ],
        PLACE,
        bundled_normals(),
        seed=2,
        setup_of=sheets,
    )
    assert days[0] < days[1] <= days[2]
    assert days[3] == 1.0
    assert days[0] <= 4  # threshed maize on sheets in dry weather: 2-3 days, farmers' report (Farm Radio 2019)


@pytest.mark.parametrize(("factor", "verdict"), [(1.0, "as expected"), (3.0, "slower")])
def test_a_group_is_judged_by_its_own_conditions(factor, verdict):
    lots = [lot(n, 17 + n % 4, date(2026, 6, 1 + n)) for n in range(10)]
    allowed = expected_days_to_dry([(item, 13.5) for item in lots], PLACE, bundled_normals(), seed=2, setup_of=sheets)
    noise = [0.9, 1.1] * 5
    facts = [
        LotFacts(item, True, True, days * factor * wobble, 5, 13.5)
        for item, days, wobble in zip(lots, allowed, noise, strict=True)
    ]
    found = observed_against_expected(facts, PLACE, bundled_normals(), seed=2, setup_of=sheets)
    assert found.verdict == verdict
    assert found.ratio == pytest.approx(factor, rel=0.15)


def test_few_lots_are_not_judged():
    facts = [LotFacts(lot(1, 18, date(2026, 6, 1)), True, True, 9.0, 5, 13.5)]
    assert (
        observed_against_expected(facts, PLACE, bundled_normals(), seed=2, setup_of=sheets).verdict == "cannot tell yet"
    )
    assert observed_against_expected([], PLACE, bundled_normals(), seed=2, setup_of=sheets).lots == 0


@pytest.mark.parametrize(
    ("observed", "allowed", "verdict"),
    [
        ([2, 4, 6, 8, 10], [1, 2, 4, 4, 5], "slower"),
        ([2, 4, 6, 8, 10], [4, 9, 12, 17, 20], "faster"),
        ([2, 4, 6, 8, 10], [4, 2, 6, 4, 20], "as expected"),
        ([2, 4, 6, 8], [1, 2, 3, 4.4], "cannot tell yet"),  # fewer than five lots
    ],
)
def test_the_ratio_is_of_sums_and_its_interval_of_log_ratios(monkeypatch, observed, allowed, verdict):
    """Plain sums, and Student's t of the lots' log ratios by the standard library (t from a table: 2.776, 3.182)."""
    monkeypatch.setattr("core.programme.expected.expected_days_to_dry", lambda *_args: np.array(allowed, dtype=float))
    facts = [LotFacts(lot(n, 18, date(2026, 6, 1)), True, True, days, 5, 13.5) for n, days in enumerate(observed)]
    found = observed_against_expected(facts, PLACE, bundled_normals(), seed=2, setup_of=sheets)
    logs = [math.log(seen / may) for seen, may in zip(observed, allowed, strict=True)]
    half = {5: 2.776, 4: 3.182}[len(logs)] * statistics.stdev(logs) / math.sqrt(len(logs))
    ratio = sum(observed) / sum(allowed)
    assert (found.lots, found.observed_days, found.expected_days) == (len(observed), sum(observed), sum(allowed))
    assert found.ratio == pytest.approx(ratio)
    assert (found.low, found.high) == (
        pytest.approx(ratio * math.exp(-half), rel=1e-3),
        pytest.approx(ratio * math.exp(half), rel=1e-3),
    )
    assert found.verdict == verdict
