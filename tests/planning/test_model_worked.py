"""The plan's programme written a second time, equation by equation and by name, for a small case of made-up numbers."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from core.accounts.finance import InventoryCredit
from core.planning.case import CaseBuyer, CashNeed, CropPrice, DryingChoice, Reserve, StorageChoice, Truck, make_case
from core.planning.layout import excess_price, make_layout
from core.planning.model import Columns, cash_use, column_triplets, option_use, shared_part, tail_use, weighted_receipts
from core.planning.outlook import bag_values, free_to_sell, mean_values, net_values, shared_costs, trip_share

WEEKS, SCENARIOS, MONTH, PENALTY = 6, 10, 365.25 / 12 / 7, 5.0


def small_case():
    """Two lots, two spaces (one to be bought), two stores, four buyers, two reserves, needs of two, a lender.

    No number is 0 or 1 where it counts, and no two of a kind are alike.
    """
    base = make_case(2, WEEKS, SCENARIOS, 1)
    lots = (
        replace(base.lots[0], id="a", commodity="maize", bags=10, bag_mass_kg=100.0, owner="Ada"),
        replace(base.lots[1], id="b", commodity="sorghum", bags=4, bag_mass_kg=50.0, owner="Ben"),
    )
    buyers = (
        CaseBuyer("w", "W", 10.0, weekly_kg=300.0, price_fall=0.2, price_factor=1.1, pay_delay_weeks=1),
        CaseBuyer("x", "X", commodities=("maize",), quantity_kg=700.0, minimum_kg=50.0, fixed_price=0.3),
        CaseBuyer("y", "Y", 3.0, trip_cost=7.0, promised_kg=120.0, price_factor=0.9, minimum_kg=70.0),
        CaseBuyer("z", "Z", fixed_price=0.4, weekly_kg=200.0, price_fall=0.1),
    )
    return base.with_changes(
        lots=lots,
        prices=(CropPrice("maize", 0.25), CropPrice("sorghum", 0.70)),
        drying=(DryingChoice("s", "S", "sun", 430.0), DryingChoice("t", "T", "sun", 190.0, price=25.0)),
        storage=(
            StorageChoice("p", "P", "m", owned_bags=3, buyable_bags=9, cost_per_bag=2.0, bags_per_unit=4),
            StorageChoice("q", "Q", "m", owned_bags=5, buyable_bags=7, cost_per_bag=1.5, treatment_per_bag=0.2),
        ),
        buyers=buyers,
        truck=Truck(600.0, 5.0, 0.5, 3),
        reserves=(Reserve("r", "maize", 150.0, 4, 0.6), Reserve("e", "sorghum", 30.0, 5, 0.8, use="seed")),
        needs=(CashNeed(2, 30.0, "Ada"), CashNeed(4, 20.0), CashNeed(4, 8.0, "Ben")),
        advances=False,
        cash_now=17.0,
        interest_monthly=0.03,
        risk_weight=0.3,
        store_bags=8,
        days_gone=2,
        credit=InventoryCredit(0.5, 0.02, 0.01, 0.004, 3 / MONTH),
    )


CASE = small_case()
LOANS = [(taken, repaid) for taken in range(5) for repaid in range(taken + 1, min(6, taken + 4))]
PRICES = {
    "maize": np.arange(7)[:, None] * 0.01 + np.linspace(0.2, 0.3, SCENARIOS),
    "sorghum": 0.7 - np.arange(7)[:, None] * 0.02 + np.linspace(-0.1, 0.1, SCENARIOS),
}
OUTLOOK = SimpleNamespace(case=CASE, seasons=SimpleNamespace(prices=PRICES), lot_class=np.array([0, 1]))
SPACES, STORES, BUYERS, RESERVES, ACCOUNTS, DATES = range(2), range(2), range(4), range(2), ("", "Ada", "Ben"), (2, 4)
WEEK = range(WEEKS)


def today(week):
    return 1.03 ** -(week / MONTH)


def owed(weeks):
    """A unit lent with its interest, and the store's 0.004 a month and kg: mean price 390 / 1,200 kg, of it half."""
    return 1.02 ** (weeks / MONTH) + 0.004 * weeks / MONTH / (0.5 * 390 / 1200)


def trip(buyer):
    """5 + 2 x 10 x 0.5 there and back; 7 as said; no road to the others."""
    return {0: 15.0, 2: 7.0}.get(buyer, 0.0)


def names(views, cuts):
    """Return the names of rows and of shared variables in their order."""
    by = [(number, week) for number in range(4) for week in WEEK]
    rows = [("lot", 0), ("lot", 1), *(("floor", space, week) for space in SPACES for week in range(WEEKS + 8))]
    rows += [(kind, store, week) for kind in ("stock", "bags") for store in STORES for week in WEEK]
    rows += [("store", week) for week in WEEK] + [("truck", *at) for at in by] + [("trips", week) for week in WEEK]
    rows += [("soft", *at) for at in by] + [("quantity", buyer) for buyer in BUYERS]
    rows += [(kind, *at) for kind in ("least", "most") for at in by]
    rows += [(kind, number) for kind in ("reserve", "reserve_top") for number in RESERVES]
    rows += [("promise", buyer) for buyer in BUYERS] + [("headroom", week) for week in WEEK]
    cash = [(view, account, date) for view in range(views) for account in ACCOUNTS for date in DATES]
    rows += [("cash", *at) for at in cash] + [("cut", number) for number in range(cuts)]
    variables = [("stock", store, week) for store in STORES for week in WEEK] + [("bought", store) for store in STORES]
    variables += [(kind, *at) for kind in ("trips", "excess", "open") for at in by]
    variables += [("headroom", week) for week in WEEK] + [("loan", *pair) for pair in LOANS]
    variables += [("space", space) for space in SPACES] + [("lacking", number) for number in RESERVES]
    variables += [("owing", buyer) for buyer in BUYERS]
    variables += [("short", account, date) for account in ACCOUNTS for date in DATES] + [("tail",)]
    return rows, variables + [("balance", *at) for at in cash]


def date_of(week):
    return next((date for date in DATES if date >= week), None)


def variables_by_hand(views, cuts):
    """Return (low, high, cost, whole) of each shared variable by name."""
    inf = np.inf
    found = dict.fromkeys(names(views, cuts)[1], (0.0, inf, 0.0, 0))
    found["bought", 0], found["bought", 1] = (0, 2, 8.0, 1), (0, 7, 1.5, 1)  # 9 bags in units of four are two
    found["space", 0], found["space", 1] = (0, 0, 0.0, 1), (0, 1, 25.0, 1)
    mean = {crop: path.mean(axis=1) for crop, path in PRICES.items()}
    for week in WEEK:
        both = 1.1 * (1000 * mean["maize"][week] + 200 * mean["sorghum"][week]) / 1200
        for buyer in BUYERS:
            found["trips", buyer, week] = (0, 3 if trip(buyer) else 0, trip(buyer) * today(week), int(trip(buyer) > 0))
            lost = {0: 0.2 * both, 3: 0.1 * 0.4}.get(buyer, 0.0)
            found["excess", buyer, week] = (0, inf, lost * today(week), 0)
            found["open", buyer, week] = (0, 1, 0.0, 1) if buyer in (1, 2) else (0, 0, 0.0, 0)
    for taken, repaid in LOANS:
        cost = owed(repaid - taken) * today(repaid) - 0.99 * today(taken)
        found["loan", taken, repaid] = (0, inf, cost, 0)
    for buyer in BUYERS:
        # worth 0.9 x the dearest crop
        found["owing", buyer] = (0, inf, PENALTY * 0.9 * 0.70, 0) if buyer == 2 else (0, 0, 0.0, 0)
    found["lacking", 0], found["lacking", 1] = (0, inf, PENALTY * 0.6, 0), (0, inf, PENALTY * 0.8, 0)
    for account in ACCOUNTS:
        for date in DATES:
            found["short", account, date] = (0, inf, PENALTY, 0)
    found["tail",] = (-inf, inf, -0.3, 0) if cuts else (0, 0, -0.3, 0)
    return found


def rows_by_hand(views, cuts):
    """Return (terms by variable, lower, upper) of each row by name; what options add is put on the left side."""
    inf, rows = np.inf, {name: ({}, -np.inf, 0.0) for name in names(views, cuts)[0]}
    rows["lot", 0], rows["lot", 1] = ({}, -inf, 10), ({}, -inf, 4)
    usual = 1200 / 14  # kg a bag: five lie on 430 kg, two on 190
    for week in range(WEEKS + 8):
        days = 5 if week == 0 else 7
        rows["floor", 0, week] = ({}, -inf, 5 * usual * days)
        rows["floor", 1, week] = ({("space", 1): -2 * usual * days}, -inf, 0.0)
    for week in WEEK:
        for store, unit, owned in ((0, 4, 3), (1, 1, 5)):
            before = {("stock", store, week - 1): -1.0} if week else {}
            rows["stock", store, week] = ({("stock", store, week): 1.0, **before}, 0.0, 0.0)
            rows["bags", store, week] = ({("stock", store, week): 1.0, ("bought", store): -unit}, -inf, owned)
        rows["store", week] = ({("stock", store, week): 1.0 for store in STORES}, -inf, 8)
        rows["trips", week] = ({("trips", buyer, week): 1.0 for buyer in (0, 2)}, -inf, 3)
        lent = {("loan", *pair): float(pair[0] == week) - (pair[1] == week) for pair in LOANS if week in pair}
        before = {("headroom", week - 1): -1.0} if week else {}
        rows["headroom", week] = ({("headroom", week): 1.0, **before, **lent}, 0.0, 0.0)
        for buyer, weekly in enumerate((300, inf, inf, 200)):
            load = ({("trips", buyer, week): -600.0}, -inf, 0.0) if trip(buyer) else ({}, -inf, inf)
            rows["truck", buyer, week] = load
            rows["soft", buyer, week] = ({("excess", buyer, week): -1.0}, -inf, weekly)
        for buyer, least, most in ((1, 50.0, 700.0), (2, 70.0, 1200.0)):
            rows["least", buyer, week] = ({("open", buyer, week): least}, -inf, 0.0)
            rows["most", buyer, week] = ({("open", buyer, week): -most}, -inf, 0.0)
    for buyer, offered in enumerate((inf, 700, inf, inf)):
        rows["quantity", buyer] = ({}, -inf, offered)
    rows["promise", 2] = ({("owing", 2): -1.0}, -inf, -120.0)
    for number, kg in enumerate((150.0, 30.0)):
        rows["reserve", number] = ({("lacking", number): -1.0}, -inf, -kg)
        rows["reserve_top", number] = ({}, -inf, kg + 200)  # two bags of 100 kg
    due = {("", 2): 30.0, ("Ada", 2): 30.0, ("", 4): 28.0, ("Ben", 4): 8.0}
    for view in range(views):
        for account in ACCOUNTS:
            for date in DATES:
                terms = {("balance", view, account, date): 1.0, ("short", account, date): -1.0}
                if date == 4:
                    terms["balance", view, account, 2] = -1.0
                right = (17.0 if (account, date) == ("", 2) else 0.0) - due.get((account, date), 0.0)
                rows["cash", view, account, date] = (terms, right, right)
        own = {date: rows["cash", view, "", date][0] for date in DATES}
        own[2] |= {("bought", 0): 8.0, ("bought", 1): 1.5, ("space", 0): 0.0, ("space", 1): 25.0}
        for taken, repaid in LOANS:
            for week, flow in ((taken, -0.99), (repaid, owed(repaid - taken))):
                if week <= 4:
                    terms = own[date_of(week)]
                    terms["loan", taken, repaid] = terms.get(("loan", taken, repaid), 0.0) + flow
        for week in range(5):
            own[date_of(week)] |= {("trips", buyer, week): trip(buyer) for buyer in (0, 2)}
    paid = {name: cost for name, (_, _, cost, _) in variables_by_hand(views, cuts).items() if cost}
    # what is lacking weighs once, in the plan's cost: it is no part of a season's value
    paid = {name: cost for name, cost in paid.items() if name[0] in ("bought", "space", "trips", "excess", "loan")}
    for number in range(cuts):
        rows["cut", number] = ({("tail",): 1.0, **paid}, -inf, 0.0)
    return rows


@pytest.mark.parametrize(("views", "cuts"), [(2, 3), (1, 0)])
def test_every_row_and_bound_is_that_of_its_equation(views, cuts):
    uniform = np.full(SCENARIOS, 1 / SCENARIOS)
    layout = make_layout(CASE)
    part = shared_part(CASE, OUTLOOK, layout, [uniform] * cuts, [uniform] * views)
    rows, variables = names(views, cuts)
    terms = {name: {} for name in rows}
    for row, variable, value in zip(
        *(np.concatenate(x) for x in (part.rows, part.variables, part.values)), strict=True
    ):
        mine = terms[rows[row]]
        mine[variables[variable]] = mine.get(variables[variable], 0.0) + value
    assert len(rows) == len(part.upper) == len(part.lower)
    for at, name in enumerate(rows):
        expected, lower, upper = HAND[views, cuts][name]
        assert terms[name] == pytest.approx(expected), name
        assert (part.lower[at], part.upper[at]) == pytest.approx((lower, upper)), name
    hand = variables_by_hand(views, cuts)
    for at, name in enumerate(variables):
        found = (part.low[at], part.high[at], part.cost[at], part.whole[at])
        assert found == pytest.approx(hand[name]), name


HAND = {key: rows_by_hand(*key) for key in ((2, 3), (1, 0))}


def table_of(rows, receipts):
    """Return a class's options from rows of their columns by name, as the model reads them."""
    columns = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    return SimpleNamespace(**columns, receipts_kg=np.asarray(receipts, dtype=np.float32))


def option(way, weeks, to, costs, left):
    (setup, days, storage), (start, ready, sale, pay), (buyer, reserve), (kg, bag, later), (floor, kept) = (
        way,
        weeks,
        to,
        costs,
        left,
    )
    return {
        "setup": setup,
        "days": days,
        "storage": storage,
        "start_week": start,
        "ready_week": ready,
        "sale_week": sale,
        "pay_week": pay,
        "buyer": buyer,
        "reserve": reserve,
        "upfront_kg": kg,
        "upfront_bag": bag,
        "later_bag": later,
        "floor_kg": floor,
        "kept_kg": kept,
        "price_kg": 0.3,
    }


MAIZE = table_of(
    [
        option((0, 3.0, 0), (0, 0, 3, 4), (0, -1), (0.02, 0.3, 0.15), (1.0, 0.90)),
        option((1, 10.0, 1), (1, 2, 5, 5), (2, -1), (0.03, 0.2, 0.25), (0.9, 0.85)),
        option((-1, 0.0, -1), (1, 1, 1, 1), (1, -1), (0.0, 0.0, 0.0), (1.1, 0.95)),
        option((-1, 0.0, 1), (0, 0, 4, 4), (-1, 0), (0.0, 0.4, 0.35), (1.0, 0.80)),
    ],
    0.1 * np.arange(4)[:, None] + np.linspace(0.2, 0.4, SCENARIOS) ** 2 + 0.1,
)
SORGHUM = table_of(
    [
        option((-1, 0.0, 0), (2, 2, 5, 6), (3, -1), (0.0, 0.1, 0.05), (1.0, 0.92)),
        option((-1, 0.0, 0), (3, 3, 5, 5), (-1, 1), (0.0, 0.6, 0.55), (1.0, 0.88)),
    ],
    0.3 * np.arange(2)[:, None] + np.linspace(0.9, 0.6, SCENARIOS) ** 3,
)
NOW = {"maize": 0.25, "sorghum": 0.70}


def taken_by_hand(table, at, mass, crop, weights):
    """Return what a bag of an option takes of each row by name: one view of cash for the group, one cut."""
    one = SimpleNamespace(**{name: column[at] for name, column in vars(table).items()})
    kept, found = one.kept_kg * mass, {}
    money = mass * float(one.receipts_kg @ weights)
    if one.setup >= 0:
        # three days of the first week's five fit once: they book all five; ten days book seven and three
        booked = {0: [5.0], 1: [7.0, 3.0]}[at]
        for step, days in enumerate(booked):
            found["floor", int(one.setup), int(one.start_week) + step] = days * mass * one.floor_kg
    if one.storage >= 0:
        found["stock", int(one.storage), int(one.ready_week)] = -1.0
        found["stock", int(one.storage), int(one.sale_week)] = 1.0
    if one.buyer >= 0:
        place = (int(one.buyer), int(one.sale_week))
        for heads, buyers in ((("truck",), (0, 2)), (("soft",), (0, 3)), (("most",), (1, 2))):
            found |= {(kind, *place): kept for kind in heads if one.buyer in buyers}
        if one.buyer in (1, 2):
            found["least", *place] = -kept
        if one.buyer == 1:
            found["quantity", 1] = kept
        if one.buyer == 2:
            found["promise", 2] = -kept
        if one.storage >= 0:
            lent = 0.5 * NOW[crop] * kept
            found["headroom", int(one.ready_week)], found["headroom", int(one.sale_week)] = -lent, lent
    else:
        found["reserve", int(one.reserve)], found["reserve_top", int(one.reserve)] = -kept, kept
    for week, flow in (
        (one.pay_week, money if one.buyer >= 0 else 0.0),
        (one.start_week, -mass * one.upfront_kg - one.upfront_bag),
        (one.sale_week, -one.later_bag),
    ):
        if date_of(week):
            key = ("cash", 0, "", date_of(week))
            found[key] = found.get(key, 0.0) - flow
    value = today(one.pay_week) * money - today(one.start_week) * (mass * one.upfront_kg + one.upfront_bag)
    found["cut", 0] = -(value - today(one.sale_week) * one.later_bag)
    return found


def test_what_a_bag_takes_of_every_row_is_that_of_its_equation():
    """Ten bags of maize of 100 kg, four of sorghum of 50; Ben's own account carries his lot's flows once more."""
    layout = make_layout(CASE)
    weights = np.linspace(1, 3, SCENARIOS) / 20  # their sum: 10 x 2 / 20
    rows, _ = names(1, 1)
    first = rows.index(("cash", 0, "", 2))
    use, member = [], []
    for table, crop in ((MAIZE, "maize"), (SORGHUM, "sorghum")):
        receipts = weighted_receipts(table, weights)
        assert receipts == pytest.approx([float(row @ weights) for row in table.receipts_kg])
        use.append(
            option_use(CASE, layout, counted(table), crop)
            + cash_use(layout, table, receipts, first)
            + tail_use(CASE, counted(table), receipts, rows.index(("cut", 0)))
        )
        member.append({})
    member[1][1] = cash_use(layout, SORGHUM, weighted_receipts(SORGHUM, weights), rows.index(("cash", 0, "Ben", 2)))
    columns = Columns(np.array([0, 0, 1, 0, 1, 0]), np.array([0, 2, 1, 1, 0, 3]))
    found = column_triplets(OUTLOOK, use, member, columns)
    for number, (lot, at) in enumerate(zip(columns.lot.tolist(), columns.option.tolist(), strict=True)):
        table, mass, crop = ((MAIZE, 100.0, "maize"), (SORGHUM, 50.0, "sorghum"))[lot]
        expected = {("lot", lot): 1.0, **taken_by_hand(table, at, mass, crop, weights)}
        if lot == 1:
            own = {key: value for key, value in expected.items() if key[0] == "cash"}
            expected |= {("cash", 0, "Ben", key[3]): value for key, value in own.items()}
        terms = {}
        for row, value in zip(found.rows[found.columns == number], found.values[found.columns == number], strict=True):
            terms[rows[row]] = terms.get(rows[row], 0.0) + value
        assert {key: value for key, value in terms.items() if value} == pytest.approx(
            {key: value for key, value in expected.items() if value}, rel=1e-6
        ), (lot, at)


class counted(SimpleNamespace):
    """A table that also tells how many options it has."""

    def __init__(self, table):
        super().__init__(**vars(table))

    def __len__(self):
        return len(self.setup)


@pytest.mark.parametrize(("table", "mass"), [(MAIZE, 90.0), (SORGHUM, 50.0)])
def test_what_a_bag_is_worth_today_by_hand(table, mass):
    """Receipts when paid less what begins and what ends; then its part of a full trip and the bag to be bought.

    A trip of 15 or 7 with 600 kg; the vessels of the two stores are at hand: nothing is bought.
    """
    size, free = len(table.setup), []
    whole = np.array(
        [
            [
                mass * float(table.receipts_kg[at, k]) * today(table.pay_week[at])
                - (mass * table.upfront_kg[at] + table.upfront_bag[at]) * today(table.start_week[at])
                - table.later_bag[at] * today(table.sale_week[at])
                for k in range(SCENARIOS)
            ]
            for at in range(size)
        ]
    )
    assert bag_values(CASE, table, mass) == pytest.approx(whole)
    assert bag_values(CASE, table, mass, np.array([1])) == pytest.approx(whole[1:2])
    per_kg, per_bag = mean_values(CASE, table)
    assert mass * per_kg - per_bag == pytest.approx(whole.mean(axis=1))
    assert list(trip_share(CASE)) == pytest.approx([15 / 600, 0, 7 / 600, 0])
    bare = CASE.with_changes(storage=tuple(replace(way, owned_bags=0) for way in CASE.storage))
    for case, prices in ((CASE, (0.0, 0.0)), (bare, (2.0, 1.5))):
        shared = [
            (trip(int(table.buyer[at])) / 600 * table.kept_kg[at] * mass if table.buyer[at] >= 0 else 0.0)
            + (prices[table.storage[at]] if table.storage[at] >= 0 else 0.0)
            for at in range(size)
        ]
        assert shared_costs(case, table, mass) == pytest.approx(shared)
        assert net_values(case, table, mass) == pytest.approx(whole.mean(axis=1) - shared)
    free = [bool(who >= 0 and who != 2) for who in table.buyer]
    assert free_to_sell(CASE, table).tolist() == free


def test_what_a_flooded_buyer_takes_off_a_kg_by_hand():
    """One who buys maize alone loses by its mean price; one who buys no crop that there is loses nothing."""
    only = replace(CASE.buyers[0], commodities=("maize",))
    other = replace(CASE.buyers[0], code="v", name="V", commodities=("beans",))
    case = CASE.with_changes(buyers=(only, other))
    lost = [0.2 * 1.1 * PRICES["maize"][week].mean() * today(week) for week in WEEK]
    assert excess_price(case, OUTLOOK) == pytest.approx(np.array([lost, [0.0] * WEEKS]))
