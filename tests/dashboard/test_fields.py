"""Fields and the one confirmation: what is typed is read as it can only be meant, and is written once."""

from __future__ import annotations

import math
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from streamlit.testing.v1 import AppTest

from core.accounts.typed import typed_number
from core.errors import InputError
from dashboard.catalogue import ROOT
from dashboard.forms.fields import NUMBERS, Field, read_value
from tests.fuzzing import FEW, MANY, ODD_TEXT, inputs


def page() -> None:
    """A small page: whom to pay, how much; what is written is kept in the session."""
    from decimal import Decimal

    import streamlit as st

    from dashboard.forms.confirm import confirm_once
    from dashboard.forms.fields import Field, draw_fields

    owed = {"39": Decimal(13446), "7": Decimal(50)}
    fields = (
        Field(name="who", label="Member", kind="choice", options={"39": "Zoe, member 39", "7": "Ada, member 7"}),
        lambda values: Field(
            name="amount",
            label="Amount",
            kind="money",
            unit="XOF",
            low=1,
            step=Decimal(1),
            value=owed.get(values["who"]),
            follows=("who",),
        ),
        Field(name="note", label="Note", required=False),
    )
    filled = draw_fields("pay", fields)
    written = st.session_state.setdefault("written", [])
    confirm_once(
        "pay",
        filled,
        lambda values: f"{values['who']} pays {values['amount']}",
        lambda values, token: written.append((values["who"], values["amount"], token)),
        cautions=lambda values: ["That is ten times what is owed."] if values["amount"] > 100000 else [],
        seen=len(written),
    )


def opened() -> AppTest:
    return AppTest.from_function(page, default_timeout=30).run()


def amount(at: AppTest) -> Any:
    return next(item for item in at.text_input if item.label == "Amount, XOF")


def faults(at: AppTest) -> list[str]:
    """Return what is said beside the fields."""
    return [item.value for item in at.markdown if item.value.startswith(":red[")]


def press(at: AppTest, key: str) -> AppTest:
    return at.button(key=f"pay.{key}").click().run()


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("36000", "36000"),
        ("36 000", "36000"),
        ("36,5", "36.5"),
        ("1,234,567", "1234567"),
        ("1.234,50", "1234.50"),
        ("1,234.50", "1234.50"),
        ("0,125", "0.125"),
        ("-5", "-5"),
        ("−5", "-5"),
        (".5", "0.5"),
        ("12,3456", "12.3456"),
    ],
)
def test_a_number_is_read_as_it_can_only_be_meant(text: str, value: str) -> None:
    assert typed_number(text) == Decimal(value)


@pytest.mark.parametrize(
    "text", ["36,000", "36.000", "", "abc", "1e9", "nan", "inf", "--5", "12 34", "1,2,3", "1,23,456", "٣", "1" * 14]
)
def test_a_number_that_can_mean_two_things_or_none_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        typed_number(text)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("36,000", "two ways"),
        ("text", "not a number"),
        ("-5", "at least 1"),
        ("12.5", "steps of 1"),
        ("0", "at least 1"),
    ],
)
def test_what_cannot_be_right_is_said_beside_the_field_and_nothing_is_written(typed: str, words: str) -> None:
    at = opened()
    at.selectbox[0].set_value("39").run()
    amount(at).set_value(typed).run()
    assert [fault for fault in faults(at) if words in fault]
    press(at, "continue")
    assert not at.session_state["written"]
    assert not [b for b in at.button if b.key == "pay.record"]


@pytest.mark.parametrize("value", ["19.655", "0.125", "1234.5", "7", "1000", "0.0004", "12.34", "1E+3"])
def test_what_a_form_fills_in_by_itself_is_read_as_the_same_number(value: str) -> None:
    from dashboard.forms.fields import plain_text

    assert typed_number(plain_text(Decimal(value))) == Decimal(value)
    assert typed_number(plain_text(float(value))) == Decimal(value)


def test_an_empty_form_is_complained_of_only_when_it_is_sent() -> None:
    at = opened()
    assert not faults(at)
    press(at, "continue")
    assert len(faults(at)) == 2  # whom and how much; a note need not be


def test_the_amount_follows_the_member_and_nothing_survives_into_the_next_entry() -> None:
    at = opened()
    at.selectbox[0].set_value("39").run()
    assert amount(at).value == "13446"
    at.selectbox[0].set_value("7").run()
    assert amount(at).value == "50"
    next(item for item in at.text_input if item.label == "Note").set_value("of the last load").run()
    press(at, "continue")
    press(at, "record")
    assert [row[:2] for row in at.session_state["written"]] == [("7", Decimal(50))]
    assert at.selectbox[0].value is None
    assert all(not item.value for item in at.text_input)


def test_the_summary_is_said_before_anything_is_written_and_can_be_changed() -> None:
    at = opened()
    at.selectbox[0].set_value("39").run()
    press(at, "continue")
    assert any("39 pays 13446" in item.value for item in at.markdown)
    assert not at.session_state["written"]
    assert amount(at).disabled
    press(at, "change")
    assert amount(at).value == "13446"
    assert not amount(at).disabled


def test_no_form_has_a_number_field_of_the_browser() -> None:
    """It keeps the old number without a word where somebody types 36,5 or a word."""
    for path in (ROOT / "dashboard" / "forms").glob("*.py"):
        assert ".number_input(" not in path.read_text(encoding="utf-8"), path.name


def test_something_unusual_is_asked_about_first() -> None:
    at = opened()
    at.selectbox[0].set_value("7").run()
    amount(at).set_value("500000").run()
    press(at, "continue")
    assert [item.value for item in at.warning] == ["That is ten times what is owed."]
    assert at.button(key="pay.record").label == "Record anyway"


def test_the_same_entry_seen_the_same_has_one_token_and_after_a_new_look_another() -> None:
    """Two tabs that saw the same book send one token; the next entry of the same sum is another."""
    tokens = []
    for at in (opened(), opened()):
        at.selectbox[0].set_value("39").run()
        press(at, "continue")
        press(at, "record")
        tokens.append(at.session_state["written"][0][2])
        at.selectbox[0].set_value("39").run()
        press(at, "continue")
        press(at, "record")
        tokens.append(at.session_state["written"][1][2])
    assert tokens[0] == tokens[2]
    assert tokens[1] == tokens[3]
    assert tokens[0] != tokens[1]


FIELDS = st.builds(
    Field,
    name=st.just("x"),
    label=st.just("Amount"),
    kind=st.sampled_from([*NUMBERS, "text", "long_text"]),
    low=st.none() | st.integers(-5, 5),
    high=st.none() | st.integers(6, 10**12) | st.floats(6, 1e12),
    step=st.none() | st.sampled_from([Decimal("0.01"), Decimal(1), Decimal(5)]),
    required=st.booleans(),
)
TYPED = st.text(max_size=30) | st.text("0123456789.,' -+eE\u00a0\u2009−", max_size=24) | ODD_TEXT


def read_or_refused(field: Field, typed: str) -> None:
    """What comes out of a field is of its kind and within its bounds, or our own refusal."""
    try:
        value = read_value(field, typed)
    except InputError:
        return
    if field.kind not in NUMBERS or value is None:
        assert value is None or isinstance(value, str)
        return
    assert isinstance(value, {"whole": int, "number": float}.get(field.kind, Decimal))
    assert math.isfinite(value)
    assert field.low is None or value >= field.low
    assert field.high is None or value <= Decimal(str(field.high))
    assert field.step is None or field.kind == "number" or value % field.step == 0


@inputs(FEW)
@given(FIELDS, TYPED)
def test_whatever_is_typed_is_read_or_refused(field: Field, typed: str) -> None:
    read_or_refused(field, typed)


@pytest.mark.slow
@pytest.mark.timeout(14_400)
@inputs(MANY)
@given(FIELDS, TYPED)
def test_twenty_thousand_typed_texts_are_read_or_refused(field: Field, typed: str) -> None:
    read_or_refused(field, typed)
