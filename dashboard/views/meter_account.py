"""Meter account: what came in, what went out, who owes what."""

from dashboard.page import compose
from dashboard.text import _

compose("meter_account", {"meter_account": _("Account")})
