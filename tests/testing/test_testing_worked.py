"""Each choice that a test could change, reckoned again for one kg, one moisture and one scenario at a time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.errors import InputError
from core.market.deductions import Deductions, flat_deductions
from core.planning.case import CaseBuyer, DryingChoice, StorageChoice, Truck
from core.planning.invented_seasons import invented_seasons
from core.planning.seasons import Kept
from core.storage.loss import dry_matter_loss
from core.testing.plan_worth import SALE_WEEKS, Stop, _blocks, _Ready
from core.testing.worth import DecisionTable, normal_belief
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


def plain_worth(case, seasons, stop, choice, wet, scenario, at):
    """One kg in hand: dried, kept, sold, and what it costs; and what is lost by its drying alone."""
    lot, who = case.lots[0], case.buyers[choice.buyer]
    dried = float(stop.moisture_pct[at, scenario])
    kg, end, damaged, unfit, refusal = (100 - wet) / (100 - dried), dried, 0.0, 0.0, 0.0
    way = case.drying[stop.setup] if stop.setup >= 0 else None
    spilled = kg * (way.handling_loss if way else 0.0)
    lost = float(dry_matter_loss("maize", stop.days, 30.0, 0.5 * (wet + dried))) if stop.days else 0.0
    held = choice.week - stop.ready_week
    kg -= spilled
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
        bag = store.treatment_per_bag + (store.cost_per_bag if store.owned_bags < lot.bags else 0.0)
        bag += store.cost_per_bag_month * held / MONTH_WEEKS / 1.03 ** (choice.week / MONTH_WEEKS)
        costs += bag / lot.bag_mass_kg
    late = 1.03 ** (-choice.week / MONTH_WEEKS)
    if who.distance_km > 0:
        costs += late * (
            case.truck.cost_per_bag / lot.bag_mass_kg + trip_price(case, who) / case.truck.capacity_kg * kg
        )
    work = 0.0
    if way:
        work = way.cost_per_kg + (
            way.fee_per_point_kg * max(24 * stop.days, 1.0) if way.powered else stop.days * DAY_COST
        )
    market = seasons.prices["maize"][choice.week][scenario]
    price = price_of(who, who.deductions, market, end, damaged, seasons.offer_draw[choice.buyer][scenario], refusal)
    net = price * (1 - who.fee_fraction) / 1.03 ** ((choice.week + who.pay_delay_weeks) / MONTH_WEEKS)
    return kg * (1 - unfit) * net - costs - work, spilled * net + work


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
                plain, drying = plain_worth(case, seasons, stops[choice.stop], choice, GRID[at], scenario, at)
                assert worth[row, at, scenario] == pytest.approx(plain, abs=2e-6)
                assert lost["days of drying"][row, at, scenario] == pytest.approx(drying, abs=2e-6)
    expected = {
        (number, storage, week, buyer)
        for number, stop in enumerate(stops)
        for storage in (-1, 0, 1)
        for week in ([stop.ready_week] if storage < 0 else [one for one in SALE_WEEKS if stop.ready_week < one < 14])
        for buyer in (0, 1, 2)
        if buyer < 2 or 2 <= week <= 6
    }
    assert set(seen) == expected
    assert len(seen) == len(expected)


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
    for wrong in (
        {"decisions": ("a",)},
        {"decisions": ()},
        {"moisture_pct": np.array([12.0, 12.0])},
        {"moisture_pct": np.array([13.0, 12.0])},
        {"values": np.zeros((2, 2))},
        {"values": np.zeros((2, 2, 0))},
        {"values": np.full((2, 2, 1), np.nan)},
        {"parts": {"x": np.ones((2, 2, 2))}},
    ):
        with pytest.raises(InputError):
            DecisionTable(**good | wrong)
    for spread in (0.0, -1.0, float("nan")):
        with pytest.raises(InputError):
            normal_belief([12.0, 13.0], 12.5, spread)
    assert list(normal_belief([12.0, 13.0, 14.0], 13.0, 1.0)) == pytest.approx([0.30854, 0.38292, 0.30854], abs=1e-5)
