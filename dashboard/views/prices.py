"""Prices: what they did, what they may do until the next harvest, and whether waiting is supported by them."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import streamlit as st

from core.errors import DryholdError, InputError
from core.grain.commodities import commodity_codes, get_commodity
from core.group.facts import cost_of_money
from core.group.records import Group, ImportRecord, PriceQuote
from core.market.costs import breakeven_price
from core.market.hindcast import FORESIGHT, HARVEST, PLAN, HindcastReport, hindcast
from core.market.prices import (
    CleanedPrices,
    MonthlyPrices,
    clean_prices,
    monthly_prices,
    read_price_table,
    suggest_commodity,
)
from core.market.season import SeasonalCurve, fit_season
from core.market.units import kilograms
from core.market.waiting import WaitingAdvice, WaitingRule, decide, look_back_sentence
from dashboard import page, state
from dashboard.charts.prices import fan_figure, hindcast_figure, history_figure, season_figure
from dashboard.text import _, day, money, month_names, ngettext, number, percent, say

PRICE_TYPES = ("wholesale", "retail", "farm gate", "unknown")
OLD_QUOTE_DAYS = 45


@dataclass(frozen=True)
class Terms:
    """What the page's judgement rests on, beside the prices."""

    interest: float
    loss: float
    cost: float
    months: int
    inflation: float


@st.cache_data(max_entries=32, show_spinner=False)
def monthly(group_id: int, version: int, commodity: str, market: str, price_type: str) -> MonthlyPrices:
    """Return the months of one series of the group."""
    quotes = state.store().price_quotes(group_id, commodity)
    return monthly_prices(quotes[(quotes["market"] == market) & (quotes["price_type"] == price_type)])


@st.cache_data(max_entries=32, show_spinner=False)
def judged(
    prices: pd.Series, terms: tuple[float, ...], price_today: float, _neighbours: list[pd.Series], neighbours_key: str
) -> tuple[SeasonalCurve, WaitingAdvice, pd.DataFrame]:
    """Return the curve, the advice and the forecast of a series; the key stands for the neighbours in the cache."""
    interest, loss, cost, months, inflation = terms
    curve = fit_season(prices, inflation, _neighbours)
    rule = WaitingRule(int(months), interest, loss, cost / price_today)
    return curve, decide(curve, rule), curve.forecast(int(months), from_price=price_today)


@st.cache_data(max_entries=16, show_spinner=False)
def looked_back(prices: pd.Series, terms: tuple[float, ...]) -> HindcastReport:
    """Return what each rule would have earned in the past years of a series."""
    interest, loss, _cost, months, inflation = terms
    return hindcast(prices, loss, interest, int(months), monthly_inflation=inflation)


def crop_name(code: str) -> str:
    """Return a crop's name in the reader's language."""
    return _(get_commodity(code).name) if code in commodity_codes() else code


def choose_series(quotes: pd.DataFrame) -> tuple[str, str, str]:
    """Let the reader choose one of the group's series: commodity, market, kind of price."""
    crops = list(quotes["commodity"].value_counts(sort=True).index)
    left, right = st.columns(2)
    crop = left.selectbox(_("Crop"), crops, format_func=crop_name, key="prices_crop", persist_state="session")
    of_crop = quotes[quotes["commodity"] == crop]
    counts = of_crop.groupby(["market", "price_type"]).size().sort_values(ascending=False, kind="stable")
    pairs = list(counts.index)
    market, price_type = right.selectbox(
        _("Market"),
        pairs,
        format_func=lambda pair: f"{pair[0] or _('no market named')} · {_(pair[1])}",
        key="prices_market",
        persist_state="session",
    )
    return str(crop), str(market), str(price_type)


def ask_terms(group: Group) -> Terms:
    """Show the terms of waiting, each with where it comes from, and return them; a change is kept as a fact."""
    store = state.store()
    facts = {
        key: store.fact(group.id, key)
        for key in (
            "interest_monthly",
            "market_loss_monthly",
            "storage_cost_kg_month",
            "sale_horizon_months",
            "price_rise_monthly",
        )
    }
    assumed = sum(fact.origin == "assumed" for fact in facts.values())
    with (
        st.expander(_("What waiting costs ({count} of 5 figures assumed)").format(count=assumed)),
        st.form("prices_terms"),
    ):
        interest = st.number_input(
            _("Cost of money, % a month"),
            0.0,
            30.0,
            100 * float(cost_of_money(facts).value),
            0.5,
            key="prices_interest",
        )
        page.origin(cost_of_money(facts))
        loss = st.number_input(
            _("Weight lost in store, % a month"),
            0.0,
            20.0,
            100 * float(facts["market_loss_monthly"].value),
            0.5,
            key="prices_loss",
        )
        page.origin(facts["market_loss_monthly"])
        cost = st.number_input(
            _("Storage charge, {currency} per kg a month").format(currency=group.currency),
            0.0,
            value=float(facts["storage_cost_kg_month"].value),
            format="%.3f",
            key="prices_cost",
        )
        page.origin(facts["storage_cost_kg_month"])
        months = st.number_input(
            _("Longest time kept, months"), 1, 12, int(facts["sale_horizon_months"].value), key="prices_months"
        )
        page.origin(facts["sale_horizon_months"])
        rise = st.number_input(
            _("General rise of prices, % a month"),
            -5.0,
            50.0,
            100 * float(facts["price_rise_monthly"].value),
            0.1,
            key="prices_rise",
        )
        page.origin(facts["price_rise_monthly"])
        if st.form_submit_button(_("Keep these figures")):
            entered = {
                "interest_monthly": interest / 100,
                "market_loss_monthly": loss / 100,
                "storage_cost_kg_month": cost,
                "sale_horizon_months": int(months),
                "price_rise_monthly": rise / 100,
            }
            for key, value in entered.items():
                if abs(float(facts[key].value) - value) > 1e-9:
                    store.set_fact(group.id, key, value, "entered", state.who(), state.now())
            st.rerun()
    return Terms(float(cost_of_money(facts).value), *(float(facts[k].value) for k in ("market_loss_monthly", "storage_cost_kg_month")), int(facts["sale_horizon_months"].value), float(facts["price_rise_monthly"].value))  # fmt: skip


def neighbouring(group: Group, quotes: pd.DataFrame, crop: str, market: str, price_type: str) -> list[pd.Series]:
    """Return the months of the same crop in the group's other markets, same kind of price, longest first."""
    of_crop = quotes[
        (quotes["commodity"] == crop) & (quotes["price_type"] == price_type) & (quotes["market"] != market)
    ]
    version = state.store().version(group.id)
    names = of_crop["market"].value_counts().index[:6]
    return [monthly(group.id, version, crop, str(name), price_type).prices for name in names]


def show_outlook(group: Group, quotes: pd.DataFrame) -> None:
    """Answer the page's question for one series."""
    crop, market, price_type = choose_series(quotes)
    chosen = quotes[(quotes["commodity"] == crop) & (quotes["market"] == market) & (quotes["price_type"] == price_type)]
    latest = chosen.iloc[-1]
    terms = ask_terms(group)
    price_today = st.number_input(
        _("Today's price, {currency} per kg").format(currency=group.currency),
        min_value=0.0001,
        value=float(latest["price_per_kg"]),
        format="%.2f",
        key=f"prices_today_{crop}_{market}_{price_type}",
    )
    quoted_on = pd.Timestamp(latest["quoted_on"]).date()
    age = (state.today() - quoted_on).days
    st.caption(
        _("The last quote is {price} per kg of {date}, {age}.").format(
            price=money(float(latest["price_per_kg"]), group.currency),
            date=day(quoted_on),
            age=ngettext("{n} day old", "{n} days old", age).format(n=age),
        )
    )
    if age > OLD_QUOTE_DAYS:
        st.warning(_("The last quote is old: note this week's price before you rely on this page."))
    version = state.store().version(group.id)
    months = monthly(group.id, version, crop, market, price_type)
    values = (terms.interest, terms.loss, terms.cost, float(terms.months), terms.inflation)
    prices = months.prices
    this_month = pd.Period(state.today(), freq="M")
    if abs(price_today - float(latest["price_per_kg"])) > 1e-9 or prices.index[-1] >= this_month:
        # A price given for today stands for its month; an old quote is not passed off as today's.
        prices = pd.concat([prices[prices.index < this_month], pd.Series({this_month: price_today})])
        prices.index = pd.PeriodIndex(prices.index, freq="M")
    curve, advice, forecast = judged(
        prices,
        values,
        price_today,
        neighbouring(group, quotes, crop, market, price_type),
        f"{group.id} {version} {crop} {market} {price_type}",
    )
    page.answer(say(advice.sentence))
    unit = _("{currency} per kg").format(currency=group.currency)
    breakeven = np.asarray(
        breakeven_price(price_today, np.arange(terms.months + 1), terms.interest, terms.loss, terms.cost), dtype=float
    )
    first = pd.Period(curve.last_month, freq="M")
    page.chart(
        fan_figure(forecast, price_today, breakeven, first, advice.best_month, unit),
        alt=say(advice.sentence),
        key="prices_fan",
    )
    st.caption(
        _(
            "Above the dashed line a sale earns more than selling today; below it the wait has cost more than it brought."
        )
    )
    show_months(group, forecast, breakeven, first, terms)
    show_season(curve, months, unit)
    show_look_back(prices, values)


def show_months(group: Group, forecast: pd.DataFrame, breakeven: np.ndarray, first: pd.Period, terms: Terms) -> None:
    """Show the fan as a table, also in today's money."""
    rows = []
    for ahead in range(1, terms.months + 1):
        row = forecast.loc[ahead]
        rows.append(
            {
                _("Sold in"): f"{month_names()[(first + ahead).month]} {(first + ahead).year}",
                _("Price that pays"): money(float(breakeven[ahead]), group.currency),
                _("Middle price"): money(float(row["median"]), group.currency),
                _("Low (1 in 10 below)"): money(float(row["low"]), group.currency),
                _("High (1 in 10 above)"): money(float(row["high"]), group.currency),
                _("Middle, in today's money"): money(
                    float(row["median"]) / (1 + terms.inflation) ** ahead, group.currency
                ),
            }
        )
    page.table(pd.DataFrame(rows), key="prices_table", file_name="price_outlook.csv")


def show_season(curve: SeasonalCurve, months: MonthlyPrices, unit: str) -> None:
    """Show history and season, and how far the season is to be believed."""
    names = month_names()
    st.subheader(_("What prices did"))
    page.chart(history_figure(months.prices, curve, unit), alt=_("Monthly prices"), key="prices_history")
    low, high = curve.gap_interval_pct
    if curve.reliable:
        text = _("From {trough} to {peak} prices rise by about {gap} % (likely {low} to {high} %).")
    else:
        text = _(
            "No reliable season: so strong a pattern comes by chance in {chance} of 100 series that have none. "
            "The best guess is {gap} % (0 to {high} %)."
        )
    st.markdown(
        text.format(
            trough=names[curve.trough_month],
            peak=names[curve.peak_month],
            gap=number(curve.gap_pct, 0),
            low=number(low, 0),
            high=number(high, 0),
            chance=number(100 * curve.p_value, 0),
        )
    )
    page.chart(season_figure(curve, names), alt=_("Season by month"), key="prices_season")
    notes = [say(note) for note in curve.notes] + [say(action.what) for action in months.actions]
    if notes:
        with st.expander(
            ngettext("{n} remark on this series", "{n} remarks on this series", len(notes)).format(n=len(notes))
        ):
            st.markdown("\n".join(f"- {note}" for note in notes))


def rule_name(rule: str) -> str:
    """Return a rule's name in the reader's language."""
    if rule.startswith("wait "):
        count = int(rule.split()[1])
        return ngettext("wait {n} month", "wait {n} months", count).format(n=count)
    return {HARVEST: _("sell at harvest"), PLAN: _("this plan"), FORESIGHT: _("perfect foresight")}.get(rule, rule)


def show_look_back(prices: pd.Series, values: tuple[float, ...]) -> None:
    """Show what each rule would have earned in this market's past years."""
    st.subheader(_("Would this have helped here?"))
    try:
        with page.busy(_("Looking back at past harvests…")):
            report = looked_back(prices, values)
    except DryholdError as error:
        page.show_error(error)
        return
    plan = report.table.loc[PLAN]
    st.markdown(
        say(
            look_back_sentence(
                float(plan["mean"]) - 1,
                report.captured,
                float(plan["share_losing"]),
                float(plan["worst"]) - 1,
                int(plan["years"]),
            )
        )
    )
    page.chart(hindcast_figure(report), alt=_("Past harvests under the plan"), key="prices_hindcast")
    table = report.table
    shown = pd.DataFrame(
        {
            _("Rule"): [rule_name(str(rule)) for rule in table.index],
            _("Mean against selling at harvest"): [f"{100 * (mean - 1):+.1f} %" for mean in table["mean"]],
            _("Worst year"): [f"{100 * (worst - 1):+.1f} %" for worst in table["worst"]],
            _("Years that lost"): [percent(share) for share in table["share_losing"]],
        }
    )
    page.table(shown, key="prices_rules", file_name="past_harvests.csv")
    st.caption(
        _(
            "Each year only what was known at that time was used. Interest and weight loss are taken off, other costs are not."
        )
    )


def quote_form(group: Group) -> None:
    """Note a price by hand."""
    store = state.store()
    with st.form("prices_quote", clear_on_submit=True):
        left, right = st.columns(2)
        quoted_on = left.date_input(_("Date"), state.today(), max_value=state.today(), key="prices_quote_date")
        market = right.text_input(_("Market or buyer"), key="prices_quote_market")
        crop = left.selectbox(_("Crop"), commodity_codes(), format_func=crop_name, key="prices_quote_crop")
        kind = right.selectbox(_("Kind of price"), PRICE_TYPES[:3], format_func=_, key="prices_quote_kind")
        price = left.number_input(
            _("Price, {currency}").format(currency=group.currency), min_value=0.0, value=None, key="prices_quote_price"
        )
        unit = right.text_input(_("For how much (kg, 90 kg, pound, …)"), "kg", key="prices_quote_unit")
        if not st.form_submit_button(_("Note this price"), type="primary"):
            return
    weight = kilograms(unit)
    if price is None or price <= 0:
        page.show_error(InputError("the price must be above zero"))
    elif weight is None:
        page.show_error(InputError("unit '{unit}' has no known weight: give the price for 1 kg", unit=unit))
    else:
        quote = PriceQuote(
            group_id=group.id,
            quoted_on=quoted_on,
            market=market.strip(),
            commodity=crop,
            price_per_kg=price / weight,
            price_type=kind,
            source=state.who(),
        )
        store.add_price_quotes([quote])
        st.session_state["prices_noted"] = _("Noted: {price} per kg.").format(
            price=money(price / weight, group.currency)
        )
        st.rerun()


def import_form(group: Group) -> None:
    """Take in a price file: look at what was read and done, choose the series, keep them."""
    upload = st.file_uploader(
        _("Price file (CSV or XLSX), as the open price files of the humanitarian data exchange or a table of your own"),
        type=["csv", "txt", "xlsx"],
        key=f"prices_file_{st.session_state.get('prices_files', 0)}",
    )
    if upload is None:
        return
    content = upload.getvalue()
    cleaned = clean_prices(read_price_table(content, upload.name), group.currency)
    out = [action for action in cleaned.actions if not action.kept]
    st.markdown(
        _("{rows} rows read, {kept} usable, {out} left out.").format(
            rows=number(cleaned.rows_read, 0), kept=number(len(cleaned.quotes), 0), out=number(len(out), 0)
        )
    )
    with st.expander(_("What was done to which row"), expanded=bool(out) and len(out) < 20):
        page.table(
            pd.DataFrame(
                {
                    _("Line"): [action.row if action.row else "–" for action in cleaned.actions],
                    _("In use"): [_("yes") if action.kept else _("no") for action in cleaned.actions],
                    _("What"): [say(action.what) for action in cleaned.actions],
                }
            ).astype(str),
            key="prices_actions",
            file_name="price_file_account.csv",
        )
    choose_imported(group, cleaned, upload.name, content)


def choose_imported(group: Group, cleaned: CleanedPrices, name: str, content: bytes) -> None:
    """Let the reader choose the series of a file, say which crop each is, and keep them."""
    series = cleaned.series_list()
    if series.empty:
        return
    labels = [
        f"{row.commodity} · {row.market or '–'} · {_(row.price_type)} · {row.currency} ({row.months})"
        for row in series.itertuples()
    ]
    left, right = st.columns(2)
    product = left.selectbox(_("Product in the file"), sorted(series["commodity"].unique()), key="prices_product")
    guess = suggest_commodity(product)
    codes = commodity_codes()
    crop = right.selectbox(
        _("is this crop"),
        codes,
        codes.index(guess) if guess in codes else 0,
        format_func=crop_name,
        key="prices_as_crop",
    )
    of_product = [i for i in range(len(series)) if series["commodity"][i] == product]
    chosen = st.multiselect(
        _("Series to keep (months with a price in brackets)"),
        of_product,
        of_product[:1],
        format_func=lambda i: labels[i],
        key="prices_chosen",
    )
    foreign = sorted({str(series["currency"][i]) for i in chosen} - {group.currency})
    rates = {
        currency: st.number_input(
            _("{own} for one {other}").format(own=group.currency, other=currency),
            min_value=0.0,
            value=None,
            key=f"prices_rate_{currency}",
        )
        for currency in foreign
    }
    if foreign:
        st.caption(_("One rate for all years changes the level, not the season."))
    known = [record for record in state.store().imports(group.id) if record.file_hash == hashlib.sha256(content).hexdigest() and record.undone_at is None]  # fmt: skip
    if known:
        st.warning(_("This file was taken in before. Series that you keep again would stand twice."))
    if not st.button(_("Keep these prices"), type="primary", key="prices_keep", disabled=not chosen):
        return
    if any(not rate for rate in rates.values()):
        page.show_error(InputError("give the rate of every foreign currency"))
        return
    quotes: list[PriceQuote] = []
    keys = ["market", "commodity", "price_type", "currency"]
    for i in chosen:
        rows = cleaned.quotes
        for key in keys:
            rows = rows[rows[key] == series[key][i]]
        rate = float(rates.get(str(series["currency"][i])) or 1.0)
        quotes += [
            PriceQuote(
                group_id=group.id,
                quoted_on=row.date.date(),
                market=row.market,
                commodity=crop,
                price_per_kg=row.price_per_kg * rate,
                price_type=row.price_type,
                source=name,
            )
            for row in rows.itertuples()
        ]
    keep(group, quotes, name, content)


def keep(group: Group, quotes: list[PriceQuote], name: str, content: bytes) -> None:
    """Store the quotes of a file as one import that can be taken back."""
    from core.group.batches import ImportBatch

    record = ImportRecord(
        group_id=group.id,
        kind="prices",
        file_name=name,
        file_hash=hashlib.sha256(content).hexdigest(),
        imported_at=state.now(),
        who=state.who(),
        rows=len(quotes),
    )
    state.store().take_in(ImportBatch(record=record, quotes=quotes))
    st.session_state["prices_files"] = st.session_state.get("prices_files", 0) + 1
    st.session_state["prices_noted"] = ngettext("{n} price kept.", "{n} prices kept.", len(quotes)).format(
        n=len(quotes)
    )
    st.rerun()


def show_imports(group: Group) -> None:
    """List price files that were taken in, with a way back."""
    records: list[Any] = [r for r in state.store().imports(group.id) if r.kind == "prices" and r.undone_at is None]
    for record in records:
        left, right = st.columns([3, 1])
        left.markdown(
            _("{file}: {n} prices, taken in on {date}").format(
                file=record.file_name, n=record.rows, date=day(record.imported_at)
            )
        )
        if right.button(_("Take back"), key=f"prices_undo_{record.id}"):
            state.store().undo_import(record.id, state.now())
            st.rerun()


def main() -> None:
    """Show the page."""
    page.start(_("Prices"), _("Is waiting with the sale supported by the prices of this market?"))
    group = page.stop_if_no_group()
    quotes = state.store().price_quotes(group.id)
    noted = st.session_state.pop("prices_noted", None)
    if noted:
        st.success(noted)
    if quotes.empty:
        st.info(_("No prices yet. Note today's price, or take in a file with the past years of a market near you."))
    else:
        with page.plain_errors():
            show_outlook(group, quotes)
    st.subheader(_("Add prices"))
    by_hand, by_file = st.tabs([_("Note a price"), _("Take in a file")])
    with by_hand, page.plain_errors():
        quote_form(group)
    with by_file, page.plain_errors():
        import_form(group)
        show_imports(group)
    page.caution("advice")
    page.sources(
        [
            _("Season: one or two harmonics or a sawtooth, averaged by how well each explains the prices (Gilbert, Christiaensen & Kaminski 2017; Hoeting et al. 1999)."),
            _("A season is called reliable when fewer than 6 in 100 series without one would show so strong a pattern."),
            _("Break-even price: competitive storage (Williams & Wright 1991)."),
            _("In 16 of 100 market years the lean price failed to exceed the harvest price (Cardell & Michelson 2023, 1,038 markets in 30 countries)."),
        ]
    )  # fmt: skip


main()
