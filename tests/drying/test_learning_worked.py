"""What learning asks of the simulation, and how it reads it: by a drying that anybody can reckon in his head."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from core.drying import learning
from core.drying.learning import predicted_readings
from core.drying.setups import DryingSetup
from core.errors import InputError

BEGIN = datetime(2026, 7, 6, 6, tzinfo=UTC)
HOURS = pd.date_range(BEGIN + timedelta(hours=1), periods=12, freq="h")
FACTORS = np.exp(np.linspace(-1.0, 1.0, 5))


@pytest.fixture
def asked(monkeypatch):
    """Each hour takes rate factor x sun / 1000 points, from the moisture at the start."""
    kept = {}

    def simulate_lots(crops, starts, suns, setups, targets):
        kept.update(crops=crops, starts=starts, suns=suns, setups=setups, targets=targets)
        times = pd.DatetimeIndex([BEGIN, *HOURS])
        sun = np.array([float(frame["shortwave_w_m2"].iloc[0]) for frame in suns]) / 1000
        fall = np.arange(13.0)[:, None] * sun[None, :]
        runs = zip(starts, setups, strict=True)
        return [SimpleNamespace(times=times, moisture_pct=start - setup.rate_factor * fall) for start, setup in runs]

    monkeypatch.setattr(learning, "simulate_lots", simulate_lots)
    return kept


def weather(sun):
    return pd.DataFrame({"shortwave_w_m2": float(sun)}, index=HOURS)


def test_readings_are_foreseen_for_each_sun_start_and_factor(asked):
    """Five hours and a half at 400 W/m2 and a setup of rate 1.5: 20 % + offset - 5.5 x 1.5 x factor x 0.4 x sun.

    A straight line in the factor is a smooth curve in its logarithm, through which the spline goes to a thousandth.
    """
    setup = DryingSetup("tarpaulin", 10, 25, rate_factor=1.5, already_dried_from_pct=24.0)
    times = [BEGIN + timedelta(hours=5.5), BEGIN + timedelta(hours=12), BEGIN]
    found = predicted_readings("maize", 20.0, times, weather(400), setup, FACTORS)
    assert found.shape == (3, 3, 5, 3)
    sun = np.array([0.75, 1.0, 1.25])[:, None, None, None]
    offset = np.array([-2.5, 0.0, 2.5])[None, :, None, None]
    hours = np.array([5.5, 12.0, 0.0])
    np.testing.assert_allclose(found, 20 + offset - hours * 1.5 * FACTORS[:, None] * 0.4 * sun, atol=5e-3)
    assert len(asked["starts"]) == 33
    # grain that was already drying began so much wetter or drier too
    assert {
        (start, lot.already_dried_from_pct) for start, lot in zip(asked["starts"], asked["setups"], strict=True)
    } == {(17.5, 21.5), (20.0, 24.0), (22.5, 26.5)}
    assert set(asked["targets"]) == {0.0}  # it goes on drying: nothing stops at a target


def test_no_sun_is_stronger_than_the_sun_and_no_start_drier_than_dry(asked):
    """1300 W/m2 and a quarter more would be 1625: 1500 is the most; 2 % less two and a half is 1 % at least."""
    predicted_readings("maize", 2.0, [BEGIN], weather(1300), DryingSetup("tarpaulin", 10, 25), FACTORS)
    assert [frame["shortwave_w_m2"].iloc[0] for frame in asked["suns"]] == pytest.approx([975.0, 1300.0, 1500.0])
    assert sorted(set(asked["starts"])) == [1.0, 2.0, 4.5]
    assert {lot.already_dried_from_pct for lot in asked["setups"]} == {None}
    predicted_readings("maize", 78.0, [BEGIN], weather(400), DryingSetup("tarpaulin", 10, 25), FACTORS)
    assert sorted(set(asked["starts"])) == [75.5, 78.0, 79.0]


@pytest.mark.parametrize(("hours", "known"), [(0, True), (12, True), (-0.01, False), (12.01, False)])
def test_a_reading_must_lie_within_the_hours_that_are_known(asked, hours, known):
    times = [BEGIN + timedelta(hours=4), BEGIN + timedelta(hours=hours)]
    setup = DryingSetup("tarpaulin", 10, 25)
    if known:
        assert predicted_readings("maize", 20.0, times, weather(400), setup, FACTORS).shape[-1] == 2
    else:
        with pytest.raises(InputError):
            predicted_readings("maize", 20.0, times, weather(400), setup, FACTORS)


def test_a_quadratic_goes_through_its_three_points_and_on():
    """x^2 + x + 1 at -1, 0 and 1 is 1, 1 and 3; at 2 it is 7 and at a half 1.75."""
    values = np.array([1.0, 1.0, 3.0])[:, None] * np.ones((1, 2))
    for at, expected in ((-1.0, 1.0), (0.0, 1.0), (1.0, 3.0), (2.0, 7.0), (0.5, 1.75)):
        np.testing.assert_allclose(learning._quadratic(values, np.array([[at]]), 0), [[expected, expected]])
