"""The audit's own workings on checks and tables of a few lines, by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from core.audit import coefficients
from core.audit.checks import Check, Outcome, _argument, _largest_need, _rows, _taken, run
from core.audit.page import outcomes_table, validation_page
from core.errors import InputError

SUM = Check(
    room="x",
    what="a sum",
    call="math:fsum",
    arguments=(("seq", [0.25, 0.25]),),
    take="",
    expected=0.5,
    tolerance=0.25,
    unit="kg",
    kind="hand",
    source="worked by hand",
)


def call(value, **more):
    """Give what was asked for, and what came with it."""
    return SimpleNamespace(value=value, more=more)


def a_check(value, expected, tolerance=0.25):
    arguments = (("value", value),)
    return replace(
        SUM, call=f"{__name__}:call", arguments=arguments, take=".value", expected=expected, tolerance=tolerance
    )


@pytest.mark.parametrize(("value", "holds"), [(0.5, True), (0.75, True), (0.25, True), (0.76, False), (0.24, False)])
def test_a_number_holds_up_to_its_tolerance_on_either_side(value, holds):
    assert run(a_check(value, 0.5)) == Outcome(a_check(value, 0.5), value, holds)


def test_a_word_holds_where_it_is_the_same():
    assert run(a_check("wet", "wet")).holds
    assert not run(a_check("wet ", "wet")).holds
    assert run(a_check(7, "7")).computed == "7"


def test_rows_of_a_table_become_checks():
    """What stands in a row goes before what is given for all; expected, tolerance and take are no arguments."""
    table = {
        "what": "w",
        "call": "a:b",
        "columns": ["x", "expected", "tolerance"],
        "rows": [[1, 2.0, 0.1], [3, 4.0, 0.2]],
        "given": {"x": 9, "y": 5},
        "take": "[0]",
        "tolerance": 7,
        "unit": "kg",
        "kind": "hand",
        "source": "s",
    }
    first, second = _rows("room", table)
    assert (first.arguments, first.expected, first.tolerance, first.take) == ((("x", 1), ("y", 5)), 2.0, 0.1, "[0]")
    assert (second.arguments[0], second.tolerance) == (("x", 3), 0.2)
    assert first.given == "x = 1, y = 5"
    plain = {**table, "columns": ["x", "expected"], "rows": [[1, 2.0]]}
    assert next(_rows("room", plain)).tolerance == 7.0
    for wrong in ({"rows": [[1, 2.0]]}, {"kind": "hearsay"}):
        with pytest.raises(InputError):
            list(_rows("room", table | wrong))
    with pytest.raises(InputError, match="lacks source"):
        list(_rows("room", {key: value for key, value in table.items() if key != "source"}))


def test_parts_of_a_result_and_a_game_of_the_dearest_member():
    result = SimpleNamespace(rows=[{"a": 1, "-1": 5}, {"a": 2}])
    assert [_taken(result, take) for take in (".rows[0][a]", ".rows[-1][a]", ".rows[0][-1]")] == [1, 2, 5]
    assert _taken(7, "") == 7
    game = _largest_need({"a": 3.0, "b": 5.0, "c": 1.0})
    assert len(game) == 8
    assert {"".join(sorted(members)): cost for members, cost in game.items()} == {
        "": 0,
        "a": 3,
        "b": 5,
        "c": 1,
        "ab": 5,
        "ac": 3,
        "bc": 5,
        "abc": 5,
    }
    assert _argument({"largest": {"a": 1.0}}) == {frozenset(): 0.0, frozenset("a"): 1.0}
    assert _argument({"largest": {}, "x": 1}) == {"largest": {}, "x": 1}


def test_the_page_adds_up_by_table_of_checks():
    """Differences 0.1 and 0.3 of one table, of which one lies beyond 0.25: worst 0.3; a table of words has none."""
    outcomes = [Outcome(replace(SUM, what="a|b"), computed, computed < 0.7) for computed in (0.4, 0.8)]
    outcomes.append(Outcome(replace(SUM, what="words", expected="wet", tolerance=0.0), "wet", True))
    page = validation_page(outcomes)
    assert "2 of 3 outside checks hold." in page
    assert "| x | a/b | 2 | 0.3 | 0.25 | kg | worked by hand |" in page
    assert "| x | words | 1 | – | 0 | kg | worked by hand |" in page
    table = outcomes_table(outcomes)
    assert table["allowed"].tolist() == [0.25, 0.25, 0.0]
    assert table["holds"].tolist() == [True, False, True]


def test_coefficients_take_source_and_basis_from_above(monkeypatch):
    tables = {
        "source": "top",
        "basis": "published",
        "flag": {"on": True, "label": "no number"},
        "a": {"value": 5, "unit": "kg", "note": "n", "fitted_to": "f"},
        "b": {"source": "own", "basis": "memory", "label": "L", "list": [1, 2]},
        "c": {"rows": [{"x": 1.5, "y": "z"}], "basis": "guess"},
    }
    bare = {"d": {"value": 1.0, "deep": {"value": 2, "source": "s", "basis": "practice"}}}
    monkeypatch.setattr(coefficients, "_tables", lambda _folder: iter([("t", tables), ("u", bare)]))
    frame = coefficients.collect_provenance().set_index("entry")
    assert list(frame.index) == ["(whole table)", "a", "b: L", "c", "d", "d › deep"]
    assert frame.loc["a"].tolist() == ["t", "5", "kg", "top", "published", "n f"]
    assert frame.loc["b: L"].tolist() == ["t", "list 1, 2", "", "own", "memory", ""]
    assert frame.loc["c", "values"] == "rows (x 1.5, y z)"
    assert coefficients.without_source() == ["t: c", "u: d"]
    for value, holds in ((True, False), (0, True), ("1", False), ([], False), (["a", [2.0]], True), ({"x": 1}, True)):
        assert coefficients._holds_number(value) is holds
