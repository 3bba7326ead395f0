"""The benchmark of past seasons can be believed: its settlement by hand, and no price of later reaches the planner."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.group.selling import GATE, MARKET, group_prices
from core.planning.case_from_records import build_case
from core.weather.place import Place
from tests.benchmarks import _past_seasons_report as report
from tests.benchmarks.past_seasons import (
    FACTS,
    FORESIGHT,
    MONTHS,
    PLAN,
    RULES,
    Heap,
    Market,
    Parcel,
    Part,
    Season,
    Step,
    Tariff,
    Year,
    begin,
    decisions,
    foresight,
    inflating,
    kept,
    new_month,
    planning_day,
    roll,
    settle,
    target_of,
)
from tests.shared_store import fresh_store

DRY = 13.0


TWO_BAGS = (Heap(2, 100.0, 20.0),)


def season(prices=(1.0,) * (MONTHS + 1), needs=(), heaps=TWO_BAGS, **terms) -> Season:
    """Insects do in every month what they do in a usual one; the floor dries anything."""
    return Season(tuple(prices), heaps, needs, Tariff(13.2, **terms), (1.0,) * (MONTHS + 1), 1.0, (8.0,) * len(heaps))


def test_dried_and_sold_at_the_market_by_hand():
    """100 kg at 20 % are 100 x 80/87 at 13 %, less 0.5 % spilt: 91.494 kg at 1.0 a kg.

    Two bags: 182.989, less 2 % fee 3.660, loading 0.30, drying 200 kg x 0.002 = 0.40, one trip 10 + 30 km x 0.6 = 28.
    """
    got = settle(season(), [Part(0, 2, (Step(DRY),), MARKET)])
    assert got.value == pytest.approx(182.989 - 3.660 - 0.30 - 0.40 - 28.0, abs=0.002)
    assert (got.missed, got.short, got.interest, got.mean_month) == (0, 0.0, 0.0, 0.0)


def test_sold_wet_at_the_gate_by_hand():
    """6.8 points above 13.2 % cost 13.6 % of 0.88 a kg; at the market a load so wet gets 0.7 at most."""
    wet = [Part(0, 2, (Step(),), GATE)]
    assert settle(season(), wet).value == pytest.approx(200 * 0.88 * (1 - 0.136), abs=1e-9)
    refused = settle(season(), [replace(wet[0], buyer=MARKET)]).value
    assert refused == pytest.approx(200 * 0.70 * 0.98 - 0.30 - 28.0, abs=1e-9)


def test_insects_in_open_bags_and_none_in_sealed_ones_by_hand():
    """Two usual months eat 0.103 x (2/7)^2 = 0.841 % and damage four times as many kernels, at 3 % of price for 1 %.

    Sealed bags lose 0.15 % a month and cost 0.80 each.
    """
    months = 2
    price = [1.0] * months + [2.0] + [1.0] * (MONTHS - months)
    kg, eaten = 100 * 80 / 87 * 0.995, 0.103 * (2 / 7) ** 2
    opened = [Part(0, 2, (Step(DRY, "woven_bag"), Step(None, "woven_bag"), Step()), GATE)]
    gate = 2 * kg * (1 - eaten) * 2.0 * 0.88 * 0.97 ** (400 * eaten)
    assert settle(season(price), opened).value == pytest.approx(gate / 1.02**2 - 0.40, abs=1e-6)
    sealed = [replace(opened[0], steps=kept(DRY, months))]
    gate = 2 * kg * (1 - 0.0015) ** 2 * 2.0 * 0.88
    assert settle(season(price), sealed).value == pytest.approx(gate / 1.02**2 - 0.40 - 1.60, abs=1e-6)
    dusted = Step(None, "woven_bag_protectant")
    dusted = [replace(opened[0], steps=(replace(dusted, dry_to=DRY), dusted, Step()))]
    eaten *= 6.3 / 10.3
    gate = 2 * kg * (1 - eaten) * 2.0 * 0.88 * 0.97 ** (400 * eaten)
    assert settle(season(price), dusted).value == pytest.approx(gate / 1.02**2 - 0.40 - 1.20, abs=1e-6)


def test_damp_grain_left_lying_loses_half_of_its_worth_each_month():
    left = settle(season(interest=0.0), [Part(0, 2, (Step(), Step()), GATE)]).value
    eaten = 0.103 / 49
    assert left == pytest.approx(0.5 * 200 * 0.88 * 0.864 * (1 - eaten) * 0.97 ** (400 * eaten), rel=1e-9)


def test_a_need_not_covered_is_borrowed_until_sales_repay_it():
    """100 needed after a month, all sold after three: 10 and 11 of interest by the time of the sale, at no discount.

    Half sold at harvest covers it.
    """
    poor = season(needs=((1, 100.0),), interest=0.0, heaps=(Heap(2, 100.0, 13.2),))
    late = Part(0, 2, (*(Step(None, "hermetic_bag"),) * 3, Step()), GATE)
    got = settle(poor, [late])
    costs = 1.60  # two sealed bags, paid at harvest from the same purse
    assert got.interest == pytest.approx(0.1 * (100 + costs) + 0.1 * 1.1 * (100 + costs), abs=1e-9)
    assert (got.missed, got.short) == (1, 100.0)
    assert got.value == pytest.approx(200 * 0.9985**3 * 0.88 - costs - got.interest, abs=1e-9)
    two = [replace(late, bags=1), Part(0, 1, (Step(),), GATE)]
    assert settle(poor, [two[0], replace(two[1], buyer=MARKET)]).missed == 1  # 100 x 0.98 less the trip: 69.85
    dear = replace(poor, prices=(2.0,) * (MONTHS + 1))
    assert settle(dear, two).missed == 0
    assert settle(dear, two).interest == 0.0


def test_every_lorry_is_paid_whole_and_every_bag_is_sold_once():
    heaps = (Heap(60, 100.0, 13.0),)
    one = settle(season(heaps=heaps), [Part(0, 60, (Step(),), MARKET)]).value
    assert one == pytest.approx(6000 * 0.98 - 60 * 0.15 - 2 * 28.0)
    with pytest.raises(ValueError, match="not all of them"):
        settle(season(heaps=heaps), [Part(0, 59, (Step(),), MARKET)])


def test_rules_sell_when_they_say_and_foresight_finds_the_one_good_month():
    prices = [1.0, 1.0, 1.0, 1.1, 1.9, 1.0, 0.9, 0.8, 0.8, 0.8]
    here = season(prices, heaps=(Heap(9, 90.0, 19.0), Heap(6, 90.0, 21.0)))
    months = {name: settle(here, rule(here, DRY)).mean_month for name, rule in RULES.items()}
    assert months["dry, sell at harvest"] == months["sell wet at harvest"] == 0
    assert months["dry, sell after six months"] == 6
    assert months["keep until 20 % above harvest"] == 4
    assert months["thirds: harvest, three, six months"] == 3
    assert months["sell evenly each month"] == pytest.approx(4.5, abs=0.4)  # whole bags
    best = foresight(here, DRY, [rule(here, DRY) for rule in RULES.values()])
    assert {part.month for part in best} == {4}
    # a later price that is higher does not move the rule that may not know it
    other = replace(here, prices=(*here.prices[:5], *(9.0,) * 5))
    assert RULES["keep until 20 % above harvest"](other, DRY) == RULES["keep until 20 % above harvest"](here, DRY)
    assert {part.month for part in foresight(other, DRY, [])} == {5}


def market(later) -> Market:
    """Eight years of a price that rises by 60 % from harvest (June) to February, then what comes `later`."""
    months = pd.period_range("2006-06", "2014-06", freq="M")
    since = (months.month - 6) % 12
    known = 0.3 * np.exp(
        0.47 * np.sin(np.pi * np.minimum(since, 11) / 11) + 0.03 * np.sin(2.3 * np.arange(len(months)))
    )
    coming = pd.period_range("2014-07", periods=MONTHS, freq="M")
    series = pd.Series([*known, *later], index=[*months, *coming]).set_axis(months.append(coming))
    return Market("TGO", "planted", "H1", "maize", series, series, (("elsewhere", 1.2 * series),))


def year(later, target) -> Year:
    here, origin = market(later), pd.Period("2014-06", "M")
    prices = tuple(here.raw[origin:].to_numpy())
    grain = season(prices, needs=((1, 20.0),), heaps=(Heap(4, 90.0, 18.0), Heap(5, 90.0, 18.0)))
    grain = replace(grain, tariff=Tariff(target + 0.5))
    return Year(here, origin, Place(9.5, 1.0, 300.0, "Africa/Lagos"), grain, target, 1.0, 0.2, 3)


@pytest.fixture
def store(tmp_path):
    return fresh_store(tmp_path / "seasons.sqlite3")


def test_prices_of_later_change_nothing_that_is_decided_now(store, monkeypatch):
    """The same past, and a price that trebles or falls to a third next month: the same plan, the same deeds."""
    monkeypatch.setitem(FACTS, "plan.scenarios", 16)
    target = target_of("maize", store)
    rising, falling = (year([0.3 * factor] * MONTHS, target) for factor in (3.0, 0.33))
    one, two = (roll(store, each, months=1) for each in (rising, falling))
    assert one.first
    assert one.first == two.first
    assert (one.said_mean, one.said_worst) == (two.said_mean, two.said_worst)
    groups = [group for group in store.groups() if group.name.startswith("TGO")]
    assert len(groups) == 2
    for group in groups:
        quotes = store.price_quotes(group.id)
        assert pd.to_datetime(quotes["quoted_on"]).max().date() <= planning_day(rising.origin)
        # both markets up to the day, and the plan starts from the group's own
        assert quotes.groupby("market").size().tolist() == [97, 97]
        assert group_prices(store, group.id, "maize").price_now == pytest.approx(rising.market.raw[rising.origin])


def test_planner_and_settlement_have_one_tariff(store):
    target = target_of("maize", store)
    here = year([0.3] * MONTHS, target)
    diary, parcels = begin(store, here)
    new_month(diary, parcels, 0, 0.0)
    built, terms = build_case(store, diary.group, diary.at(0).date()), here.season.tariff
    case = built.case
    assert built.data.place.time_zone == here.place.time_zone  # by the clock of elsewhere its floor lay open at night
    gate, stall = case.buyers
    assert (gate.name, stall.name) == (GATE, MARKET)
    for who in (gate, stall):
        rules = who.deductions_of("maize")
        assert (rules.base_pct, rules.steps[0][1]) == (terms.base_pct, terms.per_point)
        assert rules.damage_per_pct == terms.per_damaged_pct
        assert who.refused_factor == terms.refused_factor
    assert gate.price_factor == terms.gate_factor
    assert gate.deductions_of("maize").refusal_pct == terms.gate_refuses_pct
    refused = stall.deductions_of("maize").refusal_pct
    assert refused == pytest.approx(terms.base_pct + terms.market_refuses_points)
    assert stall.fee_fraction == terms.market_fee
    assert case.truck.cost_per_trip + 2 * stall.distance_km * case.truck.cost_per_km == pytest.approx(terms.trip)
    assert (case.truck.capacity_kg, case.truck.cost_per_bag) == (terms.truck_kg, terms.loading_bag)
    assert (case.interest_monthly, case.emergency_interest_monthly) == (terms.interest, terms.emergency)
    assert (case.drying[0].cost_per_kg, case.drying[0].handling_loss) == (terms.drying_kg, terms.handling_loss)
    fees = {way.method: (way.cost_per_bag, way.treatment_per_bag) for way in case.storage}
    assert fees["hermetic_bag"] == pytest.approx((terms.hermetic_bag, 0.0))
    assert fees["woven_bag_protectant"] == pytest.approx((0.0, terms.protectant_bag))
    assert [(need.amount, need.week) for need in case.needs] == [(20.0, 6)]  # 28 and 20 days
    # sealed room for all of it, and a floor for all of it at once
    assert case.drying[0].capacity_kg >= 810.0


def test_only_what_is_due_before_the_next_planning_day_is_done():
    line = SimpleNamespace(
        lot="7",
        bags=3,
        setup="sheet",
        dry_from=date(2014, 6, 16),
        ready_on=date(2014, 6, 20),
        storage="sealed",
        sell_on=date(2014, 6, 20),
        buyer=MARKET,
        target_pct=13.0,
    )
    later = SimpleNamespace(**{**line.__dict__, "bags": 2, "sell_on": date(2014, 9, 1)})
    wet = SimpleNamespace(**{**later.__dict__, "dry_from": date(2014, 8, 1), "ready_on": date(2014, 8, 3), "bags": 1})
    ways = [SimpleNamespace(name="sealed", method="hermetic_bag")]
    plan = SimpleNamespace(sales=[later, wet, line], case=SimpleNamespace(storage=ways))
    [(_parcel, deeds)] = decisions(plan, [Parcel(7, 0, 8)], date(2014, 7, 14), 0.5)
    done = {(deed.bags, deed.step.dry_to, deed.step.kept_in, deed.buyer) for deed in deeds}
    # three sold dry, two dried and sealed, one as it is for a later drying, two that the plan does not name
    assert done == {(3, 12.5, "", MARKET), (2, 12.5, "hermetic_bag", ""), (3, None, "", "")}


def test_countries_are_calm_or_inflating_by_their_middle_series():
    months = pd.period_range("2010-01", periods=61, freq="M")

    def rising(country, yearly):
        series = pd.Series(np.exp(yearly / 12 * np.arange(61)), index=months)
        return Market(country, "m", "H2", "maize", series, series)

    assert inflating([rising("TGO", 0.03), rising("SDN", 0.05), rising("SDN", 0.12), rising("SDN", 0.3)]) == {"SDN"}


def test_the_report_says_what_was_settled(tmp_path):
    """Two harvests by hand: the plan brings 110 and 90 of 100, foresight 120 twice; half of the harvests lose."""
    rows = []
    for country, came in (("TGO", 110.0), ("SDN", 90.0)):
        outcome = {"value": 100.0, "interest": 0.0, "missed": 0, "short": 0.0, "mean_month": 0.0}
        outcomes = {way: dict(outcome) for way in (*RULES, PLAN, FORESIGHT)}
        outcomes[PLAN] |= {"value": came, "missed": 1, "short": 5.0}
        outcomes[FORESIGHT]["value"] = 120.0
        about = {"country": country, "kind": "calm", "market": "m", "series": "H1", "crop": "maize"}
        run = {"harvest": "2014-06", "plans": 2, "seconds": 1.0, "planner": "quick", "needs": 50.0}
        rows.append({**about, **run, "said_mean": 100.0, "said_worst": 95.0, "outcomes": outcomes})
    table = report.ways(rows)
    assert table.loc[PLAN, "net value"] == pytest.approx(100.0)
    assert table.loc[PLAN, "below harvest %"] == 50.0
    assert table.loc[PLAN, "cash short %"] == pytest.approx(10.0)
    assert table.loc[FORESIGHT, "of foresight's gain %"] == pytest.approx(100.0)
    # two countries drawn with replacement: both alike once in two draws, so the interval reaches both ends
    assert (table.loc[PLAN, "from"], table.loc[PLAN, "to"]) == (90.0, 110.0)
    assert report.said(rows) == {"came over said": 1.0, "below the said worst tenth %": 50.0}
    assert report.row(rows)["calm"]["plan less"][FORESIGHT]["plan less rule"] == -20.0
    report.write(rows, tmp_path)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 3
    assert "perfect foresight" in page
