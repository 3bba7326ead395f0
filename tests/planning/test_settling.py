"""Changes are paid for by gain: a new need of one lot does not reshuffle lots that it does not touch."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.market.deductions import flat_deductions
from core.planning.case import CaseBuyer, CashNeed, make_case
from core.planning.outlook import build_outlook, mean_values
from core.planning.sale import plan_sale
from core.planning.sale_plan import score_of
from core.planning.search import begin_search
from core.planning.settling import allocation_of, by_lot, without_small_parts

WETTER, DRIER, BEANS = 0, 1, 2


def three_lots(extra_points):
    """Two lots of maize for a mill that takes one, and beans that had better wait for their price.

    The mill deducts nothing, the gate 2 % a point: it is better to send the wetter lot to the mill, by `extra_points`
    x 2 % of a lot's worth.
    """
    case = make_case(3, 7, 20, 1)
    crops, moistures, owners = (
        ("maize", "maize", "common_bean"),
        (13.5 + extra_points, 13.5, 12.0),
        ("Ada", "Ada", "Bo"),
    )
    lots = tuple(
        replace(lot, commodity=crop, moisture_pct=wet, moisture_se_pct=0.0, owner=owner, bags=10, bag_mass_kg=100.0)
        for lot, crop, wet, owner in zip(case.lots, crops, moistures, owners, strict=True)
    )
    lots = tuple(replace(lot, id=str(at), label=f"L{at}", available_week=0) for at, lot in enumerate(lots))
    known = {price.commodity: price for price in case.prices}
    flat, rising = (0.95**week for week in range(8)), (1.0, 1.1, 1.2, 1.4, 1.7, 2.0, 1.0, 1.0)
    maize = replace(known["maize"], path=tuple(flat), weekly_sd=0.0, price_now=1.0)
    beans = replace(known.get("common_bean", maize), commodity="common_bean", path=rising, weekly_sd=0.0, price_now=1.0)
    gate = CaseBuyer("gate", "gate", deductions=flat_deductions(13.5, 0.02, reading_sd_pct=0.0))
    mill = CaseBuyer("mill", "mill", commodities=("maize",), fixed_price=1.5, quantity_kg=1000.0, last_week=0)
    roomy = tuple(replace(way, owned_bags=99) for way in case.storage)
    return case.with_changes(
        lots=lots,
        prices=(maize, beans),
        buyers=(gate, mill),
        storage=roomy,
        store_bags=None,
        drying=(),
        needs=(),
        reserves=(),
        interest_monthly=0.0,
    )


def tidied(outlook, given):
    """Return an allocation without parts that are too small."""
    return without_small_parts(
        begin_search(outlook, [mean_values(outlook.case, one) for one in outlook.classes]), given
    )


def buyers_of(plan):
    """Return where the lots of maize go, by lot."""
    return {line.lot: line.buyer for line in plan.sales if line.commodity == "maize"}


def at(outlook, lot, buyer):
    """Return the option of a lot that sells undried to a buyer at once."""
    table = outlook.options(lot)
    [option] = np.flatnonzero((table.buyer == buyer) & (table.sale_week == 0) & (table.storage < 0))[:1].tolist()
    return option


def kept_and_needed(extra_points):
    """Return the outlook with a new need, and a kept plan that sends the drier lot to the mill.

    The need is more than all the maize brings at once (2500 at most): some of the beans have to go now.
    """
    case = three_lots(extra_points)
    outlook = build_outlook(case)
    before = plan_sale(case, outlook)
    assert {line.week for line in before.sales if line.commodity == "common_bean"} == {5}
    kept = {WETTER: {at(outlook, WETTER, 0): 10}, DRIER: {at(outlook, DRIER, 1): 10}}
    kept[BEANS] = by_lot(before.allocation)[BEANS]
    needing = case.with_changes(needs=(CashNeed(0, 2820.0, "", "school"),))
    return replace(outlook, case=needing), kept


def test_lots_that_a_new_need_does_not_touch_stay_as_they_were():
    outlook, kept = kept_and_needed(0.3)  # 0.6 % of a lot: less than a change has to gain
    free = plan_sale(outlook.case, outlook)
    assert buyers_of(free) == {"0": "mill", "1": "gate"}  # without the guard they would change places
    plan = plan_sale(outlook.case, outlook, kept=kept, change_price=0.01)
    assert buyers_of(plan) == {"0": "gate", "1": "mill"}
    for made in (free, plan):  # the need itself is met, by the beans
        assert not made.unmet
        assert 0 in {line.week for line in made.sales if line.commodity == "common_bean"}
    assert plan.objective >= free.objective * (1 - 0.01)


@pytest.mark.parametrize(("price", "moves"), [(0.01, True), (0.05, False)])
def test_a_change_that_pays_is_made(price, moves):
    outlook, kept = kept_and_needed(2.0)  # 4 % of one lot; two lots have to change for it
    plan = plan_sale(outlook.case, outlook, kept=kept, change_price=price)
    assert (buyers_of(plan) == {"0": "mill", "1": "gate"}) == moves


def test_a_part_too_small_stays_where_a_cash_need_hangs_on_it():
    """Five bags of beans at 100 a bag now and 200 in five weeks, 150 needed now: two bags go, though a part has three.

    All five now would be 500 and all five later leave the need unmet; two now and three later bring 800 by hand.
    """
    case = three_lots(0.0)
    lot = replace(case.lots[BEANS], bags=5, owner="")
    needing = case.with_changes(lots=(lot,), buyers=case.buyers[:1], needs=(CashNeed(0, 150.0, "", "school"),))
    plan = plan_sale(needing, build_outlook(needing))
    assert not plan.unmet
    assert sorted((line.week, line.bags) for line in plan.sales) == [(0, 2), (5, 3)]
    assert plan.mean == pytest.approx(800.0, rel=0.03)  # less what five weeks in the store take


def test_a_small_part_changes_places_with_bags_of_another_lot_and_nothing_is_lost():
    """The mill takes six bags at one and a half times the gate's price, from two lots alike: one bag and five.

    Joined to the gate the one bag would lose 50, and no more than six may go to the mill: it changes places with one
    of the other lot instead, and the six come from one lot.
    """
    case = three_lots(0.0)
    case = case.with_changes(buyers=(case.buyers[0], replace(case.buyers[1], quantity_kg=600.0)))
    outlook = build_outlook(case)
    gate, mill = ({lot: at(outlook, lot, buyer) for lot in (WETTER, DRIER)} for buyer in (0, 1))
    placed = {WETTER: {mill[WETTER]: 1, gate[WETTER]: 9}, DRIER: {mill[DRIER]: 5, gate[DRIER]: 5}}
    given = allocation_of(outlook, placed)
    tidy = tidied(outlook, given)
    assert by_lot(tidy) == {WETTER: {gate[WETTER]: 10}, DRIER: {mill[DRIER]: 6, gate[DRIER]: 4}}
    assert score_of(outlook, tidy) == pytest.approx(score_of(outlook, given), abs=1e-6)


@pytest.mark.parametrize("paid", [1.1, 2.2])
def test_one_bag_makes_no_trip_of_its_own_whatever_it_brings(paid):
    """One bag of 100 may go to the mill, the rest to the gate at 1.0: it goes there too."""
    case = three_lots(0.0)
    mill = replace(case.buyers[1], quantity_kg=100.0, fixed_price=paid)
    case = case.with_changes(buyers=(case.buyers[0], mill), lots=case.lots[:1])
    outlook = build_outlook(case)
    gate_option, mill_option = (at(outlook, 0, buyer) for buyer in (0, 1))
    given = allocation_of(outlook, {0: {gate_option: 9, mill_option: 1}})
    assert by_lot(tidied(outlook, given)) == {0: {gate_option: 10}}
