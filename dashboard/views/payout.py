"""Pay-out: what each member gets, and the statements to print."""

from dashboard.page import compose
from dashboard.text import _

compose("payout", {"payout": _("Pay-out"), "statements": _("Members' statements")})
