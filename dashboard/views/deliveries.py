"""Deliveries: what each member brought."""

from dashboard.page import compose
from dashboard.text import _

compose("deliveries", {"deliveries": _("Deliveries")})
