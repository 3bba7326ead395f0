"""Our things: the group, its members and what it has and assumes: one place to enter each."""

from dashboard import sign_in
from dashboard.page import compose
from dashboard.text import _

sections = {
    "group_place": _("Group and place"),
    "members": _("Members"),
    "drying_spaces": _("Drying spaces"),
    "grain_stores": _("Stores and bags"),
    "truck_meter": _("Truck and meter"),
    "assumed_values": _("Assumed values"),
    "weather": _("Weather"),
    "own_crop": _("Own crop"),
    "backups": _("Backups"),
    "roles": _("Who may do what"),
}
if not sign_in.on():
    sections.pop("roles")
compose("our_things", sections)
