"""The verdict of the prices page and the plan agree, on groups with invented prices of every kind."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from core.advice import situation
from core.advice.checks import SOON_WEEKS, waiting_agrees
from core.group.records import PriceQuote
from tests.advice.groups import NOW, Heap, small_group, with_parts

CROPS = ("maize", "common_bean", "cowpea")
MONTHS = 72


def prices(group, crop, rise, scatter, rng):
    """Return six years of monthly prices: lowest in May, `rise` (fraction) dearer in November, with scatter (log)."""
    found = []
    for back in range(MONTHS):
        month = NOW.year * 12 + NOW.month - 1 - back
        turn = 0.5 - 0.5 * np.cos(2 * np.pi * ((month % 12) - 4) / 12)
        price = 200.0 * (1.0 + rise) ** turn * float(np.exp(rng.normal(0.0, scatter)))
        on = NOW.date() if back == 0 else date(month // 12, month % 12 + 1, 15)
        found.append(PriceQuote(group_id=group, quoted_on=on, market="Town", commodity=crop, price_per_kg=price))
    return found


def random_group(folder, seed):
    """Return the situation of a group of dry lots; each crop's season is none, doubtful or strong, by chance."""
    rng = np.random.default_rng(seed)
    heaps = [Heap(crop, int(rng.integers(6, 20)), (9.5, 9.6, 9.4, 9.5)) for crop in CROPS]
    facts = {"interest_monthly": float(rng.choice([0.0, 0.02])), "plan.weeks": 26, "plan.scenarios": 16}
    store = small_group(f"sqlite:///{folder / 'x.sqlite3'}", heaps, facts, priced=False)
    group = store.groups()[0].id
    for crop, rise in zip(CROPS, rng.permutation([0.0, 0.15, 0.9]), strict=True):
        store.add_price_quotes(prices(group, crop, rise, float(rng.uniform(0.02, 0.1)), rng))
    return situation(store, group, NOW)


def waits(now, crop):
    """Return the bags of a crop that the plan sells more than four weeks after they are ready."""
    late = [line for line in now.plan.sales if line.commodity == crop and line.buyer]
    return sum(line.bags for line in late if (line.sell_on - line.ready_on).days > 7 * SOON_WEEKS)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_where_past_prices_do_not_support_waiting_the_plan_does_not_wait(tmp_path, seed):
    now = random_group(tmp_path, seed)
    verdicts = {price.crop: price.waiting for price in now.prices}
    assert set(verdicts) == set(CROPS)
    assert all(verdicts.values())
    refused = [crop for crop, waiting in verdicts.items() if not waiting.wait]
    supported = [crop for crop, waiting in verdicts.items() if waiting.wait]
    assert refused  # else the case says nothing
    assert supported
    assert [waits(now, crop) for crop in refused] == [0] * len(refused)
    assert any(waits(now, crop) for crop in supported)
    assert list(waiting_agrees(now)) == []
    # turned round, the check sees it: what is waited for is refused
    other = [replace(price, waiting=verdicts[refused[0]]) for price in now.prices]
    assert list(waiting_agrees(with_parts(now, prices=tuple(other))))
    now.store.engine.dispose()
