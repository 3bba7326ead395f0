"""Storage: how long each lot keeps, and in which store."""

from dashboard.page import compose
from dashboard.text import _

compose("storage", {"storage": _("How long it keeps"), "storage_tests": _("Lots in store")})
