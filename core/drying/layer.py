"""Heat and water of drying grain layers, step by step, for many lots and many weather scenarios at once.

Shapes: time first, lots second, scenarios last. The layer has an active top, which sun and air reach, and the grain
below it, which only turning and slow diffusion bring up. Each step solves the heat balance of the active top with
evaporation in it, so that water never leaves without the heat that it takes; evaporation is what the thin layer and the
air's capacity to carry vapour allow together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from core.drying.setups import DryingSetup
from core.drying.thin_layer import Array, moisture_step_db, page_constants
from core.grain.air import KELVIN, latent_heat, pressure_at_altitude, saturation_in_loops
from core.grain.commodities import Commodity, IsothermSet, ThinLayer
from core.grain.mass import wet_basis
from core.grain.properties import sorption_heat, specific_heat
from core.grain.sorption import humidity, moisture_dry_basis
from core.weather.frames import WET_HOUR_MM

STEFAN_BOLTZMANN = 5.670374419e-8
"""W/(m² K⁴) (SI 2019)."""
AIR_HEAT_CAPACITY = 1006.0
"""J/(kg K), dry air near 20-50 °C (ASHRAE Fundamentals, ch. 1)."""
WATER_RATIO = 0.621945
"""Molar mass of water over that of dry air (ASHRAE Fundamentals, ch. 1)."""
HIGHEST_HUMIDITY = 0.95
"""Fraction beyond which no isotherm is followed; wetter air wets grain no further than this, save as dew."""
GRAIN_EMISSIVITY = 0.93
"""Long-wave emissivity of grain (from memory, vegetable matter 0.90-0.95)."""
CLOUD = 0.5
"""Cloud fraction assumed for the sky's long-wave radiation, more in air above 95 % (judgement)."""
FIRST_DAY_HOURS, FIRST_DAY_FINER = 10, 3
FULL_FILM_KG_M2 = 0.05
"""Surface water that wets all kernels of a layer's top (judgement)."""
SOAK_HOURS = 2.0
"""Hours in which surface water soaks into kernels (judgement)."""
HEAP_HOURS = 4.0
"""Hours in which a covered heap follows the air's temperature (judgement)."""
DIFFUSION_HOURS = 30.0
"""Hours in which an unturned layer evens out between its top and the grain below (judgement)."""
BED_DEPTH_M = 0.01
"""Depth of the top for which a method's vapour conductance stands in setups.toml; a deeper top has a longer way out."""
BED_POROSITY = 0.40
"""Porosity for which it stands; others by Bruggeman's D = D0 e^1.5, as gas diffuses through packed grains."""
GRAIN_CONDUCTIVITY = 0.16
"""Heat conductivity of bulk grain, W/(m K): shelled maize 0.15-0.18 (Kazarian & Hall 1965, from memory)."""
HEAT_CAPACITY_J_KG_K = 2000.0
"""Heat capacity of moist grain for the exchange between top and below, J/(kg K): maize at 15 % (Mohsenin 1980)."""
EVENING_HOURS = 6.0
"""Hours of rest in which moisture evens out inside kernels (tempering, common practice 4-8 h)."""
EVENING_LIMIT = 1.5
"""Most that a rest can raise the kernels' own rate; the thin layer stays the ceiling (judgement)."""


@dataclass(frozen=True)
class LayerWeather:
    """Hourly weather as arrays; values at stamps have one row more than sums over hours.

    Parameters
    ----------
    temperature_c, vapour_kpa, wind_m_s, ground_c : array (hours + 1, lots or 1, scenarios)
        Air at the stamps, °C, kPa, m/s at 10 m; and the ground's temperature, °C.
    sun_w_m2, rain_mm : array (hours, lots or 1, scenarios)
        Mean sunlight and sum of rain of each hour.
    """

    temperature_c: Array
    vapour_kpa: Array
    wind_m_s: Array
    ground_c: Array
    sun_w_m2: Array
    rain_mm: Array


@dataclass(frozen=True)
class LayerRun:
    """What became of the layers; rows are the start and then each hour's end.

    Parameters
    ----------
    moisture_db : array (hours + 1, lots, scenarios)
        Moisture of the kernels, mean of the layer, % dry basis.
    film_kg_m2 : array (hours + 1, lots, scenarios)
        Water on the kernels' surface after rain or dew, kg/m².
    grain_temperature_c : array (hours + 1, lots, scenarios)
        Temperature of the active top, °C.
    exposed_hours : array (hours + 1, lots, scenarios)
        Uncovered hours so far.
    evaporated_kg_m2, rain_taken_kg_m2, heat_kj_m2 : array (lots, scenarios)
        Water given to the air (dew negative), rain caught, heat that the evaporation took, since the start.
    dry_matter_kg_m2 : array (lots, 1)
        Dry matter per m².
    """

    moisture_db: Array
    film_kg_m2: Array
    grain_temperature_c: Array
    exposed_hours: Array
    evaporated_kg_m2: Array
    rain_taken_kg_m2: Array
    heat_kj_m2: Array
    dry_matter_kg_m2: Array


@dataclass(frozen=True)
class _Layer:
    """Parameters of the lots as columns (lots, 1)."""

    dry_matter: Array
    active: Array
    depth: Array
    bed: Array
    conduction_per_h: Array
    ground_per_h: Array
    rate_factor: Array
    time_scale: Array
    pressure: Array
    turn: Array
    cover_in_rain: Array
    limit: Array
    values: dict[str, Array]

    def __getattr__(self, name: str) -> Array:
        return self.values[name]


def _columns(setups: Sequence[DryingSetup], crop: Commodity, moisture_db: Array) -> _Layer:
    """Return the setups' parameters as columns over lots."""

    def column(values: Sequence[float]) -> Array:
        return np.asarray(values, dtype=float)[:, None]

    rows = [setup.table for setup in setups]
    numbers = [key for key, value in rows[0].items() if isinstance(value, int | float)]
    values = {key: column([float(row.get(key, 0.0)) for row in rows]) for key in numbers}
    load = column([setup.load for setup in setups])
    depth = load / crop.bulk_density_kg_m3
    # the seldomer a layer is turned, the thinner the top that takes part (judgement; a still bed dries at its top)
    turned = np.sqrt(1.0 / np.maximum(column([setup.turning for setup in setups]), 1.0))
    open_pores = (crop.porosity / BED_POROSITY) ** 1.5
    takes_part = open_pores * (values["still_depth_m"] + (values["active_depth_m"] - values["still_depth_m"]) * turned)
    active = np.minimum(1.0, takes_part / depth)
    top_depth = active * depth
    # heat between the middles of top and below, over the capacity that top and below have together in series
    capacity = HEAT_CAPACITY_J_KG_K * load
    between = np.maximum(active * (1.0 - active), 1e-9) * capacity
    conduction = GRAIN_CONDUCTIVITY / (0.5 * depth) * 3600.0 / between
    limits = [np.inf if s.grain_temperature_limit_c is None else s.grain_temperature_limit_c for s in setups]
    return _Layer(
        dry_matter=load / (1.0 + moisture_db.mean(axis=1, keepdims=True) / 100.0),
        active=active,
        depth=depth,
        bed=values["bed_kg_m2_s_kpa"] * BED_DEPTH_M / top_depth * open_pores,
        conduction_per_h=conduction,
        ground_per_h=values["ground_w_m2_k"] * 3600.0 / capacity,
        rate_factor=column([setup.rate_factor for setup in setups]),
        time_scale=column([float(row.get("time_scale", 1.0)) for row in rows]),
        pressure=column([float(pressure_at_altitude(setup.altitude_m)) for setup in setups]),
        turn=column([setup.turning for setup in setups]),
        cover_in_rain=column([float(setup.cover_in_rain) for setup in setups]) > 0,
        limit=column(limits),
        values=values,
    )


def heat_of_evaporation(isotherm: IsothermSet, temperature_c: Array, moisture_db: Array) -> Array:
    """Return the heat that takes water out of grain, kJ/kg: never less than that of free water.

    `core.grain.properties.sorption_heat`, with moisture held at 3-80 % dry basis: drier, the isotherms end, wetter, the
    water is free.
    """
    bound = sorption_heat(isotherm, temperature_c, np.clip(moisture_db, 3.0, 80.0))
    return np.maximum(bound, latent_heat(temperature_c))


@dataclass(frozen=True)
class _State:
    """The layers at one moment: arrays (lots, scenarios), moisture % dry basis, temperature °C, sums per m²."""

    top: Array
    below: Array
    film: Array
    temperature: Array
    temperature_below: Array
    evened: Array
    evaporated: Array
    rain_taken: Array
    heat: Array
    exposed: Array


@dataclass(frozen=True)
class _Bed:
    """What stays the same while layers of one crop dry: their columns, and the crop's rate and equilibrium."""

    layer: _Layer
    crop: Commodity
    rates: ThinLayer
    isotherm: IsothermSet
    initial: Array
    substeps: int


def run_layers(
    crop: Commodity,
    rates: ThinLayer,
    isotherm: IsothermSet,
    setups: Sequence[DryingSetup],
    moisture_db: Array,
    initial_db: Array,
    weather: LayerWeather,
    open_hours: Array,
    rate_factors: Array | None = None,
    substeps: int = 2,
    until_pct: Array | None = None,
) -> LayerRun:
    """Dry layers of one crop through hourly weather.

    Parameters
    ----------
    crop, rates, isotherm : Commodity, ThinLayer, IsothermSet
        The crop's heat, rate and equilibrium.
    setups : sequence of DryingSetup
        One per lot.
    moisture_db, initial_db : array (lots, scenarios)
        Moisture now, and where drying once began, % dry basis.
    weather : LayerWeather
        The hours.
    open_hours : array of bool (hours, lots)
        Hours in which the grain is meant to lie open.
    rate_factors : array (lots, scenarios), optional
        Multiplies the setups' rate factors.
    substeps : int
        Inner steps per hour.
    until_pct : array (lots, 1), optional
        Ends the run with the hour by which every layer has been this dry in every scenario, % wet basis.
    """
    layer = _columns(setups, crop, moisture_db)
    if rate_factors is not None:
        layer = replace(layer, rate_factor=layer.rate_factor * rate_factors)
    initial = np.maximum(initial_db, moisture_db).astype(float)
    bed = _Bed(layer, crop, rates, isotherm, initial, substeps)
    active = layer.active
    state = _at_start(moisture_db, weather)
    moments, means = [state], [active * state.top + (1.0 - active) * state.below]
    been_dry = np.zeros(moisture_db.shape, dtype=bool)
    for hour in range(weather.sun_w_m2.shape[0]):
        state = _hour(bed, state, weather, hour, open_hours[hour][:, None])
        moments.append(state)
        means.append(active * state.top + (1.0 - active) * state.below)
        if until_pct is not None:
            been_dry |= wet_basis(means[-1]) <= until_pct
            if bool(been_dry.all()):
                break
    return LayerRun(
        moisture_db=np.stack(means),
        film_kg_m2=np.stack([one.film for one in moments]),
        grain_temperature_c=np.stack([one.temperature for one in moments]),
        exposed_hours=np.stack([one.exposed for one in moments]),
        evaporated_kg_m2=state.evaporated,
        rain_taken_kg_m2=state.rain_taken,
        heat_kj_m2=state.heat,
        dry_matter_kg_m2=layer.dry_matter,
    )


def _at_start(moisture_db: Array, weather: LayerWeather) -> _State:
    """Return layers that are even throughout, dry at their surface and as warm as the air."""
    shape = moisture_db.shape
    none = np.zeros(shape)
    air = np.broadcast_to(weather.temperature_c[0], shape).astype(float)
    wet = moisture_db.astype(float)
    return _State(wet, wet, none, air, air, np.ones(shape), none, none, none, none)


def _hour(bed: _Bed, state: _State, weather: LayerWeather, hour: int, wanted_open: Array) -> _State:
    """Return the layers an hour later: those that lie open dry, the others rest in their heap."""
    layer = bed.layer
    wanted = wanted_open & ~(layer.cover_in_rain & (weather.rain_mm[hour] >= WET_HOUR_MM))
    is_open = np.broadcast_to(wanted & (state.temperature <= layer.limit), state.top.shape)
    if bool(is_open.all()):
        return _open_hour(bed, state, weather, hour)
    covered = _covered_hour(layer, state, weather.temperature_c[hour + 1])
    if not bool(is_open.any()):
        return covered
    opened = _open_hour(bed, state, weather, hour)
    return _State(
        **{one.name: np.where(is_open, getattr(opened, one.name), getattr(covered, one.name)) for one in fields(_State)}
    )


def _open_hour(bed: _Bed, state: _State, weather: LayerWeather, hour: int) -> _State:
    """Return layers after an hour in the open, in inner steps."""
    layer = bed.layer
    rain = weather.rain_mm[hour] * (1.0 - layer.roofed)
    film_room = layer.film_share * layer.dry_matter
    # Page's rate falls steeply at first: the first day is taken in finer steps
    count = bed.substeps * (FIRST_DAY_FINER if state.exposed.min() < FIRST_DAY_HOURS else 1)
    step = 1.0 / count
    for inner in range(count):
        caught = np.minimum(rain * step, np.maximum(film_room - state.film, 0.0))
        state = replace(state, film=state.film + caught, rain_taken=state.rain_taken + caught)
        air = _air(layer, weather, hour, (inner + 0.5) * step, state.temperature)
        state = _mixed(layer, _dried(bed, state, air, step), air, step)
    return replace(state, exposed=state.exposed + 1.0)


def _dried(bed: _Bed, state: _State, air: _Air, step: float) -> _State:
    """Return layers after evaporation over an inner step of hours; surface water soaks in meanwhile."""
    layer = bed.layer
    water, film_water, temperature, taken = _step(bed, state, air, step)
    top_mass = layer.dry_matter * layer.active
    left = np.maximum(state.film - film_water, 0.0)
    soaked = left * -np.expm1(-step / SOAK_HOURS)
    return replace(
        state,
        top=state.top + 100.0 * (soaked - water) / top_mass,
        film=left - soaked,
        temperature=temperature,
        evened=state.evened * np.exp(-step),
        evaporated=state.evaporated + water + film_water,
        heat=state.heat + taken,
    )


def _mixed(layer: _Layer, state: _State, air: _Air, step: float) -> _State:
    """Return layers after turning and slow exchange over an inner step: moisture and heat move between top and below.

    Turning is spread evenly over its interval. Heat also passes by conduction through half of the layer, and from the
    grain below to the ground.
    """
    turning = np.exp(-step / layer.turn)
    wet = (state.below - state.top) * (1.0 - turning * np.exp(-step / DIFFUSION_HOURS))
    conducted = np.exp(-step * layer.conduction_per_h)
    warm = (state.temperature_below - state.temperature) * (1.0 - turning * conducted)
    cooler = state.temperature_below - warm * layer.active
    to_ground = (air.ground_c - cooler) * -np.expm1(-step * layer.ground_per_h)
    return replace(
        state,
        top=state.top + wet * (1.0 - layer.active),
        below=state.below - wet * layer.active,
        temperature=state.temperature + warm * (1.0 - layer.active),
        temperature_below=cooler + to_ground,
    )


def _covered_hour(layer: _Layer, state: _State, air_c: Array) -> _State:
    """Return layers after an hour heaped under a cover.

    Surface water soaks in, top and bottom mix, the heap follows the air slowly, moisture evens out inside kernels.
    """
    active = layer.active
    mean = active * state.top + (1.0 - active) * state.below + 100.0 * state.film / layer.dry_matter
    heap = active * state.temperature + (1.0 - active) * state.temperature_below
    relaxed = heap + (air_c - heap) * -np.expm1(-1.0 / HEAP_HOURS)
    return replace(
        state,
        top=mean,
        below=mean,
        film=np.zeros_like(state.film),
        temperature=relaxed,
        temperature_below=relaxed,
        evened=1.0 - (1.0 - state.evened) * np.exp(-1.0 / EVENING_HOURS),
    )


@dataclass(frozen=True)
class _Air:
    """What surrounds the active top during one step: arrays (lots or 1, scenarios), W/m², kPa, kg/(m² s kPa)."""

    sun: Array
    air_c: Array
    vapour: Array
    wind: Array
    convection: Array
    conductance: Array
    around: Array
    emits: Array
    ground_c: Array


def _air(layer: _Layer, weather: LayerWeather, hour: int, weight: float, temperature: Array) -> _Air:
    """Return the surroundings at a part (`weight`, 0-1) of an hour for layers of that temperature, °C."""

    def at(values: Array) -> Array:
        return values[hour] + weight * (values[hour + 1] - values[hour])

    sun = weather.sun_w_m2[hour]
    outside = at(weather.temperature_c)
    vapour = at(weather.vapour_kpa)
    air = np.minimum(
        outside + layer.air_rise_k_per_w_m2 * sun + layer.heater_rise_k, np.maximum(layer.air_limit_c, outside)
    )
    wind = at(weather.wind_m_s) * layer.wind_share + layer.still_air_m_s
    flow = layer.flow_kg_m2_s + layer.flow_per_wind * at(weather.wind_m_s)
    through = flow > 0
    # warm air rises from a warm layer even without wind (Holman, hot plate facing up: 1.52 ΔT^(1/3))
    # over a colder layer the air lies still and half of the constant is left (judgement)
    rising = np.where(temperature < air, 1.4, np.maximum(1.52 * np.cbrt(np.maximum(temperature - air, 0.0)), 2.8))
    convection = np.where(through, flow * AIR_HEAT_CAPACITY, layer.faces * (rising + 3.0 * wind))
    surface = convection / AIR_HEAT_CAPACITY * WATER_RATIO / layer.pressure
    renewed = layer.exchange_kg_m2_s * WATER_RATIO / layer.pressure
    resistance = 1.0 / surface + 1.0 / layer.bed
    resistance = resistance + np.where(renewed > 0, 1.0 / np.maximum(renewed, 1e-12), 0.0)
    clear = 1.24 * (np.maximum(vapour, 0.05) * 10.0 / (outside + KELVIN)) ** (1.0 / 7.0)  # Brutsaert 1975, hPa
    # air near saturation is fog or under cloud: its sky is as warm as itself
    cloud = np.maximum(CLOUD, np.clip(20.0 * vapour / saturation_in_loops(outside) - 19.0, 0.0, 1.0))
    sky = np.minimum(clear * (1.0 + 0.22 * cloud**2.75), 1.0) * (outside + KELVIN) ** 4
    around = layer.sky_share * sky + (1.0 - layer.sky_share) * (air + KELVIN) ** 4
    emits = GRAIN_EMISSIVITY * STEFAN_BOLTZMANN * np.where(through, 0.0, 1.0)
    return _Air(sun, air, vapour, wind, convection, layer.rate_factor / resistance, around, emits, at(weather.ground_c))


def _heat_gain(layer: _Layer, rates: ThinLayer, air: _Air, temperature: Array) -> Array:
    """Return the heat that the active top gains without evaporation, W/m²."""
    return (
        rates.absorptance * layer.sun_share * air.sun
        + air.convection * (air.air_c - temperature)
        + air.emits * (air.around - (temperature + KELVIN) ** 4)
        + layer.ground_w_m2_k * layer.active * (air.ground_c - temperature)
    )


def _fluxes(
    layer: _Layer,
    rates: ThinLayer,
    isotherm: IsothermSet,
    air: _Air,
    top: Array,
    initial: Array,
    film: Array | None,
    evened: Array,
    temperature: Array,
    step: float,
    later: Array | None = None,
) -> tuple[Array, Array]:
    """Return evaporation from kernels and from the surface, kg/(m² s), over a step of hours at a temperature, °C.

    The thin layer and the carrying capacity of the air are two resistances one after the other. A rest that evened out
    the kernels raises their part of it, but never above what the thin layer itself allows. `later` is the moisture in
    the middle of the step, where it is known, for what the air carries.
    """
    seconds = 3600.0 * step
    saturation = saturation_in_loops(temperature)
    relative = np.minimum(air.vapour / saturation, HIGHEST_HUMIDITY)
    equilibrium = moisture_dry_basis(isotherm, temperature, relative)
    k, n = page_constants(rates, temperature, 100.0 * relative, air.wind, initial)
    fall = moisture_step_db(top, equilibrium, initial, k, n, step * layer.rate_factor * layer.time_scale)
    thin = layer.dry_matter * layer.active * fall / (100.0 * seconds)
    boosted = thin * np.minimum((1.0 - 0.5 * evened) ** (n - 1.0), EVENING_LIMIT)
    grain = np.minimum(humidity(isotherm, temperature, top if later is None else later), HIGHEST_HUMIDITY)
    carried = air.conductance * saturation * (grain - relative)
    same = thin * carried > 0.0
    together = np.where(same, boosted * carried / np.where(same, boosted + carried, 1.0), 0.0)
    kernels = np.where(thin > 0, np.minimum(together, thin), np.maximum(together, thin))
    if film is None:
        return kernels, np.zeros(())
    exchange = air.conductance * (saturation - air.vapour)
    surface = np.where(exchange > 0, np.minimum(exchange, film / seconds), exchange * (1.0 - layer.roofed))
    return kernels * (1.0 - np.minimum(film / FULL_FILM_KG_M2, 1.0)), surface


def _capacity(layer: _Layer, crop: Commodity, top: Array) -> Array:
    """Return the heat capacity of the active top, J/(m² K)."""
    specific = specific_heat(crop, wet_basis(top))
    return 1000.0 * specific * layer.dry_matter * layer.active * (1.0 + top / 100.0)


def _step(bed: _Bed, state: _State, air: _Air, step: float) -> tuple[Array, Array, Array, Array]:
    """Return water from kernels and from the surface, kg/m², the new temperature, °C, and the heat taken, kJ/m².

    One implicit step of the heat balance: evaporation is taken at three temperatures that close in on the balance, and
    the smaller of the last two counts, so that it stays within both limits at the temperature that then follows.
    """
    layer, top, film, temperature = bed.layer, state.top, state.film, state.temperature
    seconds = 3600.0 * step
    gain = _heat_gain(layer, bed.rates, air, temperature)
    capacity = _capacity(layer, bed.crop, top) / seconds
    loss = air.convection + layer.ground_w_m2_k * layer.active + 4.0 * air.emits * (temperature + KELVIN) ** 3
    # the temperature that stands for the step: near the middle for heavy layers, near the end for light ones
    # (exponential fitting, exact for a layer without evaporation)
    ratio = loss / capacity
    share = 1.0 / -np.expm1(-ratio) - 1.0 / ratio
    slope = capacity / share + loss
    latent = 1000.0 * heat_of_evaporation(bed.isotherm, temperature, top)
    free = 1000.0 * latent_heat(temperature)
    wet = film if bool((film > 0).any()) or bool((air.vapour > saturation_in_loops(temperature)).any()) else None

    def fluxes(at_temperature: Array, later: Array | None = None) -> tuple[Array, Array]:
        return _fluxes(
            layer, bed.rates, bed.isotherm, air, top, bed.initial, wet, state.evened, at_temperature, step, later
        )

    kernels_0, film_0 = fluxes(temperature)
    middle = top - 50.0 * kernels_0 * seconds / (layer.dry_matter * layer.active)
    cooling_0 = latent * kernels_0 + free * film_0
    trial = temperature + np.clip((gain - cooling_0) / slope, -20.0, 20.0)
    trial = np.where(np.abs(trial - temperature) < 0.01, temperature + 0.01, trial)
    kernels_1, film_1 = fluxes(trial, middle)
    by_degree = np.maximum((latent * kernels_1 + free * film_1 - cooling_0) / (trial - temperature), 0.0)
    solved = temperature + (gain - cooling_0) / (slope + by_degree)
    kernels_2, film_2 = fluxes(solved, middle)
    part = (solved - temperature) / (trial - temperature)

    def smaller(guess: Array, last: Array) -> Array:
        return np.where(last > 0, np.clip(guess, 0.0, last), np.clip(guess, last, 0.0))

    kernels = smaller(kernels_0 + (kernels_1 - kernels_0) * part, kernels_2)
    surface = smaller(film_0 + (film_1 - film_0) * part, film_2)
    cooling = latent * kernels + free * surface
    new_temperature = temperature + (gain - cooling) / (slope * share)
    return kernels * seconds, surface * seconds, new_temperature, cooling * seconds / 1000.0
