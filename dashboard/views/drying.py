"""Drying: how long a lot takes, and which lot goes on which drying space."""

from dashboard.page import compose
from dashboard.text import _

compose("drying", {"drying": _("Days to dry"), "floor": _("Drying spaces by day")})
