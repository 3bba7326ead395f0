"""Sources: where the numbers come from."""

from dashboard.page import compose
from dashboard.text import _

compose("sources", {"sources": _("Sources")})
