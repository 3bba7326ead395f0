"""What would help: which change would help which group most."""

from dashboard.page import compose
from dashboard.text import _

compose("helping", {"programme_help": _("What would help")})
