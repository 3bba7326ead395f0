"""Dry-matter loss of stored grain by its own respiration and that of its microflora, and the published allowable time.

Every relation is written as a *rate of ageing* and a curve of loss over age, so that varying temperature and moisture
add up (the rule of spent fractions, Thompson 1972): age = sum of dt / multiplier, loss = curve(age).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from core.errors import InputError, OutOfRangeError
from core.given import takes_numbers
from core.grain.commodities import Commodity, get_commodity
from core.grain.sorption import humidity, isotherm_parameters, moisture_dry_basis

Array = NDArray[Any]

HOURS_PER_DAY = 24.0
MAIZE_BRANCH_C = 15.5
GERMINATION_DROP_PROBIT = 0.578  # probit(0.98) - probit(0.93): a five-point drop from 98 %
# Seib, Pfost, Sukabdi, Rao and Burroughs 1980, long-grain rough rice: A, C, D (per degF), E (per decimal w.b.)
SEIB_LONG_GRAIN = (0.001889, 0.7101, 0.02740, 31.63)


EQUAL_HUMIDITY = "equal humidity"
"""No relation of the crop's own: maize at the same equilibrium humidity stands in (an assumption, said on the page)."""


def maize_moisture_multiplier(moisture_pct: ArrayLike) -> Array:
    """Return the moisture multiplier of allowable time for shelled maize (1 at 25 % w.b.).

    Source: Thompson 1972, Trans. ASAE 15:333; ASABE D535 form, from Steele, Saul and Hukill 1969; 13-35 % w.b.
    """
    wet = np.asarray(moisture_pct, dtype=float)
    dry = np.maximum(100.0 * wet / (100.0 - wet), 3.0)  # below 3 % d.b. the exponential overflows and nothing spoils
    return np.asarray(0.103 * (np.exp(455.0 / dry**1.53) - 0.00845 * dry + 1.558))


def maize_temperature_multiplier(temperature_c: ArrayLike, moisture_pct: ArrayLike) -> Array:
    """Return the temperature multiplier of allowable time for shelled maize (1 at 15.6 degC).

    One branch at or below 15.5 degC, another above it, where grain wetter than 19 % gains a term.
    Source: Thompson 1972; ASABE D535 form. The cold branch used at 30 degC would give half the time.
    """
    celsius = np.asarray(temperature_c, dtype=float)
    moisture = np.asarray(moisture_pct, dtype=float)
    cold = 128.76 * np.exp(-0.1458 * celsius - 2.592)
    warm = 32.3 * np.exp(-0.1044 * celsius - 1.856)
    wet_term = np.clip(moisture - 19.0, 0.0, 9.0) / 100.0 * np.exp(0.0183 * celsius - 0.2847)
    return np.asarray(np.where(celsius <= MAIZE_BRANCH_C, cold, warm + wet_term))


def maize_damage_multiplier(damaged_pct: ArrayLike) -> Array:
    """Return the multiplier for mechanically damaged kernels, % by mass (1.015 at 30 %; hand-shelled 5 % 1.85).

    Source: ASABE D535 form, 2.08 exp(-0.0239 D).
    """
    return np.asarray(2.08 * np.exp(-0.0239 * np.asarray(damaged_pct, dtype=float)))


def _damage_multiplier(kind: str, damaged_pct: Array) -> Array:
    """Return the multiplier of allowable time for damaged kernels, or for splits (to 0.60 of itself at 16 %)."""
    if kind == "splits":
        return maize_damage_multiplier(30.0) * (1.0 - 0.40 * np.minimum(damaged_pct, 16.0) / 16.0)
    return maize_damage_multiplier(damaged_pct)


def _thompson_rate(temperature_c: Array, moisture_pct: Array, damage: Array) -> Array:
    """Return equivalent reference hours per day."""
    return HOURS_PER_DAY / (
        maize_moisture_multiplier(moisture_pct) * maize_temperature_multiplier(temperature_c, moisture_pct) * damage
    )


def _thompson_loss(hours: Array) -> Array:
    """Return dry-matter loss, %, at reference hours: 0.0884 (exp(0.006 t) - 1) + 0.00102 t (Saul and Steele 1966)."""
    return np.asarray(0.0884 * np.expm1(0.006 * hours) + 0.00102 * hours)


def _thompson_age(loss_pct: Array) -> Array:
    """Return the reference hours at which a loss is reached, by Newton steps on a convex rising curve."""
    hours = np.log1p(loss_pct / 0.0884) / 0.006  # above the root: the curve without its linear part
    for _ in range(40):
        slope = 0.0884 * 0.006 * np.exp(0.006 * hours) + 0.00102
        hours = hours - (_thompson_loss(hours) - loss_pct) / slope
    return np.asarray(hours)


def _thompson_loss_in_store(hours: Array) -> Array:
    """Return the same, carried on along a straight line beyond 3.7 % (600 reference hours, judgement)."""
    inside = np.minimum(hours, 600.0)
    slope = 0.0884 * 0.006 * np.exp(3.6) + 0.00102
    return np.asarray(np.minimum(_thompson_loss(inside) + slope * (hours - inside), 100.0))


def _seib_rate(temperature_c: Array, moisture_pct: Array, damage: Array) -> Array:
    """Return age per day, where loss = 1 - exp(-age ** C); damage was not studied."""
    a, c, d, e = SEIB_LONG_GRAIN
    fahrenheit = 1.8 * temperature_c + 32.0
    per_thousand_hours = a * np.exp(d * (fahrenheit - 60.0)) * np.exp(e * (moisture_pct / 100.0 - 0.14))
    return np.asarray(per_thousand_hours ** (1.0 / c) * HOURS_PER_DAY / 1000.0)


def _seib_loss(age: Array) -> Array:
    """Return dry-matter loss, %, at an age: 100 (1 - exp(-age ** 0.7101))."""
    return np.asarray(100.0 * -np.expm1(-(age ** SEIB_LONG_GRAIN[1])))


def _seib_age(loss_pct: Array) -> Array:
    """Return the age at which a loss is reached."""
    return np.asarray((-np.log1p(-loss_pct / 100.0)) ** (1.0 / SEIB_LONG_GRAIN[1]))


@dataclass(frozen=True)
class LossRelation:
    """One published relation of dry-matter loss.

    Parameters
    ----------
    rate : callable
        Age per day of temperature, °C, moisture, % w.b., and the damage multiplier.
    loss, loss_in_store : callable
        Loss, %, at an age; and the same without a spoilt lot vanishing.
    age : callable
        The inverse of `loss`.
    """

    rate: Callable[[Array, Array, Array], Array]
    loss: Callable[[Array], Array]
    loss_in_store: Callable[[Array], Array]
    age: Callable[[Array], Array]


# beyond 1500 reference hours the published exponential passes 100 %
_THOMPSON = LossRelation(
    _thompson_rate,
    lambda hours: np.minimum(_thompson_loss(np.minimum(hours, 1500.0)), 100.0),
    _thompson_loss_in_store,
    _thompson_age,
)
RELATIONS: Mapping[str, LossRelation] = {
    "thompson": _THOMPSON,
    "seib": LossRelation(_seib_rate, _seib_loss, _seib_loss, _seib_age),
    EQUAL_HUMIDITY: _THOMPSON,
}
"""The relations that a row of commodities.toml can name."""


def loss_relation(commodity: str | Commodity) -> LossRelation:
    """Return the relation behind a crop's dry-matter loss.

    Raises
    ------
    InputError
        For a crop whose row names an unknown one.
    """
    crop = get_commodity(commodity)
    if crop.spoilage.relation not in RELATIONS:
        raise InputError("there is no dry-matter relation named {name}", name=crop.spoilage.relation)
    return RELATIONS[crop.spoilage.relation]


def moisture_at_equal_humidity(
    commodity: str | Commodity, other: str | Commodity, temperature_c: Array, moisture_pct: Array
) -> Array:
    """Return the moisture of another crop, % w.b., at the same temperature and equilibrium humidity (at most 99 %)."""
    dry = 100.0 * moisture_pct / (100.0 - moisture_pct)
    fraction = np.clip(humidity(isotherm_parameters(commodity), temperature_c, dry), 0.005, 0.99)
    translated = moisture_dry_basis(isotherm_parameters(other), temperature_c, fraction)
    return np.asarray(100.0 * translated / (100.0 + translated))


def ageing_rate(
    commodity: str | Commodity, temperature_c: ArrayLike, moisture_pct: ArrayLike, damaged_pct: ArrayLike = 5.0
) -> Array:
    """Return how fast grain ages towards dry-matter loss, in the crop's own units of age per day.

    Parameters
    ----------
    temperature_c, moisture_pct, damaged_pct : array_like
        Grain temperature in degC, moisture in % w.b., mechanically damaged kernels in % by mass; broadcast together.
        For soybean the damage is splits: the time falls linearly to 0.60 of itself at 16 % splits (published range).

    Returns
    -------
    ndarray
        Broadcast shape; feed its sum over days to `loss_at_age`.

    Notes
    -----
    Maize: Thompson 1972 (ASABE D535 form). Paddy: Seib et al. 1980, long grain. Soybean: the NDSU allowable-storage
    table, which is its cereal table three points wetter. Others: maize at equal equilibrium humidity (an assumption).
    """
    crop = get_commodity(commodity)
    temperature = np.asarray(temperature_c, dtype=float)
    moisture = np.asarray(moisture_pct, dtype=float)
    damaged = np.asarray(damaged_pct, dtype=float)
    damage = _damage_multiplier(crop.spoilage.damage, damaged)
    if crop.spoilage.relation == EQUAL_HUMIDITY:
        moisture = moisture_at_equal_humidity(crop, "maize", temperature, moisture)
    return loss_relation(crop).rate(temperature, moisture + crop.spoilage.shift_points, damage)


def loss_at_age(commodity: str | Commodity, age: ArrayLike) -> Array:
    """Return dry-matter loss in % at an age (the sum of `ageing_rate` over days).

    Maize and those read as maize: 0.0884 (exp(0.006 t) - 1) + 0.00102 t, t in reference hours (Saul and Steele 1966;
    Steele et al. 1969). Paddy: 100 (1 - exp(-age ** 0.7101)) (Seib et al. 1980). Never above 100.
    """
    return loss_relation(commodity).loss(np.asarray(age, dtype=float))


def loss_in_store(commodity: str | Commodity, age: ArrayLike) -> Array:
    """Return `loss_at_age`, where maize's curve is carried on along a straight line beyond 3.7 %.

    The published curve was drawn for the first percents; its exponential would have a spoilt lot vanish.
    """
    return loss_relation(commodity).loss_in_store(np.asarray(age))


def check_grain(temperature_c: ArrayLike, moisture_pct: ArrayLike, damaged_pct: ArrayLike = 0.0) -> None:
    """Raise where a temperature, a moisture or a share of damaged kernels cannot be right.

    Raises
    ------
    InputError
        Moisture outside 0-60 % w.b., damage outside 0-100 %, or not a number.
    OutOfRangeError
        Temperature outside -20 to 60 degC.
    """
    moisture = np.asarray(moisture_pct, dtype=float)
    if not np.all((moisture > 0.0) & (moisture <= 60.0)):
        raise InputError("moisture {value} % is not one of stored grain; give 0-60 % wet basis", value=moisture_pct)
    damaged = np.asarray(damaged_pct, dtype=float)
    if not np.all((damaged >= 0.0) & (damaged <= 100.0)):
        raise InputError("damaged kernels {value} % is outside 0-100 %", value=damaged_pct)
    temperature = np.asarray(temperature_c, dtype=float)
    if not np.all((temperature >= -20.0) & (temperature <= 60.0)):
        raise OutOfRangeError("grain temperature {value} °C is outside -20 to 60 °C", value=temperature_c)


@takes_numbers("days", "temperature_c", "moisture_pct", "damaged_pct")
def dry_matter_loss(
    commodity: str | Commodity,
    days: ArrayLike,
    temperature_c: ArrayLike,
    moisture_pct: ArrayLike,
    damaged_pct: ArrayLike = 5.0,
) -> Any:
    """Return dry-matter loss under constant conditions in open air.

    Parameters
    ----------
    days : array_like
        Time in store, days.
    temperature_c, moisture_pct, damaged_pct : array_like
        As in `ageing_rate`. Published maize tables stand for 30 % damaged kernels; hand-shelled maize has 3-10 %.

    Returns
    -------
    float or ndarray
        % of the dry matter stored, broadcast shape.

    Raises
    ------
    InputError, OutOfRangeError
        See `check_grain`; negative days.
    """
    crop = get_commodity(commodity)
    check_grain(temperature_c, moisture_pct, damaged_pct)
    time = np.asarray(days, dtype=float)
    if not np.all(time >= 0.0):
        raise InputError("days in store must be 0 or more, not {value}", value=days)
    return loss_at_age(crop, time * ageing_rate(crop, temperature_c, moisture_pct, damaged_pct))[()]


@takes_numbers("temperature_c", "moisture_pct", "loss_limit_pct", "damaged_pct")
def safe_storage_days(
    commodity: str | Commodity,
    temperature_c: ArrayLike,
    moisture_pct: ArrayLike,
    loss_limit_pct: ArrayLike = 0.5,
    damaged_pct: ArrayLike = 5.0,
) -> Any:
    """Return the published allowable time until a dry-matter loss, and nothing more: no judgement of food safety.

    Parameters
    ----------
    temperature_c, moisture_pct, damaged_pct : array_like
        As in `ageing_rate`.
    loss_limit_pct : array_like
        0.5 % is the published tables' limit (one grade); 0.25 % is prudent for food.

    Returns
    -------
    float or ndarray
        Days, broadcast shape.

    Raises
    ------
    InputError
        A limit outside 0-50 %, or wheat: its published relation (Fraser and Muir 1981) is one of germination, see
        `germination_drop_days`.
    """
    crop = get_commodity(commodity)
    if crop.spoilage.allowable_time != "loss":
        raise InputError(
            "the published time for {crop} is until germination falls by five points, not until a dry-matter loss; "
            "ask for the germination time",
            crop=crop.name,
        )
    check_grain(temperature_c, moisture_pct, damaged_pct)
    limit = np.asarray(loss_limit_pct, dtype=float)
    if not np.all((limit > 0.0) & (limit <= 50.0)):
        raise InputError("loss limit {value} % is outside 0-50 %", value=loss_limit_pct)
    rate = ageing_rate(crop, temperature_c, moisture_pct, damaged_pct)
    return np.asarray(loss_relation(crop).age(limit) / rate)[()]


def germination_drop_days(temperature_c: ArrayLike, moisture_pct: ArrayLike) -> Any:
    """Return days until the germination of wheat has fallen by five points.

    Parameters
    ----------
    temperature_c, moisture_pct : array_like
        degC and % w.b.; the relation was fitted to 12-24 % and is carried on along its slope outside.

    Returns
    -------
    float or ndarray
        Days.

    Notes
    -----
    Source: Fraser and Muir 1981, Can. Agric. Eng. 23: log10 d = 6.234 - 0.2118 M - 0.0527 T below 19 %,
    4.129 - 0.0997 M - 0.0576 T from 19 %. Measured times (Karunakaran et al. 2001) lie at 0.6-1.4 of it.
    """
    moisture = np.asarray(moisture_pct, dtype=float)
    celsius = np.asarray(temperature_c, dtype=float)
    dry = 6.234 - 0.2118 * moisture - 0.0527 * celsius
    wet = 4.129 - 0.0997 * moisture - 0.0576 * celsius
    return np.asarray(10.0 ** np.where(moisture < 19.0, dry, wet))[()]
