"""Deliveries: what each member brought."""

from dashboard.page import compose
from dashboard.text import _

compose("deliveries", {"deliveries": _("Weigh in"), "deliveries_earlier": _("Import earlier entries")})
