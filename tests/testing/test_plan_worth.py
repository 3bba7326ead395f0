"""The worth of a test in the group's own plan: against a textbook's figures, by hand, and what must hold for any
group.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from core.grain.sorption import equilibrium_moisture
from core.group.database import open_store
from core.group.records import USUAL_BAG_KG, Group, Lot, Member, PriceQuote, Reading
from core.market.deductions import flat_deductions
from core.planning.case import CaseBuyer, CaseLot, CropPrice, DryingChoice, PlanningCase, StorageChoice
from core.planning.invented_seasons import invented_seasons
from core.planning.outlook import build_outlook
from core.planning.sale import plan_sale
from core.storage.loss import dry_matter_loss
from core.testing.lot_testing import Errors, errors_for_crop, first_tests, report_table
from core.testing.plan_worth import (
    Scene,
    Stop,
    _drying_loss,
    case_before_tests,
    crop_table,
    moisture_grid,
    plan_table,
    scene_key,
    set_scene,
)
from core.testing.worth import (
    DecisionTable,
    best_use,
    expected_value,
    no_knowledge,
    normal_belief,
    reading_chances,
    worth_of_testing,
)

ERRORS = Errors(0.8, 0.3, 0.4, 0.2, 1.5, 2.0, 15.0, 0.7)
NOW = datetime(2026, 7, 1, 7, tzinfo=UTC)


def test_the_oil_field_of_a_textbook() -> None:
    """Hillier & Lieberman, Introduction to Operations Research, decision analysis, the oil field sold for 90 or
    drilled for 700 or -100.

    A quarter chance of oil, a survey that is favourable in 6 of 10 with oil and 2 of 10 without: the best without a
    survey brings 100,
    perfect knowledge is worth 142.5, the survey 53 before its cost, and it says 'favourable' in 3 of 10 cases.
    """
    table = DecisionTable(
        ("drill", "sell"), np.array([0.0, 1.0]), np.array([[-100.0, 700.0], [90.0, 90.0]])[:, :, None]
    )
    belief, survey = np.array([0.75, 0.25]), np.array([[0.2, 0.6], [0.8, 0.4]])
    gain = worth_of_testing(table, belief, survey, np.ones((1, 2)))
    assert gain.without_test.mean == pytest.approx(100.0)
    assert gain.perfect == pytest.approx(142.5)
    assert gain.mean == pytest.approx(53.0)
    assert gain.with_test.choices == (0, 1)
    assert gain.with_test.chance_of_decision == pytest.approx([0.3, 0.7])
    assert expected_value(table, belief, survey) == pytest.approx(153.0)


def small_case(**changes) -> PlanningCase:
    """Return an invented case: one lot, two ways of storing, a strict and a lenient buyer."""
    settings = {
        "name": "invented",
        "start": date(2026, 7, 6),
        "weeks": 14,
        "scenarios": 24,
        "seed": 3,
        "lots": (CaseLot("1", "1", "", "maize", 10, 90.0, 15.0, 1.5),),
        "drying": (DryingChoice("sheets", "sheets", "tarpaulin", 2000.0, 100.0, 20.0, 0.002),),
        "storage": (
            StorageChoice("woven", "woven bags", "woven_bag", 100, 0),
            StorageChoice("sealed", "sealed bags", "hermetic_bag", 0, 100, 0.8),
        ),
        "prices": (CropPrice("maize", 0.3, tuple(1 + 0.02 * week for week in range(15)), 0.02),),
        "buyers": (
            CaseBuyer("gate", "gate", price_factor=0.9, deductions=flat_deductions(14.0, 0.015, refusal_pct=25.0)),
            CaseBuyer("mill", "mill", 20.0, deductions=flat_deductions(13.5, 0.02, refusal_pct=15.0)),
        ),
        "target_pct": (("maize", 13.5),),
    }
    return PlanningCase(**{**settings, **changes})


def stops_of(grid: np.ndarray, scenarios: int) -> list[Stop]:
    """Return bagging at once and drying two points a day towards 10 %."""
    made = []
    for days in range(5):
        after = np.maximum(grid - 2.0 * days, np.minimum(grid, 10.0))
        made.append(
            Stop(-1 if days == 0 else 0, f"{days} d", float(days), days // 4, np.repeat(after[:, None], scenarios, 1))
        )
    return made


def small_table(case: PlanningCase, grid: np.ndarray) -> DecisionTable:
    return plan_table(
        case, invented_seasons(case, case.seed), case.lots[0], grid, stops_of(grid, case.scenarios), 0.001
    )


GRID = np.arange(9.0, 21.01, 0.5)


@given(st.floats(11, 19), st.floats(0.6, 2.0), st.floats(0.2, 2.0), st.integers(1, 50), st.floats(0.0, 0.05))
def test_information_from_the_plan_is_worth_something_between_nothing_and_the_truth(mean, sd, error, seed, cut) -> None:
    """Blackwell (1953): more knowledge is never worth less.

    And to whom the moisture is known already a test is worth nothing.
    """
    case = small_case(seed=seed)
    case = replace(
        case,
        buyers=tuple(replace(who, deductions=replace(who.deductions, steps=((100.0, cut),))) for who in case.buyers),
    )
    table = small_table(case, GRID)
    belief = normal_belief(GRID, mean, sd)
    nothing = no_knowledge(GRID)
    tested = worth_of_testing(table, belief, reading_chances(GRID, error), nothing)
    assert -1e-9 <= tested.mean <= tested.perfect + 1e-9
    exact = worth_of_testing(table, belief, reading_chances(GRID, 0.0), nothing)
    assert exact.mean == pytest.approx(exact.perfect, abs=1e-9)
    certain = np.zeros(len(GRID))
    certain[int(np.argmin(np.abs(GRID - mean)))] = 1.0
    assert worth_of_testing(table, certain, reading_chances(GRID, error), nothing).mean == pytest.approx(0, abs=1e-9)
    # losses of the kinds, and the choice of store, week and buyer, are all that the gain is made of
    assert sum(tested.avoided.values()) == pytest.approx(tested.mean, abs=1e-9)


def test_playing_the_season_many_times_gives_the_same_worth() -> None:
    """Simulation against integration: draw a true moisture and a reading, decide by Bayes' rule (scipy's normal
    law), take what comes.

    40,000 seasons; the two agree within three standard errors of the simulated mean.
    """
    table = small_table(small_case(), GRID)
    belief = normal_belief(GRID, 14.5, 1.2)
    gain = worth_of_testing(table, belief, reading_chances(GRID, 0.6), no_knowledge(GRID))
    generator = np.random.default_rng(8)
    true = generator.choice(len(GRID), size=40_000, p=belief)
    reading = GRID[true] + generator.normal(0.0, 0.6, len(true))
    posterior = belief[None, :] * norm.pdf(reading[:, None], GRID[None, :], 0.6)
    means = table.values.mean(axis=2)
    chosen = np.argmax(posterior @ means.T, axis=1)
    without = int(np.argmax(means @ belief))
    played = means[chosen, true] - means[without, true]
    assert gain.mean == pytest.approx(played.mean(), abs=3 * played.std() / np.sqrt(len(played)) + 1e-9)


def test_sold_at_once_by_hand() -> None:
    """A kg at 13.5 % brings the price; at 14.5 % 2 % less; at 16 % it is refused (price x 0.7).

    At 11.5 % it weighs what it weighs.

    Dried from 15.5 to 13.5 %: (100 - 15.5) / (100 - 13.5) = 0.97688 kg, less half a percent of handling and the cost
    of drying and a day.
    """
    case = small_case(
        buyers=(
            CaseBuyer("mill", "mill", deductions=flat_deductions(13.5, 0.02, refusal_pct=15.5, reading_sd_pct=0.0)),
        ),
        storage=(),
        prices=(CropPrice("maize", 0.3, (1.0,) * 15, 0.0),),
        weeks=1,
    )
    grid = np.array([11.5, 13.5, 14.5, 17.0])
    table = small_table(case, grid)
    at_once = table.mean_values[table.decisions.index("0 d, week 0, mill")]
    assert at_once == pytest.approx([0.3, 0.3, 0.3 * 0.98, 0.3 * 0.7], rel=1e-6)
    over = table.parts["over-drying"][table.decisions.index("0 d, week 0, mill"), 0, 0]
    assert over == pytest.approx(0.3 * (88.5 / 86.5 - 1))
    two = table.mean_values[next(row for row, name in enumerate(table.decisions) if name.startswith("2 d"))]
    dried = 83 / 87 * 0.995 * 0.3  # 17.0 to 13.0 %
    assert two[3] == pytest.approx(dried - 0.002 - 2 * 0.001, rel=2e-3)


def test_over_dry_soya_loses_the_published_fraction() -> None:
    """Nebraska CropWatch: base 13 %, sold at 11 / 9 %: loss 2.25 / 4.4 % of the revenue that it had at 13 %."""
    case = small_case(
        lots=(CaseLot("1", "1", "", "soybean", 10, 90.0, 12.0, 1.5),),
        buyers=(CaseBuyer("mill", "mill", deductions=flat_deductions(13.0, 0.02, refusal_pct=15.0)),),
        storage=(),
        prices=(CropPrice("soybean", 1.0, (1.0,) * 15, 0.0),),
        target_pct=(("soybean", 13.0),),
    )
    grid = np.array([9.0, 11.0, 13.0])
    table = small_table(case, grid)
    row = table.decisions.index("0 d, week 0, mill")
    at_base = (100 - grid) / (100 - 13.0)  # what a kg in hand would weigh and bring there
    assert table.parts["over-drying"][row, :, 0] / at_base == pytest.approx([0.044, 0.0225, 0.0], abs=5e-4)


def test_only_choices_that_somebody_would_take_are_kept() -> None:
    case = small_case()
    table = small_table(case, GRID)
    assert len(table.decisions) < 40
    assert len(set(table.decisions)) == len(table.decisions)
    for middle in (12.0, 14.0, 16.5):
        outcome = best_use(table, normal_belief(GRID, middle, 1.0), no_knowledge(GRID))
        assert outcome.chance_of_decision.max() == pytest.approx(1.0)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Return a store with a group of another country: no member, no lot, no price yet."""
    made = open_store(f"sqlite:///{tmp_path_factory.mktemp('worth') / 'worth.sqlite3'}")
    made.add_group(
        Group(
            name="Own", latitude=-13.9, longitude=33.7, altitude_m=1050.0, time_zone="Africa/Blantyre", currency="MWK"
        )
    )
    return made


def quotes(group: int, crop: str, months: int) -> list[PriceQuote]:
    generator = np.random.default_rng(4)
    days = pd.date_range("2022-01-15", periods=months, freq="MS")
    return [
        PriceQuote(
            group_id=group,
            quoted_on=day.date(),
            market="town",
            commodity=crop,
            price_per_kg=float(600 * (1 + 0.2 * np.sin(day.month / 12 * 6.28)) * np.exp(generator.normal(0, 0.05))),
        )
        for day in days
    ]


def scene_of(*particulars, **changes) -> Scene:
    return set_scene(case_before_tests(*particulars, **changes))


def test_a_group_without_prices_or_lots_still_learns_what_a_meter_would_be_worth(store) -> None:
    group = store.groups()[0]
    alone = case_before_tests(store, group.id, NOW.date(), {"sorghum": 13.5}, 1.0, 1.5, scenarios=24)
    maize = float(store.fact(group.id, "maize_price_kg").value)
    assert [(price.commodity, price.price_now) for price in alone.case.prices] == [("sorghum", maize)]
    (stand_in,) = alone.case.lots
    assert (stand_in.bags, stand_in.bag_mass_kg, stand_in.moisture_pct) == (10, USUAL_BAG_KG, 14.5)
    assert stand_in.moisture_se_pct == 1.5
    unsure = case_before_tests(store, group.id, NOW.date(), {"sorghum": 13.5}, 1.0, 4.0, scenarios=24)
    assert unsure.case.lots[0].moisture_se_pct == 3.0  # no more than a plan reckons with
    assert "sorghum" in str(alone.notes[0])
    assert "price of maize" in str(alone.notes[0])
    scene = scene_of(store, group.id, NOW.date(), {"sorghum": 13.5, "maize": 13.5}, 1.0, 1.5, scenarios=24)
    lot = scene.lot("maize")
    assert lot is not None
    assert (scene.lot("sorghum"), scene.shared, lot.moisture_pct) == (None, None, 14.5)
    said = [str(note) for note in scene.built.notes]
    assert any("sorghum" in note for note in said)
    assert any("two years of monthly prices of maize" in note for note in said)
    table, belief = crop_table(scene, lot, 1.5, 2.0)
    report = report_table(table.times(900.0), belief, 10, ERRORS, "rattle", 5, 10.0)
    assert 0 < report.worth.mean <= report.worth.perfect
    assert report.calibration >= 0
    # a belief five times as sure leaves less to learn
    surer, sure = crop_table(scene, lot, 0.3, 2.0)
    assert report_table(surer.times(900.0), sure, 10, ERRORS, "rattle", 5, 10.0).worth.mean < report.worth.mean


@pytest.fixture(scope="module")
def planned(store):
    """Return the group with prices and three tested lots of dry maize, as its plan sees it."""
    group = store.groups()[0]
    store.add_price_quotes(quotes(group.id, "maize", 40))
    owner = store.add_member(Member(group_id=group.id, name="Own", consent=True))
    for number, moisture in enumerate((12.4, 12.0, 13.0)):
        lot = store.add_lot(
            Lot(
                group_id=group.id,
                label=f"L{number}",
                commodity="maize",
                form="threshed",
                bags=6,
                bag_mass_kg=90.0,
                nominal_bag_kg=90.0,
                owner_id=owner,
                harvested_on=date(2026, 6, 1),
                status="stored",
                stored_on=date(2026, 6, 20),
                storage_method="woven_bag",
            )
        )
        store.add_readings(
            [
                Reading(
                    lot_id=lot,
                    taken_at=datetime(2026, 6, 30, 8, bag, tzinfo=UTC),
                    bag=str(bag),
                    meter_moisture_pct=moisture,
                    tester="x",
                )
                for bag in range(5)
            ]
        )
    return group


def test_knowing_the_moisture_the_table_is_worth_what_the_plan_is_worth(store, planned) -> None:
    """The sale plan itself is the reference: three lots whose moisture is known, dry and kept, sold under the
    group's own limits.

    With the shared limits at the plan's prices, each lot's best choice taken alone adds up to the plan
    (decomposition), but for whole
    trips: the market is put next door, so that no half-empty truck is paid for. Within half a percent.
    """
    store.set_fact(planned.id, "plan.market_km", 0.0, "entered", "x", NOW)
    scene = scene_of(store, planned.id, NOW.date(), {"maize": 13.5}, -1.0, 1.0, scenarios=60)
    assert scene.shared is not None
    case = scene.built.case
    plan = plan_sale(case, build_outlook(case, case.seed, scene.seasons))
    stand_in = scene.lot("maize")
    assert stand_in is not None
    total = 0.0
    for lot in case.lots:
        if lot.bags:
            alike = replace(stand_in, moisture_pct=lot.moisture_pct, bag_mass_kg=lot.bag_mass_kg)
            table, belief = crop_table(scene, alike, lot.moisture_se_pct, 2.0)
            known = worth_of_testing(table, belief, no_knowledge(table.moisture_pct), no_knowledge(table.moisture_pct))
            total += known.without_test.mean * lot.bags * lot.bag_mass_kg
    assert total == pytest.approx(plan.mean, rel=0.005)


def test_the_scenarios_are_the_plans_own(store, planned) -> None:
    """The same seed gives the same table to the last digit, with as many scenarios as the plan has."""
    tables = []
    for _ in range(2):
        scene = scene_of(store, planned.id, NOW.date(), {"maize": 13.5}, 0.0, 1.0, scenarios=24)
        assert not scene.built.notes
        tables.append(crop_table(scene, scene.lot("maize"), 1.0, 2.0)[0])
    assert np.array_equal(tables[0].values, tables[1].values)
    keys = {
        scene_key(case_before_tests(store, planned.id, NOW.date(), {"maize": 13.5}, above, 1.0, scenarios=24))
        for above in (0.0, 0.0, 0.5)
    }
    assert len(keys) == 2
    assert tables[0].values.shape[2] == 24


def test_what_is_scarce_costs_the_lots_that_use_it(store, planned) -> None:
    """By hand: a price of 3 for a kg and day on the sheets takes 3 x days off every choice that dries, and
    nothing off the others.
    """
    scene = scene_of(store, planned.id, NOW.date(), {"maize": 13.5}, 2.0, 1.0, scenarios=24)
    layout = scene.shared.layout
    free = np.zeros_like(scene.shared.duals)
    dear = free.copy()
    dear[layout.row_starts["floor"] : layout.row_starts["stock"]] = -3.0
    lot = scene.lot("maize")
    grid = np.array([14.0, 15.5])
    stops = [stop for stop in stops_of(grid, 24) if stop.days in (0, 2)]
    for prices in (free, dear):
        table = plan_table(scene.built.case, scene.seasons, lot, grid, stops, 0.0, replace(scene.shared, duals=prices))
        values = {name.split(",")[0]: table.values[row] for row, name in enumerate(table.decisions)}
        if prices is free:
            before = values
    for name in set(before) & set(values):
        lost = (before[name] - values[name]).max() if name == "2 d" else 0.0
        assert lost in (0.0, pytest.approx(6.0))


def test_first_tests_tell_what_to_expect() -> None:
    """By hand: first tests 1, 2, 3, 4, 5 points above the limit: mean 3, standard deviation 1.58.

    A lot's later tests are left out.
    """
    rows = [
        {"lot_id": lot, "taken_at": pd.Timestamp("2026-07-01", tz="UTC"), "meter_moisture_pct": 13.5 + lot}
        for lot in range(1, 6)
    ]
    rows.append({"lot_id": 1, "taken_at": pd.Timestamp("2026-07-09", tz="UTC"), "meter_moisture_pct": 30.0})
    readings = pd.DataFrame(rows).assign(temperature_c=np.nan, relative_humidity_pct=np.nan)
    lots = dict.fromkeys(range(1, 6), ("maize", 13.5))
    found = first_tests(readings, lots)
    assert found is not None
    assert (found.lots, round(found.above_limit, 6), round(found.spread, 4)) == (5, 3.0, 1.5811)
    assert first_tests(readings, {lot: lots[lot] for lot in range(1, 5)}) is None


def test_the_salt_jar_clings_at_another_moisture_for_an_oily_seed() -> None:
    """Oil takes up no water, so an oily kernel rests drier in the air of salt (75 %): groundnuts near 7-9 %,
    maize near 15 %.
    """
    nuts = errors_for_crop(ERRORS, "groundnut_kernel").salt_threshold
    assert 6.0 < nuts < 10.5
    # saturated table salt: 75.3 % at 25 °C (Greenspan 1977)
    apart = equilibrium_moisture("groundnut_kernel", 25.0, 75.3) - equilibrium_moisture("maize", 25.0, 75.3)
    assert nuts == pytest.approx(ERRORS.salt_threshold + float(apart))
    assert errors_for_crop(ERRORS, "maize") == ERRORS
    assert abs(errors_for_crop(ERRORS, "sorghum").salt_threshold - 15.0) < 2.0


def test_the_grid_reaches_four_deviations_and_stays_grain() -> None:
    grid = moisture_grid(14.0, 1.5)
    assert (grid[0], grid[-1]) == (8.0, 20.0)
    assert np.diff(grid) == pytest.approx([0.5] * 24)
    assert (moisture_grid(5.0, 2.0)[0], moisture_grid(40.0, 2.0)[-1]) == (3.0, 45.0)


def test_loss_while_it_is_spread_is_that_of_the_middle_of_the_way() -> None:
    """22 to 14 % in six days and 18 to 14 % in two: days at 18 and at 16 %, warm grain, kernels as hand-shelled."""
    stops = (SimpleNamespace(days=6.0), SimpleNamespace(days=2.0))
    ready = SimpleNamespace(stops=stops, moisture_pct=np.array([22.0, 18.0]), lot=SimpleNamespace(commodity="maize"))
    stack = np.full((2, 2, 1), 14.0)
    found = _drying_loss(ready, [0, 1], stack)  # type: ignore[arg-type]
    wanted = [[dry_matter_loss("maize", days, 30.0, middle) for middle in (18.0, 16.0)] for days in (6.0, 2.0)]
    np.testing.assert_allclose(found[:, :, 0], wanted)
    # no drier than 3 % and no wetter than 50 %: what the curve of the loss is known for
    ends = SimpleNamespace(stops=stops, moisture_pct=np.array([3.0, 60.0]), lot=ready.lot)
    found = _drying_loss(ends, [0], np.array([[[2.0], [56.0]]]))  # type: ignore[arg-type]
    np.testing.assert_allclose(found[0, :, 0], [dry_matter_loss("maize", 6.0, 30.0, middle) for middle in (3.0, 50.0)])
    only = _drying_loss(ready, [1], stack[:1])  # type: ignore[arg-type]
    np.testing.assert_allclose(only[0, :, 0], wanted[1])
