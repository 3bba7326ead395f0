"""The planning case: JSON and back, equal hashes, refusals."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import DryholdError, InputError
from core.planning.case import CashNeed, case_from_json, make_case
from tests.fuzzing import FEW, MANY, ODD, inputs


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_case_survives_json_and_keeps_its_hash(seed):
    case = make_case(9, 20, 40, seed)
    again = case_from_json(case.to_json())
    assert again == case
    assert again.content_hash == case.content_hash
    assert case.with_changes(interest_monthly=0.05).content_hash != case.content_hash


def test_same_seed_same_case_other_seed_another():
    assert make_case(5, 20, 40, 3) == make_case(5, 20, 40, 3)
    assert make_case(5, 20, 40, 3) != make_case(5, 20, 40, 4)


def test_discount_is_compound_monthly():
    # by hand: 2 % a month for 12 months = 52.18 weeks: 1/1.02^12 = 0.788493
    case = make_case(3, 52, 20, 1).with_changes(interest_monthly=0.02)
    assert float(case.discount(365.25 / 7)) == pytest.approx(1.02**-12, rel=1e-12)


def test_impossible_cases_are_refused_with_the_value_named():
    case = make_case(3, 20, 40, 1)
    lot = case.lots[0]
    for bad in (
        replace(lot, bags=-1),
        replace(lot, moisture_pct=75.0),
        replace(lot, commodity="unknown"),
        replace(lot, bag_mass_kg=0.0),
    ):
        with pytest.raises(InputError) as error:
            case.with_changes(lots=(bad,))
        assert lot.label in str(error.value)
    with pytest.raises(InputError):
        case.with_changes(weeks=0)
    with pytest.raises(InputError):
        case.with_changes(needs=(CashNeed(1, -5.0, label="fees"),))


@inputs(FEW)
@given(st.text(max_size=60))
def test_any_text_is_a_case_or_our_own_refusal(text):
    with pytest.raises(DryholdError):
        case_from_json(text)


def places(node, trail=()):
    """Yield the way to every part of a JSON tree."""
    yield trail
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, part in items:
        yield from places(part, (*trail, key))


TREE = make_case(3, 6, 20, 1).to_json()
WAYS = [way for way in places(json.loads(TREE)) if way]


@st.composite
def spoilt_cases(draw):
    """Return the JSON of a case with one to three of its parts replaced or taken out."""
    tree = json.loads(TREE)
    for trail in draw(st.lists(st.sampled_from(WAYS), min_size=1, max_size=3)):
        node = tree
        try:
            for key in trail[:-1]:
                node = node[key]
            if draw(st.booleans()) and isinstance(node, dict):
                del node[trail[-1]]
            else:
                node[trail[-1]] = draw(ODD)
        except (TypeError, LookupError):
            continue  # an earlier one took the way
    return json.dumps(tree)


def reads_or_refuses(text):
    try:
        found = case_from_json(text)
    except DryholdError:
        return
    assert case_from_json(found.to_json()) == found


@inputs(FEW)
@given(spoilt_cases())
def test_a_case_with_parts_replaced_is_a_case_or_our_own_refusal(text):
    reads_or_refuses(text)


@pytest.mark.slow
@pytest.mark.timeout(14_400)
@inputs(MANY)
@given(spoilt_cases())
def test_twenty_thousand_spoilt_cases_are_cases_or_our_own_refusals(text):
    reads_or_refuses(text)


@pytest.mark.parametrize("text", ["null", "[]", "{}", "12", '{"lots": 3}', '{"start": "tomorrow"}', "[" * 3000])
def test_what_is_no_case_is_refused_in_words(text):
    with pytest.raises(InputError):
        case_from_json(text)
