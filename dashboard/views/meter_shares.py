"""Meter cost shares: who pays what, and what testing is worth."""

from dashboard.page import compose
from dashboard.text import _

compose("meter_shares", {"meter_shares": _("Who pays what"), "meter_worth": _("What testing is worth")})
