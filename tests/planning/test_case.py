"""The planning case: JSON and back, equal hashes, refusals."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import DryholdError, InputError
from core.group.facts import default_number
from core.market.deductions import flat_deductions
from core.planning.case import (
    CaseBuyer,
    CaseLot,
    CashNeed,
    CropPrice,
    DryingChoice,
    PlanningCase,
    Reserve,
    StorageChoice,
    case_from_json,
    make_case,
    nine_digits,
)
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


CASE = make_case(2, 20, 40, 1)
CASE = CASE.with_changes(lots=tuple(replace(lot, commodity="maize") for lot in CASE.lots))


def test_the_second_of_a_kind_is_looked_at_like_the_first():
    """What a single thing may be stands in `test_planning_worked.py`; here the first is as it must be."""
    terms = flat_deductions(13.0, 0.02, meter_offset_pct=10.1)
    for field, bad in (
        ("lots", {"id": "x", "bags": -1}),
        ("lots", {}),  # the same lot twice
        ("prices", {"path": (1.0, 0.0)}),
        ("prices", {"history": (("2020-01", math.nan),)}),
        ("drying", {"price": -1.0}),
        ("storage", {"waiting_days": -1}),
        ("buyers", {"crop_deductions": (("bean", flat_deductions(13.0, 0.02)), ("maize", terms))}),
    ):
        first = getattr(CASE, field)[0]
        assert CASE.with_changes(**{field: (first,)})
        with pytest.raises(InputError):
            CASE.with_changes(**{field: (first, replace(first, **bad))})
    with pytest.raises(InputError):
        CASE.with_changes(needs=(CashNeed(1, 5.0), CashNeed(-1, 5.0)))


def test_a_case_of_which_nothing_is_said_stands_on_the_groups_settings():
    """What a plan assumes where nobody says otherwise is what the settings assume."""
    said = {"name", "start", "weeks", "scenarios", "seed", "lots", "drying", "storage", "prices", "buyers"}
    bare = PlanningCase(**{name: getattr(CASE, name) for name in said})
    assert bare.emergency_interest_monthly == default_number("plan.emergency_interest_monthly")
    assert bare.certainty == default_number("plan.certainty")
    assert (bare.risk_weight, bare.cash_now, bare.days_gone, bare.invented, bare.advances) == (0, 0, 0, False, True)
    assert DryingChoice("a", "A", "tarpaulin", 1.0).handling_loss == default_number("plan.handling_loss")
    who, store = CaseBuyer("a", "A"), StorageChoice("a", "A", "woven_bag")
    assert who.price_factor == 1.0
    assert [who.inspects, who.refuses_treated, who.strict] == [False] * 3
    assert [store.sealed, store.unshelled] == [False] * 2
    lot = CaseLot("1", "1", "", "maize", 3, 90.0, 13.0)
    assert (lot.available_week, lot.moisture_week, lot.sale_from_week, lot.sieved_days_ago) == (0, 0, 0, 0)
    assert (lot.harvest_weeks, lot.common_sd_pct) == ((0,), 0.0)
    assert [lot.standing, lot.aflatoxin, lot.treated] == [False] * 3
    assert CropPrice("maize", 0.4).wait
    assert Reserve("r", "maize", 1.0, 1, 1.0).evenly


def test_amounts_are_kept_to_nine_digits_whatever_their_size():
    assert [nine_digits(value) for value in (1234567.891234, 0.000123456789876, 2 / 3)] == [
        1234567.89,
        0.00012345679,
        0.666666667,
    ]


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
