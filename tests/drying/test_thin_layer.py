"""Thin-layer rates against worked values of the published equations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.drying.thin_layer import moisture_step_db, page_constants, thin_layer_of
from core.errors import NotFoundError
from core.grain.commodities import commodity_codes, get_commodity
from core.grain.sorption import isotherm_parameters, moisture_dry_basis

MAIZE = thin_layer_of("maize")
ISOTHERM = isotherm_parameters("maize", "henderson-1986")


def dried(rates, equilibrium, temperature, humidity, initial, hours, wind=0.5, steps=400):
    """Return moisture, % d.b., after hours of constant air, in many steps (which must not matter)."""
    moisture = np.array(initial, dtype=float)
    k, n = page_constants(rates, *map(np.asarray, (temperature, humidity, wind, initial)))
    for _ in range(steps):
        moisture = moisture - moisture_step_db(moisture, np.asarray(equilibrium), initial, k, n, hours / steps)
    return float(moisture)


@pytest.mark.parametrize(("hours", "ratio"), [(1, 0.7826), (5, 0.5436), (10, 0.4056), (24, 0.2274)])
def test_misra_brooker_moisture_ratios(hours, ratio):
    """Misra & Brooker 1980 evaluated by hand at 30 °C, 60 %, 0.5 m/s, 30 % d.b., equilibrium of old Henderson."""
    equilibrium = float(moisture_dry_basis(ISOTHERM, np.asarray(30.0), np.asarray(0.6)))
    moisture = dried(MAIZE, equilibrium, 30.0, 60.0, 30.0, hours)
    assert (moisture - equilibrium) / (30.0 - equilibrium) == pytest.approx(ratio, abs=2e-4)


@pytest.mark.parametrize(
    ("temperature", "humidity", "start", "end", "hours"),
    [
        (25, 60, 22, 14, 54.5),
        (30, 60, 22, 14, 35.3),
        (30, 70, 22, 14.5, 61.1),
        (35, 50, 22, 13, 25.2),
        (40, 40, 25, 13, 15.9),
    ],
)
def test_misra_brooker_drying_times(temperature, humidity, start, end, hours):
    """Times worked out from the published equation at constant air; wet basis, 0.5 m/s; tolerance is their rounding."""
    equilibrium = float(moisture_dry_basis(ISOTHERM, np.asarray(float(temperature)), np.asarray(humidity / 100)))
    start_db, end_db = (100 * value / (100 - value) for value in (start, end))
    assert dried(MAIZE, equilibrium, float(temperature), float(humidity), start_db, hours) == pytest.approx(
        end_db, abs=0.02
    )


def test_restarting_page_at_each_reading_would_dry_several_times_too_fast():
    """22 to 14 % at 30 °C/60 % takes 35.3 h.

    Restarted at every point it would take 8.1 h, so after 8.1 h it is not dry.
    """
    equilibrium = float(moisture_dry_basis(ISOTHERM, np.asarray(30.0), np.asarray(0.6)))
    assert dried(MAIZE, equilibrium, 30.0, 60.0, 100 * 22 / 78, 8.1) > 100 * 16 / 84


@pytest.mark.parametrize(("minutes", "ratio"), [(60, 0.698), (180, 0.429), (360, 0.234)])
def test_wang_singh_moisture_ratios(minutes, ratio):
    """Wang & Singh 1978 at 35 °C and humidity 0.5: k 0.0148 per min^n, n 0.7787."""
    moisture = dried(thin_layer_of("paddy"), 10.0, 35.0, 50.0, 30.0, minutes / 60)
    assert (moisture - 10.0) / 20.0 == pytest.approx(ratio, abs=1e-3)


def test_wheat_and_barley_follow_their_exponentials():
    """O'Callaghan et al. 1971: k = 2000 exp(-5094/T) and 139.3 exp(-4426/T) per second."""
    for crop, factor, energy in (("wheat", 2000.0, 5094.0), ("barley", 139.3, 4426.0)):
        for temperature in (30.0, 50.0):
            k, n = page_constants(thin_layer_of(crop), *map(np.asarray, (temperature, 50.0, 0.5, 25.0)))
            assert float(k) == pytest.approx(3600 * factor * np.exp(-energy / (temperature + 273)), rel=6e-3)
            assert float(n) == 1.0


@pytest.mark.parametrize("crop", commodity_codes())
def test_every_crop_dries_towards_equilibrium_and_never_past_it(crop):
    rates = thin_layer_of(crop)
    k, n = page_constants(rates, *map(np.asarray, (40.0, 40.0, 0.5, 40.0)))
    for excess in (20.0, 1.0, 1e-6, -1e-6, -5.0):
        for hours in (1e-3, 1.0, 1e4):
            fall = float(moisture_step_db(np.asarray(10.0 + excess), np.asarray(10.0), np.asarray(40.0), k, n, hours))
            assert 0 <= fall / excess <= 1 + 1e-12


def test_every_commodity_has_a_rate_with_source_and_stand_ins_are_marked():
    for rates in map(thin_layer_of, commodity_codes()):
        assert rates.source
        assert rates.basis in ("published", "practice", "memory", "judgement")
        assert not (rates.stand_in and rates.basis == "published")
        assert rates.stand_in or rates.basis != "judgement"  # another crop's rate is a judgement
        assert 0.4 <= rates.absorptance <= 0.95


def test_unknown_crop_is_an_error_and_an_own_crop_gets_a_marked_stand_in():
    with pytest.raises(NotFoundError):
        thin_layer_of("moonbeans")
    own = replace(get_commodity("cowpea"), code="own_moonbeans", thin_layer=None)
    assert thin_layer_of(own).stand_in
    assert thin_layer_of(own).form == thin_layer_of("maize").form


def test_page_inputs_are_held_at_the_edges_of_the_fit():
    low = page_constants(MAIZE, *map(np.asarray, (-10.0, 1.0, 0.0, 5.0)))
    edge = page_constants(MAIZE, *map(np.asarray, (2.2, 3.0, 0.025, 18.0)))
    np.testing.assert_allclose(low, edge)
