"""Next actions: what is to be done, when, by whom."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from core.planning.rolling import next_actions, purchases
from dashboard import page, state
from dashboard.planning import chosen, last_plan, made_plan
from dashboard.text import _, day, money, say


def show() -> None:
    page.start(_("Next actions"), _("What is to be done next, on which day, and by whom?"))
    group = page.stop_if_no_group()
    made = None
    with page.plain_errors():
        made = made_plan(group.id, chosen())
    if made is None:
        return
    today = state.today()
    actions = next_actions(made.plan, today)
    if not actions:
        st.info(_("Nothing is to be done: every lot is sold or kept."))
        return
    first = actions[0]
    page.answer(_("Next, on {day}: {what} ({who}).").format(day=day(first.on), what=say(first.what), who=_(first.who)))
    last = last_plan(group.id)
    if last is None:
        st.caption(_("This is the plan of today; nobody has kept one yet. Keep it on the page 'Sale plan'."))
    else:
        kept = _("Plan of today; the group's last kept plan is of {day}.").format(day=day(last.on))
        st.caption(kept if last.who == "not named" else f"{kept[:-1]} ({last.who}).")
    owners = sorted({action.who for action in actions})
    who = st.selectbox(
        _("Whose steps"),
        ["", *owners],
        format_func=lambda name: _(name) if name else _("everybody's"),
        key="next_who",
        persist_state="session",
    )
    shown = [action for action in actions if not who or action.who == who]
    rows = [
        {
            _("Date"): day(action.on),
            _("What"): say(action.what),
            _("Who"): _(action.who),
            _("Lots"): ", ".join(action.lots),
        }
        for action in shown
    ]
    page.table(pd.DataFrame(rows), "next_table", "next_actions.csv")
    buy = purchases(made.plan)
    st.subheader(_("To buy and to book"))
    if buy:
        late = [item for item in buy if item.order_by <= today]
        if late:
            st.warning(_("Order today: {what}.").format(what="; ".join(say(item.what) for item in late)))
        page.table(
            pd.DataFrame(
                [
                    {
                        _("What"): say(item.what),
                        _("Cost"): money(item.cost, group.currency),
                        _("Needed on"): day(item.needed_on),
                        _("Order by"): day(max(item.order_by, today)),
                    }
                    for item in buy
                ]
            ),
            "next_buy",
            "to_buy.csv",
        )
    else:
        st.markdown(_("Nothing has to be bought or booked."))
    from core.reports.calendar import plan_calendar

    st.download_button(
        _("Dates for a calendar (ICS)"),
        plan_calendar(made.plan, group.name, state.now(), today),
        "next_actions.ics",
        "text/calendar",
        key="next_calendar",
    )
    page.sources([_("Days to order ahead: ten for bags, seven for trucks and dryers (judgement).")])
    page.caution("advice")
