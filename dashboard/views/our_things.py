"""Our things: the group, its members, its place and weather, what it assumes, a crop of its own."""

from dashboard.page import compose
from dashboard.text import _

compose(
    "our_things",
    {"settings": _("Group"), "members": _("Members"), "weather": _("Place and weather"), "own_crop": _("Own crop")},
)
