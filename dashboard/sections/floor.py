"""The drying floor: which bags lie on which space on which day, as the group's plan has it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import streamlit as st

from core.advice import Situation
from core.planning.schedule import Load
from dashboard import page
from dashboard.advice_parts import show_assumed, show_last_kept
from dashboard.charts.floor import floor_figure
from dashboard.planning import planned, situation_now
from dashboard.text import _, day, literal, ngettext, number, weekday

SHOWN_DAYS = 8
SOON_DAYS = 3


def show() -> None:
    """Show the section."""
    page.start(_("Which bags lie on which drying space on which day?"))
    group = page.stop_if_no_group()
    reading = situation_now(group.id)
    if not reading.lots:
        st.info(_("No lot of this group has to be dried. Lots are entered on the page 'Lots and readings'."))
        return
    now: Situation | None = None
    place = st.container()
    with place, page.plain_errors():
        now = planned(group.id)
        if now is None:
            show_last_kept(reading)
    if now is not None:
        with place:
            _show(now)
    page.link("our_things", _("Enter your drying spaces"), "drying_spaces")


def _show(now: Situation) -> None:
    """Show the answer, the picture, the loads, what to do in rain and what is not dried."""
    show_assumed(now)
    used = {load.space for load in now.schedule}
    powered = any(space.powered for space in now.spaces if space.name in used)
    page.caution("mould", *(("heat",) if powered else ()))
    page.answer(_answer(now))
    shown = now.today + timedelta(days=SHOWN_DAYS)
    here = [load for load in now.schedule if load.on < shown]
    if here:
        names = [space.name for space in now.spaces if space.name in {load.space for load in here}]
        page.chart(
            floor_figure(here, {name: _(name) for name in names}, now.today, SHOWN_DAYS),
            alt=_("A row for each space and a block for each load of bags, by day"),
            key="floor_chart",
        )
        st.caption(_("In each block: the lot and × bags. Blocks of one space below each other lie there side by side."))
    soon = [load for load in now.schedule if load.on < now.today + timedelta(days=SOON_DAYS)]
    later = now.schedule[len(soon) :]
    if soon or later:
        page.table(_list(now, soon or later), key="floor_list", file_name="drying_spaces")
    if soon and later:
        with page.details(_("Later loads")):
            page.table(_list(now, later), key="floor_later", file_name="drying_spaces_later")
    _rain(now, bool(used))
    _left_wet(now)
    page.link("plan", _("What one more drying space is worth"), "plan")
    page.sources(
        _("Loads: the sale plan's own drying, laid out by day in whole bags that fit each space."),
        _("Good for today: it is made again tomorrow with tomorrow's forecast"),
        _("Lots on the cob or in the pod are dried as if they were loose grain"),
    )


def _answer(now: Situation) -> str:
    """Say in one sentence what goes out today, or next, and when all is through."""
    if not now.schedule:
        return _("The plan dries no bags.")
    today = [load for load in now.schedule if load.on == now.today]
    if today:
        what = ", ".join(
            ngettext("{bags} bag of {lot} on {space}", "{bags} bags of {lot} on {space}", load.bags).format(
                bags=load.bags, lot=load.lot, space=_(load.space)
            )
            for load in today[:4]
        )
        start = _("Today: {what}.").format(what=what + (" …" if len(today) > 4 else ""))
    else:
        start = _("Nothing goes out today. The next bags go out on {day}.").format(day=weekday(now.schedule[0].on))
    bags = sum(load.bags for load in now.schedule)
    last = max(load.until for load in now.schedule)
    all_off = ngettext(
        "The bag is off the spaces by the evening of {day}.",
        "All {bags} bags are off the spaces by the evening of {day}.",
        bags,
    )
    return f"{start} " + all_off.format(bags=bags, day=weekday(last))


def _list(now: Situation, loads: Sequence[Load]) -> list[dict[str, object]]:
    """Return loads as a list by day, with the room that each space has."""
    room = {space.name: space.capacity_kg for space in now.spaces}
    return [
        {
            _("Load"): ngettext("{day}: {bags} bag of {lot}", "{day}: {bags} bags of {lot}", load.bags).format(
                day=day(load.on), bags=load.bags, lot=load.lot
            ),
            _("Drying space"): _(load.space),
            _("Gather in the evening of"): day(load.until),
            _("Dry to, %"): number(load.target_pct, 1) if load.target_pct is not None else "–",
            _("kg"): round(load.mass_kg),
            _("Room of the space, kg"): round(room[load.space]),
            _("Then"): _then(now, load),
            _("Member"): load.owner,
        }
        for load in loads
    ]


def _then(now: Situation, load: Load) -> str:
    """Say what happens to a load's bags once they are dry."""
    line = now.plan.sales[load.line]
    if line.storage:
        return _("into {storage}").format(storage=_(line.storage))
    return _("sell on {day}").format(day=day(line.sell_on)) if line.buyer else _(line.reserve)


def _rain(now: Situation, drying: bool) -> None:
    """Say what to do when rain comes."""
    if not drying:
        return
    lines = [
        _("Cover the grain before the rain. Open it again when sky and ground are dry."),
        _("Do not put wet grain into bags to save it: spread it thin under a roof, or leave it covered on its space."),
        _("A day of rain moves a load and those after it on its space by a day. Look here again the next morning."),
        _("Leave out a load that would start in the rain. A bag that must wait is kept open, in shade and wind."),
    ]
    with page.details(_("When rain comes")):
        st.markdown("\n".join(f"- {line}" for line in lines))
        if not now.weather.is_forecast:
            st.caption(_("No forecast: look at the sky."))
    page.link("drying", _("Hours to spread and cover, lot by lot"), "drying")


def _left_wet(now: Situation) -> None:
    """Name the lots that are too wet and that the plan does not dry."""
    if now.left_wet:
        lots = ", ".join(
            ngettext("{lot} ({bags} bag)", "{lot} ({bags} bags)", item.bags).format(
                lot=literal(item.lot), bags=item.bags
            )
            for item in now.left_wet
        )
        sold = {line.label for line in now.plan.sales if line.buyer and not line.storage}
        st.warning(
            _("Too wet, and not dried in this plan: {lots}.").format(lots=lots)
            + " "
            + (
                _("The plan sells them as they are.")
                if all(item.lot in sold for item in now.left_wet)
                else _("Sell it soon to somebody with a dryer, or add a drying space. Wet grain spoils further.")
            )
        )
