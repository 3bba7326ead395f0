"""Season's end: what was planned, done and paid, and why they differ."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from core.planning.rolling import kept_plans, season_end
from dashboard import page, state
from dashboard.charts.plan import planned_and_done_figure
from dashboard.text import _, day, money, number, say


def show() -> None:
    page.start(_("What did the group plan, what did it do, what was it paid, and why do they differ?"))
    group = page.stop_if_no_group()
    store = state.store()
    plans: list = []
    with page.plain_errors():
        plans = kept_plans(store, group.id)
    if not plans:
        st.info(
            _(
                "No plan is saved yet. Save one on the page 'Sale plan'. This page then compares the sales with the "
                "plan."
            )
        )
        return
    chosen = st.selectbox(
        _("Compare with the plan of"),
        list(range(len(plans))),
        format_func=lambda at: f"{day(plans[at].on)} · {plans[at].who}",
        key="season_plan",
        persist_state="session",
    )
    only_due = st.toggle(_("Count only what was due by today"), value=True, key="season_due", persist_state="session")
    plan = plans[chosen if isinstance(chosen, int) and chosen < len(plans) else 0]
    labels = {lot.id: lot.label for lot in store.lots(group.id)}
    frame = season_end(plan, store.sales(group.id), labels, state.today() if only_due else None)
    frame = frame[(frame["kg_planned"] > 0) | (frame["kg_done"] > 0)] if len(frame) else frame
    if frame.empty:
        page.answer(_("Nothing of this plan was due yet, and nothing has been sold since."))
        return
    show_difference(frame, group.currency)


def show_difference(frame: pd.DataFrame, currency: str) -> None:
    """Say by how much the sales missed the plan and why, in a sentence, a picture and a table."""
    planned, done, paid = float(frame["planned"].sum()), float(frame["done"].sum()), float(frame["paid"].sum())
    page.answer(
        _(
            "Planned {planned}, sold for {done}, paid {paid}: {quantity} of the difference comes from quantity, "
            "{price} from price."
        ).format(
            planned=money(planned, currency),
            done=money(done, currency),
            paid=money(paid, currency),
            quantity=money(float(frame["by_quantity"].sum()), currency),
            price=money(float(frame["by_price"].sum()), currency),
        )
    )
    names = {"planned": _("planned"), "done": _("sold")}
    page.chart(
        planned_and_done_figure(frame, names, _("Lot"), _("Money from sales, {currency}").format(currency=currency)),
        _("Planned and real money by lot"),
        "season_chart",
    )
    rows = [
        {
            _("Lot"): row.lot,
            _("Planned, kg"): number(row.kg_planned, 0),
            _("Sold, kg"): number(row.kg_done, 0),
            _("Planned"): money(row.planned, currency),
            _("Sold for"): money(row.done, currency),
            _("By quantity"): money(row.by_quantity, currency),
            _("By price"): money(row.by_price, currency),
            _("Unpaid"): money(row.unpaid, currency),
            _("Why"): say(row.why),
        }
        for row in frame.itertuples()
    ]
    page.table(rows, "season_table", "season_end.csv")
    unpaid = float(frame["unpaid"].sum())
    if unpaid > 0.005:
        st.warning(_("{amount} from these sales is not paid yet.").format(amount=money(unpaid, currency)))
    page.sources(
        _(
            "Quantity: (kg sold - kg planned) at the planned price; price: (price got - price planned) on the "
            "kg sold. The two add up to the whole difference."
        )
    )
