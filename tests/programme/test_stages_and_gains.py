"""Stage losses, gains and the meter's cost, counted by hand on small groups."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal

import pandas as pd
import pytest

from core.group.possessions import Meter, Possessions, Truck, store_from
from core.group.records import Event, Lot
from core.planning.case import make_case
from core.planning.rolling import KeptPlan
from core.planning.sale_plan import PlannedSale
from core.programme.gains import bag_cost, best_in_hindsight, planned_lots, sold_lots
from core.programme.indicators import group_indicators, in_season
from core.programme.meter_use import cost_of_testing, cost_per_tonne_tested, meter_in_use
from tests.programme.test_indicators import small

AT = datetime(2026, 5, 1, 8, tzinfo=UTC)


HAS = Possessions(
    spaces=(),
    stores=tuple(
        store_from({"method": method, "units": 1, "unit_cost": price, "treatment_cost": dust}, 1.0)
        for method, price, dust in (
            ("woven_bag", 10, 0),
            ("woven_bag_protectant", 10, 3),
            ("hermetic_bag", 30, 0),
            ("metal_silo", 900, 0),
        )
    ),
    truck=Truck(capacity_kg=1, trip_cost=0, km_cost=0, trips_per_week=0, loading_cost_bag=0),
    meter=Meter(price=1),
    assumed=frozenset(),
)


def work(number, kind, day, lot, mass_in, mass_out, moisture=None, reverses=None):
    payload = {"lot_id": lot, "mass_in_kg": mass_in, "mass_out_kg": mass_out, "bags_out": 10, "moisture_pct": moisture}
    return Event(
        id=number,
        book="lot_actions",
        kind=kind,
        on=date(2026, 5, day),
        who="w",
        payload=payload,
        recorded_at=AT,
        reverses=reverses,
    )


def test_stages_by_hand_and_their_product():
    record = replace(
        small(),
        lot_book=[
            work(1, "shelling", 3, 2, 1250.0, 980.0),  # 980 of 1000 expected at a turnout of 0.8: 2 % lost
            work(2, "weighing", 6, 1, 1000.0, 930.0, 14.0),  # dry matter 1000 x 0.81 = 810, then 930 x 0.86 = 799.8
            work(3, "cleaning", 8, 3, 500.0, 490.0),
        ],
    )
    found = group_indicators(record)
    drying = 1 - 799.8 / 810  # read at 19.0 % on 2 May
    assert found["loss_shelling"].value == pytest.approx(0.02)
    assert found["loss_drying"].value == pytest.approx(drying)
    assert found["loss_cleaning"].value == pytest.approx(0.02)
    assert found["loss_storage"].value == pytest.approx(26 / 800)
    kept = 0.98 * (1 - drying) * 0.98 * (1 - 26 / 800)
    assert found["dry_matter_loss"].value == pytest.approx(1 - kept)
    assert found["dry_matter_loss"].count == 1  # the stage with fewest lots


def test_variances_of_stages_make_that_of_their_product():
    """Two lots in two stages; by the delta method var(a b) = (b sa)2 + (a sb)2, sa and sb of the means kept."""
    book = [
        work(1, "shelling", 3, 1, 1250.0, 980.0),  # keeps 0.98 of the grain expected
        work(2, "shelling", 3, 2, 1250.0, 900.0),  # 0.90
        work(3, "cleaning", 8, 2, 500.0, 490.0),  # 0.98
        work(4, "cleaning", 8, 3, 500.0, 440.0),  # 0.88
    ]
    empty = small().sales.iloc[:0]
    found = group_indicators(replace(small(), lot_book=book, sales=empty))["dry_matter_loss"]
    a, var_a = 0.94, (0.04**2 + 0.04**2) / 1 / 2
    b, var_b = 0.93, (0.05**2 + 0.05**2) / 1 / 2
    assert found.value == pytest.approx(1 - a * b)
    assert found.variance == pytest.approx(b**2 * var_a + a**2 * var_b)
    assert found.count == 2


def test_without_a_stage_there_is_no_loss_to_say_and_one_stage_speaks_for_itself():
    empty = group_indicators(replace(small(), sales=small().sales.iloc[:0]))["dry_matter_loss"]
    assert (empty.value, empty.variance, empty.numerator, empty.count) == (None, None, 0.0, 0)
    book = [work(1, "cleaning", 8, 2, 500.0, 490.0), work(2, "cleaning", 8, 3, 500.0, 440.0)]
    record = replace(small(), lot_book=book, sales=small().sales.iloc[:0])
    one, cleaned = (group_indicators(record)[key] for key in ("dry_matter_loss", "loss_cleaning"))
    assert (one.value, one.numerator) == pytest.approx((0.07, 0.14))  # 2 and 12 %
    assert (one.values, one.owners, one.denominator) == (cleaned.values, cleaned.owners, 2)
    # with a second stage nothing is anybody's own any more
    both = replace(record, lot_book=[*book, work(3, "shelling", 9, 2, 1250.0, 980.0)])
    assert group_indicators(both)["dry_matter_loss"].values == ()


def test_work_taken_back_does_not_count():
    record = replace(
        small(), lot_book=[work(1, "cleaning", 8, 3, 500.0, 400.0), work(2, "reversal", 9, 3, 1.0, 1.0, reverses=1)]
    )
    assert group_indicators(record)["loss_cleaning"].value is None


def test_a_lot_sold_in_parts_counts_once_all_is_sold():
    record = small()
    part = record.sales.iloc[0].to_dict() | {"bags": 4, "mass_kg": 360.0}
    rest = part | {"bags": 6, "mass_kg": 540.0, "sold_on": date(2026, 9, 3)}
    assert group_indicators(replace(record, sales=pd.DataFrame([part])))["loss_storage"].value is None
    both = group_indicators(replace(record, sales=pd.DataFrame([part, rest])))["loss_storage"]
    assert both.value == pytest.approx(26 / 800)
    assert both.denominator == 1


def test_interest_and_bags_make_the_gain_net():
    record = replace(small(), facts={"interest_monthly": 0.03, "plan.market": ""}, has=HAS)
    record = replace(record, lots=[replace(lot, storage_method="woven_bag") for lot in record.lots])
    months = (date(2026, 8, 3) - date(2026, 5, 1)).days / 30.4375
    worth = 1.2 * 2 * 1000 * 80 / 84.5
    assert sold_lots(record)[0].gain == pytest.approx((2700 / 1.03**months - 50) / worth - 1)


@pytest.mark.parametrize(
    ("method", "cost"),
    [("woven_bag", 5), ("woven_bag_protectant", 8), ("hermetic_bag", 10), ("metal_silo", 900 / 15 * 0.18)],
)
def test_what_a_bag_costs(method, cost):
    """Ten for a woven bag that serves two seasons, 30 for a sealed one over three, 900 for a silo of 500 kg over 15."""
    lot = Lot(group_id=1, label="a", commodity="maize", storage_method=method, stored_on=date(2026, 5, 9))
    assert bag_cost(lot, HAS) == pytest.approx(cost)
    assert bag_cost(replace(lot, stored_on=None), HAS) == 0
    assert bag_cost(lot, None) == 0


def test_selling_at_harvest_is_no_gain_and_no_loss():
    record = small()
    sale = record.sales.iloc[0].to_dict() | {
        "sold_on": date(2026, 5, 1),
        "mass_kg": 1000 * 80 / 84.5,
        "moisture_pct": 15.5,
        "price_per_kg": 1.7,
    }
    assert sold_lots(replace(record, sales=pd.DataFrame([sale])))[0].gain == pytest.approx(0)


def kept_plan(number, on, price, lot="1", bags=10, interest=0.0):
    """A plan of one lot: 1000 kg at 20 % now, 940 kg to be sold in August at `price`; today's price 2.0."""
    case = make_case(lots=1, weeks=8, scenarios=10, seed=1)
    own = replace(case.lots[0], id=lot, commodity="maize", bags=bags, bag_mass_kg=100.0, moisture_pct=20.0)
    known = tuple(replace(item, commodity="maize", price_now=2.0) for item in case.prices[:1])
    case = replace(case, lots=(own,), prices=known, interest_monthly=interest, start=on)
    line = PlannedSale(
        lot=lot,
        label="A",
        owner="",
        commodity="maize",
        bags=bags,
        kg_in=1000.0,
        kg_sold=940.0,
        setup="",
        dry_from=None,
        ready_on=on,
        storage="",
        week=8,
        sell_on=date(2026, 8, 5),
        paid_on=date(2026, 8, 5),
        buyer=case.buyers[0].name,
        reserve="",
        price_kg=price,
        value=0.0,
        value_low=0.0,
        value_high=0.0,
    )
    factor = case.buyers[0].price_factor
    return KeptPlan(number, on, "w", 0.0, 0.0, case.to_json(), (line,)), factor


def test_part_of_the_gain_expected_at_decision_time_by_hand():
    plan, factor = kept_plan(1, date(2026, 5, 5), 3.2)
    record = replace(small(), plans=[plan])
    base = factor * 2.0 * 1000 * 80 / 84.5
    item = planned_lots(record)[0]
    assert (item.base, item.expected, item.realised) == pytest.approx((base, 940 * 3.2 - base, 2700 - base))
    found = group_indicators(record)
    assert found["gain_expected_share"].value == pytest.approx((2700 - base) / (940 * 3.2 - base))
    assert found["gain_planned"].value == pytest.approx((940 * 3.2 - base) / base)


def test_a_plan_kept_after_the_sale_is_hindsight_and_does_not_count():
    early, _factor = kept_plan(1, date(2026, 5, 5), 3.2)
    late, _factor = kept_plan(2, date(2026, 9, 1), 2.9)
    assert planned_lots(replace(small(), plans=[early, late]))[0].planned_on == date(2026, 5, 5)
    assert planned_lots(replace(small(), plans=[late])) == []


def test_the_last_plan_before_the_sale_counts():
    first, _factor = kept_plan(1, date(2026, 5, 5), 3.2)
    second, _factor = kept_plan(2, date(2026, 7, 1), 2.6)
    assert planned_lots(replace(small(), plans=[first, second]))[0].planned_on == date(2026, 7, 1)


def test_half_the_bags_sold_are_held_against_half_the_expectation():
    plan, factor = kept_plan(1, date(2026, 5, 5), 3.2)
    half = small().sales.iloc[0].to_dict() | {"bags": 5, "mass_kg": 450.0}
    item = planned_lots(replace(small(), plans=[plan], sales=pd.DataFrame([half])))[0]
    base = factor * 2.0 * 1000 * 80 / 84.5
    assert (item.sold_share, item.realised) == pytest.approx((0.5, 1350 - base / 2))


def test_bags_beyond_those_planned_and_money_of_other_days_are_brought_to_the_plan():
    """Eight bags planned, ten sold: eight tenths of the money; at 2 % a month from 5 May to 5 and to 3 August."""
    plan, factor = kept_plan(1, date(2026, 5, 5), 3.2, bags=8, interest=0.02)
    item = planned_lots(replace(small(), plans=[plan]))[0]
    base = factor * 2.0 * 1000 * 80 / 84.5
    assert (item.base, item.sold_share) == (pytest.approx(base), 1.0)
    assert item.expected == pytest.approx(940 * 3.2 / 1.02 ** (92 / 30.4375) - base)
    assert item.realised == pytest.approx(0.8 * 2700 / 1.02 ** (90 / 30.4375) - base)
    # a buyer with a price of his own says nothing of the part that farmers get of the market's
    case = json.loads(plan.case_json)
    case["buyers"][0]["fixed_price"] = 0.5
    fixed = replace(plan, case_json=json.dumps(case))
    assert planned_lots(replace(small(), plans=[fixed]))[0].base == pytest.approx(2.0 * 1000 * 80 / 84.5)


def test_hindsight_is_context_only():
    record = small()
    later = {
        "quoted_on": date(2026, 10, 1),
        "market": "m",
        "commodity": "maize",
        "price_per_kg": 3.0,
        "price_type": "wholesale",
    }
    dearer = replace(record, prices=pd.concat([record.prices, pd.DataFrame([later])]))
    assert best_in_hindsight(dearer, sold_lots(dearer)[0]) == pytest.approx(3.0 / 2.5 - 1)
    assert sold_lots(dearer)[0].gain == sold_lots(record)[0].gain


def meter_event(number, kind, on, **payload):
    return Event(id=number, book="meter", kind=kind, on=on, who="t", payload=payload, recorded_at=AT)


def meter_book():
    day = date(2025, 1, 1)
    return [
        meter_event(1, "member_added", day, member="1", name="a"),
        meter_event(2, "member_added", day, member="2", name="b"),
        meter_event(3, "capital_due", day, shares={"1": "240", "2": "240"}, text=""),
        meter_event(4, "payment", day, member="1", amount="240", money="cash box"),
        meter_event(5, "payment", day, member="2", amount="240", money="cash box"),
        meter_event(
            6, "meter_bought", day, amount="480", paid_from="money", money="cash box", life_months=48, resale="0"
        ),
        meter_event(7, "depreciation", date(2026, 1, 1), amount="120"),
        meter_event(8, "charge", date(2026, 5, 10), shares={"1": "20", "2": "20"}, text=""),
        meter_event(9, "payment", date(2026, 5, 11), member="1", amount="20", money="cash box"),
        meter_event(10, "spent", date(2026, 5, 20), on_what="batteries", amount="6", money="cash box", text=""),
    ]


def test_cost_per_tonne_by_hand():
    record = replace(small(), meter_book=meter_book(), today=date(2026, 7, 1))
    # written off 120, due since then 480 / 48 x 18 months - 120 = 60, batteries 6; lots 1, 2, 4 were read: 3 t
    assert cost_of_testing(record) == pytest.approx(186)
    found = cost_per_tonne_tested(record)
    assert (found.value, found.denominator) == pytest.approx((62, 3))
    # of the season from May on only the batteries and what is due up to today
    assert cost_of_testing(record, (date(2026, 5, 1), date(2027, 5, 1))) == pytest.approx(66)
    assert cost_of_testing(record, (date(2025, 5, 1), date(2026, 5, 1))) == pytest.approx(120)
    # a period begins with its first day and ends before its last: batteries of the 20th, wear due on 1 July
    periods = ((5, 20, 7, 1), (5, 1, 5, 20), (5, 21, 7, 2))
    spans = [(date(2026, a, b), date(2026, c, d)) for a, b, c, d in periods]
    assert [cost_of_testing(record, span) for span in spans] == pytest.approx([6, 0, 60])


def test_closing_a_season_costs_nothing():
    closed = meter_event(11, "season_closed", date(2026, 6, 30), reserve="0", to_capital={}, to_pay={})
    record = replace(small(), meter_book=[*meter_book(), closed])
    assert cost_of_testing(record) == pytest.approx(126)
    assert float(sum(Decimal(x) for x in ("120", "6"))) == 126


def test_without_an_account_or_a_reading_there_is_no_cost():
    assert cost_per_tonne_tested(small()).value is None
    assert (
        cost_per_tonne_tested(
            in_season(replace(small(), meter_book=meter_book()), date(2020, 1, 1), date(2021, 1, 1))
        ).value
        is None
    )


def test_weeks_in_use_by_hand():
    # lots harvested Fri 1 May; A, B, C bagged Thu 7 May: weeks of 27 April and 4 May. D stays wet: 8 weeks to 26 June.
    # weeks of 27 April .. 22 June = 9; read on 2, 3, 6 and 20 May: weeks of 27 April, 4 and 18 May
    found = meter_in_use(replace(small(), today=date(2026, 12, 1)))
    assert (found.numerator, found.denominator) == (3, 9)
    # harvested on Monday 4 May, sold from Monday 18 May on: weeks of 4, 11 and 18 May, read in the first and the last
    record = small()
    sale = record.sales.iloc[0].to_dict()
    sales = pd.DataFrame([sale | {"sold_on": date(2026, month, day)} for month, day in ((6, 1), (5, 18), (5, 25))])
    lot = replace(record.lots[0], id=int(sale["lot_id"]), harvested_on=date(2026, 5, 4), stored_on=None)
    found = meter_in_use(replace(record, lots=[lot], sales=sales))
    assert (found.numerator, found.denominator) == (2, 3)
    still = replace(record, lots=[lot], sales=sales.iloc[:0], today=date(2026, 5, 11))
    assert meter_in_use(still).denominator == 2
