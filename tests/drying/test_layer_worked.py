"""A made-up layer, none of whose figures is 0 or 1, against plain sums: its surroundings, its fluxes and its steps."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from core.drying import layer as model
from core.drying.layer import LayerWeather, heat_of_evaporation, run_layers
from core.drying.setups import DryingSetup
from core.drying.thin_layer import moisture_step_db, page_constants, thin_layer_of
from core.grain.air import latent_heat, saturation_in_loops
from core.grain.commodities import get_commodity
from core.grain.sorption import humidity, isotherm_parameters, moisture_dry_basis

MAIZE, RATES, CURVE = get_commodity("maize"), thin_layer_of("maize"), isotherm_parameters("maize")
ONE = np.ones((1, 1))
FIGURES = {
    "sun_share": 0.8, "sky_share": 0.6, "ground_w_m2_k": 2.5, "wind_share": 0.4, "still_air_m_s": 0.15, "faces": 1.3,
    "air_rise_k_per_w_m2": 0.01, "heater_rise_k": 3.0, "air_limit_c": 70.0, "exchange_kg_m2_s": 0.02,
    "flow_kg_m2_s": 0.0, "flow_per_wind": 0.0, "roofed": 0.3, "film_share": 0.06,
}  # fmt: skip
LAYER = model._Layer(
    dry_matter=12.0 * ONE, active=0.7 * ONE, depth=0.02 * ONE, bed=5e-4 * ONE, conduction_per_h=0.8 * ONE,
    ground_per_h=0.3 * ONE, rate_factor=1.4 * ONE, time_scale=1.2 * ONE, pressure=88.0 * ONE, turn=2.0 * ONE,
    cover_in_rain=ONE > 2, limit=np.inf * ONE, values={name: value * ONE for name, value in FIGURES.items()},
)  # fmt: skip


def layer(**figures: float) -> model._Layer:
    return replace(LAYER, values=LAYER.values | {name: value * ONE for name, value in figures.items()})


def weather(*, vapour: tuple[float, float] = (1.6, 2.0), sun: float = 500.0, rain: float = 0.0) -> LayerWeather:
    """Return two hours that differ; the second is looked at."""

    def column(*values: float) -> np.ndarray:
        return np.array(values)[:, None, None]

    return LayerWeather(
        temperature_c=column(5.0, 26.0, 30.0),
        vapour_kpa=column(9.0, *vapour),
        wind_m_s=column(9.0, 1.0, 3.0),
        ground_c=column(9.0, 22.0, 24.0),
        sun_w_m2=column(9.0, sun),
        rain_mm=column(9.0, rain),
    )


def surroundings(figures: dict[str, float], celsius: float, vapour: float, sun: float) -> dict[str, float]:
    """Return the same a quarter of the way from 26 to 30 °C, from 1 to 3 m/s and from 22 to 24 °C of the ground."""
    p, outside, wind = figures, 27.0, 1.5
    air = min(outside + p["air_rise_k_per_w_m2"] * sun + p["heater_rise_k"], max(p["air_limit_c"], outside))
    speed = wind * p["wind_share"] + p["still_air_m_s"]
    flow = p["flow_kg_m2_s"] + p["flow_per_wind"] * wind
    rising = 1.4 if celsius < air else max(1.52 * (celsius - air) ** (1 / 3), 2.8)
    convection = flow * 1006.0 if flow > 0 else p["faces"] * (rising + 3.0 * speed)
    ways = [convection / 1006.0 * 0.621945 / 88.0, 5e-4]
    if p["exchange_kg_m2_s"] > 0:
        ways.append(p["exchange_kg_m2_s"] * 0.621945 / 88.0)
    cloud = max(0.5, min(max((vapour / float(saturation_in_loops(outside)) - 0.95) / 0.05, 0), 1))
    clear = 1.24 * (max(vapour, 0.05) * 10 / 300.15) ** (1 / 7) * (1 + 0.22 * cloud**2.75)
    sky = min(clear, 1.0) * 300.15**4
    return {
        "sun": sun, "air_c": air, "vapour": vapour, "wind": speed, "convection": convection,
        "conductance": 1.4 / sum(1 / way for way in ways),
        "around": p["sky_share"] * sky + (1 - p["sky_share"]) * (air + 273.15) ** 4,
        "emits": 0.0 if flow > 0 else 0.93 * 5.670374419e-8, "ground_c": 22.5,
    }  # fmt: skip


@pytest.mark.parametrize(
    "figures",
    [
        {},
        {"exchange_kg_m2_s": 0.0},
        {"air_limit_c": 29.0},
        {"air_limit_c": 20.0},
        {"flow_kg_m2_s": 0.01, "flow_per_wind": 0.02},
    ],
)
@pytest.mark.parametrize("celsius", [24.0, 36.0, 50.0])
@pytest.mark.parametrize("vapour", [0.02, 1.7, 3.45])
def test_what_surrounds_a_layer_within_an_hour(figures, celsius, vapour):
    """A quarter into the second hour; air from the desert's to fog (3.45 kPa are 97 % at 27 °C)."""
    hours = weather(vapour=(vapour - 0.01, vapour + 0.03))
    found = model._air(layer(**figures), hours, 1, 0.25, celsius * ONE)
    wanted = surroundings(FIGURES | figures, celsius, vapour, 500.0)
    assert {name: np.asarray(getattr(found, name)).item() for name in wanted} == pytest.approx(wanted, rel=1e-9)


def test_the_heat_that_a_top_gains():
    air = model._air(LAYER, weather(), 1, 0.25, 36.0 * ONE)
    plain = surroundings(FIGURES, 36.0, 1.7, 500.0)
    wanted = (
        RATES.absorptance * 0.8 * 500.0
        + plain["convection"] * (plain["air_c"] - 36.0)
        + plain["emits"] * (plain["around"] - 309.15**4)
        + 2.5 * 0.7 * (22.5 - 36.0)  # the ground reaches the active part's share
    )
    assert model._heat_gain(LAYER, RATES, air, 36.0 * ONE).item() == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize(
    ("wet", "later", "celsius", "evened", "film", "vapour"),
    [
        (26.0, None, 40.0, 0.4, None, 1.7),
        (26.0, 22.0, 40.0, 1.0, 0.02, 1.7),
        (26.0, 4.0, 40.0, 0.4, 0.2, 1.7),  # the air carries nothing off grain as dry as that
        (7.0, None, 24.0, 0.7, None, 1.9),
        (7.0, 7.5, 24.0, 0.7, 0.01, 3.4),  # dew: what is under the roof gets none
        (26.0, None, 25.0, 0.0, 1e-5, 3.0),  # nearly nothing on the surface: no more than it goes
    ],
)
def test_water_off_kernels_and_off_their_surface(wet, later, celsius, evened, film, vapour):
    """Thin layer and air as two resistances; a rest raises the former; a wet surface shuts kernels off in part."""
    air = model._air(LAYER, weather(vapour=(vapour, vapour)), 1, 0.25, celsius * ONE)
    step, plain = 0.2, surroundings(FIGURES, celsius, vapour, 500.0)
    saturation = float(saturation_in_loops(celsius))
    relative = min(vapour / saturation, 0.95)
    rest = float(moisture_dry_basis(CURVE, np.asarray(celsius), np.asarray(relative)))
    k, n = page_constants(RATES, *map(np.asarray, (celsius, 100 * relative, plain["wind"], 30.0)))
    fall = float(moisture_step_db(*map(np.asarray, (wet, rest, 30.0)), k, n, 0.2 * 1.4 * 1.2))
    thin = 12.0 * 0.7 * fall / 100 / 720  # 0.2 h are 720 s
    inside = min(float(humidity(CURVE, np.asarray(celsius), np.asarray(wet if later is None else later))), 0.95)
    carried = plain["conductance"] * saturation * (inside - relative)
    raised = thin * min((1 - evened / 2) ** (float(n) - 1), 1.5)
    kernels = 0.0 if thin * carried <= 0 else raised * carried / (raised + carried)
    kernels = min(kernels, thin) if thin > 0 else max(kernels, thin)
    exchange = plain["conductance"] * (saturation - vapour)
    surface = 0.0
    if film is not None:
        kernels *= 1 - min(film / 0.05, 1)
        surface = min(exchange, film / 720) if exchange > 0 else exchange * 0.7
    found = model._fluxes(
        LAYER, RATES, CURVE, air, wet * ONE, 30.0 * ONE, None if film is None else film * ONE, evened * ONE,
        celsius * ONE, step, None if later is None else later * ONE,
    )  # fmt: skip
    assert [value.item() for value in found] == pytest.approx([kernels, surface], rel=1e-9, abs=1e-20)


def state(top: float, celsius: float, film: float = 0.0, evened: float = 0.6) -> model._State:
    values = (top, 28.0, film, celsius, 31.0, evened, 0.11, 0.22, 33.0, 4.0)
    return model._State(*(value * ONE for value in values))


@pytest.mark.parametrize("film", [0.0, 0.03])
@pytest.mark.parametrize(
    ("wet", "celsius", "vapour", "within"), [(27.0, 30.0, 1.7, 0.003), (20.0, 45.0, 2.2, 0.003), (9.0, 24.0, 2.8, 0.1)]
)
@pytest.mark.parametrize("step", [1 / 6, 1 / 2])
def test_a_step_keeps_the_balance_of_heat(film, wet, celsius, vapour, within, step):
    """With the water known the top's temperature follows dT/dt = (gain - loss (T - T0) - cooling) / C, solved exactly.

    The water is what leaves at the temperature that the step then has, by two guesses at it only.
    """
    air = model._air(LAYER, weather(vapour=(vapour, vapour)), 1, 0.5, celsius * ONE)
    now = state(wet, celsius, film)
    bed = model._Bed(LAYER, MAIZE, RATES, CURVE, 30.0 * ONE, 2)
    kernels, surface, warm, taken = (value.item() for value in model._step(bed, now, air, step))
    latent = float(heat_of_evaporation(CURVE, np.asarray(celsius), np.asarray(wet)))
    free = float(latent_heat(celsius))
    assert taken == pytest.approx(latent * kernels + free * surface, rel=1e-9)
    seconds = 3600 * step
    gain = model._heat_gain(LAYER, RATES, air, celsius * ONE).item()
    loss = (air.convection + 2.5 * 0.7 + 4 * air.emits * (celsius + 273.15) ** 3).item()
    capacity = model._capacity(LAYER, MAIZE, wet * ONE).item()
    part = 1 - math.exp(-loss * seconds / capacity)
    assert warm == pytest.approx(celsius + (gain - 1000 * taken / seconds) / loss * part, rel=1e-9)

    def fluxes(at: float, later: float | None) -> tuple[float, float]:
        given = None if later is None else later * ONE
        on_it = film * ONE if film else None
        found = model._fluxes(LAYER, RATES, CURVE, air, now.top, bed.initial, on_it, now.evened, at * ONE, step, given)
        return found[0].item(), found[1].item()

    first = fluxes(celsius, None)[0]
    middle = wet - 100 * first * seconds / 2 / (12.0 * 0.7)
    share = 1 / part - capacity / (loss * seconds)

    def missing(at: float) -> float:
        flow, film_flow = fluxes(at, middle)
        return at - celsius - (gain - 1000 * (latent * flow + free * film_flow)) / (capacity / seconds / share + loss)

    at = brentq(missing, celsius - 40, celsius + 60)
    wanted = np.array(fluxes(at, middle)) * seconds
    assert [kernels, surface] == pytest.approx(wanted.tolist(), rel=within, abs=1e-9)


def test_heat_of_evaporation_beyond_the_isotherms_is_that_at_their_ends():
    warmest = float(heat_of_evaporation(CURVE, np.asarray(30.0), np.asarray(3.0)))
    assert float(heat_of_evaporation(CURVE, np.asarray(30.0), np.asarray(1.0))) == warmest > float(latent_heat(30.0))
    wettest = float(heat_of_evaporation(CURVE, np.asarray(30.0), np.asarray(80.0)))
    assert float(heat_of_evaporation(CURVE, np.asarray(30.0), np.asarray(99.0))) == wettest >= float(latent_heat(30.0))


def test_water_leaves_the_top_and_the_surface_soaks_in(monkeypatch):
    """0.012 kg off the kernels and 0.01 off a film of 0.05 in 20 minutes; what is left of it halves in 2 h ln 2."""
    monkeypatch.setattr(model, "_step", lambda *_: (0.012 * ONE, 0.01 * ONE, 37.0 * ONE, 55.0 * ONE))
    bed = model._Bed(LAYER, MAIZE, RATES, CURVE, 30.0 * ONE, 2)
    found = model._dried(bed, state(26.0, 35.0, film=0.05), None, 1 / 3)
    soaked = 0.04 * (1 - math.exp(-1 / 6))
    wanted = {
        "top": 26.0 + 100 * (soaked - 0.012) / (12.0 * 0.7), "below": 28.0, "film": 0.04 - soaked, "temperature": 37.0,
        "temperature_below": 31.0, "evened": 0.6 * math.exp(-1 / 3), "evaporated": 0.11 + 0.022, "rain_taken": 0.22,
        "heat": 33.0 + 55.0, "exposed": 4.0,
    }  # fmt: skip
    assert {name: getattr(found, name).item() for name in wanted} == pytest.approx(wanted)


@pytest.mark.parametrize(("hours", "substeps", "count"), [(9.0, 2, 6), (10.0, 2, 2), (9.5, 3, 9), (11.0, 3, 3)])
def test_the_first_ten_hours_are_taken_in_steps_a_third_as_long(monkeypatch, hours, substeps, count):
    """Each step looks at its own middle; rain comes in equal parts, less what the roof keeps off."""
    middles, lengths = [], []
    monkeypatch.setattr(model, "_air", lambda _layer, _weather, _hour, weight, _celsius: middles.append(weight))
    monkeypatch.setattr(model, "_dried", lambda _bed, now, _air, step: (lengths.append(step), now)[1])
    monkeypatch.setattr(model, "_mixed", lambda _layer, now, _air, _step: now)
    bed = model._Bed(LAYER, MAIZE, RATES, CURVE, 30.0 * ONE, substeps)
    now = replace(state(26.0, 35.0, film=0.1), exposed=hours * ONE)
    found = model._open_hour(bed, now, weather(rain=0.5), 1)
    assert middles == pytest.approx([(part + 0.5) / count for part in range(count)])
    assert lengths == pytest.approx([1 / count] * count)
    # 0.5 mm x 0.7 under a roof that keeps three tenths off; 0.06 x 12 kg have room on the surface
    assert found.film.item() == pytest.approx(0.45)
    assert found.rain_taken.item() == pytest.approx(0.22 + 0.35)
    assert found.exposed.item() == hours + 1
    full = model._open_hour(bed, now, weather(rain=5.0), 1)
    assert (full.film.item(), full.rain_taken.item()) == pytest.approx((0.72, 0.22 + 0.62))
    # dew may have brought more than that: rain then runs off and takes none away
    over = model._open_hour(bed, replace(now, film=0.9 * ONE), weather(rain=5.0), 1)
    assert (over.film.item(), over.rain_taken.item()) == pytest.approx((0.9, 0.22))


def test_believed_rates_multiply_those_of_the_setups_and_drying_goes_on_from_where_it_began():
    hours = LayerWeather(*(getattr(weather(), name)[[1, 2, 2, 2]] for name in ("temperature_c", "vapour_kpa")),
                         *(getattr(weather(), name)[[1, 2, 2, 2]] for name in ("wind_m_s", "ground_c")),
                         sun_w_m2=np.full((3, 1, 1), 500.0), rain_mm=np.zeros((3, 1, 1)))  # fmt: skip
    grain = np.array([[22.0, 22.0], [25.0, 25.0]])

    def run(factors: tuple[float, float], believed: np.ndarray | None, initial: np.ndarray) -> model.LayerRun:
        setups = [DryingSetup("tarpaulin", 10, load, rate_factor=f) for load, f in zip((15, 20), factors, strict=True)]
        return run_layers(MAIZE, RATES, CURVE, setups, grain, initial, hours, np.ones((3, 2), bool), believed)

    both = run((1.3, 0.8), np.array([[1.5, 1.5], [0.7, 0.7]]), grain)
    alone = run((1.3 * 1.5, 0.8 * 0.7), None, grain)
    np.testing.assert_allclose(both.moisture_db, alone.moisture_db, rtol=1e-12)
    # grain cannot have begun drier than it is; where it began wetter it dries more slowly
    np.testing.assert_array_equal(
        run((1.3, 0.8), None, grain - 9).moisture_db, run((1.3, 0.8), None, grain).moisture_db
    )
    assert (run((1.3, 0.8), None, grain + 9).moisture_db[-1] > run((1.3, 0.8), None, grain).moisture_db[-1]).all()
