"""The rules that say what may be stored where: sealing, keeping, waiting time, regained water."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError
from core.grain.commodities import commodity_codes, get_commodity
from core.grain.sorption import humidity, isotherm_parameters
from core.planning.store_outlook import MethodOutlook, StoredLot, best_method, method_outlook, methods_for
from core.storage.methods import get_method, method_codes
from core.storage.safety import (
    Belief,
    chance_above,
    days_above_limit,
    first_allowed_day,
    greatest_risk,
    saleable_mass,
    sealing_limit,
    storage_refusal,
    waiting_days,
)

SEALED = [code for code in method_codes() if get_method(code).sealed]
OPEN = [code for code in method_codes() if not get_method(code).sealed]


def test_chance_is_that_of_the_normal_and_of_students_t():
    """Tables of the normal distribution (1.645: 5 %) and of Student's t (4 degrees of freedom, 2.132: 5 %)."""
    assert chance_above(Belief(13.0 - 1.645 * 0.4, 0.4), 13.0) == pytest.approx(0.05, abs=1e-4)
    assert chance_above(Belief(13.0 - 2.132 * 0.4, 0.4, 4), 13.0) == pytest.approx(0.05, abs=1e-4)
    assert chance_above(Belief(12.9, 0.0), 13.0) == 0.0
    assert chance_above(Belief(12.95, 0.05), 13.0) == pytest.approx(0.1587, abs=1e-4)
    assert saleable_mass(100.0, 0.0, 0.0) == 100.0
    for bagged, now in (([12.0, 100.0], 12.0), (12.0, [12.0, -1.0])):
        with pytest.raises(InputError):
            saleable_mass(100.0, bagged, now)
    assert chance_above(Belief(13.1, 0.0), 13.0) == 1.0
    assert chance_above([12.0, 12.5, 13.5, 14.0], 13.0) == 0.5
    with pytest.raises(InputError):
        chance_above([float("nan")], 13.0)


@pytest.mark.parametrize("method", SEALED)
def test_a_mean_below_the_sealing_limit_does_not_seal_what_may_be_too_wet(method):
    """12.9 % ± 0.5 is above 13 % with a chance of 42 %: it is not sealed; at 12.0 % the chance is 2 %."""
    limit = sealing_limit("maize", method)
    assert limit == 13.0
    assert storage_refusal("maize", method, Belief(12.9, 0.5), 13.5, 100) is not None
    assert storage_refusal("maize", method, Belief(12.0, 0.5), 13.5, 100) is None
    assert storage_refusal("maize", method, Belief(12.9, 0.5), 13.5, 1) is not None, "sealing has no days of grace"
    wet_in_one_of_ten = np.where(np.arange(50) < 5, 13.4, 12.0)
    assert storage_refusal("maize", method, wet_in_one_of_ten, 13.5, 100, verdict_risk=0.4) is not None


@pytest.mark.parametrize("code", commodity_codes())
def test_other_crops_are_sealed_at_the_humidity_of_maize(code):
    limit = sealing_limit(code, "hermetic_bag")
    celsius = np.asarray(27.0)
    wanted = humidity(isotherm_parameters("maize"), celsius, np.asarray(100 * 13 / 87))
    assert humidity(isotherm_parameters(code), celsius, np.asarray(100 * limit / (100 - limit))) == pytest.approx(
        float(wanted), abs=1e-6
    )
    assert sealing_limit(code, "woven_bag") is None


@pytest.mark.parametrize("method", OPEN)
def test_grain_above_its_keeping_limit_is_not_stored_and_aflatoxin_crops_least_of_all(method):
    wet, doubtful, dry = Belief(15.0, 0.4), Belief(13.1, 0.4), Belief(12.0, 0.4)  # doubtful: 16 % above 13.5
    for crop in ("maize", "sorghum", "groundnut_kernel"):
        assert storage_refusal(crop, method, wet, 13.5, 60, verdict_risk=0.5) is not None
        assert storage_refusal(crop, method, dry, 13.5, 300) is None
        assert storage_refusal(crop, method, wet, 13.5, days_above_limit(crop)) is None
        assert storage_refusal(crop, method, wet, 13.5, days_above_limit(crop) + 1) is not None
    assert storage_refusal("maize", method, doubtful, 13.5, 60, verdict_risk=0.5) is not None
    assert storage_refusal("sorghum", method, doubtful, 13.5, 60, verdict_risk=0.5) is None
    assert storage_refusal("sorghum", method, doubtful, 13.5, 60, verdict_risk=0.1) is not None
    assert days_above_limit("maize") < days_above_limit("sorghum")


def test_risk_is_the_verdicts_unless_food_asks_for_less():
    assert greatest_risk("sorghum", "woven_bag", 0.02) == 0.02
    assert greatest_risk("sorghum", "woven_bag", 0.5) == pytest.approx(0.2)
    for crop in ("maize", "groundnut_pod", "groundnut_kernel"):
        assert get_commodity(crop).aflatoxin
        assert greatest_risk(crop, "woven_bag", 0.5) == pytest.approx(0.05)
    assert greatest_risk("sorghum", "hermetic_bag", 0.5) == pytest.approx(0.05)


def test_the_label_binds_and_the_first_day_is_that_many_days_later():
    treated = [code for code in method_codes() if get_method(code).treated]
    assert treated
    for code in treated:
        assert waiting_days(code) == get_method(code).waiting_days > 0
        assert waiting_days(code, 0) == get_method(code).waiting_days
        assert waiting_days(code, 14) == 14
        assert first_allowed_day(code, date(2026, 11, 25), 14) == date(2026, 12, 9)
    assert waiting_days("woven_bag", 14) == 0
    assert first_allowed_day("woven_bag", date(2026, 11, 25), 14) == date(2026, 11, 25)
    assert waiting_days(replace(get_method("metal_silo"), waiting_days=5)) == 5


def test_saleable_mass_by_hand():
    """1,000 kg at 12 % hold 880 kg dry matter; at 14 % they would weigh 1,023.3 kg, of which 23.3 kg are rain."""
    assert saleable_mass(1000, 12, 14) == pytest.approx(1000)
    assert saleable_mass(1000, 14, 12) == pytest.approx(860 / 0.88)
    with pytest.raises(InputError):
        saleable_mass(1000, 12, 120)


@given(st.floats(8, 30), st.floats(8, 30))
def test_water_in_store_is_never_gain(bagged, now):
    mass = saleable_mass(100.0, bagged, now)
    assert mass <= 100.0 + 1e-9
    assert mass >= 100.0 * (1 - bagged / 100) - 1e-9
    assert mass - 1e-9 <= saleable_mass(100.0, bagged, now + 2) <= 100.0 + 1e-9


def test_keeps_longest_never_names_a_store_for_which_the_lot_is_too_wet():
    """A sealed bag stops moisture and insects and so seems to keep longest; 13.4 % ± 0.4 must not go into it."""
    climate = pd.DataFrame({"temperature_c": [26.0] * 90, "relative_humidity_pct": [62.0] * 90})
    climates = [climate] * 6
    damp = StoredLot(1, "A", "maize", 13.4, 0.4, keeping_pct=14.5)

    def under_all(lot: StoredLot) -> dict[str, MethodOutlook]:
        return {method: method_outlook(lot, method, climates, 80) for method in methods_for(lot)}

    outlooks = under_all(damp)
    assert all(outlooks[method].refusal is not None for method in SEALED)
    best, _why = best_method(outlooks)
    assert best is not None
    assert best not in SEALED
    wet = replace(damp, moisture_pct=16.0)
    assert best_method(under_all(wet))[0] is None
    dry = replace(damp, moisture_pct=11.5)
    assert best_method(under_all(dry))[0] is not None
    assert all(item.refusal is None for item in under_all(dry).values())


def test_the_edges_of_the_rules():
    """A chance that is just the risk passes; a part of a day waits the whole day; what cannot be is refused."""
    one_in_twenty = [14.0, *[12.0] * 19]
    assert storage_refusal("maize", "hermetic_bag", one_in_twenty, 13.5, 100, verdict_risk=0.05) is None
    assert storage_refusal("maize", "woven_bag", one_in_twenty, 13.5, 100, verdict_risk=0.05) is None
    assert storage_refusal("maize", "woven_bag", [14.0, *one_in_twenty], 13.5, 100, verdict_risk=0.05) is not None
    assert waiting_days("woven_bag_protectant", 13.2) == 14
    assert saleable_mass(1000, 0, 5) == pytest.approx(1000)
    for bad in ((1000, 100, 10), (1000, 10, 100), (1000, -1, 10), (1000, 10, -1)):
        with pytest.raises(InputError):
            saleable_mass(*bad)
    assert chance_above(Belief(13.0, 0.0), 13.0) == 0.0
