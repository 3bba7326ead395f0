"""Meter account: what came in, what went out, who owes what."""

from dashboard.page import compose
from dashboard.text import _

compose(
    "meter_account",
    {
        "meter_account": _("Account"),
        "meter_record": _("Record"),
        "meter_papers": _("Statements and receipts"),
        "meter_book": _("Book"),
        "meter_close": _("Close the season"),
        "meter_import": _("Earlier payments"),
        "meter_offer": _("Grain instead of cash"),
    },
)
