"""Storage: how long each lot keeps, and in which store."""

from dashboard.page import compose
from dashboard.text import _

compose("storage", {"storage": _("Stores")})
