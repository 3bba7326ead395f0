"""Heat and bulk properties of grain."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from core.grain.air import KELVIN, VAPOUR_GAS_CONSTANT, FloatArray, latent_heat
from core.grain.commodities import Commodity, IsothermSet, get_commodity
from core.grain.sorption import log_humidity_slope


def sorption_heat(chosen: IsothermSet, temperature_c: FloatArray, moisture_dry_basis_pct: FloatArray) -> FloatArray:
    """Return the heat that evaporates one kg of water out of grain, kJ per kg water.

    Parameters
    ----------
    chosen : IsothermSet
        The crop's sorption set.
    temperature_c, moisture_dry_basis_pct : ndarray
        Grain temperature, °C, and moisture, % dry basis above 0 (broadcast together, not checked: for inner loops).

    Notes
    -----
    Clausius-Clapeyron on the crop's own isotherm: h = h0 + Rv TK² (∂ ln RH / ∂T at constant moisture). For maize it
    lies within 4 % of the heats measured by Rodriguez-Arias, Hall and Bakker-Arkema (1963), Cereal Chem. 40:676.
    """
    kelvin = temperature_c + KELVIN
    slope = log_humidity_slope(chosen, temperature_c, moisture_dry_basis_pct)
    return latent_heat(temperature_c) + VAPOUR_GAS_CONSTANT * kelvin**2 * slope


def specific_heat(commodity: str | Commodity, moisture_pct: ArrayLike) -> FloatArray:
    """Return the specific heat of moist grain, kJ/(kg K), linear in % wet basis (source in commodities.toml)."""
    crop = get_commodity(commodity)
    moisture = np.asarray(moisture_pct, dtype=float)
    return (crop.specific_heat_intercept + crop.specific_heat_per_point * moisture)[()]
