"""The sale plan: one answer, one picture, one table; its details are folded."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import streamlit as st

from core.advice import Choices, Situation
from core.market.buyers import buyer_words
from core.planning.credit import credit_terms
from core.planning.plan_tables import merged_lines
from core.planning.rolling import keep_plan
from core.planning.wishes import read_wishes, write_wishes
from core.reports.sheets import headline_words
from dashboard import page, state
from dashboard.advice_parts import show_assumed, show_downloads, show_last_kept
from dashboard.charts.season import season_figure
from dashboard.forms.coming import coming_grain
from dashboard.money_parts import NOT_NAMED
from dashboard.names import crop_name
from dashboard.page import KEEP
from dashboard.plan_details import show_details, show_net
from dashboard.planning import chosen, drawn, planned, situation_now
from dashboard.text import _, about, day, literal, money, ngettext, number, percent, say, tongue

RISK_ANSWERS = {0.0: "nothing", 0.1: "up to 10", 0.25: "up to 25", 0.5: "up to 50", 1.0: "up to 100"}
MOST_ROWS = 40


def show() -> None:
    """Show the section."""
    group = page.stop_if_no_group()
    now: Situation | None = None
    place = st.container()
    choices = _choices(group)
    with place, page.plain_errors():
        now = planned(group.id, choices)
    if now is None:
        with place:
            show_last_kept(situation_now(group.id, choices))
        _wishes(group)
        return
    with place:
        _answer(now)
        _picture(now)
    page.folded(_("Part by part, with the reason of each"), "plan_lines", lambda: _table(now))
    page.folded(_("How this value was worked out"), "plan_net", lambda: show_net(now))
    _compare(now)
    show_details(now)
    page.folded(_("Print or save"), "plan_print", lambda: show_downloads(now, "plan"))
    _wishes(group)


def _answer(now: Situation) -> None:
    """Say the decision in one sentence, the caution that matters, and what is not met."""
    show_assumed(now)
    said, currency = now.headline, now.group.currency
    page.caution("mould")
    page.answer(headline_words(said, currency, tongue()))
    worst, other = now.made.fresh["plan"].worst_tenth_mean, now.made.fresh["sell all now wet"].worst_tenth_mean
    st.caption(
        _(
            "Chance that selling all now would earn more: {chance}. Average of the worst tenth of seasons: {tenth} "
            "with this plan, {other} by selling now."
        ).format(chance=percent(said.chance_below), tenth=about(worst, currency), other=about(other, currency))
    )
    for need in now.plan.unmet:
        st.warning(
            _("Not met: {label}. It takes {advice}. (Met in {share} of the possible seasons.)").format(
                label=literal(need.label), advice=say(need.advice, markdown=True), share=percent(need.share_met)
            ),
            icon=":material/priority_high:",
        )
    for note in (*now.made.built.notes, *now.plan.notes):
        st.info(say(note))


def _picture(now: Situation) -> None:
    """Show the season as a calendar with lots as rows."""
    rows = now.season[:MOST_ROWS]
    page.chart(
        drawn(now, "season", lambda: season_figure(rows, now.today)),
        _("Calendar of the season: a row for each lot with its drying, its time in store and its sales"),
        "plan_season",
    )
    st.caption(
        _(
            "Hatched: on a drying space. Pale: in store. Square: sold. The numbers are bags; the marks of a row add "
            "up to the lot's bags."
        )
    )
    rest = len(now.season) - MOST_ROWS
    if rest > 0:
        words = ngettext("The other lot is in the table.", "The other {count} lots are in the table.", rest)
        st.caption(words.format(count=rest))


def _table(now: Situation) -> None:
    """Show the plan part by part with the reason of each."""
    plan, currency = now.plan, now.group.currency
    standing = any(line.harvest_on is not None for line in plan.sales)
    rows = [
        {
            _("Lot"): line.label,
            _("Bags"): line.bags,
            _("Sell in the week of"): day(line.sell_on),
            _("Buyer or use"): say(buyer_words(line.buyer or line.reserve)),
            **_harvest_cell(line, standing),
            _("Dry on"): _drying_cell(line),
            _("Store in"): _(line.storage) if line.storage else _("not stored"),
            _("Worth today"): money(line.value, currency),
            _("8 of 10 seasons"): _("{low} to {high}").format(
                low=money(line.value_low, currency), high=money(line.value_high, currency)
            ),
            _("Member"): line.owner,
            _("Crop"): crop_name(line.commodity),
            _("Why"): say(part.reason),
        }
        for line, part in zip(merged_lines(plan), now.reasons, strict=True)
    ]
    page.table(rows, "plan_lines", "sale_plan.csv")


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


def _choices(group: Any) -> Choices:
    """Ask only what a person has to decide."""
    facts = state.store().facts(group.id)
    with st.expander(_("Your choices: bad years, interest, how far ahead"), expanded=False):
        answers = list(RISK_ANSWERS)
        words = {key: _(text) for key, text in RISK_ANSWERS.items()}
        kept = chosen()
        standing_weight = float(facts["plan.risk_weight"].value)
        nearest = min(answers, key=lambda value: abs(value - standing_weight))
        risk = st.select_slider(
            _("To gain 100 in the worst year of ten, how much would you give up in an average year?"),
            options=answers,
            value=kept.risk_weight if kept.risk_weight in answers else nearest,
            format_func=lambda value: words[value],
            key="plan_risk",
            **KEEP,
        )
        standing = facts["interest_monthly"]
        share = float(standing.value)
        interest = st.slider(
            _("Interest, % a month"),
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
    weighed = standing_weight if risk == nearest else float(risk)
    made = Choices(int(weeks), weighed, round(float(interest) / 100, 4), bool(advances), bool(credit)).beside(facts)
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


def _compare(now: Situation) -> None:
    """Compare with the last kept plan and offer to keep this one."""
    group, last, change = now.group, now.last_kept, now.change
    if last is not None and change is not None:
        st.subheader(_("What changed"), anchor=False)
        least = float(state.store().fact(group.id, "plan.keep_below_gain").value)
        same = not len(change.moved) and (change.gain is None or abs(change.gain) < 1)
        head = (
            _("The last plan should be changed.")
            if change.change_advice
            else _("Stay with the last plan: the gain of changing is too small.")
        )
        if same and not change.change_advice:
            head = _("Today's plan is the last plan that was saved.")
        kept_by = _("It was saved on {day} by {who}.") if last.who != NOT_NAMED else _("It was saved on {day}.")
        st.markdown(f"{head} {kept_by.format(day=day(last.on), who=literal(last.who))}")
        if change.gain is not None and not same:
            gain = about(change.gain, group.currency) if change.gain >= 1 else _("nothing")
            st.caption(
                _(
                    "A change would gain {gain} as known today. Below {share} of the plan's value the "
                    "advice is not changed."
                ).format(gain=gain, share=percent(least))
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
    if st.button(_("Save this plan as the group's"), key="plan_keep"):
        with page.plain_errors():
            keep_plan(state.store(), group.id, now.plan, state.today(), state.who(), state.now())
            st.success(_("The plan is saved with its inputs."))


def _wishes(group: Any) -> None:
    """Let the group enter cash needs, grain kept back and grain to come; buyers and offers have their own page."""
    page.link("prices", _("Enter buyers and offers"), "buyers")
    page.folded(_("Cash needs and home use"), "plan_wishes", lambda: _needs_and_reserves(group))
    page.folded(_("Harvests to come, and grain promised but not delivered"), "plan_coming", lambda: coming_grain(group))


def _needs_and_reserves(group: Any) -> None:
    """Let the group enter cash needs and grain kept back."""
    store = state.store()
    wishes = read_wishes(store, group.id)
    if wishes["needs"]:
        page.table(wishes["needs"], "plan_needs_table")
    with st.form("plan_need_form", clear_on_submit=True):
        st.markdown(_("**A cash need**"))
        label = st.text_input(_("What for"), key="plan_need_label")
        amount = st.number_input(_("Amount, {currency}").format(currency=group.currency), 0.0, key="plan_need_amount")
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
        page.table(wishes["reserves"], "plan_reserves_table")
    with st.form("plan_reserve_form", clear_on_submit=True):
        st.markdown(_("**Grain for home use or seed**"))
        what = st.text_input(_("What for"), _("home use"), key="plan_reserve_label")
        kept_crop = st.selectbox(_("Crop"), crops, format_func=crop_name, key="plan_reserve_crop")
        kg = st.number_input(_("Kilograms in all"), 0.0, key="plan_reserve_kg")
        for_weeks = st.number_input(_("For how many weeks"), 1, 52, 30, key="plan_reserve_weeks")
        seed = st.checkbox(_("It is seed, kept whole until then"), key="plan_reserve_seed")
        if st.form_submit_button(_("Save this wish")) and kg > 0:
            wishes["reserves"].append(
                {"label": what, "commodity": kept_crop, "kg": kg, "weeks": int(for_weeks), "evenly": not seed}
            )
            write_wishes(store, group.id, wishes, state.now())
            st.rerun()
    if any(wishes.values()) and st.button(_("Clear all of these"), key="plan_wishes_clear"):
        write_wishes(store, group.id, {"needs": [], "reserves": []}, state.now())
        st.rerun()
