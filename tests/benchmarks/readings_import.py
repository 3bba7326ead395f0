"""How long a table of 100,000 tests takes to come in, against reading the same file with pandas alone.

Run: python tests/benchmarks/readings_import.py [rows]
"""

from __future__ import annotations

import io
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import pandas as pd

from core.group.database import open_store
from core.group.reading_tables import import_preview, open_table, preview_table
from core.group.records import Group

NOW = datetime(2026, 11, 25, tzinfo=UTC)


def table(rows: int) -> pd.DataFrame:
    """Return an invented table."""
    return pd.DataFrame(
        {
            "Lot": [f"L{row // 2000}" for row in range(rows)],
            "Bag": [str(row % 100) for row in range(rows)],
            "Date": [f"{row % 28 + 1:02d}/{row % 9 + 1:02d}/2026 {row % 24:02d}:{row % 60:02d}" for row in range(rows)],
            "Temp": [round(20 + row % 100 / 10, 1) for row in range(rows)],
            "RH": [round(60 + row % 200 / 10, 1) for row in range(rows)],
            "Moisture": [round(12 + row % 70 / 10, 1) for row in range(rows)],
            "Tester": ["A" for _ in range(rows)],
        }
    )


def run(data: bytes, name: str) -> float:
    """Return the seconds from the bytes to the stored tests."""
    store = open_store("sqlite://")
    group_id = store.add_group(Group(name="Benchmark"))
    start = time.perf_counter()
    opened = open_table(data, name, store, group_id)
    preview = preview_table(opened, opened.options, store, group_id, NOW)
    import_preview(preview, store, group_id, "benchmark", NOW)
    return time.perf_counter() - start


def main(rows: int) -> None:
    """Print seconds and ratios."""
    frame = table(rows)
    text = frame.to_csv(index=False).encode()
    start = time.perf_counter()
    pd.read_csv(io.BytesIO(text))
    reference = time.perf_counter() - start
    seconds = run(text, "a.csv")
    print(
        f"CSV  {rows} rows: {seconds:.1f} s checked and stored; pandas alone {reference:.2f} s; ratio "
        f"{seconds / reference:.0f}"
    )
    out = io.BytesIO()
    frame.to_excel(out, index=False, engine="xlsxwriter")
    start = time.perf_counter()
    pd.read_excel(io.BytesIO(out.getvalue()))
    reference = time.perf_counter() - start
    seconds = run(out.getvalue(), "a.xlsx")
    print(
        f"XLSX {rows} rows: {seconds:.1f} s checked and stored; pandas alone {reference:.1f} s; ratio "
        f"{seconds / reference:.1f}"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
