"""Lots: which are dry enough, the check of one lot, and tests imported from a table."""

from dashboard.page import compose
from dashboard.text import _

compose("lots", {"lots": _("Lots and tests"), "check": _("Check one lot"), "readings_import": _("Import a table")})
