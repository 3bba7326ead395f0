"""Records of a group as storage reads them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pandas as pd

from core.group.lot_state import JudgingRules, lot_state
from core.group.records import Lot
from core.group.sieves import Sieve
from core.planning.storage_from_records import retests_since_bagging, rounds_of, stored_lot

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
