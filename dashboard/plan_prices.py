"""At which price to sell a lot, week by week, and what such a rule would have earned in past years."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import streamlit as st

from core.advice import Situation
from core.planning.why import sell_above_prices
from dashboard import page
from dashboard.charts.plan import selling_price_figure
from dashboard.planning import past_of
from dashboard.text import _, day, money, ngettext, number, percent, signed_percent


def show_selling_prices(now: Situation, lot: int) -> None:
    """Show the price at or above which to sell a lot, by week, tried on unseen seasons and on past years."""
    made = now.made
    prices = sell_above_prices(made.outlook, lot)
    if prices.empty:
        return
    case, currency = made.built.case, now.group.currency
    crop = case.lots[lot].commodity
    here = next(price for price in case.prices if price.commodity == crop)
    first = float(prices["sell_at_or_above"].iloc[0])
    label, week_end = case.lots[lot].label, now.today + timedelta(days=7)
    sold = sum(line.bags for line in now.plan.sales if line.label == label and line.buyer and line.sell_on < week_end)
    if np.isnan(first) and sold:
        words = ngettext(
            "**This week the plan sells {bags} bag of this lot. Keep the others** (the market pays {now} a kg).",
            "**This week the plan sells {bags} bags of this lot. Keep the others** (the market pays {now} a kg).",
            sold,
        )
    elif np.isnan(first):
        words = _("**This week: wait**, whatever the market pays (it pays {now} a kg).")
    elif first == 0:
        words = _("**This week: sell** at any price the market is likely to pay (it pays {now} a kg).")
    else:
        words = _("**This week: sell at {price} a kg or more**; the market pays {now}.")
    st.markdown(words.format(price=money(first, currency), now=money(here.price_now, currency), bags=sold))
    with st.expander(_("The price at which to sell, week by week")):
        dates = [case.week_date(int(week)) for week in prices.index]
        level = prices["sell_at_or_above"].to_numpy(dtype=float)
        page.chart(
            selling_price_figure(
                dates,
                level,
                made.outlook.seasons.prices[crop][np.minimum(prices.index.to_numpy(dtype=int), case.weeks)],
                {"rule": _("sell at or above"), "band": _("8 of 10 possible prices")},
                _("Week"),
                _("Market price, {currency} per kg").format(currency=currency),
            ),
            _("The price at or above which to sell, by week, over the band of possible market prices"),
            "plan_selling_price",
        )
        words_of = [
            _("wait") if value != value else (_("any price") if value == 0 else money(value, currency))
            for value in level
        ]
        page.table(_spans(dates, words_of, prices["chance_of_selling"].tolist()), "plan_sell_above")
        rule, fixed = prices.attrs["mean_waiting_rule"], prices.attrs["mean_fixed_week"]
        st.caption(
            _(
                "Tried on seasons not used to find it: this rule earns {rule} for a bag on average, the best "
                "fixed week ({week}) {fixed}. This is for one lot alone, without the limits that lots share."
            ).format(
                rule=money(rule, currency),
                fixed=money(fixed, currency),
                week=day(case.week_date(int(prices.attrs["fixed_week"]))),
            )
        )
        if st.toggle(_("Try such a rule on the past years of our own prices"), key="plan_look_back"):
            with page.plain_errors():
                _look_back(now, crop)


def _spans(dates: list[Any], words: list[str], chances: list[float]) -> list[dict[str, str]]:
    """Return the weeks as rows, neighbours of the same advice in one."""
    rows: list[list[Any]] = []
    for date, word, chance in zip(dates, words, chances, strict=True):
        if rows and rows[-1][2] == word:
            rows[-1][1], rows[-1][3] = date, rows[-1][3] + chance
        else:
            rows.append([date, date, word, chance])
    return [
        {
            _("Week of"): day(first)
            if first == last
            else _("{first} to {last}").format(first=day(first), last=day(last)),
            _("Sell at or above, per kg"): word,
            _("Chance of selling then"): percent(chance),
        }
        for first, last, word, chance in rows
    ]


def _look_back(now: Situation, crop: str) -> None:
    """Show what the rule and the best fixed month would have earned in each past year of the crop's own series."""
    past = past_of(now, crop)
    if past is None:
        return
    st.markdown(
        _(
            "Over {years} past harvests, compared with selling at harvest: the price rule {rule}, the best fixed month "
            "{fixed}, perfect foresight {best} (after weight loss and interest). In {tied} of them both sold in the "
            "same month."
        ).format(
            years=len(past.years),
            rule=signed_percent(past.rule),
            fixed=signed_percent(past.fixed),
            best=signed_percent(past.best),
            tied=past.tied,
        )
    )
    if not past.better:
        st.caption(_("The years are too few to tell the price rule from the fixed month."))
    elif past.better == "fixed":
        st.caption(_("Here the fixed month did better than the price rule: go by the week of the plan."))
    rows = [
        {
            _("Harvest"): str(harvest),
            _("Price then"): number(row["price"], 3),
            _("Rule: months waited"): int(row["rule_month"]),
            _("Rule"): signed_percent(row["rule"] - 1),
            _("Fixed: months waited"): int(row["fixed_month"]),
            _("Fixed month"): signed_percent(row["fixed"] - 1),
            _("Perfect foresight"): signed_percent(row["best"] - 1),
        }
        for harvest, row in past.years.iterrows()
    ]
    page.table(rows, "plan_look_back_table")
    st.caption(_("Each year knows only the prices up to its harvest month. Past years promise nothing."))
