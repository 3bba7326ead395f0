"""The parts of the outlook on made-up seasons, by hand: masses, prices, weeks of sale, costs, and what is dominated."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from core.market.deductions import Deductions
from core.planning.case import CaseBuyer, CropPrice, DryingChoice, Reserve, StorageChoice, Truck, make_case
from core.planning.outlook import (
    LONG_STORE_WEEKS,
    NONE,
    Chain,
    _blocks_of,
    _chains,
    _drying_cost,
    _floor_share,
    _is_taken,
    _left_the_field,
    _may_be_eaten,
    _may_go_into,
    _mean_and_tail,
    _normal,
    _open_to,
    _takes,
    _weeks_of_sale,
    build_outlook,
    chain_masses,
    chance_refused,
    class_options,
    group_lots,
    lot_moisture,
    mass_parts,
    option_masses,
    price_paid,
    undominated,
    usual_storage,
)
from core.planning.seasons import Dried, Kept, Seasons, Stood

SCENARIOS, WEEKS, MONTH = 10, 12, 365.25 / 12 / 7
K = np.arange(SCENARIOS)


def small_case(**changes):
    """Two lots, two spaces, three stores (bags, sealed bags, dusted bags), three buyers and three reserves."""
    base = make_case(2, WEEKS, SCENARIOS, 1)
    lots = (
        replace(base.lots[0], id="a", commodity="maize", bags=10, bag_mass_kg=100.0, moisture_pct=18.0),
        replace(base.lots[1], id="b", commodity="sorghum", bags=4, bag_mass_kg=50.0, moisture_pct=12.0),
    )
    lots = tuple(
        replace(lot, moisture_se_pct=0.5, standing=False, available_week=0, latest_week=None, aflatoxin=False)
        for lot in lots
    )
    values = {
        "lots": lots,
        "prices": (CropPrice("maize", 0.25), CropPrice("sorghum", 0.70)),
        "drying": (
            DryingChoice("s", "S", "sun", 430.0, cost_per_kg=0.01, fee_per_point_kg=0.002, hire_per_bag_day=0.05),
            DryingChoice("t", "T", "crib", 300.0, unshelled=True, handling_loss=0.02),
        ),
        "storage": (
            StorageChoice("h", "H", "hermetic_bag", seal_below_pct=(("maize", 12.5),)),
            StorageChoice("p", "P", "woven_bag", cost_per_bag_month=0.3, treatment_per_bag=0.1),
            StorageChoice("d", "D", "woven_bag", waiting_days=10),
        ),
        "buyers": (
            CaseBuyer("w", "W", 10.0, (), 1.1, pay_delay_weeks=2, fee_fraction=0.04, first_week=2, last_week=5),
            CaseBuyer("x", "X", commodities=("maize",), refuses_treated=True),
            CaseBuyer("y", "Y", lots=("b",), fixed_price=0.4),
        ),
        "truck": Truck(600.0, 5.0, 0.5, 3, cost_per_bag=0.25),
        "reserves": (
            Reserve("food", "maize", 150.0, 4, 0.6, damage_per_pct=0.03),
            Reserve("seed", "sorghum", 30.0, 99, 0.9, evenly=False, use="seed", damage_per_pct=0.02),
        ),
        "target_pct": (("maize", 13.0), ("sorghum", 12.5)),
        "target_choices": (),
        "start_delays": (0, 1),
        "interest_monthly": 0.03,
        "needs": (),
        "days_gone": 0,
    }
    return base.with_changes(**values | changes)


CASE = small_case()
LOT = CASE.lots[0]


def today(week):
    return 1.03 ** -(week / MONTH)


def kept(lot, moisture, storage, first_week, length):
    week = np.arange(length + 1.0)[:, None]
    return Kept(
        moisture[None, :] - 0.1 * week,
        0.2 * week + 0.01 * K,
        0.3 * week + 0.02 * K,
        1.5 * week + 0.1 * K,
        0.02 * week + 0 * K,
        0.03 * week + 0 * K,
        1 - 0.015 * week + 0 * K,
    )


def dry(lot, choice, start, moisture, target):
    return Dried(4.0, 3.0 + 2.0 * K, 0.1 + 0.05 * K)


def stand(lot, week, moisture):
    return Stood(
        moisture - 0.5 * (week - lot.moisture_week), np.full(len(moisture), 0.01 * (week - lot.available_week))
    )


PRICES = {
    "maize": 0.25 + 0.01 * np.arange(WEEKS + 1)[:, None] + 0.002 * K,
    "sorghum": 0.70 - 0.01 * np.arange(WEEKS + 1)[:, None] + 0.003 * K,
}
SEASONS = Seasons(PRICES, {"a": (K - 4.5) / 3, "b": (K - 4.5) / 4}, np.tile(0.05 + 0.1 * K, (3, 1)), dry, kept, stand)
MOISTURE = 18.0 + 0.5 * (K - 4.5) / 3


def chain(**changes):
    """Maize of 18 % dried to 13 % in weeks 1 and 2, in store up to week 8."""
    values = {
        "setup": 0,
        "start_week": 1,
        "days": 9.0,
        "ready_week": 2,
        "dried": dry(None, None, 0, None, 0.0),
        "last_week": 8,
        "target": 13.0,
        "harvest_week": 0,
        "harvested": MOISTURE,
        "field_lost": np.zeros(SCENARIOS),
        "surely": 13.0,
        "to_seal": 13.0,
    }
    return Chain(**values | changes)


def test_each_part_of_a_kg_by_hand():
    """20 % less a tenth in the field, to 15 % (80/85), 2 % handling, 1 and 3 % of the rest, 5 % of that to insects.

    Grain that takes water up again in store, from 15 to 16 %, weighs no more than it did when bagged.
    """
    one = np.array([[1.0]])
    parts = mass_parts(
        np.array([20.0]), 15 * one, np.array([[15.0], [14.0], [16.0]]), 0.02,
        np.array([1.0]), 3 * one, 5 * one, 7 * one, 0.11, 0.12, 0.1, 0.13,
    )  # fmt: skip
    for row, end in enumerate((15.0, 14.0, 15.0)):
        bagged = 0.9 * 80 / (100 - end)
        assert parts.field[row, 0] == pytest.approx(0.1)
        assert parts.water[row, 0] == pytest.approx(0.9 - bagged)
        assert parts.handling[row, 0] == pytest.approx(0.02 * bagged)
        assert parts.dry_matter[row, 0] == pytest.approx(0.98 * bagged * (1 - 0.99 * 0.97))
        assert parts.insects[row, 0] == pytest.approx(0.98 * bagged * 0.99 * 0.97 * 0.05)
        assert parts.sold[row, 0] == pytest.approx(0.98 * bagged * 0.99 * 0.97 * 0.95)
    names = ("damaged_pct", "unfit_share", "refusal_chance", "alive_share")
    assert [float(getattr(parts, name)[2, 0]) for name in names] == [7.0, 0.11, 0.12, 0.13]
    assert parts.moisture_pct.ravel().tolist() == [15.0, 14.0, 16.0]


def test_the_masses_of_a_way_by_hand():
    """Booked from week 1 to the end of week 2: 14 days had, 7 more each week in store; what is not through is wetter.

    Without a store the grain is sold as it then is: no row but the first, and nothing lost in keeping.
    """
    way = chain(field_lost=np.full(SCENARIOS, 0.05))
    found = chain_masses(CASE, SEASONS, LOT, MOISTURE, way, 1)
    assert found.sold.shape == (7, SCENARIOS)
    days, loss = 3.0 + 2.0 * K, 0.1 + 0.05 * K
    for row in range(7):
        done = np.minimum((14 + 7 * row) / days, 1.0)
        late = (MOISTURE - 13.0) * (1 - done)
        bagged = 0.95 * (100 - MOISTURE) / (100 - 13.0 - late)
        end = 13.0 - 0.1 * row + late
        kg = bagged * (100 - 13.0 - late) / (100 - end) * (1 - 0.005) * (1 - loss / 100)
        kg = kg * (1 - (0.2 * row + 0.01 * K) / 100) * (1 - (0.3 * row + 0.02 * K) / 100)
        assert found.sold[row] == pytest.approx(kg)
        assert found.moisture_pct[row] == pytest.approx(end)
        assert found.damaged_pct[row] == pytest.approx(1.5 * row + 0.1 * K)
        assert found.unfit_share[row] == pytest.approx(0.02 * row + 0 * K)
        assert found.refusal_chance[row] == pytest.approx(0.03 * row + 0 * K)
        assert found.alive_share[row] == pytest.approx(1 - 0.015 * row + 0 * K)
    assert (np.maximum(MOISTURE - 13, 0) * (1 - np.minimum(14 / days, 1))).max() > 0.5
    at_once = chain_masses(CASE, SEASONS, LOT, MOISTURE, way, NONE)
    late = (MOISTURE - 13.0) * (1 - np.minimum(14 / days, 1.0))
    assert at_once.moisture_pct == pytest.approx((13.0 + late)[None, :])
    kg = 0.95 * (100 - MOISTURE) / (87.0 - late) * (1 - 0.005) * (1 - loss / 100)
    assert at_once.sold == pytest.approx(kg[None, :])
    assert not at_once.insects.any()
    assert not at_once.damaged_pct.any()
    # not dried: as it was cut, drier or wetter than stated
    cut = chain(setup=NONE, dried=None, harvested=MOISTURE - 2.0, ready_week=0, start_week=0, last_week=1)
    raw = chain_masses(CASE, SEASONS, LOT, MOISTURE, cut, NONE)
    assert raw.sold == pytest.approx(((100 - MOISTURE) / (102 - MOISTURE))[None, :])
    assert raw.moisture_pct == pytest.approx((MOISTURE - 2)[None, :])
    assert chain_masses(CASE, SEASONS, LOT, MOISTURE, cut, 1).sold.shape == (2, SCENARIOS)


def test_what_drying_costs_by_hand():
    """Five points at 0.002 and 0.01 a kg, nine days at 0.05 a bag; a standing lot by the kg that are spread.

    Cut at 16 % with a twentieth lost, 95 x 82/84 kg of 100 stated at 18 % lie on the floor, three points too wet.
    """
    cost = _drying_cost(CASE, LOT, chain(), MOISTURE)
    assert (cost.per_kg, cost.per_bag, cost.floor_kg) == pytest.approx((0.01 + 5 * 0.002, 0.45, 1.0))
    bare = _drying_cost(CASE, LOT, chain(setup=NONE), MOISTURE)
    assert (bare.per_kg, bare.per_bag, bare.floor_kg) == (0, 0, 1)
    drier = _drying_cost(CASE, replace(LOT, moisture_pct=12.0), chain(), MOISTURE)
    assert drier.per_kg == pytest.approx(0.01)
    standing = replace(LOT, standing=True)
    flat = np.full(SCENARIOS, 18.0)
    cut = chain(harvested=flat - 2.0, field_lost=np.full(SCENARIOS, 0.05))
    share = 0.95 * 82 / 84
    cost = _drying_cost(CASE, standing, cut, flat)
    assert (cost.per_kg, cost.floor_kg) == pytest.approx(((0.01 + 3 * 0.002) * share, share))
    assert _floor_share(standing, flat, flat - 2.0, cut.field_lost) == pytest.approx(share)
    assert _floor_share(LOT, flat, flat - 2.0, cut.field_lost) == 1.0
    choice, crib = CASE.drying
    assert [_takes(choice, LOT, kg) for kg in (430.0, 430.1)] == [True, False]
    cob = replace(LOT, form="cob")
    assert [_takes(crib, lot, 300.0) for lot in (replace(LOT, form="threshed"), cob)] == [False, True]
    assert _takes(choice, cob, 100.0)
    assert not _takes(crib, cob, 300.1)


def test_the_moisture_of_a_lot_in_each_scenario_by_hand():
    assert lot_moisture(LOT, SEASONS) == pytest.approx(MOISTURE)
    wide = replace(LOT, moisture_se_pct=90.0)
    assert lot_moisture(wide, SEASONS).tolist()[::9] == [2.0, 55.0]
    cut = _left_the_field(replace(LOT, standing=True, moisture_week=0, available_week=1), SEASONS, MOISTURE, 3)
    assert cut.moisture == pytest.approx(MOISTURE - 1.5)
    assert cut.lost == pytest.approx(np.full(SCENARIOS, 0.02))
    assert (cut.week, cut.lot.available_week, cut.lot.moisture_pct) == (3, 3, pytest.approx(16.5))
    there = _left_the_field(LOT, SEASONS, MOISTURE, 3)
    assert (there.lot, there.week, there.lost.tolist()) == (LOT, 3, [0.0] * SCENARIOS)
    assert there.moisture is MOISTURE


# Prices

TERMS = Deductions(
    base_pct=13.0, steps=((100.0, 0.02),), refusal_pct=15.0, reading_sd_pct=0.0, damage_per_pct=0.04, scale_offset=-0.1
)


def test_the_price_that_a_buyer_pays_by_hand():
    """Market 0.5, factor 1.2, a tenth less by his scale, two points too wet at 2 %, damage of 3 % at 4 %.

    An offer that fails pays the spot price at most; a refused load is sold at 0.6 of the market where that is less.
    """
    who = CaseBuyer("w", "W", price_factor=1.2, deductions=TERMS, refused_factor=0.6, chance_failing=0.3, inspects=True)
    case = CASE.with_changes(buyers=(who,))
    draw = np.array([0.1, 0.3, 0.5])
    market, moisture = np.full((1, 3), 0.5), np.array([[15.0, 15.0, 15.5]])
    paid = price_paid(case, 0, "maize", market, moisture, np.full((1, 3), 3.0), draw, 0.25)
    full, spot = 0.5 * 1.2 * 0.9, 0.5 * 0.6
    wet = [1 - 0.02 * 2, 1 - 0.02 * 2, 1 - 0.02 * 2.5]
    sound = [price * part * 0.96**3 for price, part in zip((spot, full, full), wet, strict=True)]
    expected = [sound[0], sound[1] - 0.25 * (sound[1] - spot), spot]
    assert paid[0] == pytest.approx(expected)
    fixed = case.with_changes(buyers=(replace(who, fixed_price=0.7, basis_sd=0.2, chance_failing=0.0),))
    paid = price_paid(fixed, 0, "maize", market, np.full((1, 3), 12.0), np.zeros((1, 3)), draw)
    assert paid[0] == pytest.approx([0.63] * 3)
    # how his price stands to the market: one standard error more at the draw 0.841, none at the middle
    unsure = case.with_changes(buyers=(replace(who, basis_sd=0.2, chance_failing=0.0, inspects=False),))
    paid = price_paid(
        unsure, 0, "maize", market, np.full((1, 3), 12.0), np.zeros((1, 3)), np.array([0.841344746, 0.5, 0.158655254])
    )
    assert paid[0] == pytest.approx(full * np.exp([0.2, 0.0, -0.2]), rel=1e-6)
    assert _normal(np.array([0.5, 0.975, 0.0, 1.0])) == pytest.approx([0.0, 1.959964, -5.997807, 5.997807])


def test_the_chance_that_a_load_is_refused_and_what_is_planned_for_a_strict_buyer():
    """By the reading 0 or 1, by what an inspector sees 0.4; more likely than not is too much, just as likely is not."""
    who = CaseBuyer("w", "W", deductions=TERMS)
    wet = np.array([[15.0, 15.1]])
    assert chance_refused(who, "maize", wet, 0.4).tolist() == [[0, 1]]
    assert chance_refused(replace(who, inspects=True), "maize", wet, 0.4).tolist() == [[pytest.approx(0.4), 1]]
    assert chance_refused(replace(who, inspects=True), "maize", wet).tolist() == [[0, 1]]
    strict = replace(who, strict=True)
    rows = np.array([[14.0, 16.0, 14.0, 16.0], [16.0, 16.0, 16.0, 14.0], [14.0, 14.0, 14.0, 14.0]])
    assert _is_taken(strict, "maize", rows, np.zeros((3, 4))).tolist() == [True, False, True]
    assert _is_taken(who, "maize", rows, np.zeros((3, 4))) is True
    one = replace(strict, inspects=True)
    assert _is_taken(one, "maize", rows[2:], np.full((1, 4), 0.51)).tolist() == [False]
    assert _is_taken(one, "maize", rows[2:], np.full((1, 4), 0.5)).tolist() == [True]


# When, where and to whom


def test_who_takes_a_lot_and_which_bags_are_the_usual_ones():
    road, _maize, _named = CASE.buyers
    assert [_open_to(who, LOT) for who in CASE.buyers] == [True, True, False]
    assert [_open_to(who, CASE.lots[1]) for who in CASE.buyers] == [True, False, True]
    assert not _open_to(road, replace(LOT, use="seed"))
    assert usual_storage(CASE) == 1
    sealed, plain, dusted = CASE.storage
    assert [usual_storage(CASE.with_changes(storage=ways)) for ways in ((sealed, dusted), (plain,), ())] == [-1, 0, -1]


def test_the_weeks_in_which_a_way_is_sold_by_hand():
    """Ready in week 2, in store to week 8: from week 3, dusted with ten days of waiting from week 5."""

    def weeks(storage, lot=LOT, case=CASE, **changes):
        return list(_weeks_of_sale(case, lot, chain(**changes), storage))

    assert weeks(NONE) == [2]
    assert weeks(NONE, replace(LOT, sale_from_week=2)) == [2]
    assert weeks(NONE, replace(LOT, sale_from_week=3)) == weeks(NONE, first_sale=3) == []
    assert weeks(1) == [3, 4, 5, 6, 7, 8]
    assert weeks(2) == [5, 6, 7, 8]
    assert weeks(1, first_sale=6) == weeks(1, replace(LOT, sale_from_week=6)) == [6, 7, 8]
    still = CASE.with_changes(prices=(replace(CASE.prices[0], wait=False), CASE.prices[1]))
    assert weeks(1, case=still) == [3, 4, 5, 6]  # four weeks for a truck
    assert weeks(1, replace(LOT, sale_from_week=3), still) == [3, 4, 5, 6, 7]
    assert weeks(1, case=still, last_week=5) == [3, 4, 5]
    assert weeks(1, CASE.lots[1], still) == [3, 4, 5, 6, 7, 8]


def test_what_may_be_kept_to_eat_and_where_a_way_may_go():
    """Untreated grain at 13 % keeps; wetter only waits in the usual bags; the sealed ones take 12.5 %."""
    lot = replace(LOT, keeping_pct=13.0)
    assert [_may_be_eaten(CASE, lot, chain(), store) for store in (NONE, 0, 1, 2)] == [False, True, True, False]
    assert not _may_be_eaten(CASE, lot, chain(surely=13.1), 1)
    waiting = [_may_be_eaten(CASE, replace(lot, sale_from_week=week), chain(), 1) for week in (2, 3)]
    assert waiting == [True, False]
    assert [_may_go_into(CASE, lot, chain(), store, 1) for store in range(3)] == [False, True, True]
    assert [_may_go_into(CASE, lot, chain(to_seal=12.5), store, 1) for store in range(3)] == [True] * 3
    assert [_may_go_into(CASE, lot, chain(surely=14.0, to_seal=12.0), store, 1) for store in range(3)] == [
        False,
        True,
        False,
    ]
    assert not _may_go_into(CASE, lot, chain(last_week=2), 1, 1)


def test_the_ways_to_get_a_lot_ready_by_hand():
    """Sold as it is; dried on the sheets alone (the crib takes cobs) this week or the next, four days each.

    Delivered at 18 %, it may wait in bags for the days that wet grain may; 13 % keeps to the last week. 11 % is drier
    than anybody asks for: compared from eight weeks in store on, and begun at once.
    """
    case = CASE.with_changes(target_choices=(("maize", 11.0),))

    def ways(lot=LOT, at=case, planned=None, like=None):
        groups = _chains(at, SEASONS, lot, MOISTURE, {} if planned is None else planned, like)
        return [[(one.setup, one.start_week, one.target, one.ready_week) for one in group] for group in groups]

    planned = {}
    groups = _chains(case, SEASONS, LOT, MOISTURE, planned, None)
    assert ways() == [[(-1, 0, 13.0, 0)], [(0, 0, 13.0, 1), (0, 0, 11.0, 1)], [(0, 1, 13.0, 2)]]
    assert planned == dict.fromkeys([(0, 0, 0, 11.0), (0, 0, 0, 13.0), (0, 1, 0, 13.0)], 4.0)
    raw, (dried, driest) = groups[0][0], groups[1]
    assert (raw.last_week, raw.surely, raw.days) == (1, LOT.surely_pct, 0.0)
    assert (driest.first_sale, dried.first_sale) == (1 + LONG_STORE_WEEKS, 1)
    assert (dried.last_week, dried.surely, dried.to_seal, dried.days) == (11, 13.0, 13.0, 4.0)
    assert _chains(case, SEASONS, replace(LOT, aflatoxin=True), MOISTURE, {}, None)[0][0].last_week == 0  # two days
    assert raw.key == (0, -1, 0, 0.0)
    assert driest.key == (0, 0, 0, 11.0)
    # a buyer who deducts from 10.5 % on asks for drier grain still
    asking = replace(CASE.buyers[1], deductions=Deductions(base_pct=10.5, steps=((100.0, 0.02),)))
    assert [len(group) for group in ways(at=case.with_changes(buyers=(asking,)))] == [1, 2, 2]
    # dry enough already; a cob on the crib too; a bag that is larger than the sheets
    assert ways(replace(LOT, surely_at_most_pct=12.0)) == [[(-1, 0, 13.0, 0)], [(0, 0, 11.0, 1)]]
    assert ways(replace(LOT, surely_at_most_pct=11.0)) == [[(-1, 0, 13.0, 0)]]
    assert {way[0] for group in ways(replace(LOT, form="cob")) for way in group} == {-1, 0, 1}
    assert ways(replace(LOT, bag_mass_kg=431.0)) == [[(-1, 0, 13.0, 0)]]
    # days that were booked before are booked again
    assert ways(planned={(0, 0, 0, 13.0): 9.0})[1][0] == (0, 0, 13.0, 2)
    assert not [way for group in ways(planned={(0, 0, 0, 13.0): np.inf}) for way in group if way[:3] == (0, 0, 13.0)]
    # ready in week 11 at the latest
    assert [len(group) for group in ways(replace(LOT, available_week=11))] == [1]
    assert [len(group) for group in ways(replace(LOT, available_week=10))] == [1, 2]
    assert ways(replace(LOT, available_week=12)) == []
    # a standing lot is cut every second week and dried as soon as it is cut
    standing = replace(LOT, standing=True, available_week=1, moisture_week=0, latest_week=4, harvest_step=2)
    assert [[way[:2] for way in group] for group in ways(standing)] == [
        [(-1, 1)],
        [(0, 1), (0, 1)],
        [(-1, 3)],
        [(0, 3), (0, 3)],
    ]


def test_the_sales_of_a_way_by_hand():
    """Ready in week 2: the town buys in weeks 3 to 5 and pays two weeks later, less 4 %, loading 0.25; the gate 3 to 8.

    The store takes 0.3 a bag and month, and 0.1 at first; of each kg what mould leaves is paid.
    """
    way = chain()
    blocks = list(_blocks_of(CASE, SEASONS, LOT, way, 1, MOISTURE, True))
    assert [(block.buyer, block.reserve) for block in blocks] == [(0, -1), (1, -1), (-1, 0)]
    masses = chain_masses(CASE, SEASONS, LOT, MOISTURE, way, 1)
    for block, weeks, delay, factor, fee, load in (
        (blocks[0], [3, 4, 5], 2, 1.1, 0.04, 0.25),
        (blocks[1], [3, 4, 5, 6, 7, 8], 0, 1.0, 0.0, 0.0),
    ):
        assert block.weeks.tolist() == weeks
        assert block.pay_week.tolist() == [week + delay for week in weeks]
        assert (block.upfront_kg, block.upfront_bag) == pytest.approx((0.01 + 5 * 0.002, 9 * 0.05 + 0.1))
        for row, week in enumerate(weeks):
            since, price = week - 2, PRICES["maize"][week] * factor
            kg = masses.sold[since] * (1 - 0.02 * since)
            assert block.receipts[row] == pytest.approx(kg * price * (1 - fee), rel=1e-5)
            assert block.kept_kg[row] == pytest.approx(masses.sold[since].mean())
            assert block.price_kg[row] == pytest.approx(price.mean(), rel=1e-6)
            assert block.later_bag[row] == pytest.approx(0.3 * since / MONTH + load)
            assert block.unfit[row] == pytest.approx(0.02 * since)
        assert block.key == (0, 0, 1, 13.0, 1, block.buyer, -1)
    # treated grain, here or before: the gate refuses it
    assert [block.buyer for block in _blocks_of(CASE, SEASONS, LOT, way, 2, MOISTURE, False)] == [0]
    before = replace(LOT, treated=True)
    assert [block.buyer for block in _blocks_of(CASE, SEASONS, before, way, 1, MOISTURE, False)] == [0]
    # at once, without a store: the town in week 2, no store to pay
    at_once = list(_blocks_of(CASE, SEASONS, LOT, way, NONE, MOISTURE, False))
    assert [(block.buyer, block.weeks.tolist(), block.later_bag.tolist()) for block in at_once] == [
        (0, [2], [0.25]),
        (1, [2], [0.0]),
    ]
    assert at_once[0].upfront_bag == pytest.approx(0.45)
    early = list(_blocks_of(CASE, SEASONS, LOT, chain(start_week=0, ready_week=1), NONE, MOISTURE, False))
    assert [block.buyer for block in early] == [1]  # the town opens in week 2


def test_what_is_kept_back_of_a_way_by_hand():
    """Food is eaten in parts of weeks 3 and 4, each at its own day's money; seed stands to the last week, if alive."""
    [food] = [one for one in _blocks_of(CASE, SEASONS, LOT, chain(), 1, MOISTURE, True) if one.reserve >= 0]
    masses = chain_masses(CASE, SEASONS, LOT, MOISTURE, chain(), 1)
    worth = 0.0
    for since in (1, 2):
        damaged = 1.5 * since + 0.1 * K
        worth = worth + today(2 + since) * masses.sold[since] * 0.6 * 0.97**damaged * (1 - 0.02 * since) / 2
    assert (food.weeks.tolist(), food.pay_week.tolist(), food.price_kg.tolist()) == ([4], [4], [0.6])
    assert food.receipts[0] == pytest.approx(worth / today(4))
    assert food.kept_kg == pytest.approx([masses.sold[1:3].mean()])
    assert food.unfit == pytest.approx([0.03])
    assert food.later_bag == pytest.approx([0.3 * 2 / MONTH])
    other, moisture = CASE.lots[1], lot_moisture(CASE.lots[1], SEASONS)
    way = chain(setup=NONE, dried=None, start_week=0, ready_week=0, last_week=11, harvested=moisture)
    [seed] = [one for one in _blocks_of(CASE, SEASONS, other, way, 1, moisture, True) if one.reserve >= 0]
    kg = chain_masses(CASE, SEASONS, other, moisture, way, 1).sold[11]
    worth = kg * 0.9 * 0.98 ** (1.5 * 11 + 0.1 * K) * (1 - 0.02 * 11) * (1 - 0.015 * 11)
    assert seed.weeks.tolist() == [11]
    assert seed.receipts[0] == pytest.approx(worth)
    # not for a reserve that ends when the grain is ready, or after it has left the store
    for ready, last, found in ((3, 8, 1), (4, 8, 0), (2, 4, 1), (2, 3, 0)):
        some = _blocks_of(CASE, SEASONS, LOT, chain(ready_week=ready, last_week=last), 1, MOISTURE, True)
        assert len([one for one in some if one.reserve >= 0]) == found
    as_seed = replace(LOT, use="seed")
    assert not list(_blocks_of(CASE, SEASONS, as_seed, chain(), 1, MOISTURE, True))
    # seed kept from a lot for sale is allowed, food from a lot of seed is not
    assert [one.reserve for one in _blocks_of(CASE, SEASONS, replace(other, use="seed"), way, 1, moisture, True)] == [1]


# Which ways are offered


def block(receipts, weeks=(3, 4), **changes):
    """Return what `undominated` reads: receipts by week, alike in every scenario unless said otherwise."""
    values = {"days": 3.0, "ready": 2, "buyer": 1, "upfront": 0.0, "kept": 0.9, "taken": True} | changes
    weeks, table = np.array(weeks), np.array(receipts, dtype=float)
    if table.ndim == 1:
        table = np.repeat(table[:, None], SCENARIOS, axis=1)
    return SimpleNamespace(
        weeks=weeks,
        pay_week=weeks,
        receipts=table,
        taken=values["taken"],
        buyer=values["buyer"],
        upfront_kg=values["upfront"],
        kept_kg=np.full(len(weeks), values["kept"]),
        chain=SimpleNamespace(days=values["days"], ready_week=values["ready"], start_week=1),
    )


def test_the_two_measures_of_a_way_by_hand():
    """Mean 0.55 and worst tenth (one of ten) 0.1, paid in week 3; 0.02 at first; 15 a trip of 600 kg for 0.9 kg."""
    one = block([np.linspace(0.1, 1.0, 10), np.linspace(0.2, 1.1, 10)], buyer=0, upfront=0.02)
    cost = [0.02 * today(1) + 15 / 600 * 0.9 * today(week) for week in (3, 4)]
    found = _mean_and_tail(CASE, one)
    assert found[0] == pytest.approx([today(3) * 0.55 - cost[0], today(4) * 0.65 - cost[1]])
    assert found[1] == pytest.approx([today(3) * 0.1 - cost[0], today(4) * 0.2 - cost[1]])
    for buyer in (NONE, 1):
        near = _mean_and_tail(CASE, block([1.0, 2.0], buyer=buyer, upfront=0.02))
        assert near[0] == pytest.approx([today(3) - 0.02 * today(1), 2 * today(4) - 0.02 * today(1)])
    # of 400 scenarios every fourth speaks for all: ten of a hundred are the worst
    many = block(np.tile(np.arange(400.0), (2, 1)))
    assert _mean_and_tail(CASE, many)[:, 0] == pytest.approx([today(3) * 198.0, today(3) * 18.0])


def test_what_another_way_beats_is_not_offered():
    """In mean and in the worst tenth at least as much, no more days, in store at most a week longer: week by week."""

    def left(*blocks):
        return [keep.tolist() for keep in undominated(CASE, list(blocks))]

    good, poor = block([0.5, 0.4]), block([0.4, 0.5])
    assert left(poor) == [[True, True]]
    assert left(block([0.4, 0.5], taken=np.array([True, False]))) == [[True, False]]
    assert left(good, poor) == [[True, False], [False, True]]
    assert left(good, good) == [[False, False], [True, True]]  # one of two that are alike stays
    assert left(good, block([0.4, 0.5], days=2.0)) == [[True, False], [True, True]]
    assert left(block([0.5, 0.4], ready=1), poor) == [[True, False], [False, True]]
    assert left(block([0.5, 0.4], ready=0), poor) == [[True, False], [True, True]]
    # better in the mean, worse in the worst tenth
    risky = block([[0.1] + [0.9] * 9, [0.1] + [0.9] * 9])
    assert left(risky, block([0.5, 0.5])) == [[True, True], [True, True]]
    # only in weeks that both have; what the buyer would not take beats nothing
    assert left(block([0.5, 0.5, 0.5], weeks=(4, 5, 6)), block([0.4, 0.4, 0.4, 0.4], weeks=(3, 4, 5, 6))) == [
        [True] * 3,
        [True, False, False, False],
    ]
    assert left(block([0.5], weeks=(7,)), block([0.4], weeks=(3,))) == [[True], [True]]
    assert left(block([0.5, 0.5], taken=np.array([False, True])), block([0.4, 0.4])) == [[False, True], [True, False]]


def test_the_table_of_a_lots_options_holds_every_way_and_is_made_again_alike():
    """Each way, store and buyer: by hand for the wet lot, one space, two stores and the gate."""
    case = CASE.with_changes(
        storage=CASE.storage[1:2], buyers=CASE.buyers[1:2], reserves=CASE.reserves[:1], drying=CASE.drying[:1]
    )
    table = class_options(case, SEASONS, LOT, {})
    rows = list(
        zip(table.setup.tolist(), table.start_week.tolist(), table.ready_week.tolist(), table.storage.tolist(),
            table.sale_week.tolist(), table.buyer.tolist(), table.reserve.tolist(), strict=True)
    )  # fmt: skip
    # undried: at once or a week later; dried from week 0 or 1: at once, each week to the eleventh, or eaten to week 4
    hand = [(-1, 0, 0, -1, 0, 0, -1), (-1, 0, 0, 0, 1, 0, -1)]
    for start, ready in ((0, 1), (1, 2)):
        hand += [(0, start, ready, -1, ready, 0, -1)]
        hand += [(0, start, ready, 0, week, 0, -1) for week in range(ready + 1, 12)]
        hand += [(0, start, ready, 0, 4, -1, 0)]
    assert sorted(rows) == sorted(hand)
    assert np.isnan(table.target_pct[table.setup < 0]).all()
    assert (table.target_pct[table.setup >= 0] == 13.0).all()
    assert (table.days == np.where(table.setup >= 0, 4.0, 0.0)).all()
    again = class_options(case, SEASONS, LOT, {(0, start, 0, 13.0): 4.0 for start in (0, 1)}, table)
    for name in ("setup", "start_week", "ready_week", "storage", "sale_week", "buyer", "reserve"):
        assert getattr(again, name).tolist() == getattr(table, name).tolist()
    assert again.receipts_kg == pytest.approx(table.receipts_kg)
    nothing = class_options(case.with_changes(buyers=(CASE.buyers[2],), reserves=()), SEASONS, LOT, {})
    assert (len(nothing), nothing.receipts_kg.shape, nothing.setup.dtype) == (0, (0, SCENARIOS), np.int32)


def test_where_the_mass_of_an_option_goes_is_that_of_its_way():
    outlook = build_outlook(CASE, seasons=SEASONS)
    table = outlook.options(0)
    for option in range(0, len(table), 5):
        setup, storage = int(table.setup[option]), int(table.storage[option])
        ready, sale = int(table.ready_week[option]), int(table.sale_week[option])
        masses, row = option_masses(outlook, 0, option)
        assert row == (sale - ready if storage >= 0 else 0)
        mine = {"setup": setup, "start_week": int(table.start_week[option]), "ready_week": ready, "last_week": sale}
        if setup < 0:
            mine["dried"] = None
        plain = chain_masses(CASE, SEASONS, LOT, MOISTURE, chain(**mine), storage)
        assert masses.sold[row] == pytest.approx(plain.sold[row])
        if table.buyer[option] >= 0:
            assert table.kept_kg[option] == pytest.approx(masses.sold[row].mean())


# Lots that share a table


def many_lots(count, moisture, **changes):
    made = [replace(LOT, id=f"l{at}", label=f"l{at}", moisture_pct=moisture(at), **changes) for at in range(count)]
    return CASE.with_changes(lots=tuple(made), buyers=CASE.buyers[:2])


def test_up_to_150_lots_each_has_its_own_options():
    numbers, stand_for = group_lots(many_lots(150, lambda at: 18.0))
    assert (numbers.tolist(), len(stand_for)) == (list(range(150)), 150)


def test_many_lots_share_by_the_finest_step_that_leaves_few_classes():
    """151 lots 0.1 apart from 15 to 30 %: 61 quarters; 0.25 apart: too many quarters, then as many halves as there are.

    Who stands for a class has the mean moisture by mass, and the highest that any of them may have.
    """
    case = many_lots(151, lambda at: 15.0 + 0.1 * at)
    numbers, stand_for = group_lots(case)
    quarters = [round((15.0 + 0.1 * at) / 0.25) for at in range(151)]
    assert len(stand_for) == len(set(quarters)) <= 110
    for one in (0, 30, 150):
        mates = [at for at in range(151) if quarters[at] == quarters[one]]
        assert np.flatnonzero(numbers == numbers[one]).tolist() == mates
        stands = stand_for[numbers[one]]
        assert stands.moisture_pct == pytest.approx(np.mean([15.0 + 0.1 * at for at in mates]), abs=6e-4)
        assert stands.surely_pct == max(case.lots[at].surely_pct for at in mates)
        assert stands.surely_when_sealed_pct == max(case.lots[at].surely_when_sealed_pct for at in mates)
    wide = many_lots(151, lambda at: 15.0 + 0.25 * at)
    numbers, stand_for = group_lots(wide)
    assert len(stand_for) == len({round((15.0 + 0.25 * at) / 0.5) for at in range(151)})
    heavy = case.with_changes(
        lots=tuple(replace(lot, bags=lot.bags if at % 2 else 90) for at, lot in enumerate(case.lots))
    )
    numbers, stand_for = group_lots(heavy)
    mates = np.flatnonzero(numbers == numbers[30])
    bags = [heavy.lots[at].bags for at in mates]
    mean = np.average([15.0 + 0.1 * at for at in mates], weights=bags)
    assert stand_for[numbers[30]].moisture_pct == pytest.approx(mean, abs=6e-4)


@pytest.mark.parametrize(
    "other",
    [
        {"commodity": "sorghum"},
        {"available_week": 1},
        {"use": "seed"},
        {"form": "cob"},
        {"insects_per_kg": 2.0},
        {"sieved_days_ago": 3},
        {"sale_from_week": 2},
        {"treated": True},
        {"surely_at_most_pct": 12.9},
        {"surely_to_seal_pct": 12.0},
        {"bag_mass_kg": 431.0},
    ],
)
def test_lots_that_differ_in_what_is_safe_or_done_share_no_options(other):
    case = many_lots(151, lambda at: 18.0)
    assert len(group_lots(case)[1]) == 1
    odd = case.with_changes(lots=(*case.lots[:-1], replace(case.lots[-1], **other)))
    numbers, stand_for = group_lots(odd)
    assert len(stand_for) == 2
    assert np.flatnonzero(numbers == numbers[150]).tolist() == [150]


def test_a_lot_that_a_buyer_names_stands_alone():
    case = many_lots(151, lambda at: 18.0)
    named = case.with_changes(buyers=(replace(CASE.buyers[0], lots=("l7", "l9")),))
    numbers, stand_for = group_lots(named)
    assert len(stand_for) == 3
    assert np.flatnonzero(numbers == numbers[7]).tolist() == [7]
