"""Downloads: no text becomes a formula, everything is read back as it was, and nobody else writes CSV."""

from __future__ import annotations

import ast
import csv
import io
from datetime import date, datetime
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.tables.write import csv_bytes, download_name, guarded, unguarded, workbook_bytes

ROOT = Path(__file__).resolve().parents[2]
# First signs that spreadsheets take for a formula: OWASP, CSV Injection, from memory.
SIGNS = ("=", "+", "-", "@", "\t", "\r")


@pytest.mark.parametrize("sign", SIGNS)
@pytest.mark.parametrize("before", ["", " ", "  ", '"', "'", ' "', "\u00a0", "\ufeff", "\x00"])
def test_a_cell_that_begins_like_a_formula_begins_with_an_apostrophe(sign, before):
    cell = f"{before}{sign}cmd|' /C calc'!A0"
    assert guarded(cell) == f"'{cell}"
    rows = list(csv.reader(io.StringIO(csv_bytes([{cell: cell}]).decode("utf-8-sig"), newline="")))
    assert all(row[0].startswith("'") for row in rows)


def test_numbers_and_dates_stay_what_they_are():
    text = csv_bytes([{"a": -5, "b": -0.5, "c": date(2026, 11, 25), "d": None, "e": float("nan"), "f": "a-b"}])
    assert text.startswith(b"\xef\xbb\xbf")
    assert text.decode("utf-8-sig").splitlines()[1] == "-5,-0.5,2026-11-25,,,a-b"


@given(st.text(max_size=20))
def test_what_is_guarded_comes_back(text):
    assert unguarded(guarded(text)) == text


def test_a_workbook_holds_text_as_text():
    frame = pd.DataFrame(
        {"=x": ["=1+1", "http://a.example"], "n": [-1.5, float("inf")], "on": [date(2026, 1, 2), None]}
    )
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes({"a/b": frame}, {"a/b": {"n": "#value"}})))
    page = book["a b"]
    assert page["A3"].data_type == "s"
    assert page["A3"].value == "=1+1"
    assert page["A4"].hyperlink is None
    assert [cell.value for cell in page[2]] == [None, "#value", None]
    assert page["C3"].value == datetime(2026, 1, 2)
    assert page["B3"].value == -1.5


def test_the_name_says_what_whose_and_when():
    assert (
        download_name(["members", "Upper / terrace"], date(2026, 11, 25), "csv")
        == "members_upper-terrace_2026-11-25.csv"
    )
    assert download_name(["../../etc", ""], date(2026, 11, 25), "csv") == "etc_2026-11-25.csv"


def test_nobody_else_writes_a_table_to_download():
    """Calls that write CSV or XLSX stand in one file of the code that people run."""
    writers = {"to_csv", "to_excel", "writer", "DictWriter", "ExcelWriter"}
    for package in ("core", "dashboard"):
        for path in (ROOT / package).rglob("*.py"):
            if path == ROOT / "core" / "tables" / "write.py":
                continue
            tree = ast.parse(path.read_text(encoding="utf-8"))
            for node in ast.walk(tree):
                called = node.attr if isinstance(node, ast.Attribute) else ""
                assert called not in writers, f"{path}:{node.lineno} writes a table by itself"
                names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
                assert "xlsxwriter" not in names, f"{path}:{node.lineno} writes a workbook by itself"
