"""Meter bookings: who has the meter, and who needs it next."""

from dashboard.page import compose
from dashboard.text import _

compose("meter_bookings", {"meter_log": _("Bookings")})
