"""Each choice that a test could change, reckoned again for one kg, one moisture and one scenario at a time."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from statistics import NormalDist
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.errors import InputError
from core.market.deductions import Deductions, flat_deductions
from core.planning.case import CaseBuyer, DryingChoice, StorageChoice, Truck
from core.planning.drying_ahead import WEATHERS
from core.planning.invented_seasons import invented_seasons
from core.planning.seasons import Kept
from core.storage.loss import dry_matter_loss
from core.testing import plan_worth
from core.testing.plan_worth import Stop, _blocks, _Ready, drying_stops
from core.testing.worth import DecisionTable, best_use, normal_belief, reading_chances
from tests.planning.plain_value import MONTH_WEEKS, price_of, trip_price
from tests.testing.test_plan_worth import small_case

GRID = np.array([11.0, 13.5, 17.5])
DAY_COST = 0.003


def a_case():
    """Three buyers that take maize, one that does not, one to whom other lots are promised; two stores, two spaces."""
    strict = replace(flat_deductions(13.0, 0.02, refusal_pct=16.0, damage_per_pct=0.02), reading_sd_pct=0.0)
    steps = Deductions(
        12.5, ((14.0, 0.01), (100.0, 0.03)), reading_sd_pct=0.0, meter_offset_pct=0.3, scale_offset=-0.01
    )
    buyers = (
        CaseBuyer("gate", "gate", price_factor=0.9, deductions=steps, fee_fraction=0.03, pay_delay_weeks=2),
        CaseBuyer("mill", "mill", 20.0, deductions=strict, inspects=True),
        CaseBuyer(
            "school", "school", 5.0, fixed_price=0.4, deductions=strict, first_week=2, last_week=6, trip_cost=9.0
        ),
        CaseBuyer("beans", "beans", commodities=("common_bean",)),
        CaseBuyer("own", "own", lots=("9",)),
    )
    storage = (
        StorageChoice("woven", "woven bags", "woven_bag", 4, 100, 0.5, 0.05, 0.1),
        StorageChoice("sealed", "sealed bags", "hermetic_bag", 10, 100, 0.8, 0.02),
    )
    drying = (
        DryingChoice("sheets", "sheets", "tarpaulin", 2000.0, cost_per_kg=0.002, handling_loss=0.01),
        DryingChoice("dryer", "dryer", "mechanical", 900.0, cost_per_kg=0.001, fee_per_point_kg=0.004, powered=True),
    )
    return small_case(
        buyers=buyers,
        storage=storage,
        drying=drying,
        scenarios=10,
        truck=Truck(1500.0, 12.0, 0.5, 5, 0.15),
        interest_monthly=0.03,
    )


def kept(lot, moisture, storage, first, length):
    """Grain that dries, is lost, eaten and spoilt in straight lines of its moisture and its weeks."""
    week = np.arange(length + 1, dtype=float)[:, None]
    start = np.asarray(moisture, dtype=float)[None, :]
    worse = 1.0 if storage.code == "woven" else 0.3
    return Kept(
        start - 0.04 * week,
        worse * 0.02 * week * (start - 8.0),
        worse * 0.3 * week + 0.0 * start,
        worse * 0.2 * week + 0.0 * start,
        0.004 * week * (start - 8.0),
        worse * 0.03 * week + 0.0 * start,
    )


def a_scene():
    case = a_case()
    seasons = replace(invented_seasons(case, 3), keep=kept)
    stops = [Stop(-1, "as it is", 0.0, 0, np.repeat(GRID[:, None], 10, 1))]
    for setup, name, days, ready, points in (
        (0, "1 d", 1.0, 0, 1.0),
        (0, "4 d", 4.0, 1, 3.0),
        (1, "8 h", 8 / 24, 0, 2.0),
    ):
        after = np.maximum(GRID - points, 10.5)[:, None] + 0.02 * np.arange(10)
        stops.append(Stop(setup, name, days, ready, np.minimum(after, GRID[:, None])))
    return case, seasons, tuple(stops)


def plain_worth(case, seasons, stop, choice, wet, scenario, at, shared=None):
    """One kg in hand: dried, kept, sold, and what it costs; and what is lost by each way to lose.

    `shared`: what the limits that lots share take for a stop, which then stands for bags bought and the trip.
    """
    lot, who = case.lots[0], case.buyers[choice.buyer]
    dried = float(stop.moisture_pct[at, scenario])
    kg, end, damaged, unfit, refusal = (100 - wet) / (100 - dried), dried, 0.0, 0.0, 0.0
    way = case.drying[stop.setup] if stop.setup >= 0 else None
    spilled = kg * (way.handling_loss if way else 0.0)
    lost = float(dry_matter_loss("maize", stop.days, 30.0, 0.5 * (wet + dried))) if stop.days else 0.0
    held = choice.week - stop.ready_week
    kg -= spilled
    whole = kg
    kg *= 1 - lost / 100
    costs = 0.0
    if choice.storage >= 0:
        store = case.storage[choice.storage]
        run = kept(lot, [dried], store, stop.ready_week, held)
        end, damaged = float(run.moisture_pct[held, 0]), float(run.damaged_pct[held, 0])
        unfit, refusal = float(run.unfit_share[held, 0]), float(run.refusal_chance[held, 0])
        water = min(1.0, (100 - dried) / (100 - end))
        kg *= water * (1 - run.dry_matter_loss_pct[held, 0] / 100) * (1 - run.insect_loss_pct[held, 0] / 100)
        spilled *= water
        whole *= water
        bag = store.treatment_per_bag + (store.cost_per_bag if store.owned_bags < lot.bags and shared is None else 0.0)
        bag += store.cost_per_bag_month * held / MONTH_WEEKS / 1.03 ** (choice.week / MONTH_WEEKS)
        costs += bag / lot.bag_mass_kg
    late = 1.03 ** (-choice.week / MONTH_WEEKS)
    if who.distance_km > 0:
        trip = trip_price(case, who) / case.truck.capacity_kg * kg if shared is None else 0.0
        costs += late * (case.truck.cost_per_bag / lot.bag_mass_kg + trip)
    costs += shared or 0.0
    work = 0.0
    if way:
        work = way.cost_per_kg + (way.fee_per_point_kg * 24 * stop.days if way.powered else stop.days * DAY_COST)
    market = seasons.prices["maize"][choice.week][scenario]
    price = price_of(who, who.deductions, market, end, damaged, seasons.offer_draw[choice.buyer][scenario], refusal)
    factor = (1 - who.fee_fraction) / 1.03 ** ((choice.week + who.pay_delay_weeks) / MONTH_WEEKS)
    net = price * factor
    draw = seasons.offer_draw[choice.buyer][scenario]
    full, wet_price = (factor * price_of(who, who.deductions, market, pct, 0.0, draw, 0.0) for pct in (2.0, end))
    # the same dry matter at the buyer's own base: what lies below it weighs less, what lies above it is water paid for
    at_base = (100 - end) / (100 - (who.deductions.our_base_pct or 13.5))
    lost_by = {
        "days of drying": spilled * net + work,
        "over-drying": kg * (at_base - 1) * full if at_base > 1 else 0.0,
        "refusal and deductions": kg * (full - wet_price) - (kg * (1 - at_base) * full if at_base < 1 else 0.0),
        "spoilage": (whole - kg) * net + kg * (wet_price - net) + kg * unfit * net,
    }
    return kg * (1 - unfit) * net - costs - work, lost_by


def test_every_choice_is_worth_what_a_plain_reckoning_says() -> None:
    """All ways: three times to be ready, no store or two, the weeks of sale, the buyers that are open then."""
    case, seasons, stops = a_scene()
    ready = _Ready(case, seasons, case.lots[0], GRID, stops, DAY_COST, None)
    seen = []
    for choices, values, parts in _blocks(ready, None):
        worth, lost = values(), parts()
        assert sum(lost.values()) == pytest.approx(-worth, abs=1e-6)
        for row, choice in enumerate(choices):
            seen.append((choice.stop, choice.storage, choice.week, choice.buyer))
            for at, scenario in ((0, 0), (1, 4), (2, 9)):
                plain, lost_by = plain_worth(case, seasons, stops[choice.stop], choice, GRID[at], scenario, at)
                assert worth[row, at, scenario] == pytest.approx(plain, abs=2e-6)
                assert {name: lost[name][row, at, scenario] for name in lost_by} == pytest.approx(lost_by, abs=2e-6)
    expected = {
        (number, storage, week, buyer)
        for number, stop in enumerate(stops)
        for storage in (-1, 0, 1)
        for week in ([stop.ready_week] if storage < 0 else [w for w in (1, 2, 3, 4, 6, 8, 12) if stop.ready_week < w])
        for buyer in (0, 1, 2)
        if buyer < 2 or 2 <= week <= 6
    }
    assert set(seen) == expected
    assert len(seen) == len(expected)


def test_what_lots_share_is_asked_for_by_stop_and_charged_instead_of_bags_and_trips() -> None:
    """A price of 1 for the days, 0.1 a week until the sale, 0.01 a week until it is ready and 5 for each kg sold."""
    case, seasons, stops = a_scene()
    lot = replace(case.lots[0], available_week=1)
    stops = tuple(replace(stop, ready_week=stop.ready_week + 1) for stop in stops)
    asked = []

    def per_kg(of, options, bag_kg, crop):
        assert (of, bag_kg, crop) == (case, lot.bag_mass_kg, "maize")
        asked.append(options)
        return (
            options.days
            + 0.1 * options.sale_week
            + 0.01 * options.ready_week
            + 0.2 * options.setup
            + 0.03 * options.storage
            + 5.0 * options.kept_kg
        )

    ready = _Ready(case, seasons, lot, GRID, stops, DAY_COST, SimpleNamespace(per_kg=per_kg))
    for choices, values, _parts in _blocks(ready, None):
        worth = values()
        options = asked[-1]
        assert len(options.days) == len(choices) * 3
        assert set(options.harvest_week) == set(options.start_week) == {1}
        assert set(options.buyer) == {choices[0].buyer}
        assert (options.sale_week == options.pay_week).all()
        for row, choice in enumerate(choices):
            stop = stops[choice.stop]
            at, scenario = 1, 4
            kg = float(options.kept_kg.reshape(-1, 3)[row, at])
            price = stop.days + 0.1 * choice.week + 0.01 * stop.ready_week + 0.2 * stop.setup + 0.03 * choice.storage
            plain, _lost = plain_worth(case, seasons, stop, choice, GRID[at], scenario, at, price + 5.0 * kg)
            assert worth[row, at, scenario] == pytest.approx(plain, abs=2e-6)
    # 11 % and 17.5 % as they are, sold at once: a kg of each
    assert asked[0].kept_kg[[0, 2]] == pytest.approx([1.0, 1.0])


def test_the_store_is_read_between_moistures_half_a_point_apart() -> None:
    """From five points below the target to six above; beyond them as at the last. By numpy's own straight lines."""
    case, seasons, stops = a_scene()

    def bent(lot, moisture, storage, first, length):
        assert (first, length) == (2, 4)
        week = np.arange(length + 1, dtype=float)[:, None]
        start = np.asarray(moisture, dtype=float)[None, :]
        return Kept(start**2 + week, start**3 * week, start + week, 2.0 * start - week, start**4, start * week)

    wet = np.array([2.0, 2.1, 8.0, 8.6, 12.85, 13.5, 19.4, 19.6, 30.0])
    stack = np.repeat(wet[None, :, None], case.scenarios, axis=2)
    for target, knots in ((13.5, np.arange(8.5, 19.51, 0.5)), (5.0, np.arange(2.0, 11.01, 0.5))):
        of = case.with_changes(target_pct=(("maize", target),))
        ready = _Ready(of, replace(seasons, keep=bent), case.lots[0], wet, stops, DAY_COST, None)
        after = plan_worth._keeping(ready, 0, 2, 6, stack)
        made = (lambda m: m**2 + 3, lambda m: m**3 * 3, lambda m: m + 3, lambda m: 2 * m - 3, lambda m: m**4)
        for found, law in zip(after(3), (*made, lambda m: 3 * m), strict=True):
            assert found.shape == stack.shape
            for scenario in (0, 9):
                assert found[0, :, scenario] == pytest.approx(np.interp(wet, knots, law(knots)))


def test_only_the_wanted_choices_are_given_again() -> None:
    case, seasons, stops = a_scene()
    ready = _Ready(case, seasons, case.lots[0], GRID, stops, DAY_COST, None)
    every = [choice for choices, _values, _parts in _blocks(ready, None) for choice in choices]
    wanted = {every[5], every[-1]}
    again = [choice for choices, _values, _parts in _blocks(ready, wanted) for choice in choices]
    assert wanted <= set(again)
    assert len(again) < len(every) / 4


def test_tables_and_beliefs_that_cannot_be_are_refused() -> None:
    """One number for each decision, moisture and scenario; moisture rises; a belief has a spread."""
    good = {"decisions": ("a", "b"), "moisture_pct": np.array([12.0, 13.0]), "values": np.zeros((2, 2, 1))}
    table = DecisionTable(**good, parts={"x": np.ones((2, 2, 1))})
    assert table.times(3.0).parts["x"].sum() == 12.0
    assert DecisionTable(**good | {"values": np.full((2, 2, 1), 5.0)}).times(3.0).values.sum() == 60.0
    for wrong in (
        {"decisions": ("a",)},
        {"decisions": ()},
        {"moisture_pct": np.array([12.0, 12.0])},
        {"moisture_pct": np.array([13.0, 12.0])},
        {"values": np.zeros((2, 2))},
        {"values": np.zeros((2, 2, 0))},
        {"values": np.full((2, 2, 1), np.nan)},
        {"values": np.array([[[1.0], [np.inf]], [[1.0], [1.0]]])},
        {"parts": {"x": np.ones((2, 2, 2))}},
        {"parts": {"x": np.ones((2, 2, 1)), "y": np.ones((2, 2, 2))}},
        {"decisions": (), "values": np.zeros((0, 2, 1))},
        {"moisture_pct": np.array([]), "values": np.zeros((2, 0, 1))},
        {"moisture_pct": np.array([12.0, 13.0, 12.5]), "values": np.zeros((2, 3, 1))},
    ):
        with pytest.raises(InputError):
            DecisionTable(**good | wrong)
    for spread in (0.0, -1.0, float("nan")):
        with pytest.raises(InputError):
            normal_belief([12.0, 13.0], 12.5, spread)
    assert list(normal_belief([12.0, 13.0, 14.0], 13.0, 1.0)) == pytest.approx([0.30854, 0.38292, 0.30854], abs=1e-5)


def test_what_can_be_done_before_bagging_by_day_and_hour(monkeypatch) -> None:
    """Days on the sheets are whole ones, hours in the dryer parts of one; up to three days it is ready in its own week,
    up to seven in the next, then in the one after. Grain loses 0.1 points an hour here, down to 2 %.
    """
    case = a_case()
    begun, runs = [], []

    def weather(_data, start, seed):
        begun.append((start, seed))
        return SimpleNamespace(frames=[pd.DataFrame(index=range(400)) for _ in range(WEATHERS)])

    def simulate(crops, moistures, frames, setups, targets, rate_factors):
        hours = len(frames[0])
        runs.append((len(crops), hours, targets, rate_factors.shape))
        return [
            SimpleNamespace(
                moisture_pct=np.maximum(wet - 0.1 * np.arange(hours + 1), 0.0)[:, None] - np.arange(WEATHERS) / 100
            )
            for wet in moistures
        ]

    monkeypatch.setattr("core.drying.run.simulate_lots", simulate)
    monkeypatch.setattr(plan_worth, "weather_ahead", weather)
    monkeypatch.setattr(plan_worth, "setup_of", lambda way, *_rest: way.code)
    rates = SimpleNamespace(sample=lambda count, seed: np.ones(count))
    data = SimpleNamespace(rate_of=lambda method: rates)
    lot = replace(case.lots[0], available_week=1)
    stops = drying_stops(case, data, lot, GRID, 7)
    assert begun[0][1] == 7
    assert begun[0][0] - plan_worth.begin_of(case.start, case.climate.time_zone) == timedelta(days=7)
    target = [case.target("maize")] * 3
    assert runs == [(3, 288, target, (3, WEATHERS)), (3, 24, target, (3, WEATHERS))]
    first, sun, machine = stops[0], [stop for stop in stops if stop.setup == 0], [s for s in stops if s.setup == 1]
    assert (first.setup, first.days, first.ready_week) == (-1, 0.0, 1)
    assert np.array_equal(first.moisture_pct, np.repeat(GRID[:, None], case.scenarios, axis=1))
    assert [(stop.name, stop.days, stop.ready_week) for stop in sun] == [
        (f"sheets, {day} d", day, 1 + (day > 3) + (day > 7)) for day in (1, 2, 3, 4, 5, 6, 7, 8, 10, 12)
    ]
    assert [(stop.name, stop.ready_week) for stop in machine] == [
        (f"dryer, {hours} h", 1) for hours in (2, 4, 6, 8, 12, 16, 24)
    ]
    assert [stop.days for stop in machine] == pytest.approx([hours / 24 for hours in (2, 4, 6, 8, 12, 16, 24)])
    eight = machine[3].moisture_pct
    assert eight.shape == (3, case.scenarios)
    scenario = np.arange(case.scenarios)
    assert eight[2] == pytest.approx(17.5 - 0.8 - scenario % WEATHERS / 100)
    assert sun[-1].moisture_pct.min() == 2.0
    # nothing that is ready only after the plan's end, and nothing but bagging where there is no way to dry
    late = drying_stops(case, data, replace(lot, available_week=case.weeks - 1), GRID, 7)
    assert {stop.ready_week for stop in late} == {case.weeks - 1}
    assert len(late) == 1 + 3 + 7
    assert len(drying_stops(case.with_changes(drying=()), data, lot, GRID, 7)) == 1


def test_readings_are_told_apart_up_to_five_deviations_beyond_the_grid() -> None:
    """240 equal steps from 11 - 5 x 0.5 to 17 + 5 x 0.5 and one open answer on either side, each by the normal law."""
    edges = [8.5 + step * (19.5 - 8.5) / 240 for step in range(241)]
    found = reading_chances(np.array([11.0, 17.0]), 0.5)
    assert found.shape == (242, 2)
    for column, truth in enumerate((11.0, 17.0)):
        below = [0.0, *(NormalDist(truth, 0.5).cdf(edge) for edge in edges), 1.0]
        assert found[:, column] == pytest.approx(np.diff(below), abs=1e-12)


def test_a_sale_lies_before_the_plans_end_and_a_crop_is_found_by_the_lot_that_stands_for_it() -> None:
    """Tried are each week of the first month, every second of the next, every fourth and eighth later.

    A plan of twelve weeks has those up to the eighth, not its own end.
    """
    case, seasons, stops = a_scene()

    def tried(weeks):
        ready = _Ready(case.with_changes(weeks=weeks), seasons, case.lots[0], GRID, stops[:1], DAY_COST, None)
        return sorted({c.week for choices, *_ in _blocks(ready, None) for c in choices if c.storage >= 0})

    steps = [1] * 4 + [2] * 2 + [4] * 6 + [8] * 2
    assert tried(60) == np.cumsum(steps).tolist()
    assert tried(12) == [1, 2, 3, 4, 6, 8]
    lots = (SimpleNamespace(id="7"), SimpleNamespace(id=plan_worth.STANDS_FOR + "maize"))
    scene = plan_worth.Scene(SimpleNamespace(case=SimpleNamespace(lots=lots)), None)
    assert scene.lot("maize") is lots[1]
    assert scene.lot("sorghum") is None


def test_it_is_said_of_which_crops_no_season_can_be_learnt() -> None:
    """A course of prices that is given, or two years of months, leaves nothing to say."""
    case = small_case()
    (price,) = case.prices
    months = tuple((f"{2024 + n // 12}-{n % 12 + 1:02d}", 1.0 + 0.1 * (n % 12)) for n in range(36))
    short = replace(price, commodity="sorghum", path=(), history=months[:6])
    learnt = replace(price, path=(), history=months)
    said = plan_worth.price_notes(case.with_changes(prices=(price, short, learnt)))
    assert [note.values["crop"] for note in said] == ["sorghum"]


def test_one_moisture_whose_answers_do_not_add_up_is_enough_to_refuse() -> None:
    table = DecisionTable(("a",), np.array([12.0, 13.0]), np.zeros((1, 2, 1)))
    with pytest.raises(InputError, match="add up"):
        best_use(table, [0.5, 0.5], [[1.0, 0.9]])
    assert best_use(table, [0.5, 0.5], [[1.0, 1.0]]).mean == 0.0
    # one number for each moisture: of a belief, of the answers, and an answer in a row of its own
    for belief, chances in (
        ([1.0], [[1.0]]),
        ([0.5, 0.5], [[1.0, 1.0, 1.0]]),
        ([0.5, 0.5], [1.0, 1.0]),
        ([0.2, 0.3, 0.5], [[1.0, 1.0, 1.0]]),
    ):
        with pytest.raises(InputError, match="each moisture"):
            best_use(table, belief, chances)
