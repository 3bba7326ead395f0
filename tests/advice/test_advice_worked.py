"""The checks of a situation at their borders, what it rests on, and the plan in numbers: by hand, without a plan made.

Each check is given just what it reads. It must be silent where the parts agree to the border, and speak just beyond.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace as Thing

import pandas as pd
import pytest

from core.advice import checks, lot_outlooks, making, meter_rounds, origins, read, season
from core.advice.lot_outlooks import from_hour, keeping_settings
from core.advice.making import Choices
from core.advice.parts import EXAMPLE, FORECAST, OLD_FORECAST, USUAL, PriceNow, WeatherNow
from core.advice.read import Reading
from core.advice.season import DRY, HOME, KEEP, SELL, SeasonRow, Stretch
from core.errors import InputError, NoPlaceError
from core.group.lot_state import NOT_TESTED
from core.group.sampling import DRY as DRY_ENOUGH
from core.group.sampling import WET
from core.messages import message
from core.storage.methods import usual_method

TODAY = date(2026, 5, 20)


def on(days: int) -> date:
    return TODAY + timedelta(days=days)


def line(lot="1", bags=1, **more):
    plain = {
        "label": f"Lot {lot}",
        "commodity": "maize",
        "setup": "",
        "storage": "",
        "buyer": "Gate",
        "reserve": "",
        "ready_on": on(0),
        "sell_on": on(0),
        "paid_on": on(0),
        "kg_sold": 0.0,
        "price_kg": 0.0,
        "target_pct": None,
    }
    return Thing(lot=lot, bags=bags, **plain | more)


def load(lot="Lot 1", bags=1, first=0, last=0, space="Sheets", mass=0.0):
    return Thing(lot=lot, bags=bags, on=on(first), until=on(last), space=space, mass_kg=mass)


def said(check, **now):
    plain = {
        "today": TODAY,
        "schedule": (),
        "lots": (),
        "stores": (),
        "prices": (),
        "actions": (),
        "purchases": (),
        "judged_at": {},
        "group_id": 1,
        "store": Thing(fact=lambda group, key: Thing(value=30.0)),
    }
    return [one.template for one in check(Thing(**plain | now))]


def planned(*sales, lots=(), prices=(), over=()):
    return Thing(sales=sales, unsold_bags=over, case=Thing(lots=lots, prices=prices))


def test_bags_of_a_lot_add_up():
    lot = Thing(id="1", label="Lot 1", bags=10)
    for sold, over, bags, count in ((6, 1, 10, 0), (6, 0, 10, 1), (7, 1, 10, 1), (6, 1, 11, 1), (6, 0, 9, 2)):
        plan = planned(line(bags=sold), line(bags=3), lots=(lot,), over=(("Lot 1", over),))
        assert len(said(checks.bags_add_up, plan=plan, lots=(Thing(id=1, bags=bags),))) == count
    assert said(checks.bags_add_up, plan=planned(line(bags=10), lots=(lot,)), lots=()) == []


def heading(total=10, soon=4, later=3, home=2, left=1, value=2e6):
    return Thing(total=total, soon=soon, later=later, home=home, left=left, total_value=value)


def row(bags=10, sell=7, home=2, left=1):
    parts = {SELL: sell, HOME: home}
    return Thing(lot="Lot 1", bags=bags, left=left, bags_of=lambda kind: parts[kind])


@pytest.mark.parametrize(
    ("changes", "count"),
    [
        ({}, 0),
        ({"season": (row(sell=8),)}, 1),
        ({"season": (row(home=1),)}, 1),
        ({"season": (row(left=0),)}, 1),
        ({"headline": heading(soon=5)}, 1),
        ({"headline": heading(later=2)}, 1),
        ({"headline": heading(home=3)}, 1),
        ({"headline": heading(left=0)}, 1),
        ({"headline": heading(total=11, soon=5)}, 1),  # adds up, but to more than there is
        # a millionth of two millions, and no less than 1
        ({"headline": heading(value=2e6 + 2.0)}, 0),
        ({"headline": heading(value=2e6 - 2.1)}, 1),
        ({"headline": heading(value=101.0), "mean": 100.0}, 0),
        ({"headline": heading(value=101.1), "mean": 100.0}, 1),
    ],
)
def test_the_headline_adds_up(changes, count):
    now = {"season": (row(),), "headline": heading(), "mean": 2e6} | changes
    made = Thing(fresh={"plan": Thing(mean=now.pop("mean"))})
    plan = planned(lots=(Thing(bags=6), Thing(bags=4)))
    assert len(said(checks.headline_adds_up, made=made, plan=plan, **now)) == count


def test_half_a_kilogram_more_than_a_space_holds_is_no_fault():
    spaces = (Thing(name="Sheets", capacity_kg=100.0),)
    for second, count in ((40.5, 0), (40.6, 1)):
        loads = (load(mass=60.0, last=2), load(mass=second, first=2, last=3))
        assert len(said(checks.floor_fits, schedule=loads, spaces=spaces)) == count
    assert len(said(checks.floor_fits, schedule=(load(mass=200.0, last=2),), spaces=spaces)) == 3  # each day
    assert said(checks.floor_fits, schedule=(load(space="Barn"),), spaces=spaces) == [
        "{space} is in the drying schedule and not among the spaces"
    ]


def test_what_the_plan_dries_lies_on_the_floor_bag_by_bag():
    plan = planned(line(bags=2, setup="Sheets"), line(bags=3, setup="Dryer"), line("2", 4))
    agreed = (load(bags=4), load(bags=1))
    assert said(checks.schedule_is_the_plan, plan=plan, schedule=agreed) == []
    assert len(said(checks.schedule_is_the_plan, plan=plan, schedule=agreed[:1])) == 1
    assert "does not dry it" in said(checks.schedule_is_the_plan, plan=plan, schedule=(*agreed, load("Lot 2")))[0]


def test_bags_are_off_the_floor_on_the_day_on_which_they_are_sold():
    loads = (load(bags=2, last=3), load(bags=2, last=5))
    for first, second, count in ((3, 5, 0), (2, 5, 1), (3, 4, 1), (3, 3, 1)):
        plan = planned(
            line(bags=2, setup="s", sell_on=on(first)),
            line(bags=2, setup="s", sell_on=on(second)),
            line(bags=9, sell_on=on(0)),  # not dried: nothing to wait for
        )
        assert len(said(checks.dry_before_bagged_and_sold, plan=plan, schedule=loads)) == count


def lot_now(free=None, stored=None, **more):
    state = Thing(free_from=lambda today: free, lot=Thing(stored_on=stored), risk=0.05)
    return Thing(id=1, bags=10, state=state, **more)


def test_treated_grain_leaves_when_its_days_are_over():
    """Thirty days after it was bagged on day 2: from day 32 on; what is eaten leaves when it is ready."""
    stores = (Thing(name="Dusted", method="woven_bag_protectant"), Thing(name="Plain", method="woven_bag"))

    def count(lots=(), **parts):
        return len(
            said(checks.waiting_times_are_kept, plan=planned(line(ready_on=on(2), **parts)), stores=stores, lots=lots)
        )

    assert count(storage="Dusted", sell_on=on(32)) == 0
    assert count(storage="Dusted", sell_on=on(31)) == 1
    assert count(storage="Dusted", sell_on=on(90), reserve="home") == 1
    assert count(storage="Plain", sell_on=on(2)) == 0
    assert count(sell_on=on(2)) == 0
    assert count((lot_now(on(9)),), sell_on=on(9)) == 0
    assert count((lot_now(on(9)),), sell_on=on(8)) == 1
    assert count((lot_now(None),), sell_on=on(2)) == 0


def test_one_price_to_a_hundred_thousandth():
    """Of 1000: 0.01 apart is the same, 0.011 is not; a price that was assumed is not held against the lots."""

    def price(per_kg, assumed=False):
        return PriceNow("maize", per_kg, None, assumed, None)

    plan = planned(prices=(Thing(commodity="maize", price_now=1000.0),))
    for judged, here, assumed, count in (
        (1000.0, 1000.0, False, 0),
        (999.991, 1000.0, False, 0),
        (999.989, 1000.0, False, 1),
        (1000.011, 1000.0, False, 1),
        (1000.011, 1000.0, True, 0),
        (1000.011, 1000.011, False, 1),
        (1000.011, 1000.011, True, 1),
    ):
        now = {"judged_at": {"maize": judged}, "prices": (price(here, assumed),), "plan": plan}
        assert len(said(checks.one_price, **now)) == count, (judged, here, assumed)


def test_four_weeks_are_no_wait_on_the_price():
    """From the day it is ready, or from the day on which its label lets it go: 28 days are a trip, 29 a bet."""
    stores = (Thing(name="Dusted", method="woven_bag_protectant"),)
    refused = Thing(crop="maize", waiting=Thing(wait=False))

    def count(sell, lots=(), prices=(refused,), **parts):
        plan = planned(line(ready_on=on(1), sell_on=on(sell), **parts))
        return len(said(checks.waiting_agrees, plan=plan, prices=prices, stores=stores, lots=lots))

    assert [count(sell) for sell in (29, 30)] == [0, 1]
    assert [count(sell, storage="Dusted") for sell in (59, 60)] == [0, 1]
    assert [count(sell, (lot_now(on(9)),)) for sell in (37, 38)] == [0, 1]
    assert [count(sell, (lot_now(on(0)),)) for sell in (29, 30)] == [0, 1]
    both = planned(line(bags=2, ready_on=on(1), sell_on=on(40)), line(bags=3, ready_on=on(1), sell_on=on(60)))
    bare = Thing(
        today=TODAY,
        plan=both,
        prices=(refused,),
        stores=(),
        lots=(),
        group_id=1,
        store=Thing(fact=lambda *_: Thing(value=30.0)),
    )
    [found] = checks.waiting_agrees(bare)
    assert (found.values["bags"], found.values["day"]) == (5, on(60))
    assert count(99, buyer="") == 0
    assert count(99, commodity="sorghum") == 0
    assert count(99, prices=(Thing(crop="maize", waiting=None), Thing(crop="maize", waiting=Thing(wait=True)))) == 0


def test_actions_are_the_loads_and_the_sales():
    plan = planned(line(bags=3), line(bags=2, buyer="", reserve="home"))
    sell = Thing(kind="sell", bags=3, on=on(0), lots=("Lot 1",), what="")

    def spread(bags, day=1, lots=("Lot 1",)):
        return Thing(kind="dry", bags=bags, on=on(day), lots=lots, what="")

    loads = (load(bags=2, first=1), load(bags=1, first=1), load(bags=9, first=-1))

    def count(*actions):
        return len(said(checks.actions_follow, plan=plan, schedule=loads, actions=actions))

    assert count(sell, spread(3)) == 0  # what was spread yesterday is told no more
    assert count(sell, spread(2), spread(1)) == 0
    assert count(sell, spread(2)) == 1
    assert count(sell, spread(3, 2)) == 1
    assert count(spread(3)) == 1
    assert count(sell, sell, spread(3)) == 1
    today = (load(bags=2),)
    assert len(said(checks.actions_follow, plan=plan, schedule=today, actions=(sell,))) == 1


def test_orders_have_one_last_day_and_nothing_is_past():
    order = Thing(what="bags", order_by=on(3))
    buy = Thing(kind="buy", what="bags", on=on(3))
    assert said(checks.orders_agree, purchases=(order,), actions=(buy,)) == []
    assert len(said(checks.orders_agree, purchases=(order,), actions=(Thing(kind="buy", what="bags", on=on(4)),))) == 1
    assert len(said(checks.orders_agree, purchases=(order,), actions=(Thing(kind="sell", what="bags", on=on(3)),))) == 1
    assert (
        len(said(checks.orders_agree, purchases=(order,), actions=(Thing(kind="buy", what="a truck", on=on(3)),))) == 1
    )
    late, book = Thing(what="truck", order_by=on(-3)), Thing(kind="book", what="truck", on=on(0))
    assert said(checks.orders_agree, purchases=(late,), actions=(book,)) == []
    for day, count in ((0, 0), (-1, 2)):
        now = {"actions": (Thing(what="x", on=on(day)),), "schedule": (load(first=day),)}
        assert len(said(checks.nothing_in_the_past, **now)) == count


def test_what_is_assumed_is_told():
    def count(origin=FORECAST, price=False, told=(), demo=False):
        now = {
            "weather": WeatherNow(origin, None, None, None, message("x")),
            "prices": (Thing(assumed=False), Thing(assumed=price)),
            "assumed": tuple(Thing(subject=name, important=weight) for name, weight in told),
            "group": Thing(demo=demo),
        }
        return len(said(checks.assumptions_are_told, **now))

    assert count() == count(OLD_FORECAST) == 0
    assert count(USUAL) == 1
    assert count(USUAL, told=[("weather", True)]) == 0
    assert count(USUAL, told=[("weather", False)]) == 1
    assert count(price=True) == 1
    assert count(price=True, told=[("price", True)]) == 0
    assert count(EXAMPLE, told=[("weather", True)]) == 1
    assert count(EXAMPLE, told=[("weather", True)], demo=True) == 0


@pytest.mark.parametrize(
    ("net", "mean", "count"),
    [(101.0, 100.0, 0), (101.1, 100.0, 1), (98.9, 100.0, 1), (2e6 + 2, 2e6, 0), (2e6 - 2.1, 2e6, 1)],
)
def test_the_steps_end_at_the_plans_value(net, mean, count):
    made = Thing(net={"net": net}, fresh={"plan": Thing(mean=mean)})
    assert len(said(checks.one_net_value, made=made)) == count


def test_storage_limits_at_their_borders(monkeypatch):
    """It keeps at 13.5, to half a tenth of a point; four weeks count as soon sold, but not what is kept to eat."""
    limit = Thing(of_kind=lambda kind: Thing(moisture_pct=13.5))

    def count(check=checks.stored_below_limit, pct=13.0, surely=True, **parts):
        monkeypatch.setattr(checks, "judge_dryness", lambda *_: DRY_ENOUGH if surely else WET)
        lot = lot_now(moisture=Thing(mean_pct=pct), limit=limit)
        plan = planned(line(**{"storage": "Bag", "ready_on": on(0), "sell_on": on(29)} | parts))
        return len(said(check, plan=plan, lots=(lot,), stores=(Thing(name="Bag", method="hermetic_bag"),)))

    assert count(pct=13.55) == 0
    assert count(pct=13.56) == 1
    assert count(surely=False) == 1
    assert count(surely=False, setup="Sheets", target_pct=13.5) == 0  # dried to it: the target counts
    assert count(setup="Sheets", target_pct=13.6) == 1
    assert count(pct=15.0, sell_on=on(28)) == 0
    assert count(pct=15.0, sell_on=on(28), reserve="home") == 1
    assert count(pct=15.0, storage="") == 0
    monkeypatch.setattr(checks.safety, "sealing_limit", lambda crop, method: 14.0)
    assert count(checks.sealed_dry, pct=14.0) == 0
    assert count(checks.sealed_dry, pct=14.001) == 1
    assert count(checks.sealed_dry, surely=False) == 1
    monkeypatch.setattr(checks.safety, "sealing_limit", lambda crop, method: None)
    assert count(checks.sealed_dry, pct=20.0) == 0


def weather(hours, fresh=6.0, status="stored", is_forecast=True, normals="asked"):
    now = datetime(2026, 5, 20, 7, tzinfo=UTC)
    forecast = Thing(
        is_forecast=is_forecast, issued_at=now, fetched_at=now, status=status, age_hours=lambda _now: hours
    )
    data = Thing(forecast=forecast, normals=Thing(status=normals, source="NASA"))
    store = Thing(group=lambda _group: None, fact=lambda _group, _key: Thing(value=fresh))
    return data, store, now


@pytest.mark.parametrize(
    ("given", "origin"),
    [
        ({"hours": 24.0}, FORECAST),  # a day old is a forecast, whatever is called fresh
        ({"hours": 24.1}, OLD_FORECAST),
        ({"hours": 24.1, "fresh": 48.0}, FORECAST),
        ({"hours": 90.0, "status": "fresh"}, FORECAST),
        ({"hours": 0.0, "is_forecast": False}, USUAL),
        ({"hours": 0.0, "is_forecast": False, "normals": "bundled"}, EXAMPLE),
    ],
)
def test_where_the_weather_comes_from(monkeypatch, given, origin):
    data, store, now = weather(**given)
    monkeypatch.setattr(origins, "surroundings_of", lambda *_: data)
    found = origins.weather_now(store, 1, now)
    assert found.origin == origin
    assert found.is_forecast == (origin in (FORECAST, OLD_FORECAST))
    assert (found.issued_at is None) == (not found.is_forecast)


def test_what_is_told_of_weather_and_prices():
    """A forecast of yesterday is today's, one of the day before is old; a price is old after 45 days."""
    store = Thing(group=lambda _group: Thing(currency="KES"), facts=lambda _group: {})

    def subjects(origin=FORECAST, days=0, quote=0, assumed=False, spaces=True):
        issued = datetime(2026, 5, 20, 7, tzinfo=UTC) - timedelta(days=days)
        here = WeatherNow(origin, None, None, issued if origin == FORECAST else None, message("x"))
        price = PriceNow("maize", 1.0, on(-quote), assumed, None)
        found = origins.assumed_now(store, 1, here, (price,), TODAY, spaces)
        assert all(one.important for one in found)
        return [one.subject for one in found]

    assert subjects() == subjects(days=1) == subjects(quote=45) == []
    assert subjects(days=2) == subjects(USUAL) == ["weather"]
    assert subjects(quote=46) == subjects(assumed=True) == ["price"]
    assert subjects(spaces=False) == ["space"]


def test_what_a_lot_that_is_not_surely_dry_needs():
    def lot(verdict, more=0, bags=10, urgency=0):
        state = Thing(urgency=urgency, more_bags=more)
        return Thing(
            label=verdict, owner="", bags=bags, verdict=verdict, moisture_pct=14.0, limit_pct=13.57, state=state
        )

    unsure = "cannot tell"
    found = origins.lots_at_risk([lot(unsure, urgency=2), lot(DRY_ENOUGH), lot(WET, urgency=1)])
    assert [one.lot for one in found] == [WET, unsure]
    assert found[0].do.values == {"limit": 13.5}  # a limit is told a tenth below, never above
    assert "one more day" in str(origins._what_to_do(lot(unsure)))
    assert origins._what_to_do(lot(unsure, more=3)).values == {"count": 3}
    none, nine = (origins._what_to_do(lot(NOT_TESTED, bags=bags)).values["count"] for bags in (0, 9))
    assert (none, nine) == (1, 9)  # all of up to ten bags are probed


def test_what_happens_to_the_bags_of_a_line():
    case = Thing(
        weeks=20,
        reserves=(Thing(label="home", until_week=4), Thing(label="home", until_week=6), Thing(label="x", until_week=9)),
        week_date=lambda week: on(7 * week),
    )
    kept = season._kept_and_sold(line(reserve="home", ready_on=on(3)), case)
    assert kept == [Stretch(HOME, on(3), on(42), 1, "home")]
    assert season._kept_and_sold(line(reserve="home", ready_on=on(50)), case)[0].until == on(50)
    assert season._kept_and_sold(line(reserve="none", ready_on=on(3)), case)[0].until == on(140)
    sold = Stretch(SELL, on(5), on(5), 1, "Gate")
    assert season._kept_and_sold(line(storage="Bag", ready_on=on(5), sell_on=on(5)), case) == [sold]
    assert season._kept_and_sold(line(ready_on=on(3), sell_on=on(5)), case) == [sold]
    stored = season._kept_and_sold(line(storage="Bag", ready_on=on(4), sell_on=on(5)), case)
    assert stored == [Stretch(KEEP, on(4), on(5), 1, "Bag"), sold]


def test_the_plan_in_numbers():
    """Sold within fourteen days is soon; of the later days the one with most bags, of two alike the later one."""
    rows = (
        SeasonRow(
            "A", "", "maize", 20, 2, (Stretch(SELL, on(14), on(14), 5, "x"), Stretch(SELL, on(15), on(15), 4, "x"))
        ),
        SeasonRow(
            "B", "", "maize", 12, 0, (Stretch(HOME, on(1), on(9), 3, "h"), Stretch(SELL, on(20), on(20), 4, "x"))
        ),
    )
    plan = Thing(sales=(line(bags=6, setup="s"), line(bags=9)))
    found = season.headline(plan, rows, TODAY, [10.0, 20.0, 30.0, 40.0], [12.0, 20.0, 10.0, 10.0])
    assert (found.total, found.soon, found.later, found.home, found.left, found.dried) == (32, 5, 8, 3, 2, 6)
    assert found.main_on == on(20)
    assert (found.total_value, found.gain, found.chance_below) == (25.0, 12.0, 0.25)
    empty = season.headline(Thing(sales=()), (), TODAY, [], [])
    assert (empty.main_on, empty.total_value, empty.gain) == (None, 0.0, 0.0)


def test_money_by_date():
    """Two lines that one buyer pays on one day are one payment; an order whose day is over is for today."""
    sales = (
        line(bags=2, kg_sold=100.0, price_kg=0.5, paid_on=on(9)),
        line(bags=3, kg_sold=200.0, price_kg=0.25, paid_on=on(9)),
        line(bags=3, kg_sold=200.0, price_kg=0.25, paid_on=on(9), buyer=""),
    )
    needs = (Thing(week=2, amount=40.0, label="", member="Neema"), Thing(week=1, amount=5.0, label="fees", member="x"))
    plan = Thing(sales=sales, case=Thing(needs=needs, week_date=lambda week: on(7 * week)))
    buying = (
        Thing(order_by=on(-2), what=message("bags"), cost=6.0),
        Thing(order_by=on(1), what=message("truck"), cost=7.0),
    )
    found = season.money_lines(plan, buying, TODAY)
    assert [(one.on, one.kind, one.amount) for one in found] == [
        (on(0), "order", -6.0),
        (on(1), "order", -7.0),
        (on(7), "need", -5.0),
        (on(9), "sale", 100.0),
        (on(14), "need", -40.0),
    ]
    assert found[3].what.values["bags"] == 5
    assert [one.what.values.get("what") for one in found if one.kind == "need"] == ["fees", "Neema"]


def test_each_members_part():
    rows = (
        SeasonRow(
            "Lot 1",
            "Asha",
            "maize",
            5,
            0,
            (Stretch(DRY, on(0), on(2), 5, "Sheets"), Stretch(KEEP, on(2), on(9), 5, "Bag")),
        ),
        SeasonRow("Lot 2", "Baraka", "maize", 4, 0, (Stretch(SELL, on(1), on(1), 4, "Gate"),)),
    )
    worth = {"value": 10.0, "value_low": 8.0, "value_high": 13.0}
    sales = (
        line(kg_sold=100.0, price_kg=0.5, paid_on=on(9), **worth),
        line(kg_sold=60.0, price_kg=0.5, paid_on=on(9), **worth),
        line(kg_sold=60.0, price_kg=0.5, paid_on=on(5), **worth),
        line(kg_sold=60.0, price_kg=0.5, paid_on=on(9), buyer="", **worth),
        line("2", kg_sold=1.0, price_kg=0.5, **worth),
    )
    reasons = [Thing(label="Lot 1", bags=bags, reason=message(text)) for bags, text in ((1, "a"), (3, "b"), (2, "a"))]
    mine, other = season.member_parts(
        Thing(sales=sales), rows, [*reasons, Thing(label="Lot 2", bags=9, reason=message("c"))]
    )
    assert (mine.name, mine.receipts) == ("Asha", ((on(5), 30.0), (on(9), 80.0)))
    assert (mine.worth, mine.low, mine.high) == (40.0, 32.0, 52.0)
    assert [str(one) for one in mine.why] == ["b", "a"]
    days = [(day.on, day.kind, day.bags) for day in mine.days]
    assert days == [(on(0), DRY, 5), (on(2), "gather", 5), (on(2), "store", 5)]
    assert (other.name, other.worth, [day.kind for day in other.days]) == ("Baraka", 10.0, [SELL])


def test_what_stored_lots_are_judged_by():
    """A lot of the usual mass, 200 kg in the middle, is worth 100 at 0.5 a kg; a test a three-hundredth of that."""
    facts = {
        "borer_present": " No ",
        "storage_damaged_limit": 4.0,
        "maize_price_kg": 0.5,
        "storage_temperature_offset": 1.5,
    }

    def settings(*masses, **changes):
        store = Thing(fact=lambda _group, key: Thing(value=(facts | changes)[key]))
        return keeping_settings(store, 1, [Thing(grain_kg=mass) for mass in masses])

    found = settings(100.0, 200.0, 900.0)
    assert (found.borer_present, found.store_offset_c) == (False, 1.5)
    assert (found.limits.damaged_kernels_pct, found.terms.damaged_limit_pct) == (4.0, 4.0)
    assert (found.costs.lot_value, found.costs.test_cost) == pytest.approx((100.0, 1 / 3))
    assert settings().costs.lot_value == 450.0  # ten bags of 90 kg where there is no lot
    assert settings(borer_present="yes").borer_present is True
    assert settings(borer_present="unknown").borer_present is None
    assert settings(maize_price_kg=0.0).costs.test_cost > 0


def test_choices_that_only_repeat_the_settings_are_none():
    """Interest is shown to a hundredth of a per cent: nearer than half of that, 0.00005, is the same."""
    facts = {
        "plan.weeks": Thing(value=30),
        "plan.risk_weight": Thing(value=0.5),
        "interest_monthly": Thing(value=0.02346),
    }
    nothing = Choices()
    assert (nothing.weeks, nothing.advances, nothing.credit) == (None, True, False)
    same = Choices(weeks=30, risk_weight=0.5, interest=0.0235, advances=False, credit=True)
    assert same.beside(facts) == Choices(advances=False, credit=True)
    assert Choices(weeks=31, risk_weight=0.4, interest=0.02352).beside(facts) == Choices(31, 0.4, 0.02352)
    assert Choices(interest=0.02342).beside(facts).interest is None
    assert Choices(interest=0.0234).beside(facts).interest == 0.0234
    assert nothing.beside(facts) == nothing


@pytest.mark.parametrize(
    ("bare", "with_loans", "unmet", "advised", "gain"),
    [
        # below a twentieth of the best without, 5, a loan is not advised; what it gains is told by season: 4.5 / 1.5
        (100.0, 104.5, (), False, 3.0),
        (100.0, 105.0, (), True, None),
        (100.0, 99.0, (), False, 0.0),
        (-100.0, -95.5, (), False, 3.0),
        # where needs of cash are not met without, they are met with it, whatever it gains
        (100.0, 101.0, ("rent",), True, None),
    ],
)
def test_when_borrowing_is_advised(monkeypatch, bare, with_loans, unmet, advised, gain):
    asked = []

    def plan_sale(case, outlook, horizon=None, mip_gap=None, start=None, **_more):
        asked.append((case.credit, horizon, start))
        value = with_loans if case.credit else bare
        allocation = Thing(lot="lot", option="option", bags=len(asked))
        return Thing(objective=value, unmet=() if case.credit else unmet, allocation=allocation, credit=case.credit)

    @dataclass(frozen=True)
    class Case:
        credit: str = ""
        interest_monthly: float = 0.02
        risk_weight: float = 0.5

        def with_changes(self, **changes):
            return replace(self, **{name: value for name, value in changes.items() if name != "advances"})

    @dataclass(frozen=True)
    class View:
        case: Case

    monkeypatch.setattr(making, "plan_sale", plan_sale)
    monkeypatch.setattr(making, "credit_terms", lambda _facts: "terms")
    monkeypatch.setattr(making, "complete", lambda _outlook, _lot, _option, bags: f"from {bags}")
    monkeypatch.setattr(
        making, "_finished", lambda _scenes, outlook, plan, _tell: making.MadePlan("built", outlook, plan, {}, None)
    )
    store = Thing(facts=lambda _group: {}, fact=lambda _group, _key: Thing(value=0.05))
    scenes = making.Scenes(Thing(case=Case()), View(Case()), None)
    made = making.make_plan(store, scenes, 1, Choices(credit=True))
    assert (made.plan.credit == "terms", made.loan_gain) == (advised, gain if gain is None else pytest.approx(gain))
    assert made.outlook.case.credit == made.plan.credit
    assert made.without.objective == bare
    # with loans from the best without; the best without again from what loans found, where it meets the needs
    again = [("", 0.0, "from 2")] if not unmet else []
    assert [(credit, start) for credit, _horizon, start in asked] == [
        ("", None),
        ("terms", "from 1"),
        *[(credit, start) for credit, _horizon, start in again],
    ]
    assert [horizon for _credit, horizon, _start in asked] == [None, None, *[0.0 for _one in again]]


def test_hours_that_are_over_are_left_out():
    """Weather stands at the end of its hour: at 10:40 that which ends at 10 is over, that which ends at 11 is not."""
    hours = pd.date_range("2026-05-20 08:00", periods=5, freq="h", tz="UTC")
    frames = [pd.DataFrame({"rain_mm": range(5)}, index=hours)] * 2
    for minute in (0, 40):
        left = from_hour(frames, datetime(2026, 5, 20, 10, minute, tzinfo=UTC))
        assert [list(frame.index.hour) for frame in left] == [[11, 12]] * 2


def test_lots_that_the_plan_leaves_wet():
    now = object.__new__(Reading)
    now.__dict__["schedule"] = (load("dried"),)
    now.__dict__["at_risk"] = tuple(
        Thing(lot=lot, verdict=verdict)
        for lot, verdict in (("dried", WET), ("left", WET), ("unsure", "cannot tell"), ("untested", NOT_TESTED))
    )
    assert [item.lot for item in now.left_wet] == ["left"]


def test_hours_of_drying_are_asked_from_the_hour_begun(monkeypatch):
    now, asked = object.__new__(Reading), []
    hours = pd.date_range("2026-05-20 08:00", periods=5, freq="h", tz="UTC")
    now.__dict__.update(
        drying_weather=Thing(frames=[pd.DataFrame({"x": range(5)}, index=hours)]),
        lots=(Thing(id=7, state=Thing(lot=Thing(commodity="maize"))),),
    )

    def day_hours(crop, moisture, frames, setup, target):
        asked.append((crop, moisture, list(frames[0].index.hour), setup, target))
        return ["hours"]

    monkeypatch.setattr(read, "day_hours", day_hours)
    at = datetime(2026, 5, 20, 10, 40, 30, 7, tzinfo=UTC)
    assert now.drying_hours(7, ("sheets", 18.0, 13.0), at) == ["hours"]
    assert now.drying_hours(7, ("sheets", 18.0, 13.0), at.replace(minute=5)) == ["hours"]
    assert asked == [("maize", 18.0, [11, 12], "sheets", 13.0)]  # worked out once within an hour
    now.drying_hours(7, ("sheets", 18.0, 13.0), at.replace(hour=9))
    assert asked[1][2] == [10, 11, 12]


@pytest.mark.parametrize("placed", [True, False])
def test_when_lots_need_the_meter(monkeypatch, placed):
    """Wet grain from the second day for three more, drying from the first for two; in store within four weeks, or by
    its schedule of 19 days from a week before; never before today. Nobody comes for a lot without an owner.
    """

    def lot(label, status, owner=5, shares=()):
        return Thing(lot=Thing(label=label, status=status, owner_id=owner, shares=shares))

    stored = Thing(method="woven_bag", days=19)
    measured = (
        (lot("wet", "wet"), None),
        (lot("drying", "drying", None, ((8, 0.6), (9, 0.4))), Thing(method=None)),
        (lot("untested", "stored"), None),
        (lot("in store", "stored"), stored),
        (lot("soon", "stored"), Thing(method="woven_bag", days=4)),
        (lot("strange", "stored"), Thing(method="woven_bag", days=None)),
        (lot("nobody's", "stored", None), stored),
        (lot("sold", "sold"), stored),
    )

    def climates(*_given):
        if not placed:
            raise NoPlaceError
        return ["climate"]

    def keeping(_store, _group, _state, lot, found, settings):
        assert (found, settings) == (["climate"], "settings")
        if lot.days is None:
            raise InputError("nobody knows")
        return Thing(where_it_lies=lambda: Thing(test_days=lot.days))

    monkeypatch.setattr(meter_rounds, "measured_lots", lambda *_: measured)
    monkeypatch.setattr(meter_rounds, "keeping_settings", lambda *_: "settings")
    monkeypatch.setattr(meter_rounds, "store_climates", climates)
    monkeypatch.setattr(meter_rounds, "keeping_now", keeping)
    found = meter_rounds.lots_to_test(None, 1, TODAY, datetime(2026, 5, 20, 7, tzinfo=UTC))
    by_schedule = {"in store": (12, 19), "soon": (0, 4)} if placed else {"in store": (0, 28), "soon": (0, 28)}
    days = {"wet": (2, 5), "drying": (1, 3), "untested": (0, 28), **by_schedule, "strange": (0, 28)}
    assert [(one.lot, (one.first_day - TODAY).days, (one.last_day - TODAY).days) for one in found] == [
        (label, *both) for label, both in days.items()
    ]
    assert [one.member for one in found] == ["5", "8", "5", "5", "5", "5"]


def test_the_tests_since_bagging_correct_a_lot(monkeypatch):
    """Of tests on days 0, 279 and 280 after bagging the last lies beyond the 280 days that are looked at."""
    tests = [Thing(day=day) for day in (0, 279, 280)]
    found = Thing(value=(Thing(method=None), tests))
    store = Thing(events=lambda *_: (), group=lambda _group: Thing(time_zone="UTC"), readings=lambda *_: "readings")
    state = Thing(lot=Thing(id=4, stored_on=TODAY))
    monkeypatch.setattr(lot_outlooks, "judging_rules", lambda *_: "rules")
    monkeypatch.setattr(lot_outlooks, "retests_since_bagging", lambda *_: found.value)
    monkeypatch.setattr(lot_outlooks, "store_climates", lambda _store, _group, start: [start])
    monkeypatch.setattr(lot_outlooks, "corrected_by_tests", lambda *given: given)
    bagged, method, climates, recent, settings = lot_outlooks._corrected(store, 1, state, "settings")
    assert (bagged, climates, recent, settings) == (found.value[0], [TODAY], tests[:2], "settings")
    assert method == usual_method()
    found.value = (Thing(method="crib"), tests)
    assert lot_outlooks._corrected(store, 1, state, "settings")[1] == "crib"
    found.value = (bagged, tests[2:])
    assert lot_outlooks._corrected(store, 1, state, "settings") is None
    found.value = None
    assert lot_outlooks._corrected(store, 1, state, "settings") is None
    found.value = (bagged, tests)
    unknown = Thing(lot=Thing(id=4, stored_on=None))
    assert lot_outlooks._corrected(store, 1, unknown, "settings") is None


def test_assumed_figures_of_the_plan_are_told_but_not_at_the_top():
    """Costs and fees are money; a figure that is entered, of another page, or a matter of taste is not told."""

    def fact(value, origin="assumed", unit="", label=""):
        return Thing(key="x", value=value, origin=origin, unit=unit, label=label, source="table")

    facts = {
        "truck.km_cost": fact(0.5, unit="per km"),
        "plan.market_fee": fact(0.025, unit="fraction", label="fee"),
        "plan.market_km": fact(12, unit="km"),
        "plan.name": fact("short"),
        "plan.weeks": fact(30),
        "truck.trip_cost": fact(9.0, "entered"),
        "meter.price": fact(9.0),
    }
    store = Thing(group=lambda _group: Thing(currency="KES"), facts=lambda _group: facts)
    here = WeatherNow(FORECAST, None, None, datetime(2026, 5, 20, 7, tzinfo=UTC), message("x"))
    found = origins.assumed_now(store, 1, here, (), TODAY, True)
    assert [(one.subject, str(one.said.values["value"]), one.important) for one in found] == [
        ("money", "0.5", False),
        ("money", "2.5", False),
        ("store", "12", False),
        ("store", "short", False),
    ]
    assert [str(one.said.values["what"]) for one in found][:2] == ["truck.km_cost", "fee"]


def test_the_price_today_of_each_crop(monkeypatch):
    """Maize alone has a price that is assumed; a crop whose past is too short says nothing of waiting."""
    cowpea, wheat = Thing(price_now=3.0, on=on(-4)), Thing(price_now=2.0, on=on(0))
    known = {"maize": None, "sorghum": None, "cowpea": cowpea, "wheat": wheat}
    monkeypatch.setattr(origins, "group_prices", lambda _store, _group, crop: known[crop])
    verdicts = {"cowpea": Thing(advice="wait"), "wheat": None}
    monkeypatch.setattr(origins, "crop_verdict", lambda _store, _group, crop, _known: verdicts[crop])
    store = Thing(fact=lambda _group, _key: Thing(value=0.3))
    assert origins.prices_now(store, 1, ("cowpea", "maize", "sorghum", "wheat"), TODAY) == (
        PriceNow("cowpea", 3.0, on(-4), False, "wait"),
        PriceNow("maize", 0.3, None, True, None),
        PriceNow("wheat", 2.0, on(0), False, None),
    )
