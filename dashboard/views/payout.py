"""Pay-out: what each member is due, what came in for it, and the statements to print."""

from dashboard.page import compose
from dashboard.text import _

compose(
    "payout",
    {
        "payout": _("Pay-out"),
        "pool_loads": _("Loads and buyers"),
        "statements": _("Statements"),
        "pool_other": _("Loans, losses, other"),
        "pool_agreement": _("Agreement"),
        "pool_close": _("Close the season"),
        "pool_book": _("Book"),
    },
)
