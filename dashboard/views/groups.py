"""Groups: all groups of the programme side by side, and one group by itself."""

from dashboard.page import compose
from dashboard.text import _

compose("groups", {"programme_overview": _("All groups"), "programme_group": _("One group")})
