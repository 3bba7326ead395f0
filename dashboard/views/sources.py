"""Sources: where the numbers come from."""

from dashboard.page import compose
from dashboard.text import _

compose("sources", {"sources": _("Values and sources"), "validation": _("What is checked")})
