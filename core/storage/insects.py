"""Storage insects: how fast they multiply, what they eat, and what a sieve tells.

The population grows logistically with a rate that follows temperature and humidity. With B the sum of rate x time, N =
K / (1 + (K / N0 - 1) exp(-B)) holds whatever the rate does, and what feeding individuals eat follows in closed form:
loss = a K ln(1 + N0 / K (exp(B) - 1)). So only B has to be carried from day to day.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.errors import InputError
from core.grain.commodities import Commodity, get_commodity
from core.reference_tables import reference_table

Array = NDArray[Any]
LOSS_CEILING_PCT = 60.0  # what is left is dust and husk; losses of several pests approach it together (judgement)


@dataclass(frozen=True)
class Pest:
    """One species or group, with its limits and its appetite.

    Parameters
    ----------
    growth_per_week : float
        Intrinsic rate at the best temperature and humidity.
    temperature_c : tuple of three floats
        Lowest, best and highest temperature for breeding, degC.
    humidity_fraction : tuple of two floats
        Water activity below which breeding stops, and from which it is at its best.
    capacity_per_kg : float
        Crowded population, insects per kg.
    loss_per_growth_g : float
        Grams per kg eaten per e-fold of a crowded population.
    start_per_kg : float
        Middle of the unknown number at bagging, hidden stages included.
    damage_factor : float
        Damaged kernels (%) per % of weight loss while small.
    borer : bool
        Bores through liners, and a protectant stops less of it.
    """

    key: str
    name: str
    growth_per_week: float
    temperature_c: tuple[float, float, float]
    humidity_fraction: tuple[float, float]
    capacity_per_kg: float
    loss_per_growth_g: float
    start_per_kg: float
    damage_factor: float
    source: str
    basis: str
    borer: bool = False


def insect_table() -> Mapping[str, Any]:
    """Return the table of storage insects as it stands in the file."""
    return reference_table("storage", "insects.toml")


def get_pest(key: str) -> Pest:
    """Return a pest by its key in the table."""
    entry = insect_table()[key]
    low, best, high = entry["temperature_c"]
    return Pest(
        key=key,
        name=entry["name"],
        growth_per_week=float(entry["growth_per_week"]),
        temperature_c=(float(low), float(best), float(high)),
        humidity_fraction=(float(entry["humidity_fraction"][0]), float(entry["humidity_fraction"][1])),
        capacity_per_kg=float(entry["capacity_per_kg"]),
        loss_per_growth_g=float(entry["loss_per_growth_g"]),
        start_per_kg=float(entry["start_per_kg"]),
        damage_factor=float(entry["damage_factor"]),
        source=entry["source"],
        basis=entry["basis"],
        borer=bool(entry.get("borer", False)),
    )


def pests_of(commodity: str | Commodity) -> tuple[Pest, ...]:
    """Return the usual pests of a crop, without those that only some places have (`pests_where_present`).

    A crop without pests of its own has those of the crop that stands for its kind (`kind_stands_for`, judgement).
    """
    crop = get_commodity(commodity)
    keys = crop.pests or get_commodity(insect_table()["kind_stands_for"][crop.kind]).pests
    return tuple(get_pest(key) for key in keys)


def pests_where_present(commodity: str | Commodity) -> tuple[Pest, ...]:
    """Return the pests that a crop has only in some places: the larger grain borer of maize."""
    return tuple(get_pest(key) for key in get_commodity(commodity).pests_where_present)


def temperature_response(pest: Pest, temperature_c: ArrayLike) -> Array:
    """Return the breeding rate relative to the best temperature, 0-1.

    Source: the beta function of Wang and Engel 1998 (Agric. Syst. 58:1) on three cardinal temperatures.
    """
    low, best, high = pest.temperature_c
    alpha = np.log(2.0) / np.log((high - low) / (best - low))
    above = np.clip(np.asarray(temperature_c, dtype=float) - low, 0.0, high - low) ** alpha
    top = (best - low) ** alpha
    return np.asarray(np.maximum((2.0 * above * top - above**2) / top**2, 0.0))


def humidity_response(pest: Pest, activity: ArrayLike) -> Array:
    """Return the breeding rate relative to moist grain, 0-1: straight between the two limits (judgement)."""
    low, best = pest.humidity_fraction
    return np.clip((np.asarray(activity, dtype=float) - low) / (best - low), 0.0, 1.0)


def growth_rate(pest: Pest, temperature_c: ArrayLike, activity: ArrayLike) -> Array:
    """Return the growth rate per day at a grain temperature (degC) and water activity (0-1)."""
    return np.asarray(
        pest.growth_per_week / 7.0 * temperature_response(pest, temperature_c) * humidity_response(pest, activity)
    )


def population(pest: Pest, start_per_kg: ArrayLike, growth: ArrayLike) -> Array:
    """Return insects per kg after a summed growth B (the sum of `growth_rate` over days)."""
    rise = np.exp(np.asarray(growth))
    start = np.asarray(start_per_kg)
    return np.asarray(start * rise / (1.0 + start / pest.capacity_per_kg * (rise - 1.0)))


def eaten_pct(pest: Pest, start_per_kg: ArrayLike, growth: ArrayLike) -> Array:
    """Return what a population has eaten, % of the grain's mass, before food runs short."""
    crowd = np.asarray(start_per_kg) / pest.capacity_per_kg * np.expm1(np.asarray(growth))
    return np.asarray(pest.loss_per_growth_g / 10.0 * np.log1p(crowd))


def food_limited(eaten: ArrayLike) -> Array:
    """Return the loss after food runs short, % (of several pests' summed appetite)."""
    return np.asarray(-LOSS_CEILING_PCT * np.expm1(-np.asarray(eaten) / LOSS_CEILING_PCT))


def damaged_kernels_pct(eaten_by_pest: ArrayLike, damage_factor: ArrayLike) -> Array:
    """Return kernels with insect damage, %.

    Source: weight loss / damage factors of Adams and Schulten 1978 (from memory: maize 1/8), bent so that it never
    passes 100: for the larger grain borer 36 % loss went with 50 % damage, 48 % with 74 %.
    """
    return np.asarray(-100.0 * np.expm1(-np.asarray(eaten_by_pest) * np.asarray(damage_factor) / 100.0))


def start_from_sieve(pest: Pest, counted_per_kg: ArrayLike, sieved_kg: float = 1.0) -> Array:
    """Return the number at bagging that a sieve count makes likely, insects per kg with hidden stages.

    Parameters
    ----------
    counted_per_kg : array_like
        Live adults counted per kg sieved.
    sieved_kg : float
        Mass sieved; little mass says little.

    Notes
    -----
    Gamma prior around the pest's usual start, Poisson count: a count of zero in one kg is not zero insects. Three of
    four insects are taken to be hidden inside kernels (common practice, no source).
    """
    counted = np.asarray(counted_per_kg, dtype=float)
    if not np.all(counted >= 0.0) or sieved_kg <= 0.0:
        raise InputError("insects per kg must be 0 or more and the sieved mass above 0, not {value}", value=counted)
    start = insect_table()["start"]
    visible = 1.0 - float(start["hidden_share"])
    shape = float(start["prior_shape"])
    prior_kg = shape / (pest.start_per_kg * visible)
    return np.asarray((shape + counted * sieved_kg) / (prior_kg + sieved_kg) / visible)


def chance_seen(insects_per_kg: ArrayLike, sieved_kg: float = 1.0) -> Array:
    """Return the chance that sieving shows at least one live insect, visible adults only.

    Insects clump, so that counts are negative binomial with a low exponent (`prior_shape`, judgement), not Poisson: one
    clean kilogram says less than it seems.
    """
    start = insect_table()["start"]
    expected = np.asarray(insects_per_kg, dtype=float) * (1.0 - float(start["hidden_share"])) * sieved_kg
    shape = float(start["prior_shape"])
    return np.asarray(1.0 - (1.0 + expected / shape) ** -shape)
