"""Drying forecast of lots: how moisture falls hour by hour, and when each lot is dry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from core.drying.layer import LayerRun, run_layers
from core.drying.setups import DryingSetup
from core.drying.thin_layer import Array, thin_layer_of
from core.drying.weather import as_frames, layer_weather
from core.errors import InputError
from core.given import takes_numbers
from core.grain.commodities import Commodity, ThinLayer, get_commodity
from core.grain.mass import dry_basis, wet_basis
from core.grain.sorption import isotherm_parameters

__all__ = ["DryingRun", "DryingSetup", "simulate_drying", "simulate_lots"]


@dataclass(frozen=True)
class DryingRun:
    """A lot's drying in each weather scenario; rows are the start and then each hour's end.

    Parameters
    ----------
    times : DatetimeIndex (hours + 1)
        The start and each hour's end, in the weather's zone.
    moisture_pct : array (hours + 1, scenarios)
        Moisture of the kernels, % wet basis, mean of the layer.
    grain_temperature_c : array (hours + 1, scenarios)
        Temperature of the layer's top, °C.
    surface_water_kg_m2 : array (hours + 1, scenarios)
        Water on the kernels after rain or dew, kg/m².
    exposed_hours : array (hours + 1, scenarios)
        Uncovered hours so far.
    exposed_hours_to_target : array (scenarios,)
        Uncovered hours until the target, infinity if not reached, 0 if dry at the start.
    days_to_target : array (scenarios,)
        Calendar days, the first counted 1, infinity if not reached, 0 if dry at the start.
    hours_to_target : array (scenarios,)
        Hours by the clock since the start, infinity if not reached.
    evaporated_kg_m2, rain_taken_kg_m2, heat_kj_m2 : array (scenarios,)
        Water given to the air (dew counts negative), rain caught, heat that the evaporation took, over the whole run.
    dry_matter_kg_m2 : float
        Dry matter per m² of layer.
    target_pct : float
        Moisture aimed at, % wet basis.
    setup : DryingSetup
        How it was dried.
    rates : ThinLayer
        The rate used, with its source; `rates.stand_in` says that it is borrowed from another crop.
    """

    times: pd.DatetimeIndex
    moisture_pct: Array
    grain_temperature_c: Array
    surface_water_kg_m2: Array
    exposed_hours: Array
    exposed_hours_to_target: Array
    days_to_target: Array
    hours_to_target: Array
    evaporated_kg_m2: Array
    rain_taken_kg_m2: Array
    heat_kj_m2: Array
    dry_matter_kg_m2: float
    target_pct: float
    setup: DryingSetup
    rates: ThinLayer


@takes_numbers(alone=("moisture_pct", "rate_factors"), finite=("target_pct",))
def simulate_drying(
    commodity: str | Commodity,
    moisture_pct: float | Array,
    weather: pd.DataFrame | Sequence[pd.DataFrame],
    setup: DryingSetup,
    target_pct: float,
    isotherm: str | None = None,
    rate_factors: Array | None = None,
    only_until_dry: bool = False,
) -> DryingRun:
    """Dry one lot through hourly weather, in one or many scenarios.

    Parameters
    ----------
    moisture_pct : float or array (scenarios,)
        Moisture at the start, % wet basis.
    weather : DataFrame or sequence of DataFrame
        Zone-aware hourly index of hour ends; rain_mm and shortwave_w_m2 cover the hour before, temperature_c,
        relative_humidity_pct and wind_m_s (at 10 m) are instantaneous. Several frames are scenarios.
    setup : DryingSetup
        How it is dried; its hours are local.
    target_pct : float
        Moisture aimed at, % wet basis.
    isotherm : str, optional
        Name of a published sorption set; None takes the default.
    rate_factors : array (scenarios,), optional
        What each scenario's rate is against the setup's, from `core.drying.learning.RateBelief.sample`.
    only_until_dry : bool
        See `simulate_lots`.

    Raises
    ------
    InputError
        For impossible moisture or weather.
    """
    factors = None if rate_factors is None else np.asarray(rate_factors, dtype=float)[None, :]
    return simulate_lots(
        [commodity], [moisture_pct], weather, [setup], [target_pct], isotherm, factors, only_until_dry
    )[0]


def simulate_lots(
    commodities: Sequence[str | Commodity],
    moistures_pct: Sequence[float | Array],
    weather: pd.DataFrame | Sequence[pd.DataFrame],
    setups: Sequence[DryingSetup],
    targets_pct: Sequence[float],
    isotherm: str | None = None,
    rate_factors: Array | None = None,
    only_until_dry: bool = False,
) -> list[DryingRun]:
    """Dry many lots through the same scenarios at once.

    Parameters and errors are those of `simulate_drying`, one per lot; rate_factors (lots, scenarios) multiplies the
    setups' own, for a rate that is believed with some doubt. `only_until_dry` leaves out the hours after that in which
    the last of a crop's lots is at its target in the last scenario: for whoever asks only when they are dry.
    """
    if not len(commodities) == len(moistures_pct) == len(setups) == len(targets_pct):
        raise InputError("lots, moistures, setups and targets differ in number")
    frames = as_frames(weather)
    hours = layer_weather(frames)
    index = pd.DatetimeIndex(frames[0].index)
    scenarios = len(frames)
    crops = [get_commodity(item) for item in commodities]
    runs: list[DryingRun | None] = [None] * len(crops)
    by_code: dict[str, list[int]] = {}
    for place, crop in enumerate(crops):
        by_code.setdefault(crop.code, []).append(place)
    for places in by_code.values():
        crop = crops[places[0]]
        moisture = np.stack([_moisture(moistures_pct[place], scenarios) for place in places])
        chosen = [setups[place] for place in places]
        initial = np.stack(
            [
                np.maximum(_moisture(setup.already_dried_from_pct or 0.0, scenarios), values)
                for setup, values in zip(chosen, moisture, strict=True)
            ]
        )
        rates = thin_layer_of(crop)
        layers = run_layers(
            crop,
            rates,
            isotherm_parameters(crop, isotherm),
            chosen,
            dry_basis(moisture),
            dry_basis(initial),
            hours,
            open_hours(index, chosen),
            None if rate_factors is None else np.asarray(rate_factors, dtype=float)[places],
            until_pct=np.array([[targets_pct[place]] for place in places], dtype=float) if only_until_dry else None,
        )
        for row, place in enumerate(places):
            runs[place] = _one_run(layers, row, index, setups[place], float(targets_pct[place]), rates)
    return [run for run in runs if run is not None]


def open_hours(index: pd.DatetimeIndex, setups: Sequence[DryingSetup]) -> Array:
    """Return the hours in which each setup leaves its grain open.

    Parameters
    ----------
    index : DatetimeIndex (hours,)
        Zone-aware hour ends.
    setups : sequence of DryingSetup
        One per lot.

    Returns
    -------
    array of bool (hours, lots)
        True where the middle of the hour lies between the local hours of spreading and covering.
    """
    columns = []
    for setup in setups:
        local = index if setup.time_zone is None else index.tz_convert(setup.time_zone)
        middle = (local.hour + local.minute / 60.0 - 0.5) % 24.0
        spread, cover = setup.hours_open
        inside = (middle > spread) & (middle < cover)
        if cover < spread:
            inside = (middle > spread) | (middle < cover)
        columns.append(np.asarray(inside))
    return np.column_stack(columns)


def _moisture(value: float | Array, scenarios: int) -> Array:
    """Return a moisture as an array over scenarios, or raise if it cannot be."""
    array = np.broadcast_to(np.asarray(value, dtype=float), (scenarios,))
    if not bool(np.all((array >= 0.0) & (array <= 80.0))):
        raise InputError("moisture {value} % is outside 0 to 80", value=float(np.asarray(value).flat[0]))
    return array


def _one_run(
    layers: LayerRun, lot: int, index: pd.DatetimeIndex, setup: DryingSetup, target_pct: float, rates: ThinLayer
) -> DryingRun:
    """Return one lot's part of the layers with the time at which the target is met."""
    moisture = wet_basis(layers.moisture_db[:, lot, :])
    exposed = layers.exposed_hours[:, lot, :]
    times = pd.date_range(index[0] - pd.Timedelta(hours=1), periods=len(moisture), freq="h")
    hours = _crossing(moisture, target_pct)
    reached = np.isfinite(hours)
    row = np.where(reached, hours, 0.0)
    low = np.minimum(np.floor(row).astype(int), len(exposed) - 1)
    high = np.minimum(low + 1, len(exposed) - 1)
    lots = np.arange(exposed.shape[1])
    used = exposed[low, lots] + (row - low) * (exposed[high, lots] - exposed[low, lots])
    return DryingRun(
        times=times,
        moisture_pct=moisture,
        grain_temperature_c=layers.grain_temperature_c[:, lot, :],
        surface_water_kg_m2=layers.film_kg_m2[:, lot, :],
        exposed_hours=exposed,
        exposed_hours_to_target=np.where(reached, used, np.inf),
        days_to_target=_calendar_days(hours, times, setup.time_zone),
        hours_to_target=hours,
        evaporated_kg_m2=layers.evaporated_kg_m2[lot],
        rain_taken_kg_m2=layers.rain_taken_kg_m2[lot],
        heat_kj_m2=layers.heat_kj_m2[lot],
        dry_matter_kg_m2=float(layers.dry_matter_kg_m2[lot, 0]),
        target_pct=target_pct,
        setup=setup,
        rates=rates,
    )


def _crossing(moisture: Array, target: float) -> Array:
    """Return hours since the start at which moisture first meets the target, infinity if never; (scenarios,)."""
    below = moisture <= target
    first = np.argmax(below, axis=0)
    met = below.any(axis=0)
    columns = np.arange(moisture.shape[1])
    after = moisture[first, columns]
    before = moisture[np.maximum(first - 1, 0), columns]
    fall = np.where(before > after, before - after, 1.0)
    part = np.where(first > 0, np.clip((before - target) / fall, 0.0, 1.0), 0.0)
    return np.where(met, np.where(first > 0, first - 1 + part, 0.0), np.inf)


def _calendar_days(hours: Array, times: pd.DatetimeIndex, time_zone: str | None) -> Array:
    """Return local calendar days until the hours have passed, the first counted 1; 0 where nothing had to be dried.

    The first day is that of the first hour's end, so that weather from midnight on counts from that day.
    """
    local = times if time_zone is None else times.tz_convert(time_zone)
    first_day = local[1].normalize().tz_localize(None)
    days = np.full(hours.shape, np.inf)
    for place, value in enumerate(hours):
        if value == 0.0:
            days[place] = 0.0
        elif np.isfinite(value):
            # a hair before the moment, so that an hour ending at midnight belongs to the day that it closes
            moment = local[0] + pd.Timedelta(hours=float(value)) - pd.Timedelta(seconds=1)
            days[place] = max(1.0, (moment.normalize().tz_localize(None) - first_day) / pd.Timedelta(days=1) + 1.0)
    return days
