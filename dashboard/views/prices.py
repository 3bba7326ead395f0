"""Prices and buyers: whether waiting pays here, and what each buyer's offer is worth."""

from dashboard.page import compose
from dashboard.text import _

compose("prices", {"prices": _("Prices"), "buyers": _("Buyers and offers")})
