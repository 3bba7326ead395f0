"""The store's days against trials (as ranges), limits and an independent plain loop."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError, NotFoundError
from core.grain.commodities import commodity_codes, get_commodity
from core.storage.methods import get_method, method_codes, method_table, moisture_time_constant
from core.storage.simulate import draw_pests, simulate_storage

MONTH = 30.4


def steady(celsius: float, humidity: float, days: int = 365) -> pd.DataFrame:
    return pd.DataFrame({"temperature_c": np.full(days, celsius), "relative_humidity_pct": np.full(days, humidity)})


def loss_after(
    months: float, crop: str, moisture: float, method: str, celsius: float, humidity: float, **more: object
) -> float:
    days = round(months * MONTH)
    return float(simulate_storage(crop, moisture, method, steady(celsius, humidity), days, **more).weight_loss_pct[-1])


# Set against: "borer, woven", "benin woven", "benin treated", "cowpea 8 months", "paddy 6 months" and "sorghum 6
# months" (see
# fitted_to in insects.toml); the leaks of sealed bags against "borer, hermetic". The others were not looked at while
# setting; they and cases outside the repository decide.
# Trials: (months, crop, moisture, method, degC, % humidity, options, lowest, highest loss %). The site's climate is our
# reading of the place; the range is the trial's figure with the spread between trials of the same kind.
TRIALS = {
    # J. Food Quality 2018:2515698, Kenya, hot and dry, 12 %, infested, 6 months: 35.8 / 1.2; natural 36.3, inoculated
    # 47.7.
    "borer, woven": (6, "maize", 12, "woven_bag", 29, 57, {"borer_present": True}, 28, 48),
    "borer, hermetic": (6, "maize", 12, "hermetic_bag", 29, 57, {"borer_present": True}, 0, 2.5),
    # Pantenius, Togo granaries with the borer: up to 30.2 % in 6 months.
    "borer, humid": (6, "maize", 13, "woven_bag", 26, 75, {"borer_present": True}, 12, 40),
    # Baributsa 2020 (Insects 11:541), N Benin, 7 months: 10.3 woven, 6.3 treated, no increase in hermetic bags.
    "benin woven": (7, "maize", 12.5, "woven_bag", 27, 70, {"borer_present": False}, 6, 15),
    "benin treated": (7, "maize", 12.5, "woven_bag_protectant", 27, 70, {"borer_present": False}, 2, 9),
    "benin hermetic": (7, "maize", 12.5, "hermetic_bag", 27, 70, {"borer_present": False}, 0, 1),
    # Pantenius, Togo 1983-85, 6 months: local 3, mean 6.4, hybrid 12-13.
    "togo granary": (6, "maize", 13, "crib", 26, 75, {"borer_present": False}, 4, 13),
    # De Groote 2013 (JSPR 53:27): metal silos needed no insecticide.
    "silo": (6, "maize", 12, "metal_silo", 25, 65, {"borer_present": True}, 0, 1.5),
    # Cowpea in woven bags, 3 % a month and 25 in 8 months (planner's figure of the physics notes).
    "cowpea 8 months": (8, "cowpea", 11.7, "woven_bag", 28, 65, {}, 15, 30),
    "cowpea hermetic": (8, "cowpea", 11.7, "hermetic_bag", 28, 65, {}, 0, 1),
    # Paddy in bags 0.3-0.5 % a month (from memory).
    "paddy 6 months": (6, "paddy", 13, "woven_bag", 28, 68, {}, 1.0, 3.6),
    # Sorghum as maize x 0.7 (planner's figure, low confidence).
    "sorghum 6 months": (6, "sorghum", 12, "woven_bag", 27, 68, {}, 2.5, 9),
}


@pytest.mark.parametrize("name", TRIALS)
def test_trials(name: str) -> None:
    months, crop, moisture, method, celsius, humidity, options, low, high = TRIALS[name]
    assert low <= loss_after(months, crop, moisture, method, celsius, humidity, **options) <= high


def test_protectant_fades_between_untreated_and_sealed() -> None:
    at = {m: loss_after(7, "maize", 12.5, m, 27, 70) for m in ("woven_bag", "woven_bag_protectant", "hermetic_bag")}
    assert at["hermetic_bag"] < at["woven_bag_protectant"] < at["woven_bag"]
    # 6.3 of 10.3 in Benin
    assert 0.35 < at["woven_bag_protectant"] / at["woven_bag"] < 0.8


def test_dry_hermetic_hardly_changes() -> None:
    # Williams 2017 (PLoS ONE 0168624): hermetic bags constant for 8 months.
    run = simulate_storage("maize", 12, "hermetic_bag", steady(25, 80), 243)
    assert abs(run.moisture_pct[-1] - 12) < 0.15
    assert run.weight_loss_pct[-1] < 0.5
    assert run.mould_risk[-1] < 0.01


@pytest.mark.parametrize("method", ["woven_bag", "woven_bag_protectant", "hermetic_bag", "warehouse", "metal_silo"])
def test_wet_grain_is_lost_in_weeks(method: str) -> None:
    # 18 % at 30 degC: 89 % equilibrium humidity; Snow et al. 1944: mould within a week (from memory)
    run = simulate_storage("maize", 18, method, steady(30, 80), 42)
    assert run.mould_risk[21] > 0.9
    assert run.germination_pct[42] < 50


def test_wet_grain_under_a_seal_sours() -> None:
    # Yewle 2023: 18 and 21 % lost 25-28.5 points of germination in 21 days; Tubbs 2016: opened weekly, moulds x 10 000.
    sealed = simulate_storage("maize", 18, "hermetic_bag", steady(27, 70), 60)
    open_bag = simulate_storage("maize", 18, "woven_bag", steady(27, 70), 60)
    assert sealed.dry_matter_loss_pct[-1] < open_bag.dry_matter_loss_pct[-1]
    assert sealed.soured_share[-1] > 0.9
    assert 10 < 98 - sealed.germination_pct[21] < 45
    assert any("seal" in str(note) for note in sealed.notes)
    dry = simulate_storage("maize", 12, "hermetic_bag", steady(27, 70), 60)
    assert dry.soured_share[-1] < 1e-6
    assert dry.notes == () or all("seal" not in str(note) for note in dry.notes)


def test_dry_lot_in_woven_bags_passes_fourteen_in_the_rains() -> None:
    # IRRI: paddy in jute rises to unsafe in the wet season; Sawant 2012: wheat 11.20 -> 17.25 % April to November.
    run = simulate_storage("maize", 12, "woven_bag", steady(27, 85), 150)
    assert run.moisture_pct[120] > 14
    assert run.mould_risk[-1] > 0.2


def test_indian_wheat_through_the_monsoon() -> None:
    # Sawant 2012 (CIGR), jute bags: 11.20 -> 17.25 % from April to November. Monthly climate of the plains, from
    # memory.
    celsius = np.repeat([31, 33, 32, 29, 28, 28, 26.0], 31)
    humidity = np.repeat([35, 45, 70, 85, 88, 84, 75.0], 31)
    frame = pd.DataFrame({"temperature_c": celsius, "relative_humidity_pct": humidity})
    run = simulate_storage("wheat", 11.2, "woven_bag", frame, len(frame))
    assert 14 < run.moisture_pct.max() < 18.5


def test_time_constant() -> None:
    # Diffusion estimate of the physics notes: 12.5 cm 47 d, 5 cm 7.5 d, 10 cm 30 d (maize, 30 degC, 65 %).
    maize = get_commodity("maize")
    for half, days in {0.05: 7.5, 0.10: 30.0, 0.125: 47.0, 0.15: 67.0}.items():
        assert moisture_time_constant(maize, half, 30, 65) == pytest.approx(days, rel=0.05)
    assert moisture_time_constant(maize, 0.0, 30, 65) == float("inf")


def test_approaches_equilibrium_from_both_sides() -> None:
    low = simulate_storage("maize", 10, "crib", steady(27, 70), 200).moisture_pct[-1]
    high = simulate_storage("maize", 16, "crib", steady(27, 70), 200).moisture_pct[-1]
    assert low == pytest.approx(high, abs=0.2)


def test_shapes() -> None:
    one = simulate_storage("maize", 13, "woven_bag", steady(25, 70), 30)
    assert one.moisture_pct.shape == (31,)
    assert one.moisture_pct[0] == pytest.approx(13)
    many = simulate_storage("maize", [12, 13, 14], "woven_bag", [steady(25, 70), steady(26, 75)], 30)
    assert many.weight_loss_pct.shape == (31, 3, 2)
    scenarios = simulate_storage("maize", 13, "woven_bag", [steady(25, 70)] * 4, 30)
    assert scenarios.mould_risk.shape == (31, 4)
    weekly = simulate_storage("maize", 13, "woven_bag", steady(25, 70), 60, every=7)
    assert list(weekly.day) == list(range(0, 57, 7))


@given(
    st.sampled_from(commodity_codes()),
    st.sampled_from(method_codes()),
    st.floats(6, 22),
    st.floats(8, 36),
    st.floats(20, 97),
)
def test_cumulative_and_bounded(crop: str, method: str, moisture: float, celsius: float, humidity: float) -> None:
    run = simulate_storage(crop, moisture, method, steady(celsius, humidity, 60), 60, borer_present=True)
    for name in ("weight_loss_pct", "mould_risk", "damaged_kernels_pct", "toxin_hours", "soured_share"):
        values = getattr(run, name)
        assert np.isfinite(values).all()
        assert (np.diff(values) >= -1e-9).all()
        assert values[0] == pytest.approx(0, abs=1e-9)
    assert (run.weight_loss_pct <= 100).all()
    assert ((run.mould_risk >= 0) & (run.mould_risk <= 1)).all()
    assert ((run.moisture_pct > 0) & (run.moisture_pct < 60)).all()


def test_table_of_rates_agrees_with_the_formulas() -> None:
    rng = np.random.default_rng(3)
    climates = []
    for _ in range(3):
        celsius = 26 + 3 * np.sin(np.arange(200) / 40) + rng.normal(0, 1, 200)
        climates.append(
            pd.DataFrame({"temperature_c": celsius, "relative_humidity_pct": 72 + rng.normal(0, 8, 200).clip(-20, 20)})
        )
    for crop in ("maize", "paddy", "cowpea"):
        runs = [
            simulate_storage(crop, [12, 14, 16], "woven_bag", climates, 200, exact=exact) for exact in (True, False)
        ]
        assert runs[1].moisture_pct == pytest.approx(runs[0].moisture_pct, abs=0.05)
        assert runs[1].weight_loss_pct == pytest.approx(runs[0].weight_loss_pct, abs=0.05, rel=0.02)
        assert runs[1].mould_risk == pytest.approx(runs[0].mould_risk, abs=0.02)


def test_a_sieve_that_finds_many_means_more_loss() -> None:
    losses = [loss_after(5, "maize", 12.5, "woven_bag", 27, 70, insects_per_kg=n) for n in (0, 2, 20)]
    assert losses[0] < losses[1] < losses[2]


def test_pests_are_the_same_for_every_choice() -> None:
    first, second = draw_pests(40, seed=5), draw_pests(40, seed=5)
    assert (first.pressure == second.pressure).all()
    assert 0 < first.borer.mean() < 0.7
    assert draw_pests(40, 5, borer_present=True).borer.all()


def test_cool_highland_loses_little() -> None:
    # Breeding stops below 15 degC (general).
    assert loss_after(6, "maize", 12.5, "woven_bag", 14, 65) < 0.3


def test_errors() -> None:
    with pytest.raises(NotFoundError):
        simulate_storage("maize", 13, "under the bed", steady(25, 70), 30)
    with pytest.raises(InputError):
        simulate_storage("maize", 13, "woven_bag", steady(25, 70, 10), 30)
    with pytest.raises(InputError):
        simulate_storage("maize", 130, "woven_bag", steady(25, 70), 30)
    with pytest.raises(InputError):
        simulate_storage("maize", 13, "woven_bag", steady(25, 170), 30)
    with pytest.raises(InputError):
        simulate_storage("maize", 13, "woven_bag", [], 30)


def test_methods_table_has_sources_and_shares() -> None:
    for code, entry in method_table().items():
        assert entry["source"]
        assert entry["basis"] in {"published", "practice", "memory", "judgement"}
        assert sum(place.share for place in get_method(code).positions) == pytest.approx(1)
        assert get_method(code).breaks


def test_bruchids_wet_cowpea_in_a_leaking_vessel() -> None:
    # CBTA 2017 0091, Ghana, plastic drums, 3 months: not airtight 11.7 -> 17.2 %, airtight 11.7 -> 11.9 %.
    year = steady(28, 70)
    leaking = simulate_storage("cowpea", 11.7, "metal_silo", year, 91, leak_share=1.0)
    tight = simulate_storage("cowpea", 11.7, "metal_silo", year, 91, leak_share=0.0)
    assert 13.0 < leaking.moisture_pct[-1] < 18.5
    assert abs(tight.moisture_pct[-1] - 11.7) < 0.3
