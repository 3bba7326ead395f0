"""Prices: what they did, what they may do until the next harvest, and whether waiting is supported by them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.group.records import Group
from core.group.selling import FARM_GATE, basis_to, buyer_book, own_prices
from core.market.costs import MONTHS_PER_WEEK, outlook_by_week
from core.market.hindcast import FORESIGHT, HARVEST, PLAN, HindcastReport, hindcast
from core.market.prices import Basis, MonthlyPrices, monthly_prices
from core.market.season import SeasonalCurve, fit_season
from core.market.stopping import selling_prices_by_month
from core.market.waiting import WaitingAdvice, WaitingRule, decide, look_back_sentence
from dashboard import page, state
from dashboard.charts.prices import fan_figure, hindcast_figure, history_figure, season_figure
from dashboard.forms.prices import crop_name, import_form, quote_form, show_imports, show_noted
from dashboard.price_costs import show_costs
from dashboard.text import _, day, money, month_names, ngettext, number, percent, say

PATHS = 2000
SEED = 7
WORTH_NAMING = 0.05
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
) -> tuple[SeasonalCurve, WaitingAdvice, np.ndarray, pd.Series]:
    """Return curve, advice, weekly paths and prices to sell at by month.

    The key stands for the neighbours in the cache.
    """
    interest, loss, cost, months, inflation = terms
    curve = fit_season(prices, inflation, _neighbours)
    rule = WaitingRule(int(months), interest, loss, cost / price_today)
    weeks = max(1, round(months / MONTHS_PER_WEEK))
    paths = curve.sample_weekly_paths(weeks, PATHS, SEED)
    return curve, decide(curve, rule), paths, selling_prices_by_month(curve, rule, price_today)


@st.cache_data(max_entries=16, show_spinner=False)
def looked_back(
    prices: pd.Series, terms: tuple[float, ...], _neighbours: list[pd.Series], neighbours_key: str
) -> HindcastReport:
    """Return what each rule would have earned in the past years of a series."""
    interest, loss, _cost, months, inflation = terms
    return hindcast(prices, loss, interest, int(months), monthly_inflation=inflation, neighbours=_neighbours)


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
            100 * float(facts["interest_monthly"].value),
            0.5,
            key="prices_interest",
        )
        page.origin(facts["interest_monthly"])
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
    return Terms(
        float(facts["interest_monthly"].value),
        *(float(facts[k].value) for k in ("market_loss_monthly", "storage_cost_kg_month")),
        int(facts["sale_horizon_months"].value),
        float(facts["price_rise_monthly"].value),
    )


def neighbouring(group: Group, quotes: pd.DataFrame, crop: str, market: str, price_type: str) -> list[pd.Series]:
    """Return the months of the same crop in the group's other markets, same kind of price, longest first."""
    of_crop = quotes[
        (quotes["commodity"] == crop) & (quotes["price_type"] == price_type) & (quotes["market"] != market)
    ]
    version = state.store().version(group.id)
    names = of_crop["market"].value_counts().index[:6]
    return [monthly(group.id, version, crop, str(name), price_type).prices for name in names]


@dataclass(frozen=True)
class Place:
    """Where the grain is sold: at the market of the series, or at the group's own gate with its basis."""

    basis: Basis | None
    last_price: float
    last_on: date
    seen: bool


def ask_place(group: Group, crop: str, prices: pd.Series, latest: pd.Series, price_type: str) -> Place:
    """Ask where the grain is sold, and say how the own price stands to the market's."""
    market_on = pd.Timestamp(latest["quoted_on"]).date()
    at_market = Place(None, float(latest["price_per_kg"]), market_on, True)
    if price_type == FARM_GATE:
        return at_market
    store = state.store()
    book = buyer_book(store, group.id)
    own = own_prices(store, group.id, crop, book)
    usual = store.fact(group.id, "plan.gate_factor")
    basis = basis_to(prices, own, state.today(), float(usual.value))
    places = {"gate": _("at our own gate"), "market": _("at this market")}
    chosen = st.radio(
        _("Where it is sold"),
        list(places),
        0 if basis.quotes else 1,
        format_func=lambda key: places[key],
        horizontal=True,
        key=f"prices_place_{crop}",
    )
    low, high = basis.interval()
    if basis.quotes:
        words = ngettext(
            (
                "Own sales and quotes stood at about {factor} of this market's price; the next one lies between {low} "
                "and {high} in 80 of 100 cases (learnt from {n} month)."
            ),
            (
                "Own sales and quotes stood at about {factor} of this market's price; the next one lies between {low} "
                "and {high} in 80 of 100 cases (learnt from {n} months)."
            ),
            basis.quotes,
        )
        st.caption(words.format(factor=percent(basis.factor), low=percent(low), high=percent(high), n=basis.quotes))
    else:
        st.caption(
            _(
                "No own sale or farm gate quote stands beside this market's prices yet: the gate is taken at "
                "{factor} of it ({origin})."
            ).format(factor=percent(basis.factor), origin=page.origin_text(usual))
        )
    if chosen == "market":
        return at_market
    recent = own[own["on"] <= pd.Timestamp(state.today())]
    if len(recent) and (state.today() - recent["on"].iloc[-1].date()).days <= OLD_QUOTE_DAYS:
        return Place(basis, float(recent["price_per_kg"].iloc[-1]), recent["on"].iloc[-1].date(), True)
    return Place(basis, float(latest["price_per_kg"]) * basis.factor, market_on, False)


def show_outlook(group: Group, quotes: pd.DataFrame) -> None:
    """Answer the page's question for one series."""
    top = st.container()
    crop, market, price_type = choose_series(quotes)
    chosen = quotes[(quotes["commodity"] == crop) & (quotes["market"] == market) & (quotes["price_type"] == price_type)]
    latest = chosen.iloc[-1]
    version = state.store().version(group.id)
    months = monthly(group.id, version, crop, market, price_type)
    place = ask_place(group, crop, months.prices, latest, price_type)
    terms = ask_terms(group)
    price_today = st.number_input(
        _("Today's price, {currency} per kg").format(currency=group.currency),
        min_value=0.0001,
        value=float(round(place.last_price, 4)),
        format="%.2f",
        key=f"prices_today_{crop}_{market}_{price_type}_{place.basis is not None}",
    )
    tell_age(group, place)
    values = (terms.interest, terms.loss, terms.cost, float(terms.months), terms.inflation)
    prices = months.prices
    this_month = pd.Period(state.today(), freq="M")
    given = place.basis is None and abs(price_today - place.last_price) > 1e-9
    if given or (place.basis is None and prices.index[-1] >= this_month):
        # A price given for today stands for its month; an old quote is not passed off as today's.
        prices = pd.concat([prices[prices.index < this_month], pd.Series({this_month: price_today})])
        prices.index = pd.PeriodIndex(prices.index, freq="M")
    neighbours = neighbouring(group, quotes, crop, market, price_type)
    key = f"{group.id} {version} {crop} {market} {price_type}"
    curve, advice, market_paths, sell_at = judged(prices, values, price_today, neighbours, key)
    unit = _("{currency} per kg").format(currency=group.currency)
    if place.basis is None:
        paths = market_paths / market_paths[:, :1] * price_today
    else:
        paths = place.basis.own_paths(market_paths, SEED, price_today)
    table = outlook_by_week(paths, terms.interest, terms.loss, terms.cost, terms.inflation)
    with top:
        page.answer(say(advice.sentence) + at_the_gate(place, advice, table))
    first = state.today() if pd.Period(curve.last_month, freq="M") >= this_month else place.last_on
    page.chart(fan_figure(table, first, advice.best_month, unit), alt=say(advice.sentence), key="prices_fan")
    st.caption(
        _(
            "Above the dashed line a sale earns more than selling today; below it the wait has cost more than it "
            "brought."
        )
    )
    if advice.wait:
        show_sell_at(group, sell_at, first)
    show_weeks(group, table, first)
    show_costs(group, paths, price_today, advice.best_month, terms)
    show_season(curve, months, unit, len(neighbours))
    show_look_back(prices, values, neighbours, key)


def at_the_gate(place: Place, advice: WaitingAdvice, table: pd.DataFrame) -> str:
    """Say how often waiting loses at the own gate, where single prices scatter more than the market's."""
    if place.basis is None or not advice.wait:
        return ""
    week = min(round(advice.best_month / MONTHS_PER_WEEK), len(table) - 1)
    losing = 1 - float(table["chance"].iloc[week])
    return " " + _("At your own gate, where single prices scatter more, it would be about {chance} in 100.").format(
        chance=number(100 * losing, 0)
    )


def tell_age(group: Group, place: Place) -> None:
    """Say how old the price is that the page starts from, and whether it was seen."""
    age = (state.today() - place.last_on).days
    words = _("The last quote is {price} per kg of {date}, {age}.")
    if not place.seen:
        words = _(
            "No own price of the last weeks: {price} per kg is estimated from the market's quote of {date}, {age}."
        )
    elif place.basis is not None:
        words = _("The last own price is {price} per kg of {date}, {age}.")
    st.caption(
        words.format(
            price=money(place.last_price, group.currency),
            date=day(place.last_on),
            age=ngettext("{n} day old", "{n} days old", age).format(n=age),
        )
    )
    if age > OLD_QUOTE_DAYS:
        st.warning(_("The last quote is old: note this week's price before you rely on this page."))


def until_any_price(prices: pd.Series) -> pd.Series:
    """Return the months up to the first one that sells at any price: nothing is left to wait with after it."""
    sells = np.flatnonzero(prices.to_numpy() == 0)
    return prices.iloc[: int(sells[0]) + 1] if len(sells) else prices


def show_sell_at(group: Group, prices: pd.Series, first: date) -> None:
    """Show for each month the price at or above which not to wait on."""
    names = month_names()
    start = pd.Period(first, freq="M")

    def words(price: float) -> str:
        if np.isnan(price):
            return _("wait")
        return money(price, group.currency) if price > 0 else _("sell at any price")

    rows = [
        {
            _("Month"): f"{names[(start + int(ahead)).month]} {(start + int(ahead)).year}",
            _("Sell at or above, per kg"): words(float(price)),
        }
        for ahead, price in until_any_price(prices).items()
    ]
    st.markdown(_("While you wait: sell as soon as the price is high enough for its month."))
    page.table(pd.DataFrame(rows), key="prices_sell_at", file_name="prices_to_sell_at.csv")


def show_weeks(group: Group, table: pd.DataFrame, first: date) -> None:
    """Show, week by week, the price that pays for waiting beside the prices that may come."""
    currency = group.currency
    rows = [
        {
            _("Sold in the week of"): day((pd.Timestamp(first) + pd.Timedelta(weeks=int(week))).date()),
            _("Price that pays"): money(float(row["breakeven"]), currency),
            _("Middle price"): money(float(row["median"]), currency),
            _("Chance that it pays"): percent(float(row["chance"])),
            _("Low (1 in 10 below)"): money(float(row["low"]), currency),
            _("High (1 in 10 above)"): money(float(row["high"]), currency),
            _("Middle, in today's money"): money(float(row["median_today"]), currency),
        }
        for week, row in table.iloc[1:].iterrows()
    ]
    with st.expander(_("Week by week: the price that pays, and the prices that may come")):
        page.table(pd.DataFrame(rows), key="prices_table", file_name="price_outlook.csv")


def show_season(curve: SeasonalCurve, months: MonthlyPrices, unit: str, neighbours: int) -> None:
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
    st.markdown(
        _("The lowest month is {trough} in {low} of 100 possible seasons, the highest {peak} in {high} of 100.").format(
            trough=names[curve.trough_month],
            low=number(100 * curve.trough_chance[curve.trough_month], 0),
            peak=names[curve.peak_month],
            high=number(100 * curve.peak_chance[curve.peak_month], 0),
        )
        + other_months(curve, names)
    )
    if neighbours:
        st.caption(
            ngettext(
                "{n} other market of the same crop lends this one its season, as far as the two agree.",
                "{n} other markets of the same crop lend this one their season, as far as they agree.",
                neighbours,
            ).format(n=neighbours)
        )
    notes = [say(note) for note in curve.notes] + [say(action.what) for action in months.actions]
    if notes:
        with st.expander(
            ngettext("{n} remark on this series", "{n} remarks on this series", len(notes)).format(n=len(notes))
        ):
            st.markdown("\n".join(f"- {note}" for note in notes))


def other_months(curve: SeasonalCurve, names: dict[int, str]) -> str:
    """Name the next likely months of trough and peak; nothing where the first ones are as good as sure."""
    said = []
    for words, chances, first in (
        (_("lowest in {month} ({chance} of 100)"), curve.trough_chance, curve.trough_month),
        (_("highest in {month} ({chance} of 100)"), curve.peak_chance, curve.peak_month),
    ):
        rest = chances.drop(first).sort_values(ascending=False, kind="stable").head(2)
        said += [
            words.format(month=names[int(str(month))], chance=number(100 * chance, 0))
            for month, chance in rest.items()
            if chance >= WORTH_NAMING
        ]
    return " " + _("It may also be {others}.").format(others=", ".join(said)) if said else ""


def rule_name(rule: str) -> str:
    """Return a rule's name in the reader's language."""
    if rule.startswith("wait "):
        count = int(rule.split()[1])
        return ngettext("wait {n} month", "wait {n} months", count).format(n=count)
    return {HARVEST: _("sell at harvest"), PLAN: _("this plan"), FORESIGHT: _("perfect foresight")}.get(rule, rule)


def show_look_back(
    prices: pd.Series, values: tuple[float, ...], neighbours: list[pd.Series], neighbours_key: str
) -> None:
    """Show what each rule would have earned in this market's past years."""
    st.subheader(_("Would this have helped here?"))
    try:
        with page.busy(_("Looking back at past harvests…")):
            report = looked_back(prices, values, neighbours, neighbours_key)
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
    st.markdown(lost_years(report))
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
            "Each year only what was known at that time was used. Interest and weight loss are taken off, other "
            "costs are not."
        )
    )


def lost_years(report: HindcastReport) -> str:
    """Say how many years the plan and the best fixed wait lost, and the worst year of each."""
    waits = [rule for rule in report.table.index if str(rule).startswith("wait ")]
    fixed = report.table.loc[waits, "mean"].idxmax()
    lines = []
    for name, rule in ((_("this plan"), PLAN), (rule_name(str(fixed)), fixed)):
        row = report.table.loc[rule]
        lines.append(
            _(
                "{rule}: lost in {lost} of {years} years ({share}), worst year {worst:+.1f} %, on average {mean:+.1f} %"
            ).format(
                rule=name,
                lost=round(row["share_losing"] * row["years"]),
                years=int(row["years"]),
                share=percent(float(row["share_losing"])),
                worst=100 * (row["worst"] - 1),
                mean=100 * (row["mean"] - 1),
            )
        )
    return _("{plan}. The fixed wait that would have done best, which nobody could know: {fixed}.").format(
        plan=lines[0][:1].upper() + lines[0][1:], fixed=lines[1]
    )


def show() -> None:
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
        show_noted(group)
    with by_file, page.plain_errors():
        import_form(group)
        show_imports(group)
    page.caution("advice")
    page.sources(
        [
            _(
                "Season: one or two harmonics or a sawtooth, averaged by how well each explains the prices "
                "(Gilbert, Christiaensen & Kaminski 2017; Hoeting et al. 1999)."
            ),
            _(
                "A season is called reliable when fewer than 6 in 100 series without one would show so strong a "
                "pattern."
            ),
            _("Break-even price: competitive storage (Williams & Wright 1991)."),
            _(
                "In 16 of 100 market years the lean price failed to exceed the harvest price (Cardell & Michelson "
                "2023, 1,038 markets in 30 countries)."
            ),
        ]
    )
