"""The sale plan: best for the whole group, under its limits, with its risk."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pandas as pd
import streamlit as st

from core.group.facts import cost_of_money
from core.planning.credit import credit_terms, pledged_bags, principal_by_week
from core.planning.layout import loan_unit_owed
from core.planning.plan_tables import cash_curve, merged_lines, plan_deductions, sales_by_week, value_by_week
from core.planning.rolling import compare_plans, keep_plan, purchases
from core.planning.why import lot_reasons
from core.planning.wishes import read_wishes, write_wishes
from dashboard import page, state
from dashboard.charts.plan import cash_figure, deductions_figure, rules_figure, sales_figure, week_value_figure
from dashboard.forms.coming import coming_grain, harvest_choice
from dashboard.plan_prices import show_selling_prices
from dashboard.planning import Choices, MadePlan, chosen, last_plan, made_alone, made_plan, made_worths
from dashboard.text import _, day, literal, money, ngettext, number, percent, say

KEEP = {"persist_state": "session"}
NOT_NAMED = "not named"
RISK_ANSWERS = {0.0: "nothing", 0.1: "up to 10", 0.25: "up to 25", 0.5: "up to 50", 1.0: "up to 100"}


def show() -> None:
    page.start(
        _("Sale plan"),
        _("Which bags are dried, stored and sold, to whom and in which week, so that the whole group does best?"),
    )
    group = page.stop_if_no_group()
    made: MadePlan | None = None
    choices = _choices(group)
    with page.plain_errors():
        made = made_plan(group.id, choices)
    if made is None:
        _wishes(group)
        return
    _answer(group, made)
    _credit(group, made)
    _pictures(group, made)
    _against_rules(group, made)
    _by_lot(group, made)
    _why_group(group, made, choices)
    _compare(group, made)
    _downloads(group, made)
    _wishes(group)
    page.caution("advice")
    page.caution("mould")
    _sources(made)


def _choices(group: Any) -> Choices:
    """Ask only what a person has to decide."""
    facts = state.store().facts(group.id)
    with st.expander(_("Your choices: bad years, cost of money, how far ahead"), expanded=False):
        answers = list(RISK_ANSWERS)
        words = {key: _(text) for key, text in RISK_ANSWERS.items()}
        kept = chosen()
        weight = (
            kept.risk_weight
            if kept.risk_weight in answers
            else min(answers, key=lambda value: abs(value - float(facts["plan.risk_weight"].value)))
        )
        risk = st.select_slider(
            _("In an average year, how much would you give up to have 100 more in a bad year (the worst one in ten)?"),
            options=answers,
            value=weight,
            format_func=lambda value: words[value],
            key="plan_risk",
            **KEEP,
        )
        standing = cost_of_money(facts)
        share = float(standing.value)
        interest = st.slider(
            _("Cost of money, % a month"),
            0.0,
            12.0,
            float(kept.interest * 100 if kept.interest is not None else share * 100),
            0.5,
            key="plan_interest",
            **KEEP,
        )
        page.origin(standing)
        weeks = st.slider(
            _("How far ahead, weeks"), 6, 52, int(kept.weeks or facts["plan.weeks"].value), 1, key="plan_weeks", **KEEP
        )
        advances = st.toggle(
            _("The group advances money to members whose own sales come later"),
            kept.advances,
            key="plan_advances",
            help=_("Switched off, a member's cash need has to be met from that member's own lots by its date."),
            **KEEP,
        )
        credit = st.toggle(
            _("Money may be borrowed on the grain in store (a lender takes bags in a locked store as security)"),
            kept.credit,
            key="plan_credit",
            help=_(
                "Cash needs are then met without selling at harvest. The loan is owed even where the price has fallen."
            ),
            **KEEP,
        )
        if credit:
            _credit_terms(facts)
    made = Choices(int(weeks), float(risk), round(float(interest) / 100, 4), bool(advances), bool(credit))
    st.session_state["plan_choices"] = made
    return made


def _credit_terms(facts: Any) -> None:
    """Show the terms on which money can be borrowed on grain, and where they are changed."""
    terms, currency = credit_terms(facts), state.current_group().currency
    assumed = sum(fact.origin == "assumed" for key, fact in facts.items() if key.startswith("inventory_credit."))
    st.caption(
        _(
            "Terms: {share} of today's value, {interest} a month, fee {fee}, the store {charge} per kg and month, "
            "repaid within {months} months ({count} of them assumed). They are changed on the page 'Prices'."
        ).format(
            share=percent(terms.loan_share),
            interest=percent(terms.monthly_interest, 1),
            fee=percent(terms.fee_share, 1),
            charge=money(terms.storage_fee_per_kg_month, currency),
            months=number(terms.longest_months, 0),
            count=assumed,
        )
    )


def _credit(group: Any, made: MadePlan) -> None:
    """Say what borrowing on stored grain is worth, and which loans the plan takes."""
    plan, case, currency = made.plan, made.built.case, group.currency
    if made.without is None:
        return
    loans = plan.allocation.loans
    if not loans or case.credit is None:
        gain = _about(made.loan_gain, currency) if made.loan_gain and made.loan_gain >= 1 else _("nothing")
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
        _("gains {gain} in an average year against the best plan without it").format(gain=_about(gain, currency))
        if gain > 0
        else _("costs {gain} in an average year, but meets what would otherwise not be met").format(
            gain=_about(-gain, currency)
        )
    )
    bags = pledged_bags(made.outlook, plan.allocation)
    st.markdown(
        ngettext(
            "**Borrowing on {count} bag** (up to {most} at a time) {ending}.",
            "**Borrowing on {count} bags** (up to {most} at a time) {ending}.",
            bags,
        ).format(count=bags, most=_about(most, currency), ending=ending)
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
    with st.expander(_("The loans, week by week")):
        page.table(pd.DataFrame(rows), "plan_loans")
        st.caption(
            _(
                "Paid back with interest and the store's charge when the bags behind it are sold. It is owed even "
                "where the price has fallen."
            )
        )


def _about(value: float, currency: str) -> str:
    """Return money to three figures: scenarios do not carry more."""
    digits = 2 - int(np.floor(np.log10(abs(value)))) if abs(value) > 0 else 0
    return money(round(value, digits), currency)


def _answer(group: Any, made: MadePlan) -> None:
    """Say the decision in one sentence, then what is not met."""
    plan, now = made.plan, made.fresh["sell all now wet"]
    fresh = made.fresh["plan"]
    soon = [line for line in plan.sales if line.buyer and line.week <= 1]
    dry = sum(line.bags for line in plan.sales if line.setup)
    stored = sum(line.bags for line in plan.sales if line.storage and line.buyer)
    later: dict[Any, int] = {}
    for line in plan.sales:
        if line.buyer and line.storage:
            later[line.sell_on] = later.get(line.sell_on, 0) + line.bags
    main_day = max(later, key=lambda on: later[on], default=None)
    now_bags = sum(line.bags for line in soon)
    words = []
    if now_bags:
        words.append(
            ngettext("sell {count} bag within two weeks", "sell {count} bags within two weeks", now_bags).format(
                count=now_bags
            )
        )
    if dry:
        words.append(ngettext("dry {count} bag first", "dry {count} bags first", dry).format(count=dry))
    if stored and main_day is not None:
        words.append(
            ngettext(
                "store {count} bag, the largest part until the week of {day}",
                "store {count} bags, the largest part until the week of {day}",
                stored,
            ).format(count=stored, day=day(main_day))
        )
    gain = fresh.mean - now.mean
    ending = _("worth {gain} more in an average year than selling all now ({total} in all, brought to today)").format(
        gain=_about(gain, group.currency), total=_about(fresh.mean, group.currency)
    )
    said = ", ".join(words) or _("keep all bags")
    page.answer(said[0].upper() + said[1:] + ": " + ending + ".")
    below = float((fresh.value < now.value).mean())
    st.markdown(
        _(
            "In {chance} of the possible seasons this plan would bring less than selling now; in the worst tenth "
            "it brings {tenth}, selling now {other}."
        ).format(
            chance=percent(below),
            tenth=_about(fresh.worst_tenth_mean, group.currency),
            other=_about(now.worst_tenth_mean, group.currency),
        )
    )
    if later.get(made.built.case.week_date(made.built.case.weeks - 1), 0) > 0.3 * max(stored, 1):
        st.caption(
            _(
                "Much of it is sold in the last week looked at: look further ahead under 'Your choices' to see "
                "whether waiting longer pays."
            )
        )
    for need in plan.unmet:
        st.warning(
            _("Not met: {label}. It takes {advice}. (Met in {share} of the possible seasons.)").format(
                label=need.label, advice=say(need.advice), share=percent(need.share_met)
            ),
            icon=":material/priority_high:",
        )
    for note in (*made.built.notes, *plan.notes):
        st.info(say(note))


def _pictures(group: Any, made: MadePlan) -> None:
    """Show sales and cash by week, and what is taken off between gross and net."""
    plan, case = made.plan, made.built.case
    sales = sales_by_week(plan)
    if len(sales):
        st.subheader(_("Sales by week"))
        page.chart(
            sales_figure(sales, _("Week of sale"), _("Grain sold, kg"), (case.start, case.week_date(case.weeks))),
            _("Bars of kilograms sold in each week, by buyer"),
            "plan_sales",
        )
    cash = cash_curve(made.outlook, plan)
    needs = [(case.week_date(need.week), need.amount, need.label) for need in case.needs]
    st.subheader(_("Money in hand"))
    names = {"band": _("8 of 10 possible seasons"), "median": _("middle season"), "need": _("cash need")}
    page.chart(
        cash_figure(
            cash, needs, names, _("Week"), _("Money after cash needs, {currency}").format(currency=group.currency)
        ),
        _("Money in hand week by week with its spread"),
        "plan_cash",
    )
    st.subheader(_("From gross to net"))
    deductions = plan_deductions(made.outlook, plan.allocation)
    page.chart(
        deductions_figure(
            deductions, _deduction_names(), _("Mean over possible seasons, {currency}").format(currency=group.currency)
        ),
        _("Steps from gross to net value"),
        "plan_net",
    )
    st.caption(
        _(
            "Gross: today's bags at the market price of their week of sale. Water is taken off once, by the mass "
            "balance; discount can be a premium where a buyer pays more than the market."
        )
    )


def _deduction_names() -> dict[str, str]:
    return {
        "gross": _("gross"),
        "field": _("lost in the field"),
        "water": _("water dried out"),
        "handling": _("handling loss"),
        "dry_matter": _("dry matter lost"),
        "insects": _("eaten by insects"),
        "mould": _("unfit through mould"),
        "discount": _("discount, refusal or premium"),
        "fees": _("market fees"),
        "drying": _("drying"),
        "storage": _("storage and treatment"),
        "bags": _("bags bought"),
        "transport": _("transport and loading"),
        "cost_of_money": _("cost of money"),
        "net": _("net, today"),
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


def _against_rules(group: Any, made: MadePlan) -> None:
    """Hold the plan against the simple rules on seasons that it has not seen."""
    st.subheader(_("Held against simple rules, on seasons that the plan has not seen"))
    names, currency = _rule_names(), group.currency
    page.chart(
        rules_figure(
            {key: worth.value for key, worth in made.fresh.items()},
            names,
            _("Value today, {currency}").format(currency=currency),
            _("mean of the worst tenth"),
            _("mean"),
        ),
        _("Spread of value for the plan and five simple rules"),
        "plan_rules",
    )
    now = made.fresh["sell all now wet"].value
    rows = [
        {
            _("Way"): names[key],
            _("Average year"): money(worth.mean, currency),
            _("Worst tenth"): money(worth.worst_tenth_mean, currency),
            _("Chance of less than selling now"): percent(float((worth.value < now - 1e-9).mean())),
            **(
                {_("Cash needs missed"): number(float((worth.missed > 0.005).sum(axis=0).mean()), 2)}
                if worth.missed.size
                else {}
            ),
        }
        for key, worth in made.fresh.items()
    ]
    page.table(pd.DataFrame(rows), "plan_rules_table")
    plan, best = made.fresh["plan"], max((worth.mean, key) for key, worth in made.fresh.items() if key != "plan")
    error = float(np.std(made.fresh["plan"].value - made.fresh[best[1]].value) / np.sqrt(len(plan.value)))
    if plan.mean < best[0] - 2 * error:
        st.warning(
            _("On fresh seasons '{rule}' did better on average: the plan pays for cash needs or for bad years.").format(
                rule=names[best[1]]
            )
        )


def _by_lot(group: Any, made: MadePlan) -> None:
    """Show the plan by lot with reasons, and one lot closer."""
    st.subheader(_("Lot by lot"))
    plan, currency = made.plan, group.currency
    reasons = {reason.label: reason for reason in lot_reasons(made.outlook, plan)}
    standing = any(line.harvest_on is not None for line in plan.sales)
    rows = [
        {
            _("Lot"): line.label,
            _("Bags"): line.bags,
            _("Sell in the week of"): day(line.sell_on),
            _("To"): line.buyer or line.reserve,
            **_harvest_cell(line, standing),
            _("Dry on"): _drying_cell(line),
            _("Store in"): line.storage or _("not stored"),
            _("Worth today"): money(line.value, currency),
            _("Member"): line.owner,
            _("Crop"): line.commodity.replace("_", " "),
            _("8 of 10 seasons"): f"{money(line.value_low, currency)} – {money(line.value_high, currency)}",
            _("Why"): say(reasons[line.label].reason) if line.label in reasons else "",
        }
        for line in merged_lines(plan)
    ]
    page.table(pd.DataFrame(rows), "plan_lines", "sale_plan.csv")
    alike: dict[str, list[str]] = {}
    for reason in reasons.values():
        alike.setdefault(say(reason.reason, markdown=True), []).append(reason.label)
    st.markdown("\n".join(f"- **{literal(', '.join(lots))}**: {why}" for why, lots in alike.items()))
    labels = [lot.label for lot in made.built.case.lots]
    label = st.selectbox(_("Look closer at one lot"), labels, key="plan_lot", **KEEP)
    lot = labels.index(label) if label in labels else 0
    harvest_choice(made.outlook, lot, currency)
    weeks = value_by_week(made.outlook, lot)
    if weeks.empty:
        return
    dates = [made.built.case.week_date(int(week)) for week in weeks.index]
    mine = [line for line in plan.sales if line.label == labels[lot] and line.buyer]
    when = max(mine, key=lambda line: line.bags).sell_on if mine else None
    names = {"band": _("8 of 10 possible seasons"), "mean": _("mean"), "chosen": _("planned")}
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
    reason = reasons.get(labels[lot])
    if reason is not None:
        st.markdown(
            f"- {say(reason.reason)}\n- {say(reason.runner_up)} ({_runner_cost(reason.runner_up_cost, currency)})\n- "
            + _("dry again if a test shows more than {limit} %").format(limit=number(reason.dry_again_pct, 1))
        )
    show_selling_prices(group, made, lot)


def _drying_cell(line: Any) -> str:
    """Say on what and to which moisture a line's bags are dried."""
    if not line.setup:
        return _("no")
    if line.target_pct is None:
        return _(line.setup)
    return _("{setup}, to {moisture} %").format(setup=_(line.setup), moisture=number(line.target_pct, 1))


def _harvest_cell(line: Any, standing: bool) -> dict[str, str]:
    """Return the week of harvest as a cell, where any lot of the plan still stands."""
    if not standing:
        return {}
    return {_("Harvest in the week of"): day(line.harvest_on) if line.harvest_on is not None else "–"}


def _runner_cost(cost: float, currency: str) -> str:
    if cost >= 0:
        return _("choosing it would cost {amount}").format(amount=money(cost, currency))
    return _("by itself it would bring {amount} more; shared limits or cash needs stand against it").format(
        amount=money(-cost, currency)
    )


def _why_group(group: Any, made: MadePlan, choices: Choices) -> None:
    """Show what binds, what more of it would be worth, and how members fare together and alone."""
    st.subheader(_("What limits the group"))
    case = made.built.case
    words = {"store": _("room in the store"), "truck": _("truck trips"), "cash": _("money needed by its dates")}
    words |= {f"drying:{way.code}": _("space on {name}").format(name=_(way.name)) for way in case.drying} | {
        f"storage:{way.code}": _(way.name) for way in case.storage
    }
    binding = [words.get(key, key) for key in made.plan.binding]
    st.markdown(
        _("Used up in some week: {limits}.").format(limits=", ".join(binding))
        if binding
        else _("No limit is used up: more space, bags or trips would change little.")
    )
    if st.toggle(_("Work out what one more of each would be worth (takes some seconds)"), key="plan_more"):
        gains = made_worths(group.id, choices, made)
        if gains is not None and len(gains):
            rows = [
                {
                    _("What"): say(row["what"]),
                    _("Worth"): _worth(float(row["gain"]), float(row["uncertain"]), group.currency),
                }
                for _key, row in gains.iterrows()
            ]
            page.table(pd.DataFrame(rows), "plan_more_table")
            st.caption(
                _(
                    "By planning again on the same seasons with that one thing changed. Probing: expected before "
                    "the readings are seen, lot by lot; the error that all readings of a meter share does not "
                    "shrink with more bags."
                )
            )
    if st.toggle(_("Compare each member with planning alone (takes some seconds)"), key="plan_alone"):
        alone = made_alone(group.id, choices, made)
        rows = (
            []
            if alone is None
            else [
                {
                    _("Member"): name,
                    _("Bags"): int(row["bags"]),
                    _("Together"): money(row["joint"], group.currency),
                    _("Alone"): money(row["alone"], group.currency),
                    _("Gain"): money(row["gain"], group.currency),
                    _("First sale"): day(case.week_date(int(row["first_sale"]))) if row["first_sale"] >= 0 else "–",
                    _("Last sale"): day(case.week_date(int(row["last_sale"]))) if row["last_sale"] >= 0 else "–",
                }
                for name, row in alone.iterrows()
            ]
        )
        if rows:
            page.table(pd.DataFrame(rows), "plan_alone_table")
        st.caption(
            _(
                "Alone: own trips, and the share of drying space and bags that goes with the member's grain. A "
                "joint trip's cost is shared by the kilograms carried."
            )
        )


def _worth(gain: float, uncertain: float, currency: str) -> str:
    """Return a gain in words: what the search for whole bags cannot tell apart from nothing is said to be so."""
    if gain <= max(uncertain, 0.0) and uncertain > 0:
        return _("less than {amount}, which cannot be told from nothing").format(amount=_about(uncertain, currency))
    return _about(gain, currency) if gain >= 1 else _("next to nothing")


def _compare(group: Any, made: MadePlan) -> None:
    """Compare with the last kept plan and offer to keep this one."""
    st.subheader(_("Keep this plan"))
    last = last_plan(group.id)
    facts = state.store().facts(group.id)
    if last is not None:
        change = compare_plans(last, made.plan, made.outlook, float(facts["plan.keep_below_gain"].value))
        same = not len(change.moved) and (change.gain is None or abs(change.gain) < 1)
        head = (
            _("The last plan should be changed.")
            if change.change_advice
            else _("Stay with the last plan: the gain of changing is too small.")
        )
        if same and not change.change_advice:
            head = _("Today's plan is the last plan that was kept.")
        kept_by = _("It was kept on {day} by {who}.") if last.who != NOT_NAMED else _("It was kept on {day}.")
        st.markdown(f"{head} {kept_by.format(day=day(last.on), who=literal(last.who))}")
        if change.gain is not None and not same:
            gain = _about(change.gain, group.currency) if change.gain >= 1 else _("nothing")
            st.caption(
                _(
                    "Changing would bring {gain} on today's knowledge; below {share} of the plan's value the "
                    "advice is not changed."
                ).format(gain=gain, share=percent(float(facts["plan.keep_below_gain"].value)))
            )
        for why in change.why:
            st.markdown(f"- {say(why)}")
        if len(change.moved) and change.change_advice:
            moved = change.moved.rename(
                columns={
                    "lot": _("Lot"),
                    "was": _("Was planned for"),
                    "was_buyer": _("To (then)"),
                    "now": _("Now planned for"),
                    "now_buyer": _("To (now)"),
                }
            )
            page.table(moved, "plan_moved")
    if st.button(_("Keep this plan as the group's"), key="plan_keep"):
        with page.plain_errors():
            keep_plan(state.store(), group.id, made.plan, state.today(), state.who(), state.now())
            st.success(_("The plan is kept with its inputs. Its steps stand under 'Next actions'."))


def _downloads(group: Any, made: MadePlan) -> None:
    """Offer the plan as a sheet, a calendar and a workbook."""
    from core.reports.calendar import plan_calendar
    from core.reports.plan_sheet import plan_sheet
    from core.reports.workbook import plan_workbook

    st.subheader(_("Take it along"))
    stamp = state.now()
    reasons = lot_reasons(made.outlook, made.plan)
    deductions = plan_deductions(made.outlook, made.plan.allocation)
    sheet = plan_sheet(made.plan, group.name, reasons, deductions, stamp)
    one, two, three = st.columns(3)
    one.download_button(
        _("Plan sheet to print (HTML)"),
        sheet.encode(),
        "sale_plan.html",
        "text/html",
        key="plan_sheet",
        width="stretch",
    )
    two.download_button(
        _("Dates for a calendar (ICS)"),
        plan_calendar(made.plan, group.name, stamp),
        "sale_plan.ics",
        "text/calendar",
        key="plan_calendar",
        width="stretch",
    )
    three.download_button(
        _("Workbook (XLSX)"),
        lambda: plan_workbook(made.plan, reasons, deductions),
        "sale_plan.xlsx",
        "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        key="plan_workbook",
        width="stretch",
    )
    buy = purchases(made.plan)
    if buy:
        st.markdown(_("**To buy and to book**"))
        rows = [
            {
                _("What"): say(item.what),
                _("Cost"): money(item.cost, group.currency),
                _("Needed on"): day(item.needed_on),
                _("Order by"): day(max(item.order_by, state.today())),
            }
            for item in buy
        ]
        page.table(pd.DataFrame(rows), "plan_buy")


def _wishes(group: Any) -> None:
    """Let the group enter cash needs and grain kept back; buyers and offers have their own page."""
    store = state.store()
    wishes = read_wishes(store, group.id)
    page.link("prices", _("Buyers and offers: write them down on their own page"), "buyers")
    with st.expander(_("Cash needs, grain kept back")):
        if wishes["needs"]:
            page.table(pd.DataFrame(wishes["needs"]), "plan_needs_table")
        with st.form("plan_need_form", clear_on_submit=True):
            st.markdown(_("**A cash need**"))
            label = st.text_input(_("What for"), key="plan_need_label")
            amount = st.number_input(
                _("Amount, {currency}").format(currency=group.currency), 0.0, key="plan_need_amount"
            )
            on = st.date_input(_("Needed on"), state.today() + timedelta(days=30), key="plan_need_on")
            member = st.selectbox(
                _("Who needs it"),
                ["", *[item.name for item in store.members(group.id)]],
                format_func=lambda name: name or _("the group"),
                key="plan_need_member",
            )
            if st.form_submit_button(_("Add the need")) and amount > 0:
                wishes["needs"].append({"label": label, "amount": amount, "on": on.isoformat(), "member": member})
                write_wishes(store, group.id, wishes, state.now())
                st.rerun()
        crops = sorted({lot.commodity for lot in store.lots(group.id)})
        if wishes["reserves"]:
            page.table(pd.DataFrame(wishes["reserves"]), "plan_reserves_table")
        with st.form("plan_reserve_form", clear_on_submit=True):
            st.markdown(_("**Grain kept back to eat or to sow**"))
            what = st.text_input(_("What for"), _("home use"), key="plan_reserve_label")
            kept_crop = st.selectbox(
                _("Crop"), crops, format_func=lambda code: code.replace("_", " "), key="plan_reserve_crop"
            )
            kg = st.number_input(_("Kilograms in all"), 0.0, key="plan_reserve_kg")
            for_weeks = st.number_input(_("For how many weeks"), 1, 52, 30, key="plan_reserve_weeks")
            seed = st.checkbox(_("It is seed, kept whole until then"), key="plan_reserve_seed")
            if st.form_submit_button(_("Keep it back")) and kg > 0:
                wishes["reserves"].append(
                    {"label": what, "commodity": kept_crop, "kg": kg, "weeks": int(for_weeks), "evenly": not seed}
                )
                write_wishes(store, group.id, wishes, state.now())
                st.rerun()
        if any(wishes.values()) and st.button(_("Clear all of these"), key="plan_wishes_clear"):
            write_wishes(store, group.id, {"needs": [], "reserves": []}, state.now())
            st.rerun()
    coming_grain(group)


def _sources(made: MadePlan) -> None:
    """Show what the plan rests on, and how near to the best it is."""
    group = state.current_group()
    lines = [
        _("{label}: {value} {unit} ({origin})").format(
            label=_(_label(key)), value=_short(fact.value), unit=_unit(key), origin=page.origin_text(fact)
        )
        for key, fact in sorted(state.store().facts(group.id).items())
        if key.startswith(("plan.", "truck."))
    ]
    gap = percent(made.plan.gap, 2) if np.isfinite(made.plan.gap) else _("not known")
    page.sources(
        [
            _(
                "No plan under these limits can be more than {gap} better on the scenarios used (bound of the "
                "solver HiGHS; found by: {method}, {seconds} s)."
            ).format(gap=gap, method=_(made.plan.method), seconds=number(made.plan.seconds, 1)),
            _("Weight at another moisture: W2 = W1 (100 - M1)/(100 - M2); water is taken off once."),
            _("Price cut for insect damage: 2.8-3.6 % for each 1 % of kernels (Jones et al. 2016)."),
            _("The price at which to sell: least squares on simulated seasons (Longstaff and Schwartz 2001)."),
            _("Weather: {status}; climate: {source}.").format(
                status=made.built.data.forecast.status, source=made.built.data.normals.source
            ),
            *lines,
        ]
    )


def _label(key: str) -> str:
    from core.group.facts import load_defaults

    found = load_defaults().get(key)
    return found.label if found is not None and found.label else key


def _unit(key: str) -> str:
    from core.group.facts import load_defaults

    found = load_defaults().get(key)
    return found.unit if found is not None else ""


def _short(value: Any) -> str:
    return number(float(value), 3).rstrip("0").rstrip(".") if isinstance(value, int | float) else str(value)
