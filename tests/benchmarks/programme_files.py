"""How long thirty groups' files take to come in and to be counted.

Run with ``python tests/benchmarks/programme_files.py``.

Beside the processor's seconds stands the ratio to reading the same rows with plain pandas in the same run.
"""

from __future__ import annotations

import io
import sys
import tempfile
import time
import warnings
import zipfile
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import pandas as pd

from core.group.database import open_store
from core.programme.group_file import export_group
from core.programme.group_merge import merge_files
from core.programme.indicators import indicator_table, records_of
from core.programme.seasons import indicators_by_season, seasons
from demo_data.many_groups import add_invented_groups

NOW = datetime(2026, 11, 20, 7, tzinfo=UTC)
GROUPS = 30


def plain_reading(files: list[tuple[str, bytes]]) -> int:
    """Read every table of the files and nothing else; returns the rows."""
    rows = 0
    for _name, content in files:
        with zipfile.ZipFile(io.BytesIO(content)) as folder:
            rows += sum(len(pd.read_csv(folder.open(name))) for name in folder.namelist() if name.endswith(".csv"))
    return rows


def main() -> None:
    """Print the times."""
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as folder:
        source = open_store(f"sqlite:///{folder}/source.sqlite3")
        numbers = add_invented_groups(source, GROUPS, NOW)
        files = [(f"{n}.zip", export_group(source, n, f"uid-{n}", NOW, "none")) for n in numbers]
        officer = open_store(f"sqlite:///{folder}/officer.sqlite3")
        begin = time.process_time()
        rows = plain_reading(files)
        plain = time.process_time() - begin
        begin = time.process_time()
        outcomes = merge_files(officer, files, NOW)
        merged = time.process_time() - begin
        begin = time.process_time()
        records = [records_of(officer, group.id, NOW.date()) for group in officer.groups()]
        table = indicator_table(records)
        counted = time.process_time() - begin
        begin = time.process_time()
        of = seasons(records)
        for record in records:
            indicators_by_season(record, of)
        by_season = time.process_time() - begin
    print(f"{GROUPS} files, {rows} rows, {sum(len(content) for _name, content in files) / 1000:.0f} kB")
    print(f"plain reading of the tables  {plain:6.2f} s")
    print(
        f"taken in, checked, written   {merged:6.2f} s  ({merged / plain:.1f} x), "
        f"{sum(o.status == 'added' for o in outcomes)} added"
    )
    print(f"read back and counted        {counted:6.2f} s  ({counted / plain:.1f} x), {len(table)} indicators")
    print(f"counted by season            {by_season:6.2f} s  ({by_season / plain:.1f} x), {len(of)} seasons")


if __name__ == "__main__":
    main()
