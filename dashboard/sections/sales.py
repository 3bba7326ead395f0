"""Sales and drying results: what was done with the lots, so that the plan rolls on from it."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.advice import Situation
from core.advice.parts import LotNow
from core.errors import AlreadySavedError, DryholdError
from core.group.lot_sales import Dried, cancel_sale, check_dried, check_sale, known_buyers, record_dried, record_sale
from core.group.records import Sale
from dashboard import page, state
from dashboard.forms.confirm import confirm_once, token_of
from dashboard.forms.fields import Field, draw_fields
from dashboard.names import crop_name
from dashboard.planning import situation_now
from dashboard.text import _, day, literal, money, ngettext, number, say

TESTS = 3


def show() -> None:
    """Show the section."""
    group = page.stop_if_no_group()
    now = situation_now(group.id)
    lots = {lot.id: lot for lot in now.lots}
    page.caution("mould", "meter")
    if not lots:
        st.info(_("No lot of this group is open."))
    else:
        st.subheader(_("Record a sale"), anchor=False)
        _sale_form(now, lots)
        with page.details(_("After drying: test and weigh again")):
            _dried_form(now, lots)
    _listed(now)


def _names(lots: Mapping[int, LotNow]) -> dict[int, str]:
    return {
        key: ngettext("{lot}: {bags} bag of {crop}", "{lot}: {bags} bags of {crop}", lot.bags).format(
            lot=lot.label, bags=lot.bags, crop=crop_name(lot.crop)
        )
        for key, lot in lots.items()
    }


def _sale_form(now: Situation, lots: Mapping[int, LotNow]) -> None:
    """Ask for a sale, check it against the lot, and record it once."""
    buyers = {name: _(name) for name in known_buyers(state.store(), now.group_id)}
    currency = now.group.currency

    def mass(values: Mapping[str, Any]) -> Field:
        lot, bags = lots.get(values["lot"] or 0), values["bags"]
        usual = round(bags * lot.mass_kg / lot.bags, 1) if lot is not None and bags else None
        return Field("mass", _("Mass paid for"), "number", unit="kg", low=0.1, value=usual, follows=("lot", "bags"))

    fields = (
        Field("lot", _("Lot"), "choice", options=_names(lots)),
        Field("on", _("Sold on"), "day", value=now.today, high=now.today),
        Field("bags", _("Bags"), "whole", low=1),
        mass,
        Field("price", _("Price of 1 kg"), "money", unit=currency, low=0),
        Field("buyer", _("Buyer"), "choice", options=buyers),
        Field("paid", _("Paid on (empty: not yet)"), "day", required=False, high=now.today),
    )
    filled = draw_fields("sale", fields)

    def made(values: Mapping[str, Any]) -> tuple[LotNow, Sale]:
        lot = lots[values["lot"]]
        pct = lot.moisture_pct
        return lot, Sale(
            lot_id=lot.id,
            sold_on=values["on"],
            bags=values["bags"],
            mass_kg=values["mass"],
            moisture_pct=pct,
            price_per_kg=float(Decimal(values["price"])),
            buyer=values["buyer"],
            paid_on=values["paid"],
        )

    def sentence(values: Mapping[str, Any]) -> str:
        lot, sale = made(values)
        check_sale(lot.state, sale, list(buyers), now.today)
        return ngettext(
            "{bags} bag of {lot}, {mass} kg, sold to {buyer} on {day} for {amount}",
            "{bags} bags of {lot}, {mass} kg, sold to {buyer} on {day} for {amount}",
            sale.bags,
        ).format(
            bags=sale.bags,
            lot=lot.label,
            mass=number(sale.mass_kg, 1),
            buyer=_(sale.buyer),
            day=day(sale.sold_on),
            amount=money(sale.mass_kg * sale.price_per_kg, currency),
        )

    def looked_at(values: Mapping[str, Any]) -> list[str]:
        lot, sale = made(values)
        return [say(found) for found in check_sale(lot.state, sale, list(buyers), now.today)]

    def write(values: Mapping[str, Any], token: str) -> str:
        lot, sale = made(values)
        record_sale(state.store(), lot.state, sale, now.today, token)
        return _("The sale is recorded. The plan is made again from what is left.")

    seen = state.store().version(now.group_id)
    confirm_once("sale", filled, sentence, write, looked_at, seen, _("Record this sale"))


def _dried_form(now: Situation, lots: Mapping[int, LotNow]) -> None:
    """Ask for moisture after drying and the bags weighed again, and record both in one step."""
    tests = [
        Field(
            f"test{at}",
            _("Moisture of bag {count}").format(count=at),
            "number",
            unit="%",
            low=2,
            high=40,
            required=at == 1,
        )
        for at in range(1, TESTS + 1)
    ]
    filled = draw_fields(
        "dried",
        (
            Field("lot", _("Lot"), "choice", options=_names(lots)),
            Field("on", _("Day"), "day", value=now.today, high=now.today),
            *tests,
            lambda values: Field(
                "bags",
                _("Bags now"),
                "whole",
                low=1,
                value=lots[values["lot"]].bags if values["lot"] in lots else None,
                follows=("lot",),
            ),
            Field("kg", _("Mass of one bag"), "number", unit="kg", low=1, high=200),
        ),
    )

    def made(values: Mapping[str, Any]) -> Dried:
        pcts = [values[f"test{at}"] for at in range(1, TESTS + 1)]
        tested = tuple(float(pct) for pct in pcts if pct is not None)
        return Dried(on=values["on"], tests_pct=tested, bags=values["bags"], bag_mass_kg=float(values["kg"]))

    def sentence(values: Mapping[str, Any]) -> str:
        dried, lot = made(values), lots[values["lot"]]
        check_dried(lot.state, dried, now.today)
        mean = sum(dried.tests_pct) / len(dried.tests_pct)
        return ngettext(
            "{lot}: {moisture} % on average, {bags} bag of {mass} kg",
            "{lot}: {moisture} % on average, {bags} bags of {mass} kg",
            dried.bags,
        ).format(lot=lot.label, moisture=number(mean, 1), bags=dried.bags, mass=number(dried.bag_mass_kg, 1))

    def write(values: Mapping[str, Any], token: str) -> str:
        record_dried(state.store(), lots[values["lot"]].state, made(values), state.now(), now.today, token)
        return _("Tests and weight are saved. The plan is made again from them.")

    seen = state.store().version(now.group_id)
    confirm_once("dried", filled, sentence, write, None, seen, _("Save tests and weight"))


def _listed(now: Situation) -> None:
    """Show the sales, with one to cancel."""
    store = state.store()
    sales = store.sales(now.group_id).iloc[::-1]
    st.subheader(_("Sales"), anchor=False)
    if sales.empty:
        st.markdown(_("No sale yet."))
        return
    rows = [
        {
            _("Sold on"): day(pd.Timestamp(row.sold_on).date()),
            _("Lot"): row.label,
            _("Bags"): int(row.bags),
            _("Mass, kg"): number(row.mass_kg, 1),
            _("Price of 1 kg"): money(row.price_per_kg, now.group.currency),
            _("Buyer"): _(row.buyer) if row.buyer else "–",
            _("Paid on"): day(pd.Timestamp(row.paid_on).date()) if pd.notna(row.paid_on) else _("not yet"),
        }
        for row in sales.itertuples()
    ]
    page.table(rows, "sales_table", "sales.csv")
    names = {
        int(row.id): ngettext("{lot}, {bags} bag, {day}", "{lot}, {bags} bags, {day}", int(row.bags)).format(
            lot=row.label, bags=int(row.bags), day=day(pd.Timestamp(row.sold_on).date())
        )
        for row in sales.itertuples()
    }
    with st.expander(_("Cancel a sale")):
        chosen = st.selectbox(_("Sale"), list(names), format_func=lambda key: literal(names[key]), key="sale_cancel")
        if st.button(_("Cancel entry"), key="sale_cancel_go"):
            try:
                token = token_of("sale_cancel", {"sale": chosen}, store.version(now.group_id))
                cancel_sale(store, now.group_id, int(chosen), token)
            except AlreadySavedError:
                pass
            except DryholdError as error:
                page.show_error(error)
                return
            st.rerun()
