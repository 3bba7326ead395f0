"""A store's days worked again: the laws of loss, the air at a place, each rate of a day, and what people read."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest

from core.errors import InputError, OutOfRangeError
from core.grain.air import saturation_vapour_pressure
from core.grain.commodities import get_commodity
from core.grain.sorption import humidity, isotherm_parameters, moisture_dry_basis
from core.storage.advice import (
    BuyerTerms,
    StorageLimits,
    end_days,
    keeps_until,
    paid_weight_loss_pct,
    refusal_chances,
    unfit_for_food,
    weekly_table,
)
from core.storage.day import day_rates, growth_allowed, place_air
from core.storage.insects import (
    chance_seen,
    damaged_kernels_pct,
    eaten_pct,
    food_limited,
    get_pest,
    growth_rate,
    humidity_response,
    pests_of,
    population,
    start_from_sieve,
    temperature_response,
)
from core.storage.loss import (
    ageing_rate,
    check_grain,
    dry_matter_loss,
    germination_drop_days,
    loss_at_age,
    loss_in_store,
    maize_damage_multiplier,
    maize_temperature_multiplier,
    moisture_at_equal_humidity,
    safe_storage_days,
)
from core.storage.methods import get_method, moisture_time_constant, places
from core.storage.mould import germination_ageing, mould_dose_rate, mould_share, sealed_dose_factor, toxin_hours_per_day
from core.storage.results import StorageRun, lot_of
from core.storage.retest import RetestCosts, next_test
from core.storage.scenarios import PestDraw, draw_pests, start_numbers
from core.storage.simulate import simulate_storage

MAIZE = get_commodity("maize")


# -- dry-matter loss ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("celsius", [4.0, 15.5, 15.6, 30.0])
@pytest.mark.parametrize("wet", [14.0, 19.0, 24.0, 30.0])
def test_thompsons_multipliers_one_by_one(celsius, wet):
    """ASABE D535 form: t = 230 h * M_m * M_t * M_d to 0.5 %; two branches of M_t (Thompson 1972)."""
    dry = 100 * wet / (100 - wet)
    moisture = 0.103 * (math.exp(455 / dry**1.53) - 0.00845 * dry + 1.558)
    if celsius <= 15.5:
        temperature = 128.76 * math.exp(-0.1458 * celsius - 2.592)
    else:
        # 32.3 exp(-0.1044 T - 1.856), and (M - 19) / 100 exp(0.0183 T - 0.2847) between 19 and 28 %
        extra = min(max(wet - 19, 0), 9) / 100 * math.exp(0.0183 * celsius - 0.2847)
        temperature = 32.3 * math.exp(-0.1044 * celsius - 1.856) + extra
    damage = 2.08 * math.exp(-0.0239 * 20)
    assert ageing_rate("maize", celsius, wet, 20.0) == pytest.approx(24 / (moisture * temperature * damage))
    # half a percent is reached at 230 reference hours, whatever the grain
    assert safe_storage_days("maize", celsius, wet, 0.5, 20.0) * ageing_rate(
        "maize", celsius, wet, 20.0
    ) == pytest.approx(230.8, abs=0.1)


def test_the_published_curve_of_loss_and_its_line_beyond():
    """0.0884 (exp(0.006 t) - 1) + 0.00102 t: at 600 h 0.0884 * 35.5982 + 0.612."""
    assert loss_at_age("maize", [0.0, 100.0, 600.0]) == pytest.approx([0.0, 0.17468, 3.75888], abs=2e-5)
    slope = 0.0884 * 0.006 * math.exp(3.6) + 0.00102  # at 600 h
    assert loss_in_store("maize", [600.0, 700.0]) == pytest.approx([3.75888, 3.75888 + 100 * slope], abs=2e-5)
    assert loss_in_store("maize", 300.0) == pytest.approx(loss_at_age("maize", 300.0))
    assert loss_in_store("maize", 1e6) == 100.0
    assert loss_at_age("maize", 1e6) == 100.0
    # close to its start the curve is the straight line 0.0884 * 0.006 + 0.00102 per hour
    assert loss_at_age("maize", 1e-6) == pytest.approx(1e-6 * (0.0884 * 0.006 + 0.00102), rel=1e-4)


def test_splits_shorten_soybeans_time_to_six_tenths_at_sixteen_per_cent():
    days = [safe_storage_days("soybean", 25, 14, damaged_pct=split) for split in (0, 8, 16, 30)]
    assert np.array(days) / days[0] == pytest.approx([1.0, 0.8, 0.6, 0.6])
    # read as maize three points wetter, at the 30 % damage of the published times
    assert days[0] == pytest.approx(safe_storage_days("maize", 25, 17, damaged_pct=30))


def test_germination_of_wheat_on_both_branches():
    """Fraser and Muir (1981): log10 d = 6.234 - 0.2118 M - 0.0527 T below 19 %, 4.129 - 0.0997 M - 0.0576 T above."""
    assert germination_drop_days(20.0, 18.9) == pytest.approx(10 ** (6.234 - 0.2118 * 18.9 - 0.0527 * 20))
    assert germination_drop_days(20.0, 19.0) == pytest.approx(10 ** (4.129 - 0.0997 * 19 - 0.0576 * 20))
    # five points from 98 % are 0.578 standard deviations of the seeds' lives, lost once in that time
    probits = NormalDist().inv_cdf(0.98) - NormalDist().inv_cdf(0.93)
    assert germination_ageing(20.0, 15.0, 0.0) * germination_drop_days(20.0, 15.0) == pytest.approx(probits, abs=1e-3)
    assert germination_ageing(20.0, 15.0, 1.0) / germination_ageing(20.0, 15.0, 0.0) == pytest.approx(1.4)


def test_what_grain_can_be():
    for fine in ((60.0, 60.0, 100.0), (-20.0, 0.1, 0.0)):
        check_grain(*fine)
    for temperature, moisture, damaged, error in (
        (20.0, 0.0, 0.0, InputError),
        (20.0, 60.1, 0.0, InputError),
        (20.0, 14.0, -0.1, InputError),
        (20.0, 14.0, 100.1, InputError),
        (-20.1, 14.0, 0.0, OutOfRangeError),
        (60.1, 14.0, 0.0, OutOfRangeError),
    ):
        with pytest.raises(error):
            check_grain(temperature, moisture, damaged)
    with pytest.raises(InputError):
        check_grain([20.0, 20.0], [14.0, 70.0])
    with pytest.raises(InputError):
        safe_storage_days("maize", 25, 14, 50.1)
    assert dry_matter_loss("maize", safe_storage_days("maize", 25, 14, 50.0), 25, 14) == pytest.approx(50)


def test_no_damage_and_steep_damage():
    """2.08 exp(-0.0239 D): 2.08 without, 1.015 at 30 % and half of it 29 points further (ln 2 / 0.0239)."""
    assert maize_damage_multiplier(0.0) == pytest.approx(2.08)
    assert maize_damage_multiplier(59.0) == pytest.approx(maize_damage_multiplier(30.0) / 2, rel=1e-3)
    assert maize_temperature_multiplier(15.56, 15.0) == pytest.approx(1.0, abs=0.01)  # 60 °F is the reference


# -- mould, insects -------------------------------------------------------------------------------------------------


def test_mould_by_hand():
    """At its best (about 32 °C) 25 days at 0.80, 60 at 0.75; a cool mould at half speed from 0.80, best at 23 °C."""
    warm = np.linspace(25, 40, 1501)
    assert mould_dose_rate(warm, 0.75).max() == pytest.approx(1 / 60, rel=1e-3)
    # half way between the logarithms of 60 and 25 days
    assert mould_dose_rate(warm, 0.775).max() == pytest.approx(1 / math.sqrt(60 * 25), rel=1e-3)
    assert mould_dose_rate(32, 0.6999) == 0.0
    assert mould_dose_rate(32, 0.70) > 0.0
    cool = np.linspace(0, 14, 141)
    assert (mould_dose_rate(cool, 0.799) < mould_dose_rate(cool, 0.80))[1:].all()
    # Penicillium's bell of the same authors peaks at 23 °C with 1: half of 1 / 25 there, less than the warm one's
    q = 8 / 35
    assert mould_dose_rate(8.0, 0.80) == pytest.approx(0.5 / 25 * (6.531 * q**1.92 * (1 - q)) ** 1.43)
    # share of bags: 1 - 2 ** -dose²
    assert mould_share([0.0, 0.3, 1.0, 2.0]) == pytest.approx([0.0, 1 - 2**-0.09, 0.5, 1 - 2**-4])
    assert sealed_dose_factor([0.7, 0.80, 0.84, 0.88, 0.95]) == pytest.approx([0.15, 0.15, 0.575, 1.0, 1.0])


def test_toxin_only_within_its_bounds():
    assert toxin_hours_per_day(12.0, 0.84) > 0
    assert toxin_hours_per_day(11.99, 0.84) == 0
    assert toxin_hours_per_day(40.0, 0.84) > 0
    assert toxin_hours_per_day(40.01, 0.84) == 0
    assert toxin_hours_per_day(30.0, 0.83) == 0
    q = (30 - 10) / 37  # Battilani et al. (2013)
    assert toxin_hours_per_day(30.0, 0.84) == pytest.approx(24 * min(1, (4.84 * q**1.32 * (1 - q)) ** 5.59))


def test_insects_by_hand():
    """Wang and Engel (1998): with a = ln 2 / ln((high - low) / (best - low)), (2 x^a b^a - x^2a) / b^2a."""
    pest = get_pest("maize_weevil")
    low, best, high = pest.temperature_c
    a = math.log(2) / math.log((high - low) / (best - low))
    for celsius in (low + 2, best - 3, best, high - 1):
        x, b = (celsius - low) ** a, (best - low) ** a
        assert temperature_response(pest, celsius) == pytest.approx((2 * x * b - x**2) / b**2)
    assert temperature_response(pest, [low - 5, high, high + 9]) == pytest.approx([0, 0, 0], abs=1e-12)
    dry, moist = pest.humidity_fraction
    assert humidity_response(pest, [dry, (dry + moist) / 2, moist, 1.0]) == pytest.approx([0, 0.5, 1, 1])
    assert growth_rate(pest, best, moist) == pytest.approx(pest.growth_per_week / 7)
    # what is eaten approaches 60 %: 60 (1 - exp(-x / 60)); kernels approach 100
    assert food_limited([0.0, 60.0, 1e9]) == pytest.approx([0.0, 60 * (1 - math.exp(-1)), 60.0])
    assert damaged_kernels_pct(10.0, 8.0) == pytest.approx(100 * (1 - math.exp(-0.8)))


def test_a_sieve_by_hand():
    """Gamma prior of shape 0.5 about the usual start, of which a quarter shows; 3 seen in 2 kg."""
    pest = get_pest("maize_weevil")
    prior_kg = 0.5 / (pest.start_per_kg / 4)
    assert start_from_sieve(pest, 1.5, 2.0) == pytest.approx((0.5 + 3) / (prior_kg + 2) * 4)
    assert chance_seen(8.0, 1.5) == pytest.approx(1 - (1 + 3 / 0.5) ** -0.5)  # 3 adults expected in 1.5 kg
    with pytest.raises(InputError):
        start_from_sieve(pest, 1.0, 0.0)
    assert start_from_sieve(pest, 0.0, 0.5) > 0
    draw = PestDraw(np.array([1.0, 4.0]), np.array([True, False]))
    how = get_method("woven_bag_protectant")  # half of them start
    usual = start_numbers(pest, how, draw, 3, None, 1.0)
    assert usual.tolist() == [[0.5 * pest.start_per_kg, 2.0 * pest.start_per_kg]] * 3
    borer = get_pest("larger_grain_borer")
    assert start_numbers(borer, how, draw, 1, None, 1.0)[0].tolist() == [0.5 * borer.start_per_kg, 0.0]
    # counted: the pressure of the scenario says half as much in logarithms, half of the insects are borers
    seen = start_numbers(pest, how, draw, 2, [6.0, 0.0], 2.0)
    assert seen[0] == pytest.approx(
        [0.5 * float(start_from_sieve(pest, 3.0, 2.0)), 0.5 * 2 * float(start_from_sieve(pest, 6.0, 2.0))]
    )


def test_the_draw_of_insects_is_lognormal_with_the_borer_in_three_of_ten_places():
    draw = draw_pests(20_000, 1)
    assert np.median(draw.pressure) == pytest.approx(1.0, rel=0.03)
    assert np.log(draw.pressure).std() == pytest.approx(0.7, rel=0.03)
    assert draw.borer.mean() == pytest.approx(0.3, abs=0.012)
    assert not draw_pests(1).borer.any()
    assert draw_pests(1, borer_present=True).borer.all()
    assert draw_pests(1).pressure == 1.0
    assert not draw_pests(9, borer_present=False).borer.any()


# -- a place of the store -------------------------------------------------------------------------------------------


def test_moisture_creeps_in_by_diffusion():
    """L² / (D pi² / 4): with the slope of the isotherm taken over four points, saturation and diffusivity at 30 °C."""
    air = np.asarray(30.0)
    curve = isotherm_parameters("maize")

    def days(half: float, relative: float) -> float:
        fraction = min(max(relative / 100, 0.30), 0.90)
        slope = float(moisture_dry_basis(curve, air, np.asarray(fraction + 0.02)))
        slope = (slope - float(moisture_dry_basis(curve, air, np.asarray(fraction - 0.02)))) / 100 / 0.04
        saturated = float(saturation_vapour_pressure(30.0)) * 1000 / (461.5 * 303.15)  # kPa to kg/m³
        in_air = 2.1e-5 * (303.15 / 273.15) ** 1.81
        diffusion = 0.40 / 1.45 * in_air * saturated / (0.874 * MAIZE.bulk_density_kg_m3 * slope)
        return half**2 / (diffusion * math.pi**2 / 4) / 86400

    for half, relative in ((0.125, 65.0), (0.22, 20.0), (0.05, 97.0)):
        assert moisture_time_constant(MAIZE, half, 30.0, relative) == pytest.approx(days(half, relative), rel=2e-3)


@pytest.mark.parametrize(("method", "lag"), [("woven_bag", 3), ("metal_silo", 10)])
def test_the_air_at_a_place(method, lag):
    """Vapour pressure is the same inside; grain follows by exp(-1 / lag) a day; its moisture by 1 - exp(-1 / tau)."""
    how = get_method(method)
    outside_t = np.array([[24.0, 20.0], [30.0, 20.0], [27.0, 26.0]])
    outside_h = np.array([[60.0, 99.0], [70.0, 10.0], [50.0, 65.0]])
    for place in places(how, 0.2):
        air = place_air(MAIZE, how, place, outside_t, outside_h)
        offset = how.roof_offset_c + place.temperature_offset_c
        damp = np.empty_like(outside_h)
        for k in range(2):
            grain = outside_t[0, k] + offset
            for day in range(3):
                inside = outside_t[day, k] + offset
                if day:
                    grain = inside + (grain - inside) * math.exp(-1 / lag)
                ratio = saturation_vapour_pressure(outside_t[day, k]) / saturation_vapour_pressure(inside)
                damp[day, k] = min(max(outside_h[day, k] * float(ratio) + place.humidity_offset_pct, 1), 97)
                assert air.grain_temperature_c[day, k] == pytest.approx(grain)
                rest = moisture_dry_basis(
                    isotherm_parameters("maize"), np.asarray(grain), np.asarray(damp[day, k] / 100)
                )
                assert air.equilibrium_db[day, k] == pytest.approx(float(rest))
        tau = moisture_time_constant(
            MAIZE, place.half_thickness_m, float((outside_t + offset).mean()), float(damp.mean())
        )
        assert air.step == pytest.approx(0.0 if math.isinf(tau) else 1 - math.exp(-1 / tau))


@pytest.mark.parametrize("sealed", [False, True])
@pytest.mark.parametrize("wet", [11.5, 15.0, 16.2, 22.0])
def test_the_rates_of_a_day(wet, sealed):
    pests = (get_pest("maize_weevil"), get_pest("larger_grain_borer"))
    rates = day_rates(MAIZE, pests, sealed, 5.0)(np.asarray(28.0), np.asarray(100 * wet / (100 - wet)))
    water = float(humidity(isotherm_parameters("maize"), np.asarray(28.0), np.asarray(100 * wet / (100 - wet))))
    sour = min(max((water - 0.80) / 0.08, 0), 1) if sealed else 0.0
    dose, ageing = float(mould_dose_rate(28.0, water)), float(ageing_rate("maize", 28.0, wet, 5.0))
    as_wheat = moisture_at_equal_humidity("maize", "wheat", np.asarray(28.0), np.asarray(wet))
    assert rates.tolist() == pytest.approx(
        [
            ageing * (0.2 if sealed else 1),
            dose * (0.15 + 0.85 * sour) if sealed else dose,
            float(toxin_hours_per_day(28.0, water)) * (0.2 if sealed else 1),
            0.578 / float(germination_drop_days(28.0, as_wheat)) * (1 + 0.4 * sour),
            dose * sour,
            ageing * min(max((water - 0.65) / 0.05, 0), 1),
            *(float(growth_rate(pest, 28.0, water)) for pest in pests),
        ]
    )


def test_low_oxygen_and_a_fading_protectant():
    weevil, borer = get_pest("maize_weevil"), get_pest("larger_grain_borer")
    bag, dust = get_method("hermetic_bag"), get_method("woven_bag_protectant")
    whole, leaking = places(bag, 0.1)
    found = growth_allowed(bag, whole, (weevil, borer), 40, since=5)
    np.testing.assert_allclose(found, np.exp(-np.arange(5, 45) / 16)[:, None] * [1, 1])
    assert (growth_allowed(bag, leaking, (weevil,), 40) == 1).all()
    assert (whole.share, leaking.share) == pytest.approx((0.9, 0.1))
    assert places(bag, 0.0) == bag.positions
    assert places(dust, 0.3) == dust.positions
    # 35 % of weevils and 25 % of borers are stopped for 120 days, half as many 60 days later
    found = growth_allowed(dust, dust.positions[0], (weevil, borer), 100, since=100)
    np.testing.assert_allclose(found[[0, 20]], [[0.65, 0.75]] * 2)
    np.testing.assert_allclose(found[80], [1 - 0.175, 1 - 0.125])


@pytest.mark.parametrize(("method", "leak"), [("hermetic_bag", 0.0), ("hermetic_bag", 1.0), ("warehouse", 0.0)])
def test_everything_that_is_read_off_a_run(method, leak):
    """One lot of maize under steady air, places stepped again with plain sums, insects grown before."""
    celsius, relative, wet, days, stored, grown, resistance = 28.0, 78.0, 15.8, 25, 12, 20, 0.75
    climate = pd.DataFrame({"temperature_c": [celsius] * days, "relative_humidity_pct": [relative] * days})
    run = simulate_storage(
        "maize", wet, method, climate, days, borer_present=True, resistance=resistance, leak_share=leak,
        stored_days=stored, insects_grown_days=grown, store_offset_c=1.0, exact=True,
    )  # fmt: skip
    from dataclasses import replace

    how = get_method(method)
    how = replace(how, roof_offset_c=how.roof_offset_c + 1.0)
    pests = (*pests_of(MAIZE), get_pest("larger_grain_borer"))
    wanted: dict[str, float] = dict.fromkeys(
        ("moisture", "mould", "germination", "soured", "insects", "kernels", "dry", "weight"), 0.0
    )
    worst = {"toxin": 0.0, "damp": 0.0}
    for place in places(how, leak):
        if place.share < 1e-9:
            continue
        closed = how.sealed and not place.open_to_insects
        air = place_air(
            MAIZE, how, place, climate[["temperature_c"]].to_numpy(), climate[["relative_humidity_pct"]].to_numpy()
        )
        rates = day_rates(MAIZE, pests, closed, 5.0)
        allowed = growth_allowed(how, place, pests, days, stored) * resistance
        moisture = 100 * wet / (100 - wet)
        first = rates(air.grain_temperature_c[:14].mean(), np.asarray(moisture))[6:]
        before = first * (growth_allowed(how, place, pests, stored).sum(axis=0) + grown) * resistance
        start = [pest.start_per_kg * how.start_factor for pest in pests]
        now = [float(population(p, n, b)) for p, n, b in zip(pests, start, before, strict=True)]
        eaten_before = [float(eaten_pct(p, n, b)) for p, n, b in zip(pests, start, before, strict=True)]
        sums, lost, ate = np.zeros(6 + len(pests)), 0.0, [0.0]
        for day in range(days):
            moisture += (air.equilibrium_db[day, 0] - moisture) * air.step + place.condensation_points_per_month / 30
            today = rates(air.grain_temperature_c[day, 0], np.asarray(moisture))
            sums += np.concatenate([today[:6], today[6:] * allowed[day]])
            ate = [float(eaten_pct(p, n, b)) for p, n, b in zip(pests, now, sums[6:], strict=True)]
            gone = float(loss_in_store("maize", sums[0])) + how.insect_water_share * float(food_limited(sum(ate)))
            moisture += 0.6 * (gone - lost)  # 0.6 g of water for each gram of dry matter
            lost = gone
        respired = float(loss_in_store("maize", sums[0]))
        living = sum(float(population(p, n, b)) for p, n, b in zip(pests, now, sums[6:], strict=True))
        if closed:  # a week's breath, then they die out over the oxygen's days
            living *= math.exp(-(days + stored - 7) / how.sealed_oxygen_days)
        damage = sum((a + b) * p.damage_factor for p, a, b in zip(pests, ate, eaten_before, strict=True))
        wanted["moisture"] += place.share * 100 * moisture / (100 + moisture)
        wanted["mould"] += place.share * (1 - 2 ** -(sums[1] ** 2))
        wanted["germination"] += place.share * 100 * NormalDist().cdf(NormalDist().inv_cdf(0.98) - sums[3])
        wanted["soured"] += place.share * (1 - 2 ** -(sums[4] ** 2))
        wanted["insects"] += place.share * living
        wanted["kernels"] += place.share * 100 * (1 - math.exp(-damage / 100))
        wanted["dry"] += place.share * respired
        wanted["weight"] += place.share * (100 - (100 - float(food_limited(sum(ate)))) * (100 - respired) / 100)
        if place.share >= 0.05:
            worst["toxin"] = max(worst["toxin"], sums[2])
            worst["damp"] = max(worst["damp"], float(loss_in_store("maize", sums[5])))
    found = {
        "moisture": run.moisture_pct, "mould": run.mould_risk, "germination": run.germination_pct,
        "soured": run.soured_share, "insects": run.insects_per_kg, "kernels": run.damaged_kernels_pct,
        "dry": run.dry_matter_loss_pct, "weight": run.weight_loss_pct, "toxin": run.toxin_hours,
        "damp": run.damp_loss_pct,
    }  # fmt: skip
    assert {name: float(values[-1]) for name, values in found.items()} == pytest.approx(wanted | worst, rel=2e-3)
    assert run.day.tolist() == list(range(days + 1))


# -- what a run means -----------------------------------------------------------------------------------------------


def a_run(days: int = 14, **values: np.ndarray) -> StorageRun:
    """Return a run of zeros at 12 % moisture, with columns given by hand, (days + 1, scenarios)."""
    count = next(iter(values.values())).shape[1] if values else 1
    names = [name for name, kind in StorageRun.__annotations__.items() if kind == "Array" and name != "day"]
    columns = {name: np.zeros((days + 1, count)) for name in names} | {"moisture_pct": np.full((days + 1, count), 12.0)}
    return StorageRun("maize", "woven_bag", np.arange(days + 1), **(columns | values), places=("a",), notes=())


def test_a_limit_is_passed_on_the_first_day_above_it():
    steps = np.arange(15.0)[:, None]
    run = a_run(
        mould_risk=steps / 100, toxin_hours=steps * 12, damp_loss_pct=steps / 20, damaged_kernels_pct=1.3 * steps,
        moisture_pct=12 + steps / 10,
    )  # fmt: skip
    found = end_days(run, StorageLimits(moisture_pct=13.0))
    # past 5 % on day 6 (5 is not past it), 72 h on 7, 0.25 % on 6, 5 % of kernels on 4 (5.2), 13 % on 11
    assert {cause: float(day[0]) for cause, day in found.items()} == pytest.approx(
        {"mould": 6, "toxin": 7, "dry matter": 6, "insects": 4, "moisture": 11}
    )
    assert np.isinf(end_days(a_run())["mould"]).all()


def test_what_a_buyer_refuses_by_hand():
    """Five bags smelled at 2 % mould: 1 - 0.98^5; dust a third of 6 % eaten; five of a hundred lots from the field."""
    one = np.ones((15, 1))
    run = a_run(
        mould_risk=0.02 * one, weight_loss_pct=7.0 * one, dry_matter_loss_pct=1.0 * one, insects_per_kg=8.0 * one,
        damaged_kernels_pct=6.0 * one, toxin_hours=120.0 * one,
    )  # fmt: skip
    normal = NormalDist()
    wanted = {
        "damaged kernels": normal.cdf((6 - 5) / 1.0),
        "live insects": 1 - (1 + 2 / 0.5) ** -0.5,
        "odour": 1 - 0.98**5,
        "foreign matter": normal.cdf((6 / 3 - 1) / 0.3),
        "aflatoxin": 1 - 0.95 * math.exp(-120 / 240),
    }
    found = refusal_chances(run, BuyerTerms(tests_aflatoxin=True))
    assert {name: float(found[name][3, 0]) for name in wanted} == pytest.approx(wanted, abs=2e-4)
    kept = 1 - float(found["moisture"][3, 0])
    for chance in wanted.values():
        kept *= 1 - chance
    assert float(found["any"][3, 0]) == pytest.approx(1 - kept, abs=2e-4)
    assert float(refusal_chances(run)["aflatoxin"].max()) == 0.0


def test_unfit_by_each_ground_alone():
    one = np.ones((15, 1))
    for name, limit in (("mould_risk", 0.5), ("soured_share", 0.5), ("toxin_hours", 216.0), ("damp_loss_pct", 1.0)):
        assert not unfit_for_food(a_run(**{name: limit * one})).any()
        assert unfit_for_food(a_run(**{name: 1.001 * limit * one})).all()


def test_weight_not_paid_for_and_the_table_of_weeks():
    run = a_run(moisture_pct=np.linspace(10, 20, 15)[:, None] + np.arange(11) / 10)
    assert float(paid_weight_loss_pct(run, 13.0)[0, 0]) == pytest.approx(100 * 3 / 90)
    assert float(paid_weight_loss_pct(run, 13.0)[-1, 0]) == 0.0
    table = weekly_table(run)
    assert table.index.tolist() == [0, 1, 2]
    # 10 % of eleven even steps is the second
    assert table.loc[1, ["moisture_pct_low", "moisture_pct_middle", "moisture_pct_high"]].tolist() == pytest.approx(
        [15.1, 15.5, 15.9]
    )
    assert table.loc[2, "refusal_chance"] == pytest.approx(1.0, abs=1e-6)


def test_when_to_test_again_by_hand():
    """In three of a hundred years mould passes its limit, on days 11, 21, 31: the cheapest interval is tried out."""
    risk = np.zeros((61, 100))
    for k, day in enumerate((11, 21, 31)):
        risk[day:, k] = 1.0
    run = a_run(days=60, mould_risk=risk)
    costs = RetestCosts(test_cost=0.3, lot_value=200.0, daily_loss_share=0.01)
    ends = (11, 21, 31)
    rates = {n: (0.3 + 200 * 0.01 * sum(max(n - end, 0) for end in ends) / 100) / n for n in range(3, 57)}
    best = min(rates, key=lambda n: rates[n])
    found = next_test(run, costs)
    assert (found.days, found.cause) == (best, "mould")
    assert found.reason.values["chance"] == round(100 * sum(end <= best for end in ends) / 100)
    assert (next_test(a_run(days=60), costs).days, next_test(a_run(days=60), costs).cause) == (56, "")


def test_one_lot_of_a_run():
    grid = np.arange(24.0).reshape(2, 3, 4)
    names = [name for name, kind in StorageRun.__annotations__.items() if kind == "Array" and name != "day"]
    run = StorageRun("maize", "crib", np.arange(2), **dict.fromkeys(names, grid), places=(), notes=())
    assert lot_of(run, 1).mould_risk.tolist() == [[4, 5, 6, 7], [16, 17, 18, 19]]
    assert lot_of(run, 1).day.tolist() == [0, 1]


def test_each_impossible_span_is_refused_alone():
    climate = pd.DataFrame({"temperature_c": [25.0] * 5, "relative_humidity_pct": [70.0] * 5})
    simulate_storage("maize", 13, "woven_bag", climate, 1)
    for days, more in ((0, {}), (3, {"every": 0}), (3, {"stored_days": -1}), (3, {"insects_grown_days": -1})):
        with pytest.raises(InputError):
            simulate_storage("maize", 13, "woven_bag", climate, days, **more)


def test_insects_grew_in_the_open_and_in_the_store_alike():
    """Ten days of each in an open store are twenty of either."""
    climate = pd.DataFrame({"temperature_c": [28.0] * 20, "relative_humidity_pct": [72.0] * 20})
    spans = ((10, 10), (20, 0), (0, 20))
    found = [
        float(simulate_storage("maize", 13, "crib", climate, 20, stored_days=a, insects_grown_days=b).insects_per_kg[0])
        for a, b in spans
    ]
    assert found == pytest.approx([found[0]] * 3)
    assert found[0] > 1.5 * float(simulate_storage("maize", 13, "crib", climate, 20).insects_per_kg[0])


def test_a_single_leaking_bag_does_not_speak_for_the_lot():
    """The worst place counts from a share of 5 % on: 4 % of wet, leaking bags add to the mean only."""
    climate = pd.DataFrame({"temperature_c": [28.0] * 90, "relative_humidity_pct": [95.0] * 90})
    few, some = (simulate_storage("maize", 12.5, "hermetic_bag", climate, 90, leak_share=x) for x in (0.049, 0.051))
    assert float(few.damp_loss_pct[-1]) < 0.2 * float(some.damp_loss_pct[-1])
    assert float(few.mould_risk[-1]) > 0.0


def test_a_lot_keeps_as_long_as_in_so_many_of_its_seasons():
    """Mould past its limit on days 1 to 20 in twenty seasons: surely until 1, in 80 of 100 until 4, half until 10."""
    risk = np.zeros((31, 20))
    for k in range(20):
        risk[k + 1 :, k] = 1.0
    run = a_run(days=30, mould_risk=risk)
    for certainty, day in ((0.96, 1), (0.8, 4), (0.5, 10)):
        found = keeps_until(run, certainty)
        assert (found.days, found.cause, found.certainty, found.horizon_days) == (day, "mould", certainty, 30)
    for wrong in (0.0, 1.0):
        with pytest.raises(InputError):
            keeps_until(run, wrong)
