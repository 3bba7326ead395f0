"""The planning case: JSON and back, equal hashes, refusals."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import DryholdError, InputError
from core.group.bounds import MOST_BAGS
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
    Truck,
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


def test_impossible_lots_are_refused_with_the_value_named():
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


LOOSE = flat_deductions(13.0, 0.02)
COUNTS = ((0, 3), (-1,))
AMOUNTS = ((0.0, 2.5), (-0.01,))
BORDERS = [
    # the last values that are allowed, and the first that are not
    ("weeks", (1, 104), (0, 105)),
    ("scenarios", (10, 20_000), (9, 20_001)),
    ("start", (date(1950, 1, 1), date(2200, 12, 31)), (date(1949, 12, 31), date(2201, 1, 1))),
    ("days_gone", (0, 6), (-1, 7)),
    ("certainty", (0.01, 0.99), (0.0, 1.0)),
    ("risk_weight", (0.0, 3.0), (-0.01, math.inf)),
    ("interest_monthly", *AMOUNTS),
    ("emergency_interest_monthly", *AMOUNTS),
    ("cash_now", (-50.0, 0.0, 50.0), (math.nan, math.inf)),
    ("start_delays", ((0, 2), ()), ((0, -1), (-1, 0))),
    ("target_pct", ((("maize", 2.01),), (("maize", 39.9),)), ((("maize", 2.0),), (("maize", 40.0),))),
    ("target_choices", ((("maize", 2.01),), (("maize", 39.9),)), ((("maize", 2.0),), (("maize", 40.0),))),
    (
        "needs",
        ((CashNeed(0, 0.0),), (CashNeed(30, 5.0),)),
        ((CashNeed(0, -0.01),), (CashNeed(-1, 5.0),), (CashNeed(1, 5.0), CashNeed(-1, 5.0))),
    ),
    (
        "reserves",
        ((Reserve("r", "maize", 0.1, 0, 0.0),), ()),
        tuple(
            (Reserve("r", "maize", *rest),) for rest in ((0.0, 1, 1.0), (-1.0, 1, 1.0), (5.0, -1, 1.0), (5.0, 1, -0.01))
        ),
    ),
    (
        "truck",
        (Truck(0.1, 0.0, 0.0, 0),),
        (Truck(0.0), Truck(-1.0), Truck(9.0, -0.1), Truck(9.0, 0.0, -0.1), Truck(9.0, 0.0, 0.0, -1)),
    ),
]
PARTS = [
    ("lots", "bags", (0, MOST_BAGS), (-1, MOST_BAGS + 1)),
    ("lots", "bag_mass_kg", (0.1, 90.0), (0.0, -1.0)),
    ("lots", "moisture_pct", (1.01, 59.9), (1.0, 60.0)),
    ("lots", "moisture_se_pct", *AMOUNTS),
    ("lots", "available_week", *COUNTS),
    ("lots", "sale_from_week", *COUNTS),
    ("lots", "harvest_step", (1, 2), (0, -1)),
    ("lots", "insects_per_kg", (None, 0.0, 3.0), (-0.1,)),
    ("prices", "price_now", (0.01, 500.0), (0.0, -1.0)),
    ("prices", "weekly_sd", (0.0, 0.1), (-0.01,)),
    ("prices", "path", ((), (0.5, 0.01), (2.0,)), ((1.0, 0.0), (-1.0, 1.0))),
    ("drying", "capacity_kg", *AMOUNTS),
    ("drying", "cost_per_kg", *AMOUNTS),
    ("drying", "fee_per_point_kg", *AMOUNTS),
    ("drying", "hire_per_bag_day", *AMOUNTS),
    ("drying", "price", *AMOUNTS),
    ("drying", "handling_loss", (0.0, 0.99), (-0.01, 1.0)),
    ("storage", "owned_bags", *COUNTS),
    ("storage", "buyable_bags", *COUNTS),
    ("storage", "waiting_days", *COUNTS),
    ("storage", "cost_per_bag", *AMOUNTS),
    ("storage", "cost_per_bag_month", *AMOUNTS),
    ("storage", "treatment_per_bag", *AMOUNTS),
    ("storage", "bags_per_unit", (1, 5), (0, -1)),
    ("buyers", "promised_kg", *AMOUNTS),
    ("buyers", "basis_sd", *AMOUNTS),
    ("buyers", "trip_cost", (None, 0.0, 2.5), (-0.01,)),
    ("buyers", "pay_delay_weeks", (0, 53), (-1, 54)),
    ("buyers", "first_week", *COUNTS),
    ("buyers", "fee_fraction", (-0.5, 1.0), (1.01,)),
    *(
        ("buyers", name, good, bad)
        for of, good_values, bad_values in (
            ("meter_offset_pct", (-10.0, 10.0), (-10.1, 10.1)),
            ("scale_offset", (-0.5, 0.5), (-0.51, 0.51)),
        )
        for name, good, bad in (
            (
                "deductions",
                [replace(LOOSE, **{of: value}) for value in good_values],
                [replace(LOOSE, **{of: value}) for value in bad_values],
            ),
            (
                "crop_deductions",
                [(("bean", LOOSE), ("maize", replace(LOOSE, **{of: value}))) for value in good_values],
                [(("bean", LOOSE), ("maize", replace(LOOSE, **{of: value}))) for value in bad_values],
            ),
        )
    ),
]


@pytest.mark.parametrize(("field", "good", "bad"), BORDERS, ids=[row[0] for row in BORDERS])
def test_what_a_case_allows_to_its_last_value(field, good, bad):
    for value in good:
        assert getattr(CASE.with_changes(**{field: value}), field) == value
    for value in bad:
        with pytest.raises(InputError):
            CASE.with_changes(**{field: value})


@pytest.mark.parametrize(("field", "name", "good", "bad"), PARTS, ids=[f"{row[0]}-{row[1]}" for row in PARTS])
def test_what_a_part_of_a_case_allows_to_its_last_value(field, name, good, bad):
    """The second of its kind is changed: it is looked at like the first."""
    first = getattr(CASE, field)[0]
    second = replace(first, id="second") if field == "lots" else first
    for value in good:
        assert CASE.with_changes(**{field: (first, replace(second, **{name: value}))})
    for value in bad:
        with pytest.raises(InputError):
            CASE.with_changes(**{field: (first, replace(second, **{name: value}))})


def test_what_makes_sense_only_together():
    lot = CASE.lots[0]
    standing = replace(lot, standing=True, available_week=3)
    for week in (0, 3):
        assert CASE.with_changes(lots=(replace(standing, moisture_week=week),))
    for week in (-1, 4):
        with pytest.raises(InputError):
            CASE.with_changes(lots=(replace(standing, moisture_week=week),))
        assert CASE.with_changes(lots=(replace(standing, standing=False, moisture_week=week),))
    # what was sieved counts only where insects were counted
    assert CASE.with_changes(lots=(replace(lot, sieved_kg=0.0),))
    assert CASE.with_changes(lots=(replace(lot, insects_per_kg=2.0, sieved_kg=0.1),))
    with pytest.raises(InputError):
        CASE.with_changes(lots=(replace(lot, insects_per_kg=2.0, sieved_kg=0.0),))
    with pytest.raises(InputError):
        CASE.with_changes(lots=(lot, replace(CASE.lots[1], id=lot.id)))
    with pytest.raises(InputError):
        CASE.with_changes(lots=(replace(lot, commodity="unknown"),))
    # a number that is none, deep in a tuple
    with pytest.raises(InputError):
        CASE.with_changes(prices=(replace(CASE.prices[0], history=(("2020-01", math.nan),)), *CASE.prices[1:]))


def test_days_and_weeks_of_a_plan_by_hand():
    """From Monday, the sixth of July, with three days gone: today is the ninth, week 2 begins on the twentieth."""
    case = CASE.with_changes(start=date(2026, 7, 6), days_gone=3)
    assert case.today == date(2026, 7, 9)
    assert [case.week_date(week).day for week in (0, 1, 2)] == [9, 13, 20]
    days = (date(2026, 7, 5), date(2026, 7, 6), date(2026, 7, 12), date(2026, 7, 13), date(2026, 6, 28))
    assert [case.week_of(day) for day in days] == [-1, 0, 0, 1, -2]


def test_a_case_of_which_nothing_is_said_stands_on_the_groups_settings():
    """What a plan assumes where nobody says otherwise is what the settings assume."""
    said = {"name", "start", "weeks", "scenarios", "seed", "lots", "drying", "storage", "prices", "buyers"}
    bare = PlanningCase(**{name: getattr(CASE, name) for name in said})
    assert bare.emergency_interest_monthly == default_number("plan.emergency_interest_monthly")
    assert bare.certainty == default_number("plan.certainty")
    assert (bare.risk_weight, bare.cash_now, bare.days_gone, bare.invented, bare.advances) == (0, 0, 0, False, True)
    assert DryingChoice("a", "A", "tarpaulin", 1.0).handling_loss == default_number("plan.handling_loss")
    # a buyer asks nothing, deducts nothing, takes everything at the market's price and pays at once
    who = CaseBuyer("a", "A")
    assert (who.price_factor, who.fee_fraction, who.price_fall, who.chance_failing, who.minimum_kg) == (1, 0, 0, 0, 0)
    assert (who.pay_delay_weeks, who.first_week, who.first_day, who.promised_kg, who.basis_sd) == (0, 0, 0, 0, 0)
    assert [who.inspects, who.refuses_treated, who.strict] == [False] * 3
    assert CASE.with_changes(buyers=(who,)).trip_cost(0) == 0.0
    store = StorageChoice("a", "A", "woven_bag")
    assert (store.owned_bags, store.buyable_bags, store.bag_price, store.unit_price) == (0, 0, 0, 0)
    assert (store.cost_per_bag_month, store.treatment_per_bag, store.waiting_days) == (0, 0, 0)
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
