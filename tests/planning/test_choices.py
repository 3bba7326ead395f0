"""What else goes into a plan: moistures to dry to, promised grain, seed, buyers' meters and inspections, mould
as a deduction of its own.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from core.market.deductions import Deductions, flat_deductions
from core.planning import outlook as room
from core.planning.allocation import use_of
from core.planning.case import CaseBuyer, Reserve, case_from_json, make_case
from core.planning.case_lots import target_choices
from core.planning.invented_seasons import invented_seasons
from core.planning.outlook import build_outlook, price_paid
from core.planning.placing import greedy_allocation
from core.planning.plan_tables import breakdown
from core.planning.sale import plan_sale
from core.planning.simple_rules import RULES, rule_allocation
from core.planning.worth import broken_limits
from tests.shared_plans import GAP


def small(seed=4, **changes):
    """Return an invented case of six lots without needs and reserves."""
    return make_case(6, 16, 40, seed).with_changes(**{"needs": (), "reserves": (), **changes})


def collected(case):
    """Return the case with buyers who collect and take any load: no trips to round, so that a search closes its gap."""
    return case.with_changes(buyers=tuple(replace(who, distance_km=0.0, minimum_kg=0.0) for who in case.buyers))


def test_targets_are_buyers_limits_by_their_own_meters_and_one_point_drier():
    """A limit of 14 on a meter that reads 0.5 high is 13.5 on ours; what is nearer than 0.3 point is one choice."""
    buyers = (
        CaseBuyer("a", "a", deductions=flat_deductions(14.0, 0.015, meter_offset_pct=0.5)),
        CaseBuyer("b", "b", deductions=flat_deductions(13.2, 0.015)),
        CaseBuyer("c", "c", commodities=("common_bean",), deductions=flat_deductions(16.0, 0.015)),
    )
    assert target_choices({"maize": 13.0}, buyers) == (("maize", 13.5), ("maize", 12.0))
    assert ("common_bean", 16.0) in target_choices({"common_bean": 14.0}, buyers)
    assert target_choices({"maize": 13.0}, ()) == (("maize", 12.0),)


def test_grain_dried_less_than_keeping_asks_is_sold_within_weeks_and_gains_weight(monkeypatch):
    """Dried to 13.5 instead of 13.0 % a kg of wet grain leaves (100-13)/(100-13.5) = 1.0058 times the mass."""
    case = small()
    outlook = build_outlook(case)
    for lot, item in enumerate(case.lots):
        table, keeping = outlook.options(lot), case.target(item.commodity)
        less = table.target_pct > keeping
        assert (table.sale_week[less] <= table.ready_week[less] + 4).all()
    monkeypatch.setattr(room, "undominated", lambda _case, blocks: [np.full(len(b.weeks), True) for b in blocks])
    everything = build_outlook(case)
    lot = next(n for n, item in enumerate(case.lots) if item.commodity == "maize" and item.moisture_pct > 15)
    table = everything.options(lot)
    first = int(table.start_week[table.setup == 1].min())
    at_once = (table.storage < 0) & (table.setup == 1) & (table.start_week == first)
    kept = {target: table.kept_kg[at_once & (table.target_pct == target)] for target in (13.0, 13.5)}
    assert len(kept[13.0])
    assert kept[13.5].max() / kept[13.0].max() == pytest.approx(87.0 / 86.5, rel=3e-3)


def test_dropping_dominated_targets_changes_nothing_that_matters(monkeypatch):
    case = collected(small(7))
    fewer = build_outlook(case)
    dropped = plan_sale(case, fewer, mip_gap=1e-4, least_part=1, effort=1000)
    monkeypatch.setattr(room, "undominated", lambda _case, blocks: [np.full(len(b.weeks), True) for b in blocks])
    everything = build_outlook(case)
    kept = plan_sale(case, everything, mip_gap=1e-4, least_part=1, effort=1000)
    assert sum(map(len, everything.classes)) > sum(map(len, fewer.classes))
    assert max(dropped.gap, kept.gap) < 5e-4
    assert dropped.objective >= kept.objective * (1 - 1e-3)


def test_more_targets_never_cost_value():
    case = collected(small(5))
    one = plan_sale(case.with_changes(target_choices=()), mip_gap=1e-4, least_part=1, effort=1000)
    more = plan_sale(case, mip_gap=1e-4, least_part=1, effort=1000)
    assert more.objective >= one.objective * (1 - 1e-3)


def test_a_buyers_meter_that_reads_high_costs_its_points():
    """Half a point above the limit at 2 % a point: 1 % of the price; the offset is the only difference."""
    cut = flat_deductions(13.5, 0.02)
    who = CaseBuyer("a", "a", deductions=cut)
    case = small(buyers=(who, replace(who, code="b", deductions=replace(cut, meter_offset_pct=0.5))))
    market, moisture, none = np.full((1, 40), 0.3), np.full((1, 40), 13.5), np.zeros((1, 40))
    ours = price_paid(case, 0, "maize", market, moisture, none, np.ones(40))
    theirs = price_paid(case, 1, "maize", market, moisture, none, np.ones(40))
    assert ours[0, 0] == pytest.approx(0.3)
    assert theirs[0, 0] == pytest.approx(0.3 * 0.99)


def test_one_who_inspects_refuses_with_storages_chance_and_the_load_is_sold_on_the_spot():
    """Three loads in ten refused, the spot pays 70 %: 0.7 x 1 + 0.3 x 0.7 = 0.91 of the price. Who does not look
    pays in full.
    """
    who = CaseBuyer("a", "a", inspects=True)
    case = small(buyers=(who, replace(who, code="b", inspects=False)))
    market, dry, none = np.full((1, 40), 0.3), np.full((1, 40), 12.0), np.zeros((1, 40))
    assert price_paid(case, 0, "maize", market, dry, none, np.ones(40), 0.3)[0, 0] == pytest.approx(0.3 * 0.91)
    assert price_paid(case, 1, "maize", market, dry, none, np.ones(40), 0.3)[0, 0] == pytest.approx(0.3)


def test_refusal_rises_about_its_limit_as_a_reading_that_scatters():
    """At the limit half the readings lie above it, one deviation of 0.4 point away 15.87 % (normal table)."""
    case = small(buyers=(CaseBuyer("a", "a", deductions=Deductions(refusal_pct=14.0), refused_factor=0.0),))
    market = np.full((1, 40), 1.0)
    paid = [
        price_paid(case, 0, "maize", market, np.full((1, 40), m), np.zeros((1, 40)), np.ones(40))[0, 0]
        for m in (13.6, 14.0, 14.4)
    ]
    assert paid == pytest.approx([0.8413, 0.5, 0.1587], abs=2e-4)


def test_mouldy_grain_is_no_income_and_stands_apart():
    """With four bags in ten unfit a stored bag brings six tenths; the deduction carries its market value."""
    case = small(3)
    seasons = invented_seasons(case, 3)
    spoilt = replace(seasons, keep=lambda *given: replace(seasons.keep(*given), unfit_share=0.4))
    sound, mouldy = (
        build_outlook(case, 3, seasons),
        build_outlook(case, 3, spoilt, like=build_outlook(case, 3, seasons)),
    )
    table = sound.options(0)
    option = int(np.flatnonzero((table.storage >= 0) & (table.buyer >= 0))[5])
    before, after = breakdown(sound, 0, option), breakdown(mouldy, 0, option)
    assert float(mouldy.options(0).unfit[option]) == pytest.approx(0.4)
    assert mouldy.options(0).receipts_kg[option] == pytest.approx(0.6 * table.receipts_kg[option], rel=1e-5)
    assert after["mould"] == pytest.approx(0.4 * after["kg"] * (before["gross"] / case.lots[0].bag_mass_kg), rel=1e-5)
    assert before["mould"] == pytest.approx(0.0)


def promised(case, kg, **changes):
    """Return the case with so many kg of maize promised by week 3, at a poor price."""
    price = next(price.price_now for price in case.prices if price.commodity == "maize")
    promise = CaseBuyer(
        "p",
        "mill (promised)",
        0.0,
        ("maize",),
        fixed_price=0.6 * price,
        quantity_kg=kg + 100,
        last_week=3,
        promised_kg=kg,
    )
    return case.with_changes(buyers=(*case.buyers, replace(promise, **changes)))


def test_what_is_promised_is_delivered_by_the_plan_and_by_every_rule():
    case = promised(small(4), 400.0)
    outlook = build_outlook(case)
    plan = plan_sale(case, outlook, mip_gap=GAP)
    for allocation in [
        plan.allocation,
        greedy_allocation(outlook),
        *[rule_allocation(outlook, rule) for rule in RULES],
    ]:
        sent = use_of(outlook, allocation.lot, allocation.option, allocation.bags).kg[-1].sum()
        assert sent >= 400.0 - 1e-6
        assert not broken_limits(outlook, allocation)
    assert not [need for need in plan.unmet if "promised" in need.label]
    lines = [line for line in plan.sales if line.buyer == "mill (promised)"]
    assert all(line.week <= 3 for line in lines)


def test_a_promise_of_one_lot_is_kept_from_that_lot_and_one_too_large_is_said():
    case = small(4)
    lot = next(item for item in case.lots if item.commodity == "maize")
    named = promised(case, 300.0, lots=(lot.id,))
    plan = plan_sale(named, mip_gap=GAP)
    assert {line.lot for line in plan.sales if line.buyer == "mill (promised)"} == {lot.id}
    too_much = plan_sale(promised(case, 1e6), mip_gap=GAP)
    lacking = [need for need in too_much.unmet if "promised" in need.label]
    assert len(lacking) == 1
    assert lacking[0].lacking > 9e5


def test_seed_is_never_sold_and_serves_only_its_reserve():
    case = small(4)
    first = next(item for item in case.lots if item.commodity == "maize")
    lots = tuple(replace(item, use="seed") if item.id == first.id else item for item in case.lots)
    held = 0.8 * first.bags * first.bag_mass_kg
    reserves = (
        Reserve("seed of maize", "maize", held, 15, 0.6, False, "seed"),
        Reserve("home use", "maize", 50.0, 15, 0.4),
    )
    plan = plan_sale(case.with_changes(lots=lots, reserves=reserves), mip_gap=GAP)
    mine = [line for line in plan.sales if line.lot == first.id]
    assert mine
    assert all(line.reserve == "seed of maize" for line in mine)
    assert {line.reserve for line in plan.sales if line.reserve} == {"seed of maize", "home use"}


def test_the_new_fields_survive_json():
    case = promised(
        small(4), 100.0, lots=("lot-1",), inspects=True, deductions=flat_deductions(13.5, 0.02, meter_offset_pct=0.4)
    )
    price = replace(case.prices[0], neighbours=((("2024-01", 0.2), ("2024-02", 0.3)),), price_rise_monthly=0.01)
    lot = replace(case.lots[0], standing=True, latest_week=5, moisture_week=0, available_week=1, insects_per_kg=2.0)
    case = case.with_changes(prices=(price, *case.prices[1:]), lots=(lot, *case.lots[1:]))
    again = case_from_json(case.to_json())
    assert again == case
    assert again.content_hash == case.content_hash


def test_reasons_name_promise_seed_harvest_and_own_crops():
    from core.planning.why import part_reasons

    case = small(4)
    maize = [item for item in case.lots if item.commodity == "maize"]
    standing = replace(maize[0], standing=True, latest_week=3)
    seed = replace(maize[1], use="seed")
    own = maize[2]
    swap = {standing.id: standing, seed.id: seed, own.id: replace(own, commodity="own_teff")}
    price = next(item for item in case.prices if item.commodity == own.commodity)
    case = case.with_changes(
        lots=tuple(swap.get(item.id, item) for item in case.lots),
        prices=(*case.prices, replace(price, commodity="own_teff")),
        reserves=(Reserve("seed of maize", "maize", 100.0, 15, 0.6, False, "seed"),),
        buyers=(
            *case.buyers,
            CaseBuyer(
                "p",
                "mill (promised)",
                0.0,
                ("maize",),
                fixed_price=0.1,
                quantity_kg=1e5,
                last_week=3,
                promised_kg=0.9 * standing.bags * standing.bag_mass_kg * 0.8,
                lots=(standing.id,),
            ),
        ),
    )
    outlook = build_outlook(case)
    plan = plan_sale(case, outlook, mip_gap=GAP)
    said = {}
    for reason in part_reasons(outlook, plan):
        sold_to = plan.sales[reason.lines[0]].buyer
        said.setdefault(reason.lot, []).append((sold_to, str(reason.reason)))
    assert all(words.startswith("cut in the week of") for _, words in said[standing.id])
    assert any(buyer == "mill (promised)" for buyer, _ in said[standing.id])
    assert all(("promised" in words) == (buyer == "mill (promised)") for buyer, words in said[standing.id])
    assert {words for buyer, words in said[seed.id] if not buyer} == {"kept for seed, not sold"}
    assert all("your own crop" in words for _, words in said[own.id])


def test_alone_a_member_meets_a_share_of_a_promise(monkeypatch):
    from core.planning.why import joint_against_alone

    monkeypatch.setattr("core.planning.why.plan_sale", partial(plan_sale, mip_gap=GAP))
    case = promised(small(4), 400.0)
    outlook = build_outlook(case)
    alone = joint_against_alone(outlook, plan_sale(case, outlook, mip_gap=GAP))
    owners = {lot.owner for lot in case.lots}
    assert set(alone.index) == owners
    # a price below the market: nobody gains by taking over the others' part of it
    assert np.isfinite(alone["joint"]).all()
    assert (alone["alone"].dropna() > 0).all()
