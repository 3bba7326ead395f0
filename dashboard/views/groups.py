"""Groups: all groups of the programme, side by side, against targets, one by itself, and their files."""

from dashboard.page import compose
from dashboard.text import _

compose(
    "groups",
    {
        "programme_overview": _("All groups"),
        "programme_compare": _("Side by side"),
        "programme_targets": _("Targets"),
        "programme_group": _("One group"),
        "programme_import": _("Import and tidy"),
    },
)
