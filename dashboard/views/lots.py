"""Lots: which are dry enough, the check of one lot, and tests imported from a table."""

from dashboard.page import compose
from dashboard.text import _

compose(
    "lots",
    {
        "lots": _("Lots and tests"),
        "lots_entry": _("Enter lots and tests"),
        "check": _("Check one lot"),
        "readings_import": _("Import a table"),
    },
)
