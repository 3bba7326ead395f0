"""A group's own crop or calibration: a sorption set from coefficients or pairs of readings, with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from core.errors import InputError
from core.grain.air import FloatArray
from core.grain.commodities import Commodity, IsothermSet, Spoilage, get_commodity
from core.grain.mass import dry_basis, wet_basis
from core.grain.sorption import humidity, moisture_dry_basis

FITTED_FORMS = ("henderson", "oswin", "halsey")

LEAST_PAIRS_NEW = 8
"""Least pairs for a new crop: two coefficients, and six more to see the scatter (our own bound)."""

LEAST_PAIRS_SCALE = 4
"""Least pairs for a calibration of a known crop: one coefficient, and three more (our own bound)."""

LEAST_HUMIDITY_SPAN = 25.0
"""Least span of the humidities, %: a shape cannot be seen in less (our own bound)."""

LEAST_TEMPERATURE_SPAN = 12.0
"""Span of the temperatures, °C, from which the effect of warmth is fitted instead of taken over (our own bound)."""

MOST_SCATTER = 1.5
"""Scatter in points above which a fit is refused: the readings do not lie on one curve (our own bound)."""

LEAST_SD = 0.3
"""Least standard deviation of an own set, points: oven methods alone differ by 0.3 point and more."""


@dataclass(frozen=True)
class OwnFit:
    """A sorption set fitted to pairs of readings.

    Parameters
    ----------
    isotherm : IsothermSet
        The fitted set, its ranges those of the readings.
    scatter_pct : float
        Standard deviation of the readings around the curve, points wet basis.
    curve_sd_pct : float
        Largest standard deviation of the curve itself at the readings, points wet basis.
    standard_errors : tuple of float
        Of the fitted coefficients, in the order of `fitted`.
    fitted : tuple of str
        Names of the coefficients that were fitted; the others were taken over.
    """

    isotherm: IsothermSet
    pairs: int
    scatter_pct: float
    curve_sd_pct: float
    standard_errors: tuple[float, ...]
    fitted: tuple[str, ...]


def isotherm_from_coefficients(name: str, form: str, a: float, b: float, c: float, source: str) -> IsothermSet:
    """Return a set from coefficients of a published form, refused when it cannot be an isotherm.

    Raises
    ------
    InputError
        For an unknown form, no source, or a curve that is not rising with humidity, rises with
        temperature, or leaves 1-60 % dry basis within its range.
    """
    if form not in ("henderson", "chung-pfost", "halsey", "oswin"):
        raise InputError("there is no sorption form named {form}", form=form)
    if not source.strip():
        raise InputError("coefficients need a source: where do they come from?")
    if not all(np.isfinite(value) for value in (a, b, c)):
        raise InputError("a coefficient is missing or not a number")
    own = IsothermSet(
        name=name,
        form=form,
        a=float(a),
        b=float(b),
        c=float(c),
        label="own coefficients",
        source=source,
        basis="judgement",
    )
    _refuse_odd_curve(own)
    return own


def fit_new_isotherm(
    name: str,
    temperature_c: ArrayLike,
    relative_humidity_pct: ArrayLike,
    moisture_pct: ArrayLike,
    forms: Sequence[str] = FITTED_FORMS,
) -> OwnFit:
    """Fit a set to pairs of readings of a crop that has none; the form that fits best is taken.

    Parameters
    ----------
    name : str
        Name for the set.
    temperature_c, relative_humidity_pct, moisture_pct : array_like, shape (n,)
        Readings at rest, °C and %, and the moisture of the same samples by an oven method or a trusted meter, % wet
        basis.
    forms : sequence of str
        Forms tried.

    Raises
    ------
    InputError
        For impossible values, fewer than 8 pairs, humidities that span less than 25 %, or scatter above 1.5 points.

    Notes
    -----
    Least squares on moisture (it carries the error). The effect of temperature is fitted only where the readings
    span 12 °C or more; otherwise it is taken over from the middle of the published cereal sets: 50 °C (Henderson),
    -0.0065 of the first coefficient per °C (Oswin) and -0.0055 per °C (Halsey), which is our own judgement.
    """
    temperature, relative_humidity, moisture = _checked_pairs(
        temperature_c, relative_humidity_pct, moisture_pct, LEAST_PAIRS_NEW
    )
    span = float(np.ptp(relative_humidity))
    if span < LEAST_HUMIDITY_SPAN:
        raise InputError(
            "the humidities span only {span} points; readings over at least {least} points are needed to see the "
            "shape of the curve",
            span=round(span, 1),
            least=LEAST_HUMIDITY_SPAN,
        )
    fits = [_fit_form(name, form, temperature, relative_humidity, moisture) for form in forms]
    best = min(fits, key=lambda fit: fit.scatter_pct)
    _refuse_scatter(best)
    _refuse_odd_curve(best.isotherm)
    return best


def fit_calibration(
    commodity: str | Commodity,
    name: str,
    temperature_c: ArrayLike,
    relative_humidity_pct: ArrayLike,
    moisture_pct: ArrayLike,
) -> OwnFit:
    """Fit one factor on a known crop's moisture (dry basis) to pairs of readings: its shape and warmth effect stay.

    Parameters are those of `fit_new_isotherm`, with the crop whose default set is scaled.

    Raises
    ------
    InputError
        For impossible values, fewer than 4 pairs, scatter above 1.5 points, or a factor outside 0.75-1.33.
    """
    temperature, relative_humidity, moisture = _checked_pairs(
        temperature_c, relative_humidity_pct, moisture_pct, LEAST_PAIRS_SCALE
    )
    base = get_commodity(commodity).isotherm()
    plain = moisture_dry_basis(base, temperature, relative_humidity / 100)
    measured = dry_basis(moisture)
    factor = float(plain @ measured / (plain @ plain))
    if not 0.75 <= factor <= 1.33:
        raise InputError(
            "the readings lie at {factor} times the published curve: that is another crop, or a meter or probe that "
            "needs a check first",
            factor=round(factor, 2),
        )
    residual = wet_basis(factor * plain) - moisture
    scatter = float(np.sqrt(residual @ residual / (len(residual) - 1)))
    slope = plain * 100 / (1 + factor * plain / 100) ** 2 / 100
    factor_se = scatter / float(np.sqrt(slope @ slope))
    own = replace(
        scaled_isotherm(base, factor),
        name=name,
        label="own calibration of " + base.name,
        source=f"{len(moisture)} pairs of readings of the group, on {base.name}",
        basis="judgement",
        note=f"moisture (dry basis) times {factor:.3f}",
    )
    fit = OwnFit(own, len(moisture), scatter, float(np.max(slope) * factor_se), (factor_se,), ("factor",))
    _refuse_scatter(fit)
    return fit


def scaled_isotherm(base: IsothermSet, factor: float) -> IsothermSet:
    """Return the set whose moisture (dry basis) is a factor times that of another, in the same form."""
    if base.form == "henderson":
        return replace(base, a=base.a * factor**-base.b)
    if base.form == "chung-pfost":
        return replace(base, b=base.b / factor)
    if base.form == "halsey":
        return replace(base, a=base.a + base.c * float(np.log(factor)))
    if base.form == "oswin":
        return replace(base, a=base.a * factor, b=base.b * factor)
    return replace(base, oil_fraction=1 - (1 - base.oil_fraction) * factor)


def own_commodity(
    code: str, name: str, isotherm: IsothermSet, like: str | Commodity, sd_points: float, compared: bool = False
) -> Commodity:
    """Return a group's own crop: its own sorption set, everything else as a published crop that it is like.

    Parameters
    ----------
    code, name : str
        Code (it gets the prefix ``own_``, so that it never hides a published one) and name.
    isotherm : IsothermSet
        Its set, which becomes the default.
    like : str or Commodity
        Crop whose heat, density, kind, drying rate and pests are taken over.
    sd_points : float
        Standard deviation of a moisture by that set, points; at least 0.3.
    compared : bool
        Whether the published sets of the other crop stay beside it (a calibration of the same crop).
    """
    base = get_commodity(like)
    sets = (isotherm, *(base.isotherm_sets if compared else ()))
    return replace(
        base,
        code=code if code.startswith("own_") else f"own_{code}",
        name=name,
        default_isotherm=isotherm.name,
        isotherm_sets=sets,
        isotherm_sd_points=max(float(sd_points), LEAST_SD),
        note=f"own crop; heat, density and drying as {base.name}",
        own=True,
        thin_layer=None if base.thin_layer is None else replace(base.thin_layer, stand_in=True),
        spoilage=Spoilage(),  # by equal humidity, which its own set knows best
    )


def _fit_form(
    name: str, form: str, temperature: FloatArray, relative_humidity: FloatArray, moisture: FloatArray
) -> OwnFit:
    """Fit one form by least squares on moisture, % wet basis."""
    from scipy.optimize import least_squares

    with_warmth = float(np.ptp(temperature)) >= LEAST_TEMPERATURE_SPAN
    starts = {"henderson": (-9.7, 2.0, 50.0), "oswin": (14.5, 3.0, -0.0065), "halsey": (3.5, 1.9, -0.0055)}
    fraction = relative_humidity / 100

    def build(values: FloatArray) -> IsothermSet:
        first, second = float(values[0]), float(values[1])
        warmth = float(values[2]) if with_warmth else starts[form][2]
        if form == "henderson":
            return IsothermSet(name, form, float(np.exp(first)), second, warmth)
        if form == "oswin":
            return IsothermSet(name, form, first, first * warmth, second)
        return IsothermSet(name, form, first, warmth, second)

    def residual(values: FloatArray) -> FloatArray:
        return wet_basis(moisture_dry_basis(build(values), temperature, fraction)) - moisture

    start = np.array(starts[form][: 3 if with_warmth else 2])
    lower = {"henderson": (-16.0, 0.6, 5.0), "oswin": (2.0, 0.8, -0.02), "halsey": (-2.0, 0.6, -0.03)}[form]
    upper = {"henderson": (-2.0, 5.0, 600.0), "oswin": (60.0, 8.0, 0.0), "halsey": (9.0, 5.0, 0.0)}[form]
    bounds = (lower[: len(start)], upper[: len(start)])
    answer = least_squares(residual, start, bounds=bounds, x_scale=np.maximum(np.abs(start), 1e-3))
    freedom = len(moisture) - len(start)
    scatter = float(np.sqrt(answer.fun @ answer.fun / freedom))
    covariance = scatter**2 * np.linalg.pinv(answer.jac.T @ answer.jac)
    curve_sd = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", answer.jac, covariance, answer.jac), 0))
    fitted = {"henderson": ("ln a", "b", "c"), "oswin": ("a", "c", "b/a"), "halsey": ("a", "c", "b")}[form]
    own = replace(
        build(answer.x),
        temperature_range_c=(float(temperature.min()) - 5, float(temperature.max()) + 5),
        humidity_range_pct=(max(float(relative_humidity.min()) - 5, 1), min(float(relative_humidity.max()) + 5, 99)),
        label=f"own readings, {form} form",
        source=f"{len(moisture)} pairs of readings of the group",
        basis="judgement",
        note="effect of warmth fitted" if with_warmth else "effect of warmth taken over from the cereals",
    )
    return OwnFit(
        own,
        len(moisture),
        scatter,
        float(curve_sd.max()),
        tuple(float(value) for value in np.sqrt(np.maximum(np.diag(covariance), 0))),
        fitted[: len(start)],
    )


def _checked_pairs(
    temperature_c: ArrayLike, relative_humidity_pct: ArrayLike, moisture_pct: ArrayLike, least: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the pairs as arrays of one length, or raise with the reason."""
    temperature, relative_humidity, moisture = (
        np.asarray(values, dtype=float).ravel() for values in (temperature_c, relative_humidity_pct, moisture_pct)
    )
    if not len(temperature) == len(relative_humidity) == len(moisture):
        raise InputError("temperature, humidity and moisture do not have the same count")
    if len(moisture) < least:
        raise InputError("{count} pairs are too few; at least {least} are needed", count=len(moisture), least=least)
    good = (
        (temperature > -10)
        & (temperature < 70)
        & (relative_humidity > 0)
        & (relative_humidity < 100)
        & (moisture > 0)
        & (moisture < 60)
    )
    if not np.all(good):
        row = int(np.flatnonzero(~good)[0])
        raise InputError(
            "pair {row} cannot be right: {temperature} °C, {humidity} %, moisture {moisture} %",
            row=row + 1,
            temperature=float(temperature[row]),
            humidity=float(relative_humidity[row]),
            moisture=float(moisture[row]),
        )
    return temperature, relative_humidity, moisture


def _refuse_scatter(fit: OwnFit) -> None:
    """Refuse a fit whose readings do not lie on one curve."""
    if fit.scatter_pct > MOST_SCATTER:
        raise InputError(
            "the readings scatter by {scatter} points around the best curve (more than {most}): let readings settle, "
            "check the meter, and take out mixed-up samples",
            scatter=round(fit.scatter_pct, 1),
            most=MOST_SCATTER,
        )


def _refuse_odd_curve(own: IsothermSet) -> None:
    """Refuse a curve that no grain can have."""
    low_rh, high_rh = own.humidity_range_pct
    fractions = np.linspace(low_rh, high_rh, 31)[:, None] / 100
    temperatures = np.linspace(*own.temperature_range_c, 7)[None, :]
    with np.errstate(all="ignore"):
        moisture = moisture_dry_basis(own, temperatures, fractions)
        back = humidity(own, temperatures, moisture)
    sound = (
        np.all(np.isfinite(moisture))
        and np.all(np.diff(moisture, axis=0) > 0)
        and np.all(np.diff(moisture, axis=1) <= 1e-9)
        and float(moisture.min()) > 0.2
        and float(moisture.max()) < 60
        and np.allclose(back, fractions, atol=1e-6)
    )
    if not sound:
        raise InputError(
            "no grain has such a curve: within its range, moisture has to rise with humidity, not rise with "
            "temperature, and stay between 0.2 and 60 % dry basis (are the coefficients for moisture in % dry basis?)"
        )
