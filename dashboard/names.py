"""What crops and ways of storing are called on every page."""

from __future__ import annotations

from core.errors import DryholdError
from core.grain.commodities import commodity_codes, crop_words, get_commodity
from core.group.own_crops import own_crops
from core.storage.methods import get_method
from dashboard import state
from dashboard.text import _


def crop_name(code: str) -> str:
    """Return a crop's name in the reader's language, or as the group has named its own."""
    if code in commodity_codes():
        return _(get_commodity(code).name)
    group = state.current_group()
    own = own_crops(state.store(), group.id) if group is not None else {}
    return own[code].name if code in own else crop_words(code)


def method_name(code: str) -> str:
    """Return what a way of storing is called; its code where the tables do not know it."""
    try:
        return _(get_method(code).name)
    except DryholdError:
        return code
