"""Forms of the plan page for grain that is not a lot yet, and for grain that is sold but not delivered."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import pandas as pd
import streamlit as st

from core.grain.commodities import commodity_codes
from core.group.own_crops import crops_of_group
from core.planning.harvest import harvest_sentence, harvest_weeks_compared
from core.planning.wishes import add_harvest, add_promise, drop_wish, read_wishes
from dashboard import page, state
from dashboard.forms.edits import keyed_form
from dashboard.forms.fields import Field
from dashboard.text import _, day, money, number, say


def coming_grain(group: Any) -> None:
    """Let the group enter harvests to come and promised grain, and take them away again."""
    wishes = read_wishes(state.store(), group.id)
    st.caption(
        _(
            "A harvest to come needs drying spaces, bags, stores and trucks too. The plan finds the week to cut "
            "it: now, or later and drier. You can also add a lot that is still in the field on the page 'Lots', "
            "with its day of harvest in the future. Once it is tested, the plan compares cutting it now."
        )
    )
    _harvests(group, wishes["harvests"])
    _promises(group, wishes["promises"])


def _crops(group: Any) -> dict[str, str]:
    """Return the crops by code with their names, those that the group has first."""
    known = crops_of_group(state.store(), group.id)
    mine = {lot.commodity for lot in state.store().lots(group.id)}
    order = sorted(known, key=lambda code: (code not in mine, code not in commodity_codes(), known[code].name))
    return {code: _(known[code].name) for code in order}


def _harvests(group: Any, rows: list[dict[str, Any]]) -> None:
    store, crops = state.store(), _crops(group)
    if rows:
        shown = [
            {
                _("Harvest"): row.get("label") or "–",
                _("Crop"): crops.get(row["commodity"], row["commodity"]),
                _("Earliest day"): day(date.fromisoformat(row["on"])),
                _("Grain, kg"): round(float(row["kg"])),
                _("Moisture then, %"): number(row["moisture_pct"], 1) if row.get("moisture_pct") else _("assumed"),
                _("Whose"): row.get("member") or _("pool"),
            }
            for row in rows
        ]
        page.table(shown, "coming_harvests")
        _drop(group, "harvests", [f"{row['on']} {row['label'] or crops.get(row['commodity'], '')}" for row in rows])
    usual = store.facts(group.id)["plan.harvest_moisture_pct"]
    fields = (
        _crop_field(crops),
        Field(
            "on", _("Earliest day it can be cut"), "day", low=state.today(), value=state.today() + timedelta(days=60)
        ),
        Field("kg", _("Grain expected, kg"), "number", low=1),
        Field(
            "moisture_pct",
            _("Its moisture then, % (empty: assumed)"),
            "number",
            low=5,
            high=50,
            required=False,
            help=f"{number(float(usual.value), 1)} % – {page.origin_text(usual)}",
        ),
        Field(
            "member",
            _("Whose it is"),
            "choice",
            options={"": _("the pool's"), **{item.name: item.name for item in store.members(group.id)}},
            value="",
            required=False,
        ),
        Field("label", _("Name of the field or season"), required=False),
    )

    def write(values: Mapping[str, Any], token: str) -> str:
        add_harvest(store, group.id, state.now(), **{**values, "member": values["member"] or ""}, token=token)
        return _("Saved.")

    st.markdown(_("**A harvest to come**"))
    keyed_form("harvest", fields, write, len(rows), _("Add this harvest"))


def _crop_field(crops: Mapping[str, str]) -> Field:
    return Field("commodity", _("Crop"), "choice", options=crops, value=next(iter(crops)))


def _promises(group: Any, rows: list[dict[str, Any]]) -> None:
    store, crops = state.store(), _crops(group)
    lots = {str(lot.id): lot.label for lot in store.lots(group.id, open_only=True)}
    if rows:
        shown = [
            {
                _("Buyer"): row["buyer"],
                _("Crop"): crops.get(row["commodity"], row["commodity"]),
                _("kg promised"): round(float(row["kg"])),
                _("Price of 1 kg"): money(float(row["price_per_kg"]), group.currency),
                _("Deliver by"): day(date.fromisoformat(row["due"])),
                _("From lot"): lots.get(row.get("lot") or "", _("any")),
            }
            for row in rows
        ]
        page.table(shown, "coming_promises")
        st.caption(_("What is sold to this buyer from the day of the promise on counts towards the promise."))
        _drop(group, "promises", [f"{row['due']} {row['buyer']}" for row in rows])
    today = state.today()
    fields = (
        Field("buyer", _("To whom")),
        _crop_field(crops),
        Field("kg", _("kg promised"), "number", low=1),
        Field("price_per_kg", _("Price of 1 kg"), unit=group.currency, kind="number", low=0.001),
        Field("agreed_on", _("Promised on"), "day", high=today, value=today),
        Field("due", _("Deliver by"), "day", value=today + timedelta(days=14)),
        Field(
            "lot",
            _("From which lot"),
            "choice",
            options={"": _("any lot of the crop"), **lots},
            value="",
            required=False,
        ),
        Field(
            "moisture_limit_pct",
            _("Highest moisture agreed, % (empty: none)"),
            "number",
            low=5,
            high=30,
            required=False,
        ),
    )

    def write(values: Mapping[str, Any], token: str) -> str:
        add_promise(store, group.id, state.now(), **{**values, "lot": values["lot"] or ""}, token=token)
        return _("Saved.")

    st.markdown(_("**Grain promised but not delivered**"))
    keyed_form("promise", fields, write, len(rows), _("Add this promise"))


def _drop(group: Any, name: str, labels: list[str]) -> None:
    """Let one entry be taken away."""
    left, right = st.columns([3, 1], vertical_alignment="bottom")
    chosen = left.selectbox(
        _("Entry to cancel"),
        [None, *range(len(labels))],
        format_func=lambda at: "–" if at is None else labels[at],
        key=f"drop_{name}",
    )
    if right.button(_("Cancel entry"), key=f"drop_{name}_button", disabled=chosen is None) and chosen is not None:
        with page.plain_errors():
            drop_wish(state.store(), group.id, name, int(chosen), state.now())
            st.rerun()


def harvest_choice(outlook: Any, lot: int, currency: str) -> None:
    """Show for a lot that still stands what each week of harvest is worth; nothing for one that is harvested."""
    if not outlook.case.lots[lot].standing:
        return
    st.markdown(f"**{_('Harvest now, or leave it?')}** {say(harvest_sentence(outlook, lot))}")
    weeks = harvest_weeks_compared(outlook, lot)
    shown = pd.DataFrame(
        {
            _("Cut in the week of"): [day(outlook.case.week_date(int(week))) for week in weeks.index],
            _("One bag, worth today"): [money(value, currency) for value in weeks["mean"]],
            _("Moisture then, %"): [number(value, 1) for value in weeks["moisture_pct"]],
            _("Lost in the field, %"): [number(value, 1) for value in weeks["lost_pct"]],
            _("Best sold in the week of"): [day(outlook.case.week_date(int(week))) for week in weeks["sale_week"]],
        }
    )
    page.table(shown, "plan_harvest_weeks")
    st.caption(
        _(
            "By itself, without the limits shared with other lots. Insects of the store that fly to ripe ears, and "
            "mould poisons that begin in the field, are not counted: both speak for an early harvest, above all in "
            "rain."
        )
    )
