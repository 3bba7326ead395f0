"""Today: what to do today and this week, lots at risk, what to order, and what is assumed."""

from dashboard.page import compose
from dashboard.text import _

compose("today", {"today": _("Today"), "first_steps": _("First steps")})
