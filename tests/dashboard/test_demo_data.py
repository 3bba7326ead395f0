"""The example is whole: books that balance, lots at every stage, marked as invented, at any date of first start."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from core.group.database import open_store
from core.meter.account import replay as replay_meter
from core.pool.season import replay as replay_pool
from core.pool.statements import make_statements
from demo_data.load import fill_with_demo


@pytest.mark.parametrize(
    "now",
    [datetime(2026, 1, 31, 23, tzinfo=UTC), datetime(2028, 2, 29, 6, tzinfo=UTC), datetime(2026, 7, 4, tzinfo=UTC)],
)
def test_the_example_is_whole_at_any_date(tmp_path, now):
    store = open_store(f"sqlite:///{tmp_path / 'demo.sqlite3'}")
    fill_with_demo(store, now)
    groups = store.groups()
    assert len(groups) == 3
    assert all(group.demo and "invented" in group.district for group in groups)
    statuses = {lot.status for group in groups for lot in store.lots(group.id)}
    assert {"wet", "drying", "stored", "sold"} <= statuses
    for group in groups:
        account = replay_meter(store.events(group.id, "meter"))
        assert len(account.facts.members) == len(store.members(group.id))
        season = replay_pool(store.events(group.id, "pool"))
        assert season.deliveries
        assert make_statements(season)
        readings = store.readings(group.id)
        assert readings["taken_at"].max() <= now
        assert set(readings["tester"]) <= {member.name for member in store.members(group.id)}
        quotes = store.price_quotes(group.id)
        months = quotes["quoted_on"].astype(str).str[:7].nunique()
        assert months >= 60
        assert quotes["quoted_on"].astype(str).max() <= now.date().isoformat()
