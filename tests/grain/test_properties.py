"""Heat of sorption against a measurement, and bulk properties."""

from __future__ import annotations

import numpy as np
import pytest

from core.grain.air import latent_heat
from core.grain.commodities import commodity_codes, get_commodity
from core.grain.mass import dry_basis
from core.grain.properties import sorption_heat, specific_heat
from core.grain.sorption import equilibrium_humidity


def test_heat_of_sorption_of_maize_as_measured():
    # Rodriguez-Arias, Hall and Bakker-Arkema (1963): 700 and 602 cal/g at 8 and 22 % dry basis, 30-50 °C;
    # Clausius-Clapeyron on the older set is known to fall 3.7 % short at 8 %.
    measured = np.array([700, 602]) * 4.1868
    ours = sorption_heat(get_commodity("maize").isotherm(None), np.array(40.0), np.array([8.0, 22.0]))
    np.testing.assert_allclose(ours, measured, rtol=0.045)


@pytest.mark.parametrize(
    ("code", "isotherm"), [(code, name) for code in commodity_codes() for name in get_commodity(code).isotherms]
)
@pytest.mark.filterwarnings("ignore::core.grain.sorption.OutsideRangeWarning")
def test_heat_follows_from_the_isotherm(code, isotherm):
    # Clausius-Clapeyron with the slope taken numerically from the public function.
    temperature, moisture, step = 30.0, 12.0, 1e-3
    upper = np.log(equilibrium_humidity(code, temperature + step, moisture, isotherm))
    lower = np.log(equilibrium_humidity(code, temperature - step, moisture, isotherm))
    expected = latent_heat(temperature) + 0.4615 * 303.15**2 * (upper - lower) / (2 * step)
    ours = sorption_heat(get_commodity(code).isotherm(isotherm), np.array(temperature), dry_basis(moisture))
    assert ours == pytest.approx(expected, rel=1e-5)


def test_wet_grain_gives_its_water_up_like_free_water():
    ours = sorption_heat(get_commodity("maize").isotherm(None), np.array(30.0), dry_basis(40))
    assert ours == pytest.approx(latent_heat(30), rel=0.01)


def test_specific_heat_of_maize():
    # 1.465 + 0.0356 M (Mohsenin 1980, from memory), at 20 % by hand: 2.177 kJ/(kg K).
    assert specific_heat("maize", 20) == pytest.approx(2.177)
