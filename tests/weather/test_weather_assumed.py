"""What the weather room takes where nobody says otherwise: every other default is nothing, or no."""

from __future__ import annotations

from tests.assumed import slipped

ASSUMED = {
    **dict.fromkeys(("ask.seconds", "fetch_forecast.seconds", "fetch_ensemble.seconds"), 8.0),  # one waits on a page
    "get_forecast.fresh_hours": 6.0,  # the services' runs come every six hours
    "get_years.years": 20,
}


def test_nothing_else_is_assumed_of_the_weather():
    assert slipped("weather", ASSUMED) == {}
