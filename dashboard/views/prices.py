"""Prices and buyers: whether waiting pays here, what each buyer's offer is worth, and the prices behind both."""

from dashboard.page import compose
from dashboard.text import _

compose(
    "prices",
    {
        "prices": _("Prices"),
        "buyers": _("Buyers and offers"),
        "keeping": _("Keep or borrow"),
        "waiting_past": _("Does waiting pay here?"),
        "price_import": _("Import"),
    },
)
