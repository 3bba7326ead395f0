"""A drying layer's parts against plain sums: its columns, its heat in a steady sun, its exchange, what it gives off."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

from core.drying import layer as model
from core.drying.field import field_moisture, field_value
from core.drying.layer import LayerWeather, run_layers
from core.drying.setups import DryingSetup
from core.drying.thin_layer import moisture_step_db, page_constants, thin_layer_of
from core.drying.weather import layer_weather
from core.grain.air import latent_heat, pressure_at_altitude, saturation_vapour_pressure
from core.grain.commodities import get_commodity
from core.grain.sorption import humidity, isotherm_parameters, moisture_dry_basis

MAIZE, RATES, CURVE = get_commodity("maize"), thin_layer_of("maize"), isotherm_parameters("maize")
SIGMA = 5.670374419e-8


def steady(
    hours: int, air: float, vapour: float, wind: float, ground: float, sun: float, rain: float = 0.0
) -> LayerWeather:
    stamps, sums = np.ones((hours + 1, 1, 1)), np.ones((hours, 1, 1))
    return LayerWeather(air * stamps, vapour * stamps, wind * stamps, ground * stamps, sun * sums, rain * sums)


def run(setup: DryingSetup, wet_db: float, weather: LayerWeather, is_open: bool = True) -> model.LayerRun:
    grain = np.full((1, 1), wet_db)
    hours = np.full((len(weather.sun_w_m2), 1), is_open)
    return run_layers(MAIZE, RATES, CURVE, [setup], grain, grain, weather, hours)


@pytest.mark.parametrize("turning", [0.5, 1.0, 4.0])
def test_what_a_layer_is_by_hand(turning):
    """30 kg/m² of maize: depth by bulk density, the part that sun and air reach, conduction."""
    setup = DryingSetup("tarpaulin", area_m2=10, load_kg_m2=30.0, turn_interval_h=turning, altitude_m=1000.0)
    found = model._columns([setup], MAIZE, np.array([[20.0, 30.0]]))
    p = setup.table
    depth = 30.0 / MAIZE.bulk_density_kg_m3
    pores = (MAIZE.porosity / 0.40) ** 1.5
    reached = p["still_depth_m"] + (p["active_depth_m"] - p["still_depth_m"]) * math.sqrt(1 / max(turning, 1))
    active = min(1.0, pores * reached / depth)
    assert 0 < active < 1
    wanted = {
        "dry_matter": 30.0 / 1.25,
        "active": active,
        "depth": depth,
        "bed": p["bed_kg_m2_s_kpa"] * 0.01 / (active * depth) * pores,
        # 0.16 W/(m K) over half the depth; top and below hold heat one after the other: a (1 - a) of 2 kJ/(kg K)
        "conduction_per_h": 0.16 / (0.5 * depth) * 3600 / (active * (1 - active) * 2000.0 * 30.0),
        "ground_per_h": p["ground_w_m2_k"] * 3600 / (2000.0 * 30.0),
        "pressure": float(pressure_at_altitude(1000.0)),
        "turn": turning,
        "faces": p["faces"],
    }
    assert {name: float(getattr(found, name)[0, 0]) for name in wanted} == pytest.approx(wanted)
    thin = model._columns([DryingSetup("tarpaulin", area_m2=10, load_kg_m2=3.0)], MAIZE, np.array([[25.0]]))
    assert float(thin.active[0, 0]) == 1.0


def balance(
    setup: DryingSetup, celsius: float, air: float, vapour: float, wind: float, ground: float, sun: float
) -> float:
    """Return the heat that a dry layer of one depth gains, W/m²: Holman, Watmuff, Brutsaert, Stefan and Boltzmann."""
    p = setup.table
    warmed = min(air + p["air_rise_k_per_w_m2"] * sun + p["heater_rise_k"], max(p["air_limit_c"], air))
    flow = p["flow_kg_m2_s"] + p["flow_per_wind"] * wind
    speed = wind * p["wind_share"] + p["still_air_m_s"]
    rising = 1.4 if celsius < warmed else max(1.52 * (celsius - warmed) ** (1 / 3), 2.8)
    passed = flow * 1006.0 if flow > 0 else p["faces"] * (rising + 3.0 * speed)
    # the clear sky's emissivity after Brutsaert (1975), half covered: 1 + 0.22 * 0.5 ** 2.75
    relative = vapour / float(saturation_vapour_pressure(air))
    cloud = max(0.5, min(max((relative - 0.95) / 0.05, 0), 1))
    sky = min(1.24 * (vapour * 10 / (air + 273.15)) ** (1 / 7) * (1 + 0.22 * cloud**2.75), 1.0) * (air + 273.15) ** 4
    around = p["sky_share"] * sky + (1 - p["sky_share"]) * (warmed + 273.15) ** 4
    rays = 0.0 if flow > 0 else 0.93 * SIGMA * (around - (celsius + 273.15) ** 4)
    conducted = p["ground_w_m2_k"] * (ground - celsius)
    return RATES.absorptance * p["sun_share"] * sun + passed * (warmed - celsius) + rays + conducted


@pytest.mark.parametrize("method", ["tarpaulin", "raised_rack", "solar_dryer", "crib", "mechanical"])
@pytest.mark.parametrize(
    ("air", "vapour", "wind", "ground", "sun"),
    [
        (28.0, 2.0, 2.0, 26.0, 700.0),
        (28.0, 2.0, 0.0, 26.0, 150.0),
        (22.0, 1.2, 1.0, 20.0, 0.0),
        (25.0, 3.05, 0.5, 24.0, 60.0),
    ],
)
def test_grain_at_rest_with_the_air_is_as_warm_as_its_heat_balance_says(method, air, vapour, wind, ground, sun):
    """After days of the same weather nothing evaporates: what is left is the root of the balance, and the isotherm."""
    setup = DryingSetup(method, area_m2=10, load_kg_m2=2.0)
    assert float(model._columns([setup], MAIZE, np.array([[13.0]])).active[0, 0]) == 1.0
    weather = (air, vapour, wind, ground, sun)
    wanted = brentq(lambda celsius: balance(setup, celsius, *weather), -20.0, 150.0)
    relative = min(vapour / float(saturation_vapour_pressure(wanted)), 0.95)
    rest = float(moisture_dry_basis(CURVE, np.asarray(wanted), np.asarray(relative)))
    found = run(setup, rest, steady(30, *weather))
    assert float(found.grain_temperature_c[-1, 0, 0]) == pytest.approx(wanted, abs=0.02)
    assert float(found.moisture_db[-1, 0, 0]) == pytest.approx(rest, abs=0.15)  # it begins as warm as the air


def test_the_heat_that_a_top_holds():
    """Specific heat of wet grain, straight in its moisture, times the active part of the wet mass."""
    setup = DryingSetup("mechanical", area_m2=10, load_kg_m2=40.0)
    layer = model._columns([setup], MAIZE, np.array([[5.0]]))
    grain = np.array([[5.0]])
    capacity = float(model._capacity(layer, MAIZE, grain)[0, 0])
    specific = MAIZE.specific_heat_intercept + MAIZE.specific_heat_per_point * 100 * 5 / 105
    # the active part of 40 kg of wet grain
    assert capacity == pytest.approx(1000 * specific * 40.0 * float(layer.active[0, 0]))


def test_turning_and_rest_even_out_top_and_below():
    """The difference shrinks by exp(-h / turning) exp(-h / 30 h); what leaves the one is in the other."""
    setup = DryingSetup("tarpaulin", area_m2=10, load_kg_m2=60.0, turn_interval_h=2.0)
    layer = model._columns([setup], MAIZE, np.array([[25.0]]))
    one, a = np.ones((1, 1)), float(layer.active[0, 0])
    none = 0 * one
    state = model._State(14 * one, 24 * one, none, 45 * one, 30 * one, one, none, none, none, none)
    weather = steady(1, 28.0, 2.0, 1.0, 22.0, 500.0)
    air = model._air(layer, weather, 0, 0.5, state.temperature)
    after = model._mixed(layer, state, air, 0.5)
    shrunk = math.exp(-0.5 / 2.0) * math.exp(-0.5 / 30)
    assert float((after.below - after.top)[0, 0]) == pytest.approx(10 * shrunk)
    assert float((a * after.top + (1 - a) * after.below)[0, 0]) == pytest.approx(a * 14 + (1 - a) * 24)
    # heat: the same with conduction in place of diffusion, then the grain below leans to the ground
    warm = -15 * (1 - math.exp(-0.5 / 2.0) * math.exp(-0.5 * float(layer.conduction_per_h[0, 0])))
    assert float(after.temperature[0, 0]) == pytest.approx(45 + warm * (1 - a))
    below = 30 - warm * a
    lean = 1 - math.exp(-0.5 * float(layer.ground_per_h[0, 0]))
    assert float(after.temperature_below[0, 0]) == pytest.approx(below + (22 - below) * lean)


def test_an_hour_under_the_cover_by_hand():
    setup = DryingSetup("tarpaulin", area_m2=10, load_kg_m2=60.0)
    layer = model._columns([setup], MAIZE, np.array([[25.0]]))
    one, a = np.ones((1, 1)), float(layer.active[0, 0])
    state = model._State(14 * one, 24 * one, 0.24 * one, 45 * one, 30 * one, 0.2 * one, one, one, one, one)
    after = model._covered_hour(layer, state, 20 * one)
    mean = a * 14 + (1 - a) * 24 + 100 * 0.24 / 48  # 48 kg of dry matter
    assert float(after.top[0, 0]) == float(after.below[0, 0]) == pytest.approx(mean)
    assert float(after.film[0, 0]) == 0.0
    heap = a * 45 + (1 - a) * 30
    assert float(after.temperature[0, 0]) == pytest.approx(20 + (heap - 20) * math.exp(-1 / 4))
    assert float(after.temperature_below[0, 0]) == float(after.temperature[0, 0])
    assert float(after.evened[0, 0]) == pytest.approx(1 - 0.8 * math.exp(-1 / 6))
    assert float(after.exposed[0, 0]) == 1.0


@pytest.mark.parametrize(("wet", "celsius", "evened"), [(25.0, 45.0, 0.0), (25.0, 45.0, 1.0), (9.0, 24.0, 0.0)])
def test_what_kernels_give_off_is_the_thin_layer_and_the_air_one_after_the_other(wet, celsius, evened):
    """1 / flow = 1 / thin layer (raised by a rest, 1.5 at most) + 1 / what the air carries; capped by thin."""
    setup = DryingSetup("tarpaulin", area_m2=10, load_kg_m2=15.0)
    layer = model._columns([setup], MAIZE, np.array([[wet]]))
    one, step = np.ones((1, 1)), 0.25
    air = model._air(layer, steady(1, 28.0, 2.0, 1.5, 26.0, 600.0), 0, 0.5, celsius * one)
    kernels, surface = model._fluxes(
        layer, RATES, CURVE, air, wet * one, 28.0 * one, None, evened * one, celsius * one, step
    )
    saturated = float(saturation_vapour_pressure(celsius))
    relative = min(2.0 / saturated, 0.95)
    rest = moisture_dry_basis(CURVE, np.asarray(celsius), np.asarray(relative))
    speed = 1.5 * setup.table["wind_share"] + setup.table["still_air_m_s"]
    k, n = page_constants(RATES, np.asarray(celsius), np.asarray(100 * relative), np.asarray(speed), np.asarray(28.0))
    mass = 15.0 / (1 + wet / 100) * float(layer.active[0, 0])
    thin = mass * float(moisture_step_db(np.asarray(wet), rest, np.asarray(28.0), k, n, step)) / 100 / 900
    rising = 1.4 if celsius < 28.0 else max(1.52 * (celsius - 28.0) ** (1 / 3), 2.8)
    # Lewis: vapour as heat, in kPa by the molar masses; then the way through the pores
    boundary = setup.table["faces"] * (rising + 3.0 * speed) / 1006.0 * 0.621945 / 101.325
    conductance = 1 / (1 / boundary + 1 / float(layer.bed[0, 0]))
    grain = min(float(humidity(CURVE, np.asarray(celsius), np.asarray(wet))), 0.95)
    carried = conductance * saturated * (grain - relative)
    boosted = thin * min((1 - 0.5 * evened) ** (float(n) - 1), 1.5)
    together = boosted * carried / (boosted + carried)
    wanted = min(together, thin) if thin > 0 else max(together, thin)
    assert float(kernels[0, 0]) == pytest.approx(wanted, rel=1e-3)
    assert float(surface) == 0.0
    # with water on half of their surface kernels give off half; the film what the air takes, and no more than there is
    half, film = model._fluxes(
        layer, RATES, CURVE, air, wet * one, 28.0 * one, 0.025 * one, evened * one, celsius * one, step
    )
    assert float(half[0, 0]) == pytest.approx(wanted / 2, rel=1e-3)
    assert float(film[0, 0]) == pytest.approx(min(conductance * (saturated - 2.0), 0.025 / 900), rel=1e-3)
    little = model._fluxes(
        layer, RATES, CURVE, air, wet * one, 28.0 * one, 1e-4 * one, evened * one, celsius * one, step
    )[1]
    assert float(little[0, 0]) == pytest.approx(min(1e-4 / 900, conductance * (saturated - 2.0)))


def test_heat_taken_is_the_water_times_its_heat():
    """On a day without rain: between latent heat at the warmest and a tenth more than it at the coolest."""
    found = run(DryingSetup("tarpaulin", area_m2=10), 28.0, steady(9, 28.0, 2.0, 2.0, 26.0, 600.0))
    per_kg = float(found.heat_kj_m2[0, 0] / found.evaporated_kg_m2[0, 0])
    warm = found.grain_temperature_c
    assert float(latent_heat(warm.max())) <= per_kg <= 1.1 * float(latent_heat(warm.min()))
    lost = found.dry_matter_kg_m2 * (found.moisture_db[0] - found.moisture_db[-1]) / 100
    assert found.evaporated_kg_m2 == pytest.approx(lost, rel=1e-9)
    assert found.exposed_hours[:, 0, 0].tolist() == list(range(10))


def test_rain_is_caught_up_to_what_the_surface_holds():
    """6 % of the dry matter stays on the surface: of 20 mm on 12 kg less than a kilogram."""
    setup = DryingSetup("tarpaulin", area_m2=10, load_kg_m2=15.0, cover_in_rain=False)
    dry_matter = 15.0 / 1.25
    light = run(setup, 25.0, steady(1, 24.0, 2.9, 1.0, 24.0, 0.0, rain=0.09))
    assert float(light.rain_taken_kg_m2[0, 0]) == pytest.approx(0.09)
    heavy = run(setup, 25.0, steady(1, 24.0, 2.9, 1.0, 24.0, 0.0, rain=20.0))
    assert 0.06 * dry_matter <= float(heavy.rain_taken_kg_m2[0, 0]) <= 0.06 * dry_matter * (1 + 1 / 2)
    covered = DryingSetup("tarpaulin", area_m2=10, load_kg_m2=15.0, cover_in_rain=True)
    for rain, caught in ((0.1, 0.0), (0.099, 0.099)):  # from a tenth of a mm it is rain to the forecast too
        taken = run(covered, 25.0, steady(1, 24.0, 2.9, 1.0, 24.0, 0.0, rain=rain)).rain_taken_kg_m2
        assert float(taken[0, 0]) == pytest.approx(caught)


# -- the thin layer and the weather ---------------------------------------------------------------------------------


def test_page_constants_by_hand():
    """Misra and Brooker (1980) in °F; Wang and Singh (1978) with minutes; each held at the edges of its fit."""
    k, n = page_constants(RATES, *map(np.asarray, (30.0, 60.0, 0.5, 30.0)))
    assert float(k) == pytest.approx(math.exp(-7.1735 + 1.2793 * math.log(86.0) + 0.1378 * 0.5))
    assert float(n) == pytest.approx(0.0811 * math.log(60.0) + 0.0078 * 30)
    high = page_constants(RATES, *map(np.asarray, (99.0, 99.0, 9.0, 90.0)))
    assert float(high[0]) == pytest.approx(math.exp(-7.1735 + 1.2793 * math.log(1.8 * 71 + 32) + 0.1378 * 2.33))
    assert float(high[1]) == pytest.approx(0.0811 * math.log(83.0) + 0.0078 * 60)
    paddy = thin_layer_of("paddy")
    for celsius, relative, t, h in ((40.0, 40.0, 40.0, 0.4), (5.0, 10.0, 10.0, 0.25), (70.0, 99.0, 55.0, 0.95)):
        k, n = page_constants(paddy, *map(np.asarray, (celsius, relative, 0.5, 30.0)))
        power = 0.6545 + 0.002425 * t + 0.07867 * h
        assert float(n) == pytest.approx(power)
        assert float(k) == pytest.approx((0.01579 + 0.0001746 * t - 0.01413 * h) * 60**power)
    wheat = thin_layer_of("wheat")
    for celsius, held in ((-5.0, 0.0), (90.0, 70.0)):
        out, edge = (page_constants(wheat, *map(np.asarray, (t, 50.0, 0.5, 25.0)))[0] for t in (celsius, held))
        assert float(out) == pytest.approx(float(edge))


def test_kernels_take_water_up_by_a_plain_exponential_of_the_same_time():
    k, n = np.asarray(0.3), np.asarray(0.6)
    fall = float(moisture_step_db(np.asarray(8.0), np.asarray(12.0), np.asarray(30.0), k, n, 2.0))
    assert fall == pytest.approx(-4 * (1 - math.exp(-(0.3 ** (1 / 0.6)) * 2)))


def test_hours_as_the_layer_takes_them():
    """The ground is the mean of the air's last 24 hours, of the first day before it is over; the first hour twice."""
    hours = 60
    index = pd.date_range("2026-02-01 01:00", periods=hours, freq="h", tz="UTC")
    air = 20 + np.arange(hours) ** 1.5 / 40
    frame = pd.DataFrame(
        {"temperature_c": air, "relative_humidity_pct": 50.0, "wind_m_s": 1.0, "rain_mm": 0.0, "shortwave_w_m2": 9.0},
        index=index,
    )
    found = layer_weather([frame])
    ground = found.ground_c[1:, 0, 0]
    assert ground[:23] == pytest.approx(np.full(23, air[:24].mean()))
    assert ground[23:] == pytest.approx([air[row - 23 : row + 1].mean() for row in range(23, hours)])
    assert found.temperature_c[:, 0, 0] == pytest.approx([air[0], *air])
    assert found.vapour_kpa[1:, 0, 0] == pytest.approx(0.5 * saturation_vapour_pressure(air))
    assert found.sun_w_m2.shape == (hours, 1, 1)
    short = layer_weather([frame.iloc[:10]])
    assert short.ground_c[:, 0, 0] == pytest.approx(np.full(11, air[:10].mean()))


def test_standing_grain_by_hand():
    """dM/dt = -k (M - Me) in dry basis with k growing with warmth; nothing dries on a wet day."""
    celsius, damp, rain = (
        np.array([[26.0], [22.0], [18.0]]),
        np.array([[60.0], [2.0], [99.0]]),
        np.array([[0.0], [50.0], [0.0]]),
    )
    for crop, factor in (("maize", "husk_factor"), ("paddy", "open_factor")):
        found = field_moisture(crop, 30.0, celsius, damp, rain)[:, 0]
        wet = 100 * 30 / 70
        for day in range(3):
            held = min(max(damp[day, 0] / 100, 0.05), 0.95)
            rest = float(moisture_dry_basis(isotherm_parameters(crop), celsius[day], np.asarray([held]))[0])
            rate = field_value("rate_per_day_20c") * math.exp(field_value("warmth_per_c") * (celsius[day, 0] - 20))
            if rain[day, 0] <= field_value("wet_day_mm"):
                wet = rest + (wet - rest) * math.exp(-rate * field_value(factor))
            assert found[day + 1] == pytest.approx(100 * wet / (100 + wet))
