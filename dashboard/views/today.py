"""Today: what to do next, when, and by whom."""

from dashboard.page import compose
from dashboard.text import _

compose("today", {"next_actions": _("Next actions")})
