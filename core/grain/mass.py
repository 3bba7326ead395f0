"""Mass balance: water is the only mass that drying takes."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from core.errors import InputError
from core.given import takes_numbers
from core.grain.air import FloatArray


def dry_basis(moisture_pct: ArrayLike) -> FloatArray:
    """Return % dry basis from % wet basis (0 to below 100), of the same shape.

    Raises
    ------
    InputError
        For a moisture outside 0 to below 100 %.
    """
    moisture = _checked_moisture(moisture_pct)
    return (100 * moisture / (100 - moisture))[()]


def wet_basis(moisture_dry_basis_pct: ArrayLike) -> FloatArray:
    """Return % wet basis from % dry basis (0 and above), of the same shape.

    Raises
    ------
    InputError
        For a moisture below 0 %.
    """
    moisture = np.asarray(moisture_dry_basis_pct, dtype=float)
    if not np.all((moisture >= 0) & np.isfinite(moisture)):
        raise InputError("moisture {value} % dry basis cannot be below 0", value=float(np.min(moisture)))
    return (100 * moisture / (100 + moisture))[()]


def dry_matter(mass: ArrayLike, moisture_pct: ArrayLike) -> FloatArray:
    """Return the dry matter in a mass (its unit is kept) at % wet basis (broadcast together)."""
    return (_checked_mass(mass) * (1 - _checked_moisture(moisture_pct) / 100))[()]


@takes_numbers("mass", "moisture_from_pct", "moisture_to_pct")
def mass_after_drying(mass: ArrayLike, moisture_from_pct: ArrayLike, moisture_to_pct: ArrayLike) -> FloatArray:
    """Return the mass of the same dry matter at another moisture.

    Parameters
    ----------
    mass : array_like
        Mass before, in any unit (it is kept).
    moisture_from_pct, moisture_to_pct : array_like
        Moisture before and after, % wet basis, 0 to below 100; re-wetting is allowed.

    Returns
    -------
    ndarray
        Mass after, broadcast together.

    Raises
    ------
    InputError
        For a negative mass or a moisture outside 0 to below 100 %.

    Notes
    -----
    m2 = m1 (100 - M1) / (100 - M2).
    """
    before = _checked_moisture(moisture_from_pct)
    after = _checked_moisture(moisture_to_pct)
    return (_checked_mass(mass) * (100 - before) / (100 - after))[()]


def tenth_below(limit_pct: float) -> float:
    """Return a limit as a moisture to dry to and to show: whole tenths of a point, never above the limit [% w.b.]."""
    return float(np.floor(10.0 * limit_pct + 1e-6) / 10.0)


def _checked_moisture(moisture_pct: ArrayLike) -> FloatArray:
    """Return the moisture as an array, or raise if it cannot be."""
    moisture = np.asarray(moisture_pct, dtype=float)
    good = (moisture >= 0) & (moisture < 100)
    if not np.all(good):
        raise InputError(
            "moisture {value} % is outside 0 to below 100 % wet basis",
            value=float(np.atleast_1d(moisture)[~np.atleast_1d(good)].ravel()[0]),
        )
    return moisture


def _checked_mass(mass: ArrayLike) -> FloatArray:
    """Return the mass as an array, or raise if it is negative or not a number."""
    values = np.asarray(mass, dtype=float)
    if not np.all((values >= 0) & np.isfinite(values)):
        raise InputError("mass {value} cannot be negative or missing", value=float(np.min(values)))
    return values
