"""The months of the usual weather are those of the calendar."""

from __future__ import annotations

import calendar
from datetime import date

from core.weather.normals import DAYS_IN_MONTH, MID_MONTH_DAY


def test_months_have_their_days_and_their_middle():
    """Of a year that is no leap year, February a quarter of a day longer; the middle is the fifteenth."""
    days = [calendar.monthrange(2025, month)[1] + (0.25 if month == 2 else 0) for month in range(1, 13)]
    assert DAYS_IN_MONTH.tolist() == days
    assert MID_MONTH_DAY.tolist() == [date(2025, month, 15).timetuple().tm_yday for month in range(1, 13)]
