"""Every caution that a page or a sheet asks for exists, and stands above the answer that it belongs to."""

from __future__ import annotations

import ast

import pytest
from streamlit.testing.v1.element_tree import Info, Warning

from core.cautions import caution_of, caution_texts
from tests.dashboard.pages import open_alone
from tests.test_structure import ROOT

FIRST_CAUTION = {
    "deliveries": "meter",
    "payout": "money",
    "pool_loads": "money",
    "statements": "money",
    "pool_other": "money",
    "pool_agreement": "money",
    "pool_close": "money",
    "pool_book": "money",
    "meter_shares": "money",
    "meter_account": "money",
    "meter_book": "money",
    "meter_close": "money",
    "meter_papers": "personal",
    "meter_record": "money",
    "check": "mould",
    "lots": "mould",
    "weather": "advice",
    "own_crop": "meter",
    "sources": "advice",
    "grain_stores": "chemicals",
    "prices": "advice",
    "waiting_past": "advice",
}
"""The caution that comes first on a section of the example. Today, Sale plan and the floor: the walk in the browser."""


def asked() -> set[str]:
    """Return the kinds of caution that the dashboard and the reports name as plain words."""
    kinds = set()
    for folder in ("dashboard", "core"):
        for path in (ROOT / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                name = getattr(node, "func", None)
                if isinstance(node, ast.Call) and getattr(name, "attr", getattr(name, "id", "")) in {
                    "caution",
                    "caution_of",
                }:
                    kinds |= {arg.value for arg in node.args if isinstance(arg, ast.Constant)}
    return kinds


def test_every_caution_that_is_asked_for_exists():
    assert asked() - set(caution_texts()) == set()
    assert {"mould", "chemicals", "money", "meter", "advice", "personal"} <= asked()


@pytest.mark.parametrize("section", FIRST_CAUTION)
def test_the_caution_stands_above_the_answer(demo_store, section):
    app = open_alone(section)
    assert not app.exception
    boxes = [box for box in app.main if isinstance(box, (Info, Warning))]
    assert boxes[0].icon == ":material/front_hand:", f"the first box says: {boxes[0].value}"
    assert boxes[0].value.startswith(caution_of(FIRST_CAUTION[section]))


def test_the_money_caution_is_one_line_of_a_wide_page():
    """Beside the side bar of a laptop 1280 pixels wide a box holds about 80 letters (looked at)."""
    assert len(caution_of("money")) <= 80
