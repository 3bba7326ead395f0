"""Records of a group as storage reads them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from core.group.lot_state import JudgingRules, lot_state
from core.group.records import Lot
from core.group.sieves import Sieve
from core.planning import storage_from_records as room
from core.planning.storage_from_records import retests_since_bagging, rounds_of, stored_lot
from core.storage.methods import usual_method

STORED = date(2026, 5, 1)


def readings(*rounds: tuple[datetime, float]) -> pd.DataFrame:
    rows = []
    for at, moisture in rounds:
        for bag in range(4):
            rows.append(
                {
                    "id": len(rows) + 1,
                    "lot_id": 1,
                    "taken_at": pd.Timestamp(at + timedelta(minutes=bag)),
                    "bag": str(bag),
                    "temperature_c": float("nan"),
                    "relative_humidity_pct": float("nan"),
                    "meter_moisture_pct": moisture + 0.1 * bag,
                    "tester": "",
                    "settled": None,
                    "import_id": None,
                }
            )
    return pd.DataFrame(rows)


def lot() -> Lot:
    return Lot(
        id=1,
        group_id=1,
        label="A",
        commodity="maize",
        bags=20,
        status="stored",
        storage_method="hermetic_bag",
        stored_on=STORED,
    )


def test_retests_since_bagging() -> None:
    at = datetime(2026, 4, 30, 8, tzinfo=UTC)
    table = readings((at, 12.5), (at + timedelta(days=30), 13.4))
    assert len(rounds_of(table)) == 2
    state = lot_state(lot(), table, JudgingRules())
    found = retests_since_bagging(state, table, JudgingRules(), "UTC", Sieve(STORED + timedelta(days=10), 0.0, 2.0))
    assert found is not None
    bagged, retests = found
    assert abs(bagged.moisture_pct - 12.65) < 0.05
    assert [test.day for test in retests] == [29, 10]
    assert retests[1].insects_seen is False
    today = stored_lot(state, {}, STORED + timedelta(days=40))
    assert today is not None
    assert (today.method, today.stored_days) == ("hermetic_bag", 40)
    assert abs(today.moisture_pct - 13.55) < 0.05


def test_nothing_to_correct_without_a_later_test() -> None:
    table = readings((datetime(2026, 4, 30, 8, tzinfo=UTC), 12.5))
    state = lot_state(lot(), table, JudgingRules())
    assert retests_since_bagging(state, table, JudgingRules(), "UTC") is None
    assert stored_lot(lot_state(lot(), table.iloc[0:0], JudgingRules()), {}, STORED) is None


def told(mean: float, error: float, common: float = 0.0) -> SimpleNamespace:
    return SimpleNamespace(mean_pct=mean, standard_error_pct=error, common_sd_pct=common, degrees_of_freedom=4.0)


def state_of(moisture: SimpleNamespace | None, limits: dict[str, float] | None = None, **changes: Any) -> Any:
    kinds = {kind: SimpleNamespace(moisture_pct=pct) for kind, pct in (limits or {}).items()}
    limit = SimpleNamespace(of_kind=kinds.get)
    return SimpleNamespace(lot=replace(lot(), **changes), moisture=moisture, limit=limit, risk=0.03)


def test_a_lot_as_storage_sees_it_by_hand() -> None:
    limits = {"contract": 13.0, "standard": 13.5, "keeping": 12.5}
    counted = {1: Sieve(date(2026, 5, 4), 2.5, 0.7)}
    found = stored_lot(state_of(told(12.3456, 0.256), limits), counted, date(2026, 5, 9))
    assert found is not None
    assert (found.moisture_pct, found.moisture_sd, found.freedom, found.verdict_risk) == (12.35, 0.26, 4.0, 0.03)
    assert (found.insects_per_kg, found.sieved_kg, found.sieved_days_ago, found.stored_days) == (2.5, 0.7, 5, 8)
    assert (found.limit_pct, found.keeping_pct, found.method, found.unshelled) == (13.0, 12.5, "hermetic_bag", False)
    del limits["contract"], limits["keeping"]
    cob = stored_lot(state_of(told(12.0, 0.04), limits, form="cob", storage_method="a heap"), {}, date(2026, 4, 20))
    assert cob is not None
    # an error below a tenth of a point is none that can be had; a day to come is no day in store
    assert (cob.moisture_sd, cob.stored_days, cob.method, cob.unshelled) == (0.1, 0, usual_method(), True)
    assert (cob.limit_pct, cob.keeping_pct) == (13.5, None)
    assert (cob.insects_per_kg, cob.sieved_kg, cob.sieved_days_ago) == (None, 1.0, 0)
    early = stored_lot(state_of(told(12.0, 0.5)), counted, date(2026, 5, 2))
    assert early is not None
    assert (early.sieved_days_ago, early.stored_days, early.limit_pct) == (0, 1, None)
    home = stored_lot(state_of(told(12.0, 0.5), status="drying", form="pod"), {}, date(2026, 5, 9))
    assert home is not None
    assert (home.method, home.stored_days, home.unshelled) == (None, 0, True)
    unknown = stored_lot(state_of(told(12.0, 0.5), stored_on=None), {}, date(2026, 5, 9))
    assert unknown is not None
    assert (unknown.method, unknown.stored_days) == ("hermetic_bag", 0)


BAGGED = datetime(2026, 5, 1, 20, 59, tzinfo=UTC)  # a minute to midnight in Nairobi
SECOND, DAY = timedelta(seconds=1), timedelta(days=1)


def since(
    monkeypatch: pytest.MonkeyPatch, *at: datetime, read: list[float], sieve: Sieve | None = None, **changes: Any
) -> Any:
    """Return what is found of tests at some moments, each of them known to 0.5 point, of which the meter has 0.3."""

    def estimate(_lot: Lot, tests: pd.DataFrame, _rules: JudgingRules) -> tuple[SimpleNamespace | None, None]:
        mean = float(tests["meter_moisture_pct"].iloc[-1])
        return (None if mean > 50 else told(mean, 0.05 if mean < 10 else 0.5, 0.3 if mean < 20 else 0.5)), None

    monkeypatch.setattr(room, "estimate_from_tests", estimate)
    table = pd.DataFrame(
        {
            "taken_at": [pd.Timestamp(moment) for moment in at],
            "bag": [str(number) for number in range(len(at))],
            "meter_moisture_pct": pd.Series(read, dtype=float),
        }
    )
    return retests_since_bagging(state_of(told(14.0, 0.5), **changes), table, JudgingRules(), "Africa/Nairobi", sieve)


def test_which_tests_are_of_the_bagging_and_which_are_later(monkeypatch: pytest.MonkeyPatch) -> None:
    """More than five days before bagging is of drying grain, up to three after it is of the bagging."""
    late = BAGGED + 30 * DAY
    assert since(monkeypatch, BAGGED - 5 * DAY, late, read=[12, 13]) is None
    for first in (BAGGED - 5 * DAY + SECOND, BAGGED, BAGGED + 3 * DAY):
        bagged, retests = since(monkeypatch, first, late, read=[12, 13])
        assert (bagged.moisture_pct, bagged.moisture_sd, bagged.stored_days) == (12.0, 0.5, 0)
        # 0.5^2 - 0.3^2 = 0.4^2 is not the meter's
        assert [(test.day, test.moisture_pct) for test in retests] == [(30, 13.0)]
        assert retests[0].moisture_sd == pytest.approx(0.4)
    assert since(monkeypatch, BAGGED, BAGGED + 3 * DAY, read=[12, 13]) is None
    _, retests = since(monkeypatch, BAGGED, BAGGED + 3 * DAY + SECOND, read=[12, 13])
    assert [test.day for test in retests] == [3]
    # oldest first; one that says nothing is passed over; where all is the meter's a tenth is left
    _, retests = since(monkeypatch, BAGGED, *(BAGGED + days * DAY for days in (20, 40, 60)), read=[12, 21, 99, 13])
    assert [(test.day, test.moisture_pct) for test in retests] == [(20, 21.0), (60, 13.0)]
    assert retests[0].moisture_sd == pytest.approx(0.1)
    assert since(monkeypatch, BAGGED, late, read=[99, 13]) is None
    assert since(monkeypatch, BAGGED, late, read=[12, 99]) is None
    assert since(monkeypatch, BAGGED, late, read=[9, 13])[0].moisture_sd == 0.1
    for change in ({"status": "drying"}, {"stored_on": None}):
        assert since(monkeypatch, BAGGED, late, read=[12, 13], **change) is None
    assert since(monkeypatch, read=[]) is None


def test_a_sieve_since_bagging_is_a_test_too(monkeypatch: pytest.MonkeyPatch) -> None:
    for on, seen in ((STORED, None), (STORED + DAY, True)):
        found = since(monkeypatch, BAGGED, read=[12], sieve=Sieve(on, 0.5, 2.0))
        assert (found is None) == (seen is None)
    [test] = found[1]
    assert (test.day, test.insects_seen, test.sieved_kg) == (1, True, 2.0)
