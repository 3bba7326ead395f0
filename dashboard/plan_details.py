"""The folded details of the sale plan: each is worked out only when it is chosen."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import streamlit as st

from core.advice import Situation
from core.group.facts import shown_scale, shown_unit
from core.planning.credit import pledged_bags, principal_by_week
from core.planning.layout import loan_unit_owed
from core.planning.plan_tables import cash_curve, sales_by_week, value_by_week
from core.planning.why import PartReason
from core.reports.sheets import STEPS
from dashboard import page, state
from dashboard.charts.plan import cash_figure, rules_figure, sales_figure, week_value_figure
from dashboard.forms.coming import harvest_choice
from dashboard.page import KEEP
from dashboard.plan_prices import show_selling_prices
from dashboard.planning import alone_of, worths_of
from dashboard.text import _, about, day, money, ngettext, number, percent, say


def details() -> dict[str, tuple[str, Callable[[Situation], None]]]:
    """Return the details by key: how each is called and what shows it."""
    return {
        "lot": (_("One lot closer"), show_lot),
        "money": (_("Sales and money by week"), show_weeks),
        "rules": (_("Compared with simple rules"), show_rules),
        "limits": (_("What limits the group"), show_limits),
        "members": (_("Each member, together and alone"), show_members),
        "loans": (_("Loans on stored grain"), show_loans),
        "how": (_("How this is worked out"), show_how),
    }


def show_details(now: Situation) -> None:
    """Let a person open one of the details."""
    offered = details()
    chosen = st.pills(
        _("More about this plan"), list(offered), format_func=lambda key: offered[key][0], key="plan_detail", **KEEP
    )
    if chosen in offered:
        with st.container(border=True):
            offered[chosen][1](now)


def show_weeks(now: Situation) -> None:
    """Show sales and money in hand by week."""
    plan, case, currency = now.plan, now.made.built.case, now.group.currency
    sales = sales_by_week(plan)
    if len(sales):
        page.chart(
            sales_figure(sales, _("Week of sale"), _("Grain sold, kg"), (case.start, case.week_date(case.weeks))),
            _("Bars of kilograms sold in each week, by buyer"),
            "plan_sales",
        )
    needs = [(case.week_date(need.week), need.amount, need.label) for need in case.needs]
    names = {"band": _("8 of 10 possible seasons"), "median": _("middle season"), "need": _("cash need")}
    page.chart(
        cash_figure(
            cash_curve(now.made.outlook, plan),
            needs,
            names,
            _("Week"),
            _("Money after cash needs, {currency}").format(currency=currency),
        ),
        _("Money in hand week by week with its spread"),
        "plan_cash",
    )
    st.caption(_("The band holds 8 of 10 possible seasons. Below the line at 0 money is missing."))


def show_net(now: Situation) -> None:
    """Show how the plan's net value is worked out: each step's amount, its formula and where it comes from.

    The amounts are those of the same fresh seasons as the answer; they add up to the net value.
    """
    steps, currency = {key: _(text) for key, text in STEPS.items()}, now.group.currency
    formulas = _formulas()
    signed = {str(key): float(value) * (1 if key in ("gross", "net") else -1) for key, value in now.made.net.items()}
    st.markdown(_("The lines add up to the last one. Each is the average over the possible seasons."))
    rows = [
        {
            _("Step"): steps[key],
            _("Amount"): money(value, currency),
            _("Worked out as"): formulas[key][0],
            _("Enter or check it under"): formulas[key][1],
        }
        for key, value in signed.items()
        if abs(value) >= 0.5 or key == "net"
    ]
    page.table(rows, "plan_net_table", "from_gross_to_net")
    st.caption(
        _(
            "The weight of the water is counted once: W2 = W1 (100 - M1)/(100 - M2). A deduction below 0 is a "
            "premium: the buyer pays more than the market."
        )
    )
    for name, label, section in _places():
        page.link(name, label, section)


def _places() -> list[tuple[str, str, str]]:
    """Return the places where what the plan counts with is entered or explained: page, label, section."""
    return [
        ("prices", _("Prices"), "prices"),
        ("prices", _("Buyers and offers"), "buyers"),
        ("lots", _("Lots and tests"), "lots"),
        ("our_things", _("Drying spaces"), "drying_spaces"),
        ("our_things", _("Stores and bags"), "grain_stores"),
        ("our_things", _("Truck and meter"), "truck_meter"),
        ("our_things", _("Assumed values"), "assumed_values"),
        ("sources", _("Values and sources"), "sources"),
    ]


def _formulas() -> dict[str, tuple[str, str]]:
    """Return, for each step from gross to net, its formula in words and the place of its inputs."""
    prices, buyers, lots, spaces, stores, truck, assumed, sources = (label for _page, label, _section in _places())
    return {
        "gross": (_("kg of today's bags × market price in the week of sale"), prices),
        "field": (_("kg lost in the field × that price"), sources),
        "water": (_("kg of water dried out × that price"), lots),
        "handling": (_("kg lost in drying and handling × that price"), assumed),
        "dry_matter": (_("kg of dry matter lost in store × that price"), sources),
        "insects": (_("kg eaten by insects × that price"), sources),
        "mould": (_("kg unfit through mould × that price"), sources),
        "discount": (_("market value of the grain sold − what buyers pay for it"), buyers),
        "fees": (_("sales × fee of the market or buyer"), buyers),
        "drying": (_("hire, fuel and labour for the bags dried"), spaces),
        "storage": (_("bags × store fee and treatment"), stores),
        "bags": (_("bags bought × price of one"), stores),
        "transport": (_("trips × cost of one trip, and loading"), truck),
        "cost_of_money": (_("each payment × interest from today to its day"), assumed),
        "net": (_("sum of the lines above"), ""),
    }


def _rule_names() -> dict[str, str]:
    return {
        "plan": _("this plan"),
        "sell all now wet": _("sell all now, wet"),
        "dry and sell": _("dry and sell"),
        "store until the usual peak": _("store until the usual peak"),
        "half and half": _("half now, half at the peak"),
        "each lot by itself": _("each lot by itself"),
    }


def show_rules(now: Situation) -> None:
    """Hold the plan against the simple rules on seasons that it has not seen."""
    made, names, currency = now.made, _rule_names(), now.group.currency
    st.caption(_("On possible seasons that the plan was not made on."))
    page.chart(
        rules_figure(
            {key: worth.value for key, worth in made.fresh.items()},
            names,
            _("Value today, {currency}").format(currency=currency),
            _("average of the worst tenth"),
            _("average"),
        ),
        _("Spread of value for the plan and five simple rules"),
        "plan_rules",
    )
    selling = made.fresh["sell all now wet"].value
    rows = [
        {
            _("Way"): names[key],
            _("Average year"): money(worth.mean, currency),
            _("Worst tenth"): money(worth.worst_tenth_mean, currency),
            _("Chance of less than selling now"): percent(float((worth.value < selling - 1e-9).mean())),
            **(
                {_("Cash needs missed"): number(float((worth.missed > 0.005).sum(axis=0).mean()), 2)}
                if worth.missed.size
                else {}
            ),
        }
        for key, worth in made.fresh.items()
    ]
    page.table(rows, "plan_rules_table")
    plan, best = made.fresh["plan"], max((worth.mean, key) for key, worth in made.fresh.items() if key != "plan")
    error = float(np.std(made.fresh["plan"].value - made.fresh[best[1]].value) / np.sqrt(len(plan.value)))
    if plan.mean < best[0] - 2 * error:
        st.warning(
            _("On fresh seasons '{rule}' did better on average: the plan pays for cash needs or for bad years.").format(
                rule=names[best[1]]
            )
        )


def show_lot(now: Situation) -> None:
    """Show one lot closer: value by week of sale, the next best choice, when to dry again, the price to sell at."""
    made, plan, currency = now.made, now.plan, now.group.currency
    labels = [lot.label for lot in made.built.case.lots]
    label = st.selectbox(_("Lot"), labels, key="plan_lot", **KEEP)
    lot = labels.index(label) if label in labels else 0
    harvest_choice(made.outlook, lot, currency)
    weeks = value_by_week(made.outlook, lot)
    if weeks.empty:
        return
    dates = [made.built.case.week_date(int(week)) for week in weeks.index]
    mine = [line for line in plan.sales if line.label == labels[lot] and line.buyer]
    when = max(mine, key=lambda line: line.bags).sell_on if mine else None
    names = {"band": _("8 of 10 possible seasons"), "mean": _("average"), "chosen": _("planned")}
    page.chart(
        week_value_figure(
            weeks,
            dates,
            when,
            names,
            _("Week of sale"),
            _("Worth of one bag today, {currency}").format(currency=currency),
        ),
        _("Value of one bag by week of sale"),
        "plan_week_value",
    )
    parts = [part for part in now.reasons if part.label == labels[lot]]
    lines = [_part_line(part, currency) for part in parts]
    for part in parts[:1]:
        lines.append(_("dry again if a test shows more than {limit} %").format(limit=number(part.dry_again_pct, 1)))
    st.markdown("\n".join(f"- {line}" for line in lines))
    show_selling_prices(now, lot)


def _part_line(part: PartReason, currency: str) -> str:
    """Return why a part of a lot is planned so, and what the next best choice for it would cost."""
    bags = ngettext("{count} bag", "{count} bags", part.bags).format(count=part.bags)
    cost = _runner_cost(part.runner_up_cost, currency)
    return f"**{bags}**: {say(part.reason)}; {say(part.runner_up)} ({cost})"


def _runner_cost(cost: float, currency: str) -> str:
    if cost >= 0:
        return _("choosing it would cost {amount}").format(amount=money(cost, currency))
    return _("it would earn {amount} more; shared limits or cash needs do not allow it").format(
        amount=money(-cost, currency)
    )


def show_limits(now: Situation) -> None:
    """Show which limits are used up, and what more of each would be worth."""
    case, currency = now.made.built.case, now.group.currency
    words = {"store": _("room in the store"), "truck": _("truck trips"), "cash": _("money needed by its dates")}
    words |= {f"drying:{way.code}": _("space on {name}").format(name=_(way.name)) for way in case.drying} | {
        f"storage:{way.code}": _(way.name) for way in case.storage
    }
    binding = [words.get(key, key) for key in now.plan.binding]
    st.markdown(
        _("Used up in some week: {limits}.").format(limits=", ".join(binding))
        if binding
        else _("No limit is used up: more space, bags or trips would change little.")
    )
    if st.toggle(_("Work out what one more of each would be worth (takes some seconds)"), key="plan_more"):
        gains = worths_of(now)
        if gains is not None and len(gains):
            rows = [
                {
                    _("Change"): say(row["what"]),
                    _("Worth"): _worth(float(row["gain"]), float(row["uncertain"]), currency),
                }
                for _key, row in gains.iterrows()
            ]
            page.table(rows, "plan_more_table")
            st.caption(
                _(
                    "Worked out by planning again on the same seasons with that one thing changed. For more tests it "
                    "is the gain expected before the tests are made, lot by lot. More tests do not make the meter's "
                    "own error smaller."
                )
            )


def show_members(now: Situation) -> None:
    """Show how members fare together and alone."""
    case, currency = now.made.built.case, now.group.currency
    alone = alone_of(now)
    rows = (
        []
        if alone is None
        else [
            {
                _("Member"): name,
                _("Bags"): int(row["bags"]),
                _("Together"): money(row["joint"], currency),
                _("Alone"): money(row["alone"], currency),
                _("Gain"): money(row["gain"], currency),
                _("First sale"): day(case.week_date(int(row["first_sale"]))) if row["first_sale"] >= 0 else "–",
                _("Last sale"): day(case.week_date(int(row["last_sale"]))) if row["last_sale"] >= 0 else "–",
            }
            for name, row in alone.iterrows()
        ]
    )
    if rows:
        page.table(rows, "plan_alone_table")
    st.caption(
        _(
            "Alone: own trips, and the share of drying space and bags that goes with the member's grain. A "
            "joint trip's cost is shared by the kilograms carried."
        )
    )


def _worth(gain: float, uncertain: float, currency: str) -> str:
    """Return a gain in words: what the search for whole bags cannot tell apart from nothing is said to be so."""
    if gain <= max(uncertain, 0.0) and uncertain > 0:
        return _("less than {amount}, which cannot be told from nothing").format(amount=about(uncertain, currency))
    return about(gain, currency) if gain >= 1 else _("next to nothing")


def show_loans(now: Situation) -> None:
    """Say what borrowing on stored grain is worth, and which loans the plan takes."""
    made, plan, case, currency = now.made, now.plan, now.made.built.case, now.group.currency
    if made.without is None:
        st.markdown(_("Loans on stored grain are not asked for: see 'Your choices' above."))
        return
    loans = plan.allocation.loans
    if not loans or case.credit is None:
        gain = about(made.loan_gain, currency) if made.loan_gain and made.loan_gain >= 1 else _("nothing")
        st.markdown(
            _(
                "**No loan on stored grain is taken:** no cash need asks for it, and with its interest, fee and "
                "the store's charge it would gain {gain}, too little to borrow for."
            ).format(gain=gain)
        )
        return
    gain = (plan.objective - made.without.objective) / (1.0 + case.risk_weight)
    most = float(principal_by_week(case, loans).max())
    ending = (
        _("gains {gain} in an average year against the best plan without it").format(gain=about(gain, currency))
        if gain > 0
        else _("costs {gain} in an average year, but meets what would otherwise not be met").format(
            gain=about(-gain, currency)
        )
    )
    bags = pledged_bags(made.outlook, plan.allocation)
    st.markdown(
        ngettext(
            "**Borrowing on {count} bag** (up to {most} at a time) {ending}.",
            "**Borrowing on {count} bags** (up to {most} at a time) {ending}.",
            bags,
        ).format(count=bags, most=about(most, currency), ending=ending)
    )
    if made.without.unmet and not plan.unmet:
        st.caption(_("Without it not met: {needs}.").format(needs=", ".join(need.label for need in made.without.unmet)))
    by_weeks: dict[tuple[int, int], float] = {}
    for taken, repaid, amount in loans:
        by_weeks[taken, repaid] = by_weeks.get((taken, repaid), 0.0) + amount
    rows = [
        {
            _("Borrowed in the week of"): day(case.week_date(taken)),
            _("Paid out"): money(amount * (1 - case.credit.fee_share), currency),
            _("Paid back in the week of"): day(case.week_date(repaid)),
            _("To pay back"): money(amount * loan_unit_owed(case, repaid - taken), currency),
        }
        for (taken, repaid), amount in sorted(by_weeks.items())
    ]
    page.table(rows, "plan_loans")
    st.caption(
        _(
            "Paid back with interest and the store's charge when the bags behind it are sold. It is owed even "
            "where the price has fallen."
        )
    )
    page.caution("money")


def show_how(now: Situation) -> None:
    """Show what the plan rests on, and how near to the best it is."""
    made = now.made
    lines = [
        _("{label}: {value} {unit} ({origin})").format(
            label=_(fact.label or key),
            value=_short(fact.value, shown_scale(fact)),
            unit=say(shown_unit(fact, now.group.currency)),
            origin=page.origin_text(fact),
        )
        for key, fact in sorted(state.store().facts(now.group_id).items())
        if key.startswith(("plan.", "truck."))
    ]
    gap = percent(made.plan.gap, 2) if np.isfinite(made.plan.gap) else _("not known")
    found = [
        _(
            "No plan under these limits can be more than {gap} better on the scenarios used (bound of the "
            "solver HiGHS; found by: {method}, {seconds} s)."
        ).format(gap=gap, method=_(made.plan.method), seconds=number(made.plan.seconds, 1)),
        _("Price cut for insect damage: 2.8-3.6 % for each 1 % of kernels (Jones et al. 2016)."),
        _("The price at which to sell: least squares on simulated seasons (Longstaff and Schwartz 2001)."),
        _("Weather: {status}; climate: {source}.").format(
            status=made.built.data.forecast.status, source=made.built.data.normals.source
        ),
        *lines,
    ]
    st.markdown("\n".join(f"- {line}" for line in found))


def _short(value: Any, scale: float) -> str:
    return number(float(value) * scale, 3).rstrip("0").rstrip(".,") if isinstance(value, int | float) else str(value)
