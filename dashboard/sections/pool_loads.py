"""Loads: what was sold, what buyers paid and owe, and what their scales and meters said."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.accounts.splitting import as_decimal
from core.group.records import Group
from core.pool.buyers_side import Difference, differences, learn_offset
from core.pool.contracts import Contract, against_water, contract_of
from core.pool.deliveries import weight_at
from core.pool.payout import sale_amount
from core.pool.season import Season
from dashboard import page, state
from dashboard.charts.pool import buyers_figure
from dashboard.forms.entries import record_entry
from dashboard.forms.fields import Field, draw_fields
from dashboard.forms.pool_entries import LOAD_ENTRIES, PoolScene, entry_words, scene_of
from dashboard.money_parts import coins
from dashboard.pool_parts import head, names_of, read_season, record, sentence
from dashboard.text import _, day, literal, ngettext, number, tongue

ZERO = Decimal(0)


def pool_table(season: Season) -> pd.DataFrame:
    """Return each pool's kilograms: brought, lost, sold, in store."""
    base = season.terms.base_pct

    def at_base(dry: Decimal) -> float:
        return round(float(weight_at(dry, base)), 1)

    rows = []
    for pool in season.pools():
        lost = sum((sum(loss.dry_by_member.values(), ZERO) for loss in season.losses if loss.pool == pool), ZERO)
        rows.append(
            {
                _("Pool"): pool,
                _("Delivered"): at_base(sum((item.dry_kg for item in season.deliveries if item.pool == pool), ZERO)),
                _("Lost"): at_base(lost),
                _("Sold"): at_base(sum((sale.dry_kg for sale in season.sales if sale.pool == pool), ZERO)),
                _("In store"): at_base(season.pool_dry_kg(pool)),
            }
        )
    return pd.DataFrame(rows)


def buyer_table(scene: PoolScene) -> list[dict[str, object]]:
    """Return what each buyer owes, has paid, and never pays."""
    return [
        {
            _("Buyer"): account.buyer,
            _("For loads"): scene.coins(account.loads),
            _("Paid"): scene.coins(account.paid),
            _("Never paid"): scene.coins(account.written_off),
            _("Balance"): _("owes {amount}").format(amount=scene.coins(account.open))
            if account.open
            else _("has paid {amount} too much").format(amount=scene.coins(account.ahead))
            if account.ahead
            else _("settled"),
            _("Buyer pays on"): _due_words(account.due_on),
        }
        for account in scene.buyers.values()
    ]


def _due_words(due: date | None) -> str:
    """Return by when a buyer's oldest load that is not paid was to be paid."""
    if due is None:
        return ""
    return _("{day}, overdue").format(day=day(due)) if due < state.today() else day(due)


def difference_table(rows: list[Difference], currency: str) -> pd.DataFrame:
    """Return every load by our scale and meter beside the buyer's, under the contract."""

    def in_coins(value: Decimal) -> str:
        return coins(round(value, 2), currency)

    return pd.DataFrame(
        [
            {
                _("Entry no."): row.sale,
                _("Buyer"): row.buyer,
                _("Buyer's scale − ours, kg"): float(row.mass_kg),
                _("Buyer's meter − ours, %"): float(row.moisture_points),
                _("Contract deducts, by our readings"): in_coins(row.expected_deductions),
                _("by the buyer's readings"): in_coins(row.on_his_readings),
                _("Buyer deducted"): in_coins(row.charged_deductions),
                _("Less by the buyer's scale"): in_coins(row.by_scale),
                _("Less by the buyer's meter"): in_coins(row.by_meter),
                _("Beyond the contract"): in_coins(row.beyond_contract),
                _("Less in all"): in_coins(row.money_short),
            }
            for row in rows
        ]
    )


def show_readings(group: Group, season: Season) -> None:
    """Compare every load by our scale and meter with the buyer's, under the contract."""
    crop = {item.pool: item.commodity for item in season.deliveries}
    contracts = {
        (sale.buyer, sale.pool): contract_of(state.store(), group.id, sale.buyer, crop.get(sale.pool, "maize"))
        for sale in {(sale.buyer, sale.pool): sale for sale in season.sales}.values()
    }
    rows = differences(season, lambda sale: contracts[sale.buyer, sale.pool])
    short = sum((row.money_short for row in rows), ZERO)
    words = (
        ngettext(
            "For {loads} load the buyers paid {amount} less than the contract gives by our own scale and meter.",
            "For {loads} loads the buyers paid {amount} less than the contracts give by our own scale and meter.",
            len(rows),
        )
        if short >= 0
        else ngettext(
            "For {loads} load the buyers paid {amount} more than the contract gives by our own scale and meter.",
            "For {loads} loads the buyers paid {amount} more than the contracts give by our own scale and meter.",
            len(rows),
        )
    )
    with st.expander(_("What the buyers weighed and read")):
        st.write(words.format(loads=len(rows), amount=coins(abs(round(short, 2)), group.currency)))
        page.table(difference_table(rows, group.currency), "buyers_table", "buyers_side.csv")
        for (buyer, _pool), contract in contracts.items():
            st.caption(contract_words(buyer, contract))
        for buyer in sorted({sale.buyer for sale in season.sales}):
            st.caption(offset_words(season, buyer))
        contract_check(group, season)


def contract_words(buyer: str, contract: Contract) -> str:
    """Return a contract's deductions in words."""
    rules = contract.deductions
    steps = "; ".join(
        _("{rate} % per % of moisture up to {upper} %").format(
            rate=tongue().figure(100 * float(rate), ".3g"), upper=tongue().figure(float(upper), "g")
        )
        for upper, rate in rules.steps
    )
    return _("Contract of {buyer}: nothing is deducted up to {base} %, then {steps}. Source: {source}.").format(
        buyer=literal(buyer),
        base=tongue().figure(float(rules.base_pct or 0), "g"),
        steps=steps,
        source=sentence(contract.source),
    )


def offset_words(season: Season, buyer: str) -> str:
    """Return how a buyer's scale and meter differ from ours."""
    offset = learn_offset(season.sales, buyer)
    return _(
        "{buyer}: {loads} loads weighed twice. The buyer's scale reads {scale} % (± {se}) and the buyer's meter "
        "{meter} % of moisture (± {mse}) above ours, adjusted for small numbers. The sale plan counts with it."
    ).format(
        buyer=literal(buyer),
        scale=number(100 * offset.scale, 2),
        se=number(100 * offset.scale_sd, 2),
        meter=number(offset.meter, 2),
        mse=number(offset.meter_sd, 2),
        loads=offset.loads,
    )


def contract_check(group: Group, season: Season) -> None:
    """Let the treasurer compute what a contract deducts, beside the exact water."""
    buyers = {sale.buyer: sale.buyer for sale in season.sales}
    last = season.sales[-1]
    filled = draw_fields(
        "contract",
        (
            Field("buyer", _("Buyer"), "choice", options=buyers, value=last.buyer),
            Field("kg", _("Load"), "exact", unit="kg", low=1, high=1000000, value=Decimal(1000)),
            Field("moisture", _("Moisture"), "exact", unit="%", low=3, high=45, value=Decimal(15)),
            Field("price", _("Price per kg"), "exact", unit=group.currency, low=0, value=last.price_per_kg),
        ),
    )
    if not filled.complete:
        return
    crop = season.deliveries[0].commodity if season.deliveries else "maize"
    contract = contract_of(state.store(), group.id, filled["buyer"], crop)
    seen = against_water(contract, filled["kg"], filled["moisture"], filled["price"])
    st.write(
        _(
            "The contract deducts {rate} kg ({money}); the water above {base} % is {water} kg. "
            "Difference: {kg} kg, {gap}."
        ).format(
            rate=number(float(seen.by_rate_kg), 1),
            money=coins(round(seen.by_rate_kg * filled["price"], 2), group.currency),
            base=tongue().plain(as_decimal(contract.deductions.base_pct or 0)),
            water=number(float(seen.by_water_kg), 1),
            kg=number(float(seen.by_rate_kg - seen.by_water_kg), 1),
            gap=coins(round(seen.money, 2), group.currency),
        )
    )


def load_table(scene: PoolScene) -> list[dict[str, object]]:
    """Return the loads, the newest first."""
    return [
        {
            _("Entry no."): sale.number,
            _("Day"): sale.on,
            _("Pool"): sale.pool,
            _("Buyer"): sale.buyer,
            _("Loaded, kg"): float(sale.loaded_kg),
            _("Moisture, %"): float(sale.loaded_moisture_pct),
            _("Price per kg"): scene.coins(sale.price_per_kg),
            _("Buyer deducted"): scene.coins(sale.buyer_deductions),
            _("Buyer pays"): scene.coins(sale_amount(sale, sale.terms.step)),
            _("Truck and market"): scene.coins(sale.costs),
        }
        for sale in reversed(scene.season.sales)
    ]


def owed_words(scene: PoolScene) -> str:
    """Return the page's answer: what buyers owe."""
    owing: Mapping[str, Decimal] = {name: account.open for name, account in scene.buyers.items() if account.open > 0}
    if not scene.season.sales:
        return _("No load has been sold yet.")
    if not owing:
        return _("Every buyer has paid.")
    return _("Buyers still owe {amount}: {names}.").format(
        amount=scene.coins(sum(owing.values(), ZERO)),
        names=", ".join(f"{literal(name)} {scene.coins(amount)}" for name, amount in owing.items()),
    )


def show() -> None:
    """Show the section."""
    page.start(_("What was sold, and what do the buyers still owe?"))
    group: Any = page.stop_if_no_group()
    members = names_of(group)
    with page.plain_errors():
        events, season = read_season(group)
        scene = scene_of(group, events, season, members)
        page.caution("money")
        page.answer(owed_words(scene))
        if scene.buyers:
            page.chart(
                buyers_figure(scene.buyers.values(), group.currency),
                alt=_("What each buyer has paid and still owes"),
                key="buyers_chart",
            )
        if not season.deliveries:
            page.link("deliveries", _("Weigh in"), "deliveries")
            return
        head(season)
        words = entry_words()
        kind = st.selectbox(_("Record"), list(LOAD_ENTRIES), format_func=words.__getitem__, key="load_kind")
        with page.plain_errors():
            record_entry(
                f"load_{kind}",
                kind,
                LOAD_ENTRIES[kind](scene),
                events,
                lambda kind, on, payload, token: record(group, kind, on, payload, token),
            )
        if scene.buyers:
            with page.details(_("What each buyer has paid and still owes")):
                page.table(buyer_table(scene), "buyer_accounts", "buyers.csv", open_cards=2)
        with st.expander(_("In the pools, kg at {base} % moisture").format(base=tongue().plain(season.terms.base_pct))):
            page.table(pool_table(season), "pools_table", "pools.csv")
        if season.sales:
            with st.expander(_("Loads sold")):
                page.table(load_table(scene), "loads_table", "loads.csv")
            show_readings(group, season)
    page.sources(_("A buyer's scale and meter: normal mean with a normal prior, adjusted for small numbers."))
