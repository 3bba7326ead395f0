"""The steps of the search on made-up numbers: what a solution brings and leaves of cash, which cuts it breaks."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from core.planning import sale
from core.planning.layout import make_layout
from core.planning.model import Columns, Entry
from core.planning.outlook import Outlook, mean_values, net_values
from core.planning.search import (
    Search,
    _need_balances,
    _price,
    _scenario_value,
    add_cuts,
    all_use,
    at_size,
    bound_for_lots,
    classes_as_wholes,
    first_columns,
    join,
    promising,
    rounded,
)
from core.planning.settling import by_lot
from tests.planning.test_model_worked import (
    CASE,
    DATES,
    LOANS,
    MAIZE,
    OUTLOOK,
    SCENARIOS,
    SORGHUM,
    counted,
    date_of,
    names,
    owed,
    today,
    variables_by_hand,
)
from tests.planning.test_worth_worked import PLAIN, outlook_of

MASS = (100.0, 50.0)
TABLES = (counted(MAIZE), counted(SORGHUM))
COLUMNS = Columns(np.array([0, 0, 0, 1, 1]), np.array([0, 1, 3, 0, 1]))
BAGS = np.array([2.5, 3.0, 1.5, 2.0, 0.75])
BOUGHT = {
    ("bought", 0): 2.0,
    ("bought", 1): 3.0,
    ("trips", 0, 3): 1.0,
    ("trips", 2, 5): 2.0,
    ("trips", 2, 1): 1.0,
    ("excess", 0, 3): 40.0,
    ("loan", 0, 3): 50.0,
    ("loan", 3, 5): 20.0,
    ("space", 1): 1.0,
    ("lacking", 0): 30.0,
    ("owing", 2): 10.0,
    ("short", "", 2): 5.0,
    ("short", "Ada", 2): 2.0,
    ("short", "Ben", 4): 3.0,
}


def searching(**changes):
    outlook = SimpleNamespace(
        case=CASE, lot_class=np.array([0, 1]), classes=TABLES, options=lambda lot: TABLES[lot], seasons=OUTLOOK.seasons
    )
    made = Search(outlook, make_layout(CASE), [], [], COLUMNS, [], [])
    return replace(made, **changes)


def solution(tail=123.0):
    """Return a programme's costs and a solution of it: what is bought as above, then the bags of the columns."""
    hand, (_, variables) = variables_by_hand(1, 1), names(1, 1)
    amounts = {**BOUGHT, ("tail",): tail}
    shared = np.array([amounts.get(name, 0.0) for name in variables])
    cost = np.array([hand[name][2] for name in variables] + [9.0] * len(BAGS))  # what a column costs is read elsewhere
    return SimpleNamespace(shared=len(shared), cost=cost), np.concatenate([shared, BAGS])


def each():
    """Yield (lot, its mass, bags, the option's columns) of the solution."""
    for lot, at, bags in zip(COLUMNS.lot.tolist(), COLUMNS.option.tolist(), BAGS.tolist(), strict=True):
        yield lot, MASS[lot], bags, SimpleNamespace(**{name: col[at] for name, col in vars(TABLES[lot]).items()})


def value_by_hand():
    value = np.zeros(SCENARIOS)
    for _, mass, bags, one in each():
        begun = (mass * one.upfront_kg + one.upfront_bag) * today(one.start_week)
        value += bags * (mass * one.receipts_kg * today(one.pay_week) - begun - one.later_bag * today(one.sale_week))
    hand = variables_by_hand(1, 1)
    shared = ("bought", "trips", "excess", "loan", "space")
    return value - sum(amount * hand[name][2] for name, amount in BOUGHT.items() if name[0] in shared)


def test_a_solutions_value_in_each_scenario_by_hand():
    program, x = solution()
    assert _scenario_value(searching(), program, x) == pytest.approx(value_by_hand(), rel=1e-6)


def balances_by_hand():
    """By account and date: sales when paid, drying and treatment when begun, the rest at the sale; Ben's lot twice.

    Purchases in the first week, trips in theirs, loans less a hundredth and with what is owed, needs, what is short.
    """
    flows = {(account, date): np.zeros(SCENARIOS) for account in ("", "Ada", "Ben") for date in DATES}

    def flow(account, week, amount):
        if date_of(week):
            flows[account, date_of(week)] = flows[account, date_of(week)] + amount

    for lot, mass, bags, one in each():
        for account in ("", ("Ada", "Ben")[lot]):
            flow(account, one.pay_week, bags * mass * one.receipts_kg * (one.buyer >= 0))
            flow(account, one.start_week, -bags * (mass * one.upfront_kg + one.upfront_bag))
            flow(account, one.sale_week, -bags * one.later_bag)
    flow("", 0, 17.0 - 2 * 8.0 - 3 * 1.5 - 25.0)
    for week, cost in ((3, 15.0), (5, 14.0), (1, 7.0)):
        flow("", week, -cost)
    for (taken, repaid), amount in (((0, 3), 50.0), ((3, 5), 20.0)):
        flow("", taken, 0.99 * amount)
        flow("", repaid, -amount * owed(repaid - taken))
    for account, week, amount in (("", 2, 30), ("Ada", 2, 30), ("", 4, 28), ("Ben", 4, 8)):
        flow(account, week, -amount)
    for account, week, amount in (("", 2, 5), ("Ada", 2, 2), ("Ben", 4, 3)):
        flow(account, week, amount)
    return np.array([np.cumsum([flows[account, date] for date in DATES], axis=0) for account in ("", "Ada", "Ben")])


def test_a_solutions_balances_by_hand():
    assert (0, 3) in LOANS
    program, x = solution()
    assert _need_balances(searching(), program, x) == pytest.approx(balances_by_hand(), abs=1e-4)
    without = searching(outlook=SimpleNamespace(case=CASE.with_changes(needs=())))
    without.layout = make_layout(without.outlook.case)
    assert _need_balances(without, program, x).shape == (1, 0, SCENARIOS)


def test_cuts_are_added_where_the_worst_tenth_or_a_date_is_counted_too_well():
    """A tenth of ten scenarios is the worst one; at a certainty of 0.8 the two worst count for a date."""
    low = int(np.argmin(value_by_hand()))
    worst, one = value_by_hand()[low], np.eye(SCENARIOS)[low]
    for above, cut in ((0.021, True), (0.019, False)):
        search = searching()
        search.outlook.case = CASE.with_changes(certainty=0.8)
        program, x = solution(worst + above)
        poor = [
            (at, date) for at in range(3) for date in range(2) if np.sort(balances_by_hand()[at, date])[:2].mean() < 0
        ]
        assert add_cuts(search, program, x, 100.0) == (cut or bool(poor))
        assert [weights.tolist() for weights in search.cuts] == ([one.tolist()] if cut else [])
        halves = []
        for at, date in poor:
            weights = np.zeros(SCENARIOS)
            weights[np.argsort(balances_by_hand()[at, date])[:2]] = 0.5
            if weights.tolist() not in halves:
                halves.append(weights.tolist())
        assert halves
        assert [weights.tolist() for weights in search.views] == halves
        # what is known already is not added again
        assert add_cuts(search, program, solution(worst)[1], 100.0) is False
    calm = searching()
    calm.outlook.case = CASE.with_changes(risk_weight=0.0, needs=())
    calm.layout = make_layout(calm.outlook.case)
    assert add_cuts(calm, *solution(worst + 99), 1.0) is False


def test_the_price_of_an_option_against_the_duals_by_hand():
    """Reduced cost of a bag: what it costs less the duals of the rows that it takes; the best two of each lot."""
    duals = np.array([-30.0, -4.0, 0.7, -2.0])
    entry = Entry(np.array([2, -1, 3, 2]), np.array([0.1, 0.2, 0.3, 0.4]), np.array([1.0, 2.0, 3.0, 4.0]))
    other = Entry(np.array([3, 3]), np.array([0.5, 0.25]), np.array([-1.0, 2.0]))
    own = Entry(np.array([2, -1]), np.array([0.2, 0.9]), np.array([3.0, 5.0]))
    per_kg, per_bag = (
        (np.array([0.30, 0.35, 0.5, 0.1]), np.array([0.02, 0.1])),
        (np.array([1.0, 2.0, 0.5, 0.25]), np.array([3.0, 0.125])),
    )
    reduced = [
        -(100 * 0.30 - 1) - 0.7 * (100 * 0.1 + 1) + 30,
        -(100 * 0.35 - 2) + 30,
        -(100 * 0.5 - 0.5) + 2 * (100 * 0.3 + 3) + 30,
        -(100 * 0.1 - 0.25) - 0.7 * (100 * 0.4 + 4) + 30,
    ]
    second = [
        -(50 * 0.02 - 3) + 2 * (50 * 0.5 - 1) - 0.7 * (50 * 0.2 + 3) + 4,
        -(50 * 0.1 - 0.125) + 2 * (50 * 0.25 + 2) + 4,
    ]
    assert sorted(np.argsort(reduced)[:2]) == [0, 3]
    assert min(second) > 0
    search = searching(mean=[(per_kg[0], per_bag[0]), (per_kg[1], per_bag[1])])
    columns, slack = _price(search, [[entry], [other]], [{}, {1: [own]}], duals, 2)
    assert (columns.lot.tolist(), sorted(columns.option.tolist())) == ([0, 0], [0, 3])
    assert slack == pytest.approx(10 * -min(reduced))
    # a looser dual of its own row brings the second lot in, with four bags
    duals[1] = 60.0
    columns, more = _price(search, [[entry], [other]], [{}, {1: [own]}], duals, 1)
    assert (columns.lot.tolist(), columns.option.tolist()) == ([0, 1], [3, int(np.argmin(second))])
    assert more == pytest.approx(slack + 4 * (64 - min(second)))


def test_a_bound_from_the_duals_of_classes_by_hand():
    """Lots of 90 and 110 kg in one class of 10 bags: each takes its best at these prices, the class's own dual goes."""
    duals = np.array([-8.0, 0.5])
    entry = Entry(np.array([1, -1]), np.array([0.1, 0.0]), np.array([1.0, 0.0]))
    lots = tuple(
        replace(CASE.lots[0], id=name, bags=bags, bag_mass_kg=kg)
        for name, bags, kg in (("a", 4, 90.0), ("b", 6, 110.0))
    )
    outlook = SimpleNamespace(
        case=SimpleNamespace(lots=lots), lot_class=np.zeros(2, dtype=int), classes=(counted(SORGHUM),)
    )
    wholes = SimpleNamespace(case=SimpleNamespace(lots=(SimpleNamespace(bags=10),)))
    search = searching(outlook=wholes, mean=[(np.array([0.3, 0.4]), np.array([2.0, 13.0]))])
    values = {kg: max(0.3 * kg - 2 + 0.5 * (0.1 * kg + 1), 0.4 * kg - 13) for kg in (90.0, 110.0)}
    found = bound_for_lots(outlook, search, [[entry]], duals, -200.0)
    assert found == pytest.approx(200 - 8 * 10 + 4 * values[90.0] + 6 * values[110.0])
    poor = replace(search, mean=[(np.array([-0.3, -0.4]), np.array([2.0, 13.0]))])
    assert bound_for_lots(outlook, poor, [[entry]], duals, -200.0) == pytest.approx(200 - 80)


def test_classes_as_wholes_by_hand():
    """4 bags of 90 and 6 of 110 kg are 10 of 102; a class without bags keeps the mass of its lot."""
    lots = [
        replace(CASE.lots[0], id=name, bags=bags, bag_mass_kg=kg, owner="Ada")
        for name, bags, kg in (("a", 4, 90.0), ("b", 0, 70.0), ("c", 6, 110.0))
    ]
    case = CASE.with_changes(lots=tuple(lots))
    outlook = Outlook(case, 1, np.array([0, 1, 0]), (lots[0], lots[1]), (), None, {})
    merged = classes_as_wholes(outlook)
    assert [(lot.id, lot.owner, lot.bags, lot.bag_mass_kg) for lot in merged.case.lots] == [
        ("class-0", "", 10, pytest.approx(102.0)),
        ("class-1", "", 0, 70.0),
    ]
    assert merged.lot_class.tolist() == [0, 1]


def test_sets_of_columns_by_hand():
    one, two = Columns(np.array([0, 1]), np.array([3, 0])), Columns(np.array([1, 0, 1]), np.array([2, 3, 0]))
    both = join(one, two, 4)
    assert list(zip(both.lot.tolist(), both.option.tolist(), strict=True)) == [(0, 3), (1, 0), (1, 2)]
    columns = Columns(np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1]))
    reduced, amount = np.array([5.0, 1.0, 0.0, 2.0]), np.array([0.0, 0.0, 3.0, 2e-7])
    for most, kept in ((0, [(1, 0), (1, 1)]), (3, [(0, 1), (1, 0), (1, 1)]), (9, [(0, 0), (0, 1), (1, 0), (1, 1)])):
        found = promising(columns, reduced, amount, most)
        assert list(zip(found.lot.tolist(), found.option.tolist(), strict=True)) == kept


def test_the_first_columns_hold_the_best_and_one_of_each_kind():
    """By value 2, 0, 1, 3 (maize): the best, and the best of each three weeks and buyer, reserve, store and space."""
    mean = [(np.array([0.5, 0.4, 0.9, 0.1]), np.zeros(4)), (np.array([0.1, 0.2]), np.zeros(2))]
    found = first_columns(searching().outlook, mean, 1)
    assert list(zip(found.lot.tolist(), found.option.tolist(), strict=True)) == [
        *((0, option) for option in range(4)),
        (1, 0),
        (1, 1),
    ]
    twins = SimpleNamespace(**{name: np.repeat(column[:1], 4, axis=0) for name, column in vars(MAIZE).items()})
    twins.pay_week = np.array([3, 4, 5, 6])
    outlook = SimpleNamespace(case=CASE, lot_class=np.array([0, 0]), classes=(counted(twins),))
    for most, kept in ((1, [2, 3]), (2, [0, 2, 3])):
        found = first_columns(outlook, mean, most)
        assert found.lot.tolist() == [0] * len(kept) + [1] * len(kept)
        assert found.option.tolist() == kept * 2


def test_a_search_cut_back_to_the_size_of_a_programme():
    """Of three views and two cuts those that it had: 6 balances a view; without needs views take no row."""
    search = searching(views=[1, 2, 3], cuts=[4, 5])
    rows, shared = search.layout.row_starts["end"], search.layout.variable_starts["end"]
    for views, cuts in ((2, 1), (3, 2), (0, 0), (1, 2)):
        program = SimpleNamespace(upper=np.zeros(rows + 6 * views + cuts), shared=shared + 6 * views)
        found = at_size(search, program)
        assert (len(found.views), len(found.cuts)) == (views, cuts)


def test_what_members_accounts_and_each_view_and_cut_take_stands_in_their_own_rows():
    """Two views of three accounts and two dates, two cuts: the first rows of the group and of Ben, then the cuts."""
    uniform, first = np.full(SCENARIOS, 0.1), np.eye(SCENARIOS)[0]
    search = searching(views=[uniform, first], cuts=[uniform, first], fixed=[[], []])
    end = search.layout.row_starts["end"]
    use, member = all_use(search)
    for number, table in enumerate(TABLES):
        rows = [entry.row for entry in use[number]]
        assert len(rows) == 2 * 3 + 2
        for view in range(2):
            paid, weights = use[number][3 * view], (uniform, first)[view]
            dates = [DATES.index(date_of(week)) if date_of(week) else None for week in table.pay_week]
            assert paid.row.tolist() == [-1 if at is None else end + 6 * view + at for at in dates]
            assert paid.per_kg == pytest.approx(np.where(table.reserve >= 0, 0, -(table.receipts_kg @ weights)))
            own = member[number][number][3 * view]
            account = number + 1
            assert own.row.tolist() == [-1 if at is None else end + 6 * view + 2 * account + at for at in dates]
            cut = use[number][6 + view]
            assert cut.row.tolist() == [end + 12 + view] * len(table)


def free(**changes):
    """Return the worked case with no least sales, room in all stores and no lender."""
    buyers = tuple(replace(who, minimum_kg=0.0) for who in PLAIN.buyers)
    return outlook_of(PLAIN.with_changes(**{"buyers": buyers, "store_bags": None} | changes))


def fractional(outlook, columns, amounts, spaces, own=True):
    layout = make_layout(outlook.case)
    shared = np.zeros(layout.variable_starts["end"])
    shared[layout.variable_starts["spaces"] :][:2] = spaces
    mean = [mean_values(outlook.case, table) for table in outlook.classes]
    search = Search(outlook if own else SimpleNamespace(), layout, [], mean, columns, [], [])
    return by_lot(rounded(outlook, search, SimpleNamespace(shared=len(shared)), np.concatenate([shared, amounts])))


def test_a_fractional_solution_is_rounded_by_hand():
    """4.6 and 3.7 bags: 4 and 3, then one more where most was cut off, then of the other; the rest where it pays most.

    A space is bought from three tenths on. Sorghum is worth most by its only sale.
    """
    outlook = free()
    columns = Columns(np.array([0, 0]), np.array([0, 2]))
    worth = net_values(outlook.case, TABLES[0], 100.0)
    assert int(np.argmax(np.where(TABLES[0].reserve < 0, worth, -9.0))) == 2
    found = fractional(outlook, columns, np.array([4.6, 3.7]), (0.0, 0.0))
    assert found == {0: {0: 5, 2: 5}, 1: {0: 4}}
    few = free(lots=(replace(PLAIN.lots[0], bags=8), PLAIN.lots[1]))
    assert fractional(few, columns, np.array([4.6, 3.7]), (0.0, 0.0))[0] == {0: 4, 2: 4}
    dried = Columns(np.array([0]), np.array([1]))
    for share, placed in ((0.31, {1: 3, 2: 7}), (0.29, {0: 3, 2: 7})):
        assert fractional(outlook, dried, np.array([2.5]), (0.0, share))[0] == placed


def test_the_amounts_of_a_class_are_dealt_out_to_its_largest_lots_first():
    """Seven bags of one way to lots of 3, 5 and 2: five and two; three of another to the lots that have some left."""
    lots = tuple(replace(PLAIN.lots[0], id=name, bags=bags) for name, bags in (("a", 3), ("b", 5), ("c", 2)))
    outlook = free(lots=lots)
    outlook.lot_class, outlook.classes, outlook.options = np.zeros(3, dtype=int), TABLES[:1], lambda lot: TABLES[0]
    columns = Columns(np.array([0, 0]), np.array([2, 0]))
    found = fractional(outlook, columns, np.array([2.6, 7.4]), (0.0, 0.0), own=False)
    assert found == {1: {0: 5}, 0: {0: 2, 2: 1}, 2: {2: 2}}


def test_the_best_found_so_far_takes_what_is_better_and_fits(monkeypatch):
    """Scores and limits as said here; the gap is what the bound lies above, as a part of the score."""
    scores, told = {"first": -50.0, "worse": -60.0, "good": 10.0, "broken": 99.0, "tidied": 12.0, "same": 12.0}, []
    monkeypatch.setattr(sale, "score_of", lambda outlook, one: scores[one])
    monkeypatch.setattr(sale, "in_time", lambda outlook, one: one)
    monkeypatch.setattr(sale, "broken_limits", lambda outlook, one: ["truck"] if one == "broken" else [])
    best = sale._Best(None, "first", lambda *said: bool(told.append(said)) or len(told) > 1, lambda one: one)
    assert (best.method, best.gap(-40.0), best.gap(-60.0)) == ("placing", 0.2, 0.0)
    assert [best.told(-40.0), best.told(-45.0)] == [False, True]
    assert told == [("placing", 0.2), ("placing", 0.1)]
    best.offer("worse", "a")
    best.offer("broken", "b")
    assert (best.allocation, best.method) == ("first", "placing")
    best.tidy = {"good": "tidied", "same": "same"}.__getitem__
    best.offer("good", "c")
    best.offer("same", "d")
    assert (best.allocation, best.method, best.score) == ("tidied", "c", 12.0)
    best.score, best.watch = 0.0, None
    assert best.gap(1e-9) == pytest.approx(1.0)
    assert best.told(9.0) is False
