"""The programme's smaller rules at their edges: what a wait costs, what help changes, whose file is taken, names."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from core.accounts.finance import WEEKS_PER_MONTH, InventoryCredit
from core.errors import ImportRefusedError, InputError
from core.group.records import Group, Member
from core.group.sampling import UNCHECKED_METER_SD
from core.messages import message
from core.planning.case import CashNeed
from core.planning.invented_seasons import invented_seasons
from core.programme import counterfactual, programme_book
from core.programme.counterfactual import (
    DRYER,
    _borrowed,
    _everything,
    _grain_as_it_went,
    _judged,
    _limits_as_they_were,
    _touched,
    _waited,
    _Way,
    _why_not,
    by_fortnight,
    compare_ways,
    waiting_days,
)
from core.programme.currencies import ExchangeRate, rate_between
from core.programme.group_file import _documents, _group
from core.programme.group_merge import with_numbers_of
from core.programme.privacy import Names, names_to_leave_out, without_names
from core.programme.programme_book import Goal, against_target
from core.programme.same_group import _one_place
from core.programme.seasons import first_month, seasons
from tests.programme.test_counterfactual import FACTS, case, season
from tests.programme.test_seasons import harvested

AT = datetime(2026, 6, 1, tzinfo=UTC)


# What would have helped


def test_a_wait_counts_from_two_days_beyond_drying_and_up_to_six_weeks():
    """Drying takes three days: ready after 5 is a wait of 2, after 4.9 none; 60 days are 57, at most 42 count."""
    of = case()
    asked = []

    def dry(lot, way, week, moisture, target):
        asked.append((lot.id, way.code, week, float(moisture.min()), target))
        return SimpleNamespace(days=np.array([0.0, 3.0, 90.0]))

    habits = season(of, ready_days={"0": 5.0, "1": 4.9, "2": 60.0}).habits
    assert waiting_days(of, habits, SimpleNamespace(dry=dry)) == {"0": 2.0, "2": 42.0}
    assert asked == [(number, "sheets", 0, 18.0, 13.0) for number in "012"]
    assert waiting_days(of.with_changes(drying=()), habits, SimpleNamespace(dry=dry)) == {}


def test_a_lot_that_waited_is_later_and_lighter_by_hand():
    """Ten days are 1.43 weeks: of 1, 0.81 and 0.64 after 0, 1, 2 weeks: 0.81 - 0.4286 x 0.17 = 0.7371; a week later."""
    of = case()
    asked = []

    def keep(lot, moisture, store, first, weeks):
        asked.append((first, weeks))
        share = 0.1 * np.arange(weeks + 1.0)[:, None] * np.ones(of.scenarios)
        return SimpleNamespace(dry_matter_loss_pct=100 * share, unfit_share=share, moisture_pct=share)

    lot = _waited(of.lots[0], 10.0, of, SimpleNamespace(keep=keep))
    assert lot.bag_mass_kg == pytest.approx(90 * (0.81 - 3 / 7 * 0.17))
    assert lot.available_week == 1
    assert _waited(replace(of.lots[0], available_week=19), 14.0, of, SimpleNamespace(keep=keep)).available_week == 21
    assert asked == [(0, 2), (17, 2)]  # no later than what the scenarios hold: 20 weeks, two of them in store
    # after ten weeks nothing would be left: a twentieth stays
    assert _waited(of.lots[0], 70.0, of, SimpleNamespace(keep=keep)).bag_mass_kg == pytest.approx(90 * 0.05)


def test_what_each_way_does_to_the_grain():
    of = case().with_changes(start_delays=(0, 1))
    seasons_ = invented_seasons(of, 3)

    def went(way, aimed=None, waits=None):
        return _grain_as_it_went(of, way, waits or {}, aimed or {}, seasons_)

    kept = went(_Way(waits=False), waits={"0": 14.0})
    assert (kept.lots, kept.start_delays) == (of.lots, (0, 1, 2, 3))
    waited = went(_Way(), waits={"0": 14.0})
    assert (waited.lots[0].available_week, waited.lots[1:], waited.start_delays) == (2, of.lots[1:], (0, 1))
    for level, flag in ((11.0, "overdries"), (14.0, "underdries")):
        assert went(_Way(), {"maize": level}).target_pct == (("maize", level),)
        assert went(_Way(**{flag: False}), {"maize": level}).target_pct == (("maize", 13.0),)
        other = "underdries" if flag == "overdries" else "overdries"
        assert went(_Way(**{other: False}), {"maize": level}).target_pct == (("maize", level),)


def test_a_group_has_only_what_it_had_and_the_help():
    item = season(case(), needs=(CashNeed(1, 5.0),), sealed_bags=7, dried_to={"maize": 12.0})
    whole = _everything(item, FACTS, 0.05)
    assert [way.code for way in whole.drying] == ["sheets", DRYER]
    assert whole.drying[1].fee_per_point_kg == pytest.approx(0.01)  # five points at a fifth each
    assert (whole.drying[1].capacity_kg, whole.drying[1].powered) == (2000.0, True)
    assert [(way.owned_bags, way.buyable_bags) for way in whole.storage] == [(1000, 0), (0, 40)]
    assert (whole.target_choices, whole.certainty) == ((("maize", 12.0),), 0.5)
    without = _limits_as_they_were(whole, item.habits, _Way())
    assert [way.capacity_kg for way in without.drying] == [5000.0, 0.0]
    assert [(way.owned_bags, way.buyable_bags) for way in without.storage] == [(1000, 0), (0, 7)]
    assert without.needs == item.habits.needs
    helped = _limits_as_they_were(whole, item.habits, _Way(dryer=True, sealed=True, cash=False))
    assert [way.capacity_kg for way in helped.drying] == [0.0, 2000.0]
    assert helped.storage == whole.storage
    assert helped.needs == ()
    assert [_why_not("sealed bags", item.habits, bags) is None for bags in (6, 7, 8)] == [False, False, True]
    touched = _touched(whole, replace(item.habits, judged=frozenset("01")), {"0": 3.0}, {"maize": 12.0})
    assert touched == {
        "waiting wet": 1,
        "too few tests": 2,
        "over-drying": 4,
        "bagged too wet": 0,
        "sold early for cash": 1,
        "a shared dryer": 4,
        "sealed bags": 4,
        "credit on stored grain": 1,
        "training in testing": 6,
    }
    wetter = _touched(whole, item.habits, {}, {"maize": 14.0})
    assert (wetter["over-drying"], wetter["bagged too wet"]) == (0, 4)


@pytest.fixture
def plain_worths(monkeypatch):
    """Let each habit cost, and each help bring, another power of two, in five scenarios 1, 2, 3, 4 and 90 times."""
    asked = {"spreads": [], "aimed": []}
    costs = {"waits": 1, "judges": 2, "underdries": 4, "overdries": 8, "cash": 16, "dryer": -32, "sealed": -64}

    @dataclass(frozen=True)
    class Ahead:
        case: object

    def went(_whole, way, _waits, aimed, _seasons):
        asked["aimed"].append(aimed)
        return way.grain

    def judged(_seasons, _lots, spread):
        asked["spreads"].append(spread)

    def planned(way, outlook):
        assert outlook.case is way
        brings = 1000 - sum(cost * getattr(way, name) for name, cost in costs.items())
        return None, SimpleNamespace(value=brings * np.array([1.0, 2, 3, 4, 90]))

    monkeypatch.setattr(counterfactual, "_everything", lambda item, _facts, _fee: item.built.case)
    monkeypatch.setattr(counterfactual, "waiting_days", lambda *_given: {"0": 3.0, "1": 9.0, "3": 5.0})
    monkeypatch.setattr(counterfactual, "_grain_as_it_went", went)
    monkeypatch.setattr(counterfactual, "build_outlook", lambda grain, _seed, _seasons: Ahead(grain))
    monkeypatch.setattr(counterfactual, "_judged", judged)
    monkeypatch.setattr(counterfactual, "_limits_as_they_were", lambda _case, _habits, way: way)
    monkeypatch.setattr(counterfactual, "plan_in_parts", planned)
    monkeypatch.setattr(counterfactual, "_borrowed", lambda *_given: 10.0)
    return asked


HELP_COSTS = {"help.dryer_cost": 60, "help.sealed_cost": 7, "help.credit_cost": 9, "help.training_cost": 80}


def test_each_thing_otherwise_is_the_season_without_it_less_the_season_as_it_went(plain_worths):
    """As it went: 1000 - 31 = 969. The mean of 1, 2, 3, 4 and 90 is 20; a tenth lies at 1.4, nine tenths at 55.6.

    What was sold for cash is 16 better, less 10 for borrowing. Nothing was bagged too wet.
    """
    item = season(case(), judged=frozenset("01"), dried_to={"maize": 12.68}, needs=(CashNeed(1, 5.0), CashNeed(4, 6.0)))
    found = compare_ways(7, item, HELP_COSTS | {"help.judged_sd": 1.5}, None, 3, object())
    assert (found.group_id, found.season, found.lots, found.value) == (7, "2026-07", 4, pytest.approx(969 * 20))
    every = {one.name: one for one in (*found.causes, *found.helps)}
    expected = {
        "waiting wet": (1, 3, 0),
        "too few tests": (2, 2, 0),
        "over-drying": (8, 4, 0),
        "a shared dryer": (33, 4, 60),
        "sealed bags": (64, 4, 7),
        "training in testing": (14, 6, 80),
    }
    for name, (better, lots, cost) in expected.items():
        one = every.pop(name)
        assert (one.money, one.low, one.high) == pytest.approx((better * 20, better * 1.4, better * 55.6))
        assert (one.lots, one.cost, one.why_not) == (lots, cost, None)
        assert one.net == pytest.approx(better * 20 - cost)
    assert every.pop("bagged too wet") == counterfactual.Difference("bagged too wet", 0.0, 0.0, 0.0, 0, 0.0)
    for name, cost in (("sold early for cash", 0), ("credit on stored grain", 9)):
        one = every.pop(name)
        assert (one.money, one.low, one.high) == pytest.approx((310, 16 * 1.4 - 10, 16 * 55.6 - 10))
        assert (one.lots, one.cost) == (2, cost)
    assert not every
    # judged as well as the group does, or as well as a meter that nobody has checked
    assert set(plain_worths["spreads"]) == {1.5, UNCHECKED_METER_SD}
    assert plain_worths["aimed"][0] == {"maize": 12.68}
    wetter = compare_ways(7, season(case(), dried_to={"maize": 14.0}), HELP_COSTS | {"help.judged_sd": 1.5}, None, 3, 0)
    (wet,) = [one for one in wetter.causes if one.name == "bagged too wet"]
    assert (wet.lots, wet.money) == (4, pytest.approx(4 * 20))


def test_what_records_are_silent_about_is_not_reckoned_and_a_little_too_dry_is_care(plain_worths):
    """0.29 points below the limit, or above it, are no habit; without sales for cash credit has nothing to show."""
    why, silent = message("no sale"), message("no test")
    for level in (12.71, 13.29):
        item = season(case(), judged=frozenset("0"), dried_to={"maize": level}, needs=(CashNeed(1, 5.0),))
        habits = replace(item.habits, silent={"sold early for cash": why, "too few tests": silent})
        found = compare_ways(7, replace(item, habits=habits), HELP_COSTS | {"help.judged_sd": 1.5}, None, 3, object())
        every = {one.name: one for one in (*found.causes, *found.helps)}
        assert plain_worths["aimed"][-1] == {}
        for name, cost, said in (
            ("sold early for cash", 0.0, why),
            ("credit on stored grain", 9.0, why),
            ("too few tests", 0.0, silent),
        ):
            assert every[name] == counterfactual.Difference(name, 0.0, 0.0, 0.0, 0, cost, said)
        assert (every["over-drying"].lots, every["bagged too wet"].lots) == (0, 0)
        assert every["training in testing"].lots == 1


def test_what_borrowing_until_the_sales_costs_by_hand():
    """Ten bags of 90 kg paid in week 4, thirty of 30 kg in week 12: the mean is week 8.

    100 needed in week 2 grow for six weeks at 2 % a month with a fee of 1 %, and are worth less by week 8; what is
    needed in week 10, after the sales, costs its fee alone.
    """

    def discount(week):
        return 1.01 ** (-week / WEEKS_PER_MONTH)

    lots = (SimpleNamespace(bag_mass_kg=90.0), SimpleNamespace(bag_mass_kg=30.0))
    outlook = SimpleNamespace(
        case=SimpleNamespace(lots=lots, discount=discount), options=lambda lot: SimpleNamespace(pay_week=[4, 12])
    )
    allocation = SimpleNamespace(lot=[0, 1], option=[0, 1], bags=[10, 30])
    credit = InventoryCredit(0.7, monthly_interest=0.02, fee_share=0.01)

    def cost(*needs):
        return _borrowed(outlook, allocation, SimpleNamespace(needs=needs), credit)

    early = 100 / 0.99 * 1.02 ** (6 / WEEKS_PER_MONTH) * discount(8) - 100 * discount(2)
    late = (100 / 0.99 - 100) * discount(10)
    assert cost(CashNeed(2, 100.0)) == pytest.approx(early)
    assert cost(CashNeed(10, 100.0)) == pytest.approx(late)
    assert cost(CashNeed(2, 100.0), CashNeed(10, 100.0)) == pytest.approx(early + late)
    assert cost() == 0.0


def test_odd_weeks_meet_the_weather_of_the_week_before():
    of = case()
    asked = []

    def dry(lot, way, week, moisture, target):
        asked.append((lot.available_week, week))

    spaced = by_fortnight(replace(invented_seasons(of, 3), dry=dry))
    for week in (2, 3):
        spaced.dry(replace(of.lots[0], available_week=1), of.drying[0], week, None, 13.0)
    assert asked == [(1, 2), (0, 2)]


def test_dryness_judged_by_hand_stays_within_what_grain_can_be():
    of = case()
    seen = []
    base = replace(invented_seasons(of, 3), keep=lambda lot, moisture, *_rest: seen.append(moisture))
    judged = _judged(base, frozenset("0"), 1000.0)
    moisture = np.full(of.scenarios, 13.0)
    for _again in range(2):
        judged.keep(of.lots[0], moisture, of.storage[0], 0, 4)
    judged.keep(of.lots[1], moisture, of.storage[0], 0, 4)
    assert (seen[0].min(), seen[0].max()) == (3.0, 40.0)
    assert np.array_equal(seen[0], seen[1])  # the same error each time
    assert seen[2] is moisture
    for spread in (0.5, 1.0):
        _judged(base, frozenset("0"), spread).keep(of.lots[0], moisture, of.storage[0], 0, 4)
    assert seen[4] - 13.0 == pytest.approx(2 * (seen[3] - 13.0))  # twice as unsure, twice as far off


# Files of groups

GROUP = {
    "name": "n" * 200,
    "district": "",
    "time_zone": "Africa/Lome",
    "currency": "XOF",
    "language": "en",
    "latitude": 90,
    "longitude": -180.0,
    "altitude_m": 9000,
}


def test_a_group_in_a_file_at_its_edges():
    assert _group(GROUP | {"demo": 1, "unknown": 5}).demo is True
    assert _group(GROUP | {"latitude": None, "longitude": None, "altitude_m": None}).latitude is None
    for wrong in (
        *({"name": "n" * 201}, {"name": "  "}, {"name": 5}, {"district": "d" * 201}, {"language": None}),
        *({"currency": "xof"}, {"currency": "XOFX"}, {"currency": "XO"}, {"currency": "ÉUR"}),
        *({"latitude": 90.01}, {"latitude": -90.01}, {"longitude": 180.01}, {"altitude_m": 9001}),
        *({"latitude": float("nan")}, {"latitude": "8"}),
    ):
        with pytest.raises(ImportRefusedError):
            _group(GROUP | wrong)
    rows = {"limits": {"rows": [{"standard": "s", "moisture_pct": 0.1}, {"standard": "s", "moisture_pct": 99.9}]}}
    assert _documents(rows | {"strange": {}}) == rows
    for moisture in (0, 100):
        with pytest.raises(ImportRefusedError):
            _documents({"limits": {"rows": [{"standard": "s", "moisture_pct": moisture}]}})


def test_numbers_of_members_lots_and_entries_are_turned_and_nothing_else():
    numbers = {"members": {"1": 11, "2": 12}, "lots": {"1": 21, "2": 22}, "events": {"1": 31}}
    given = {
        "member": "1",
        "member_id": 2,
        "holder": 9,
        "shares": {"1": "5", "9": "6"},
        "lots": [1, 2, {"id": 2, "bags": 1}],
        "lot_id": "2",
        "sale": 1,
        "buyer": 1,
        "amount": 1,
        "loan": True,
        "deep": [{"lot": 1, "buyer": "1", "about": "advance"}],
    }
    assert with_numbers_of(given, numbers) == {
        "member": "11",
        "member_id": 12,
        "holder": 9,
        "shares": {"11": "5", "9": "6"},
        "lots": [21, 22, {"id": 22, "bags": 1}],
        "lot_id": "22",
        "sale": 31,
        "buyer": 31,
        "amount": 1,
        "loan": True,
        "deep": [{"lot": 21, "buyer": "1", "about": "advance"}],
    }


@pytest.mark.parametrize(
    ("other", "one_place"),
    [
        ({"latitude": 0.1, "longitude": 0.1}, True),
        ({"latitude": -0.1, "longitude": 0.0}, True),
        ({"latitude": 0.11, "longitude": 0.0}, False),
        ({"latitude": 0.0, "longitude": -0.11}, False),
        ({"latitude": None, "longitude": 50.0, "district": "Upper  east"}, True),
        ({"latitude": None, "district": "West"}, False),
        ({"latitude": None, "district": ""}, True),
    ],
)
def test_places_a_tenth_of_a_degree_apart_may_be_one(other, one_place):
    here = Group(name="g", latitude=0.0, longitude=0.0, district="upper East")
    there = Group(**{"name": "g", "longitude": 0.0} | other)
    assert _one_place(here, there) is _one_place(there, here) is one_place


def test_names_leave_a_text_by_whole_name_and_by_word():
    """Names of four letters or more are taken out of longer texts; so are words of people's names, not "member"."""
    members = [Member(id=1, group_id=1, name="Abla Member"), Member(id=2, group_id=1, name="Ann", consent=True)]
    names = names_to_leave_out(members, ["Tess", "Ann"], ["Mill", "", "Mo"], ["Kofi Owen"], "none")
    assert names.exact == {
        "Abla Member": "member 1",
        "Ann": "member 2",
        "Mill": "buyer 1",
        "Mo": "buyer 2",
        "Tess": "somebody",
        "Kofi Owen": "somebody",
    }
    assert names.out_of("Ann") == "member 2"
    assert names.out_of("Anns heap of Abla Member to the Mill") == "Anns heap of member 1 to the buyer 1"
    assert names.out_of("abla's, TESS, owen, member, Mo") == "…'s, …, …, member, Mo"
    agreed = names_to_leave_out(members, ["Ann"], [], [], "agreed")
    assert set(agreed.exact) == {"Abla Member"}
    assert names_to_leave_out(members, ["Tess"], ["Mill"], [], "all") == Names()
    payload = {"name": "Ann", "note": "said so", "bags": 5, "rows": [{"buyer": "Mill", "crop": "Mill"}]}
    assert without_names(payload, names) == {
        "name": "member 2",
        "note": "",
        "bags": 5,
        "rows": [{"buyer": "buyer 1", "crop": "Mill"}],
    }


# Targets, rates and seasons


def test_a_target_met_exactly_is_reached_and_is_due_on_its_day(monkeypatch):
    share = Goal("target", "dry_when_sold", 0.8, date(2027, 6, 30), "", "o", AT)
    days = replace(share, key="days_to_dry", value=6.0)
    assert [against_target(share.key, low, 0.9, share) for low in (0.8, 0.799)] == ["reached", "cannot tell yet"]
    assert [against_target(share.key, 0.1, high, share) for high in (0.8, 0.799)] == ["cannot tell yet", "not reached"]
    assert [against_target(days.key, 1.0, high, days) for high in (6.0, 6.01)] == ["reached", "cannot tell yet"]
    assert [against_target(days.key, low, 9.0, days) for low in (6.0, 6.01)] == ["cannot tell yet", "not reached"]
    assert [against_target(days.key, 7.0, 9.0, days, date(2027, 6, day)) for day in (29, 30)] == [
        "not due yet",
        "not reached",
    ]
    assert against_target(days.key, 1.0, None, days) == against_target(days.key, np.nan, 1.0, days) == "cannot tell yet"
    written = []
    monkeypatch.setattr(programme_book, "_write", lambda *given: written.append(given[4]["value"]) or len(written))
    for value in (0.0, 1.0, None):
        programme_book.enter_goal(None, "target", "dry_when_sold", value, AT.date(), "o", AT)
    assert written == ["0.0", "1.0", None]
    for kind, key, value in (("target", "dry_when_sold", 1.001), ("target", "dry_when_sold", -0.001), ("x", "days", 1)):
        with pytest.raises(InputError):
            programme_book.enter_goal(None, kind, key, value, AT.date(), "o", AT)
    assert programme_book.enter_goal(None, "baseline", "days_to_dry", 9.0, AT.date(), "o", AT) == 4


def test_of_two_rates_of_a_day_the_later_entered_counts():
    first = ExchangeRate("EUR", "GHS", 12.0, date(2026, 10, 1), "bank")
    rates = [first, replace(first, rate=16.0), replace(first, rate=9.0, on=date(2026, 9, 30))]
    assert rate_between(rates, "EUR", "GHS", date(2026, 10, 1)).factor == 16.0
    assert rate_between(rates, "GHS", "EUR", date(2026, 10, 1)).factor == 1 / 16
    assert rate_between(rates, "EUR", "GHS", date(2026, 9, 30)).factor == 9.0
    assert rate_between(rates, "EUR", "EUR", date(2020, 1, 1)).factor == 1.0


def test_seasons_by_their_first_month():
    """The first month of harvest after the longest gap; of two as long the one that comes first in the year."""
    assert first_month([harvested([date(2026, 3, 1), date(2026, 9, 1)])]) == 3  # five months each
    assert first_month([harvested([date(2026, 3, 1), date(2026, 8, 1)])]) == 3  # six before March, four before August
    assert first_month([harvested([date(2026, 3, 1), date(2026, 10, 1)])]) == 10
    assert first_month([harvested([date(2026, month, 1) for month in range(1, 12)])]) == 1
    assert first_month([harvested([date(2026, month, 1) for month in range(2, 13)])]) == 2
    record = harvested([date(2099, 12, 31), date(2100, 1, 1), date(2098, 12, 1), date(2101, 12, 1)])
    assert first_month([record]) == 12
    assert [one.name for one in seasons([record])] == ["2098/99", "2099/00", "2101/02"]
    record = harvested([date(2099, month, 1) for month in range(1, 13)])
    assert [(one.name, one.start, one.end) for one in seasons([record])] == [
        ("2099", date(2099, 1, 1), date(2100, 1, 1))
    ]
