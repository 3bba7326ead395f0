"""Bad weather input: refused with the hour and the value, or mended with the best fallback and a note."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from core.drying.run import DryingSetup, simulate_drying
from core.drying.weather import mend_weather
from core.errors import InputError
from tests.drying.drying_cases import plain_days

GOOD = plain_days(days=5)


def words(mended) -> str:
    return " | ".join(str(note) for note in mended.notes)


def test_good_weather_passes_unchanged():
    mended = mend_weather(GOOD, longitude=45.0)
    assert mended.notes == ()
    pd.testing.assert_frame_equal(mended.frames[0], GOOD, check_freq=False)


def test_a_short_gap_is_bridged_and_a_long_one_takes_the_same_hours_of_other_days():
    holed = GOOD.drop(GOOD.index[30:32])
    mended = mend_weather(holed)
    assert len(mended.frames[0]) == len(GOOD)
    assert mended.notes == ()
    long = GOOD.copy()
    long.iloc[34:44, :] = np.nan
    mended = mend_weather(long)
    assert "missing for up to 10 hours" in words(mended)
    np.testing.assert_allclose(mended.frames[0].to_numpy(), GOOD.to_numpy(), atol=1e-6)


@pytest.mark.parametrize(
    ("column", "value"), [("shortwave_w_m2", -300.0), ("relative_humidity_pct", 200.0), ("temperature_c", 99.0)]
)
def test_impossible_values_are_named_and_replaced(column, value):
    bad = GOOD.copy()
    bad.iloc[36:38, bad.columns.get_loc(column)] = value
    with pytest.raises(InputError, match=column):
        simulate_drying("maize", 20.0, bad, DryingSetup("tarpaulin"), 13.0)
    mended = mend_weather(bad)
    assert "impossible" in words(mended)
    simulate_drying("maize", 20.0, list(mended.frames), DryingSetup("tarpaulin"), 13.0)


def test_night_offsets_of_sensors_are_let_pass():
    """Pyranometers read a few W/m² below zero at night (thermal offset), humidity sensors a few % above 100."""
    mended = mend_weather(GOOD.assign(shortwave_w_m2=GOOD["shortwave_w_m2"] - 3.0))
    assert mended.notes == ()
    assert mended.frames[0]["shortwave_w_m2"].min() == 0.0
    bad = GOOD.assign(relative_humidity_pct=GOOD["relative_humidity_pct"].clip(upper=99) + 3.0)
    assert simulate_drying("maize", 20.0, bad, DryingSetup("tarpaulin"), 13.0).moisture_pct.min() > 0


def test_weather_in_the_wrong_zone_is_named():
    """Sun that stands highest at 3 in the night by the place's own longitude."""
    assert "time zone" in words(mend_weather(GOOD, longitude=-170.0))


def test_without_zone_hours_or_columns_there_is_a_clear_error():
    for bad, word in (
        (GOOD.tz_localize(None), "time zone"),
        (GOOD.drop(columns="wind_m_s"), "wind_m_s"),
        (GOOD.iloc[::3], "hourly"),
        (GOOD.iloc[:0], "no weather"),
    ):
        with pytest.raises(InputError, match=word):
            simulate_drying("maize", 20.0, bad, DryingSetup("tarpaulin"), 13.0)
    with pytest.raises(InputError, match="same hours"):
        simulate_drying("maize", 20.0, [GOOD, GOOD.iloc[5:]], DryingSetup("tarpaulin"), 13.0)
    with pytest.raises(InputError, match="missing in all hours"):
        mend_weather(GOOD.assign(wind_m_s=np.nan))
