"""The months of the usual weather are those of the calendar, and its towns have the sun that was measured or none."""

from __future__ import annotations

import calendar
from datetime import date

from core.weather.normals import DAYS_IN_MONTH, MID_MONTH_DAY
from core.weather.reference import towns


def test_months_have_their_days_and_their_middle():
    """Of a year that is no leap year, February a quarter of a day longer; the middle is the fifteenth."""
    days = [calendar.monthrange(2025, month)[1] + (0.25 if month == 2 else 0) for month in range(1, 13)]
    assert DAYS_IN_MONTH.tolist() == days
    assert MID_MONTH_DAY.tolist() == [date(2025, month, 15).timetuple().tm_yday for month in range(1, 13)]


def test_a_town_whose_sun_nobody_measured_has_the_usual_share():
    share = towns().sun_share
    assert share.shape[1] == 12
    whole = (share == 1.0).all(axis=1)
    assert whole.any()
    assert ((share > 0.5) & (share < 1.5)).all()
