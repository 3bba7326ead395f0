"""Today: what to do today and this week, which lots are at risk, what to order by when, and what is assumed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import streamlit as st

from core.advice import Situation
from core.advice.parts import AtRisk
from core.grain.mass import tenth_below
from core.planning.rolling import WHO_WORDS, NextAction
from dashboard import page, state
from dashboard.advice_parts import show_assumed, show_downloads, show_last_kept
from dashboard.planning import planned, situation_now
from dashboard.sections import first_steps
from dashboard.text import _, day, literal, money, ngettext, number, say, weekday

WEEK_DAYS = 7
OPEN_DAYS = 1
FIRST_RISKS = 2
VERDICTS = {
    "too wet": ":material/water_drop:",
    "cannot tell": ":material/help:",
    "not tested": ":material/science_off:",
}


def show() -> None:
    """Show the section."""
    if state.current_group() is None:
        first_steps.show()
        return
    group = page.stop_if_no_group()
    reading = situation_now(group.id)
    now: Situation | None = None
    place = st.container()
    with place, page.plain_errors():
        now = planned(group.id)
    if now is None:
        _at_risk(reading)
        show_last_kept(reading)
        return
    with place:
        _answer(now)
    _days(now)
    _at_risk(now)
    _orders(now)
    page.folded(_("Print or save"), "today_print", lambda: show_downloads(now, "today"))
    page.folded(_("How this is worked out"), "today_how", _how)


def _answer(now: Situation) -> None:
    """Say today's work in one sentence, the caution that matters, and what is assumed."""
    show_assumed(now)
    page.caution("mould")
    today = [action for action in now.actions if action.on == now.today]
    if today:
        first, more = say(today[0].what), len(today) - 1
        said = ngettext("Today: {first}, and {count} more step.", "Today: {first}, and {count} more steps.", more)
        page.answer((said if more else _("Today: {first}.")).format(first=first, count=more))
    elif now.actions:
        coming = now.actions[0]
        page.answer(
            _("Nothing to do today. Next, on {day}: {what}.").format(day=weekday(coming.on), what=say(coming.what))
        )
    else:
        page.answer(_("Nothing to do: every lot is sold or kept."))


def _who(name: str) -> str:
    """Return who does a step: a member's name as it is, a part of the group in the reader's language."""
    return _(WHO_WORDS[name]) if name in WHO_WORDS else name


def _days(now: Situation) -> None:
    """Show this week's steps, a card for each day, for everybody or for one person."""
    last = now.today + timedelta(days=WEEK_DAYS)
    week = [action for action in now.actions if action.on < last]
    owners = sorted({action.who for action in now.actions})
    st.subheader(_("This week"), anchor=False)
    who = st.selectbox(
        _("Whose steps"),
        ["", *owners],
        format_func=lambda name: _who(name) if name else _("everybody's"),
        key="today_who",
        persist_state="session",
    )
    shown = [action for action in week if not who or action.who == who]
    if not shown:
        st.markdown(_("No step this week."))
    elif any(item.kind == "dry" for item in shown):
        st.caption(_("Turn drying grain each hour. Cover it before rain and at night."))
    days = sorted({action.on for action in shown})
    for on in days[:OPEN_DAYS]:
        _card(now, on, [action for action in shown if action.on == on])
    rest = [action for action in shown if action.on not in days[:OPEN_DAYS]]
    if rest:
        words = ngettext("Then this week: {count} step", "Then this week: {count} steps", len(rest))
        page.folded(words.format(count=len(rest)), "today_week", lambda: _cards(now, rest))
    later = [action for action in now.actions if action.on >= last and (not who or action.who == who)]
    if later:
        words = ngettext("Later: {count} step", "Later: {count} steps", len(later))
        page.folded(words.format(count=len(later)), "today_later", lambda: _later(later))


def _later(actions: Sequence[NextAction]) -> None:
    """Show the steps after this week as a table."""
    rows = [{_("Day"): day(item.on), _("Step"): say(item.what), _("Who"): _who(item.who)} for item in actions]
    page.table(rows, "today_later", "steps.csv")


def _cards(now: Situation, actions: Sequence[NextAction]) -> None:
    """Show steps, a card for each day."""
    for on in sorted({action.on for action in actions}):
        _card(now, on, [action for action in actions if action.on == on])


def _card(now: Situation, on: date, actions: Sequence[NextAction]) -> None:
    """Show one day's steps."""
    with st.container(border=True):
        word = _("Today") if on == now.today else weekday(on)
        st.markdown(f"**{word}**")
        lines = [f"- {say(item.what, markdown=True)} · {literal(_who(item.who))}" for item in actions]
        st.markdown("\n".join(lines))


def _at_risk(now: Situation) -> None:
    """Show the lots that are not safely dry, the most urgent first; the rest are folded."""
    lots = now.at_risk
    if not lots:
        return
    st.subheader(_("Lots at risk"), anchor=False)
    st.markdown("\n".join(_risk_line(now, item) for item in lots[:FIRST_RISKS]))
    page.link("lots", _("Enter lots and tests"), "lots_entry")
    if len(lots) > FIRST_RISKS:
        more = len(lots) - FIRST_RISKS
        page.folded(
            ngettext("{count} more lot", "{count} more lots", more).format(count=more),
            "today_risks",
            lambda: st.markdown("\n".join(_risk_line(now, item) for item in lots[FIRST_RISKS:])),
        )


def _risk_line(now: Situation, item: AtRisk) -> str:
    """Return a lot at risk as a line: what it is, what is wrong, what to do and when the plan does it."""
    head = ngettext("{lot}, {bags} bag: {verdict}", "{lot}, {bags} bags: {verdict}", item.bags)
    said = head.format(lot=literal(item.lot), bags=item.bags, verdict=_(item.verdict))
    wet = (
        ""
        if item.moisture_pct is None
        else _("{moisture} %, limit {limit} %").format(
            moisture=number(item.moisture_pct, 1), limit=number(tenth_below(item.limit_pct), 1)
        )
    )
    own = _planned_for(now, item.lot)
    if item.verdict != "too wet" or not own:  # else the plan's own words are what to do
        own = [_("What to do: {what}.").format(what=say(item.do, markdown=True)), *own]
    return f"- {VERDICTS[item.verdict]} **{said}** {wet}  \n  {' '.join(own)}"


def _planned_for(now: Situation, lot: str) -> list[str]:
    """Return what the plan, where there is one, does with a lot's bags before they are stored or sold."""
    if not now.is_planned:
        return []
    said, loads = [], [load for load in now.schedule if load.lot == lot]
    raw = [line for line in now.plan.sales if line.label == lot and line.buyer and not line.setup]
    if raw:
        said.append(
            _("The plan sells {bags} of its bags as they are, first on {day}.").format(
                bags=sum(line.bags for line in raw), day=day(min(line.sell_on for line in raw))
            )
        )
    for target in sorted({load.target_pct for load in loads if load.target_pct is not None}):
        mine = [load for load in loads if load.target_pct == target]
        said.append(
            _("The plan dries {bags} of its bags to {moisture} %, first on {day}.").format(
                bags=sum(load.bags for load in mine), moisture=number(target, 1), day=day(mine[0].on)
            )
        )
    return said


def _orders(now: Situation) -> None:
    """Show what to order and to book, with the last day for it."""
    st.subheader(_("Order and book"), anchor=False)
    if not now.purchases:
        st.markdown(_("Nothing to order or to book."))
        return
    page.folded(_("All orders with their last day"), "today_orders", lambda: _order_table(now))


def _order_table(now: Situation) -> None:
    """Show the orders as a table."""
    rows = [
        {
            _("Order"): say(item.what),
            _("Order by"): day(max(item.order_by, now.today)),
            _("Needed on"): day(item.needed_on),
            _("Cost"): money(item.cost, now.group.currency),
        }
        for item in now.purchases
    ]
    page.table(rows, "today_orders", "to_order.csv")


def _how() -> None:
    """Say how the steps are worked out."""
    st.markdown(
        "\n".join(
            f"- {line}"
            for line in (
                _("Steps: the sale plan's drying by day, sales and payments, read from one situation of the group."),
                _("Lots at risk: the verdict of each lot's last tests by its strictest limit."),
                _("Days to order ahead: ten for bags, seven for trucks and dryers (judgement)."),
            )
        )
    )
