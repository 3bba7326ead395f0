"""Sale plan: which lot to sell when, and how the season went."""

from dashboard.page import compose
from dashboard.text import _

compose("plan", {"plan": _("Plan"), "sales": _("Sales"), "season_end": _("Season review")})
