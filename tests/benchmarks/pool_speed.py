"""Time a season of 60 members, 400 deliveries each and 30 sales, with all statements.

Ratio against reading the events once.

Run: ``python3 -m tests.benchmarks.pool_speed``
"""

from __future__ import annotations

import time
from datetime import date, timedelta

import numpy as np

from core.group.records import Member
from core.pool.earlier import DELIVERIES, EarlierOptions, open_earlier, preview_earlier
from core.pool.prices import price_effects
from core.pool.season import replay
from core.pool.statements import make_statements
from core.reports.statement import statement_page
from tests.pool.helpers import delivery, event, sale


def main() -> None:
    """Print the times and their ratio."""
    random = np.random.default_rng(1)
    start = date(2026, 5, 1)
    terms = {
        "levies": [{"name": "meter", "kind": "per_kg", "amount": "0.1"}],
        "price_rule": "by_week",
        "minimum_take_home": "0.5",
    }
    events = [event(1, "terms", terms)]
    for member in range(1, 61, 3):
        events.append(event(len(events) + 1, "loan", {"member_id": member, "principal": "900", "monthly_rate": "0.02"}))
    for number in range(60 * 400):
        day = start + timedelta(days=int(number // 200))
        kg, moisture = f"{random.uniform(30, 120):.2f}", f"{random.uniform(11, 14):.1f}"
        events.append(delivery(len(events) + 1, number % 60 + 1, kg, moisture, on=day))
    for number in range(30):
        events.append(sale(len(events) + 1, "20000", "13", "2.15", on=start + timedelta(days=30 + 3 * number)))
    began = time.perf_counter()
    plain = sum(len(item.payload) for item in events)
    reading = time.perf_counter() - began
    began = time.perf_counter()
    season = replay(events)
    replayed = time.perf_counter()
    pages = [statement_page(item, f"member {key}", "group", "MWK") for key, item in make_statements(season).items()]
    done = time.perf_counter()
    price_effects(events)
    explained = time.perf_counter()
    lines = ["date,member,net kg,moisture,receipt"]
    lines += [
        f"{item.on.isoformat()},{item.member_id},{item.net_kg},{item.moisture_pct},{item.number}"
        for item in season.deliveries
    ]
    table = open_earlier("\n".join(lines).encode(), "earlier.csv", DELIVERIES)
    people = [Member(id=number, group_id=1, name=f"member {number}") for number in range(1, 61)]
    opened = time.perf_counter()
    seen = preview_earlier(table, EarlierOptions(columns=table.columns), people, [], date(2026, 12, 1))
    previewed = time.perf_counter()
    print(f"{plain} values read once: {reading:.3f} s")
    print(f"season rebuilt: {replayed - began:.2f} s; {len(pages)} statements: {done - replayed:.2f} s")
    print(f"price differences explained: {explained - done:.2f} s")
    print(
        f"table of {len(seen.rows)} earlier deliveries opened and checked: {previewed - explained:.2f} s "
        f"({opened - explained:.2f} s to write and read)"
    )
    print(f"all against reading once: {(done - began) / reading:.0f} times")


if __name__ == "__main__":
    main()
