"""Who pays what: the sharing rules side by side, each with what it means for every member."""

from __future__ import annotations

from collections import Counter
from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.meter.account import Account, plain_payload
from core.meter.log import member_tests
from core.meter.shares import MemberNeed, RunningCosts, Split, own_meter_season_cost, share_cost, stand_alone
from core.reports.meter_sheets import shares_sheet
from dashboard import page, state
from dashboard.charts.meter import shares_figure
from dashboard.meter_parts import ask_name, coin, exact, open_book_first, read_book, say_last, season_lots, write
from dashboard.text import _, money, say

COLUMNS = ("member", "bags", "tests", "harvest_kg", "own_meter", "loss")


def starting_needs(group: Any, account: Account, events: list[Any]) -> pd.DataFrame:
    """Return what is known of each member's needs: tests from the log or the readings, harvest from the lots."""
    store = state.store()
    facts = store.facts(group.id)
    lots = season_lots(store.lots(group.id))
    readings = store.readings(group.id)
    probed: Counter[int] = Counter(readings["lot_id"].tolist()) if len(readings) else Counter()
    harvest: Counter[str] = Counter()
    bags: Counter[str] = Counter()
    tests: Counter[str] = Counter()
    for lot in lots:
        mass = lot.bags * (lot.bag_mass_kg or lot.nominal_bag_kg or 90.0)
        for member, share in lot.shares or (((lot.owner_id, 1.0),) if lot.owner_id else ()):
            harvest[str(member)] += mass * share
            bags[str(member)] += min(probed[lot.id], lot.bags) * share
            tests[str(member)] += probed[lot.id] * share
    for member, (count, bag_count) in member_tests(events).items():
        tests[member], bags[member] = max(tests[member], count), max(bags[member], bag_count)
    own = own_meter_season_cost(
        Decimal(str(facts["meter.own_price"].value)),
        int(facts["meter.life_seasons"].value),
        Decimal(str(facts["meter.upkeep_season"].value)),
    )
    lost = facts["meter.loss_share_untested"].value * facts["maize_price_kg"].value
    return pd.DataFrame(
        [
            {
                "number": member,
                "member": account.facts.names[member],
                "bags": round(bags[member]),
                "tests": round(tests[member]),
                "harvest_kg": round(harvest[member]),
                "own_meter": round(float(own), 2),
                "loss": round(harvest[member] * lost, 2),
            }
            for member in account.facts.members
        ]
    )


def effects_table(splits: list[Split], names: dict[str, str], alone: dict[str, Decimal], currency: str) -> pd.DataFrame:
    """Return the members' shares by rule, marked in words where one pays more than alone."""
    rows = []
    for member, name in names.items():
        row: dict[str, str] = {_("Member"): name, _("alone"): money(alone[member], currency)}
        for split in splits:
            more = f" – {_('more than alone')}" if member in split.overpaying else ""
            row[_(str(split.title))] = money(split.shares[member], currency) + more
        rows.append(row)
    return pd.DataFrame(rows)


def reasons(splits: tuple[Split, ...], names: dict[str, str], currency: str) -> None:
    """Show every rule in a sentence, with its effect on each member."""
    for split in splits:
        with st.expander(say(split.title)):
            st.write(say(split.explanation))
            if split.unavailable is not None:
                st.write(_("Cannot be used here: {reason}").format(reason=say(split.unavailable)))
                continue
            for member, effect in split.effects.items():
                st.markdown(f"- {names[member]} {say(effect)}".replace("*", "\\*"))
            if split.method is not None:
                st.caption(say(split.method))
            if split.error:
                worst = money(max(split.error.values()), currency)
                st.caption(
                    _(
                        "Estimated from random orders: right to within {worst} for everyone in 95 of 100 such "
                        "estimates."
                    ).format(worst=worst)
                )
            if split.complaint is not None:
                st.warning(say(split.complaint))


def show() -> None:
    """Show the page."""
    page.start(
        _("Who pays what"), _("How can the cost of the shared meter be split so that nobody is better off alone?")
    )
    group = page.stop_if_no_group()
    events, account = read_book(group)
    say_last()
    open_book_first(group, account)
    facts = state.store().facts(group.id)
    step = coin(group)
    season = own_meter_season_cost(
        Decimal(str(facts["meter.price"].value)),
        int(facts["meter.life_seasons"].value),
        Decimal(str(facts["meter.upkeep_season"].value)),
    )
    known = starting_needs(group, account, events)
    season += Decimal(str(facts["meter.per_test"].value)) * int(known["tests"].sum())
    kinds = {"charge": _("a season's cost"), "capital_due": _("the purchase of the meter")}
    kind = st.radio(
        _("What is shared"), list(kinds), format_func=lambda name: kinds[name], horizontal=True, key="shares_kind"
    )
    left, middle, right = st.columns(3)
    if kind == "charge":
        amount = left.number_input(
            _("To share this season, {currency}").format(currency=group.currency),
            0.0,
            value=float(exact(float(season), step)),
            key="shares_amount",
        )
    else:
        amount = left.number_input(
            _("Price to share, {currency}").format(currency=group.currency),
            0.0,
            value=float(exact(float(facts["meter.price"].value), step)),
            key="shares_price",
        )
    per_test = middle.number_input(
        _("Wear and carrying, per test"), 0.0, value=float(facts["meter.per_test"].value), key="shares_per_test"
    )
    fee = right.number_input(
        _("Fee for a test elsewhere (0 = nobody offers it)"),
        0.0,
        value=float(facts["meter.paid_test"].value),
        key="shares_fee",
    )
    left.caption(
        _("Price over its life, upkeep and the tests: {origin}").format(origin=page.origin_text(facts["meter.price"]))
        if kind == "charge"
        else page.origin_text(facts["meter.price"])
    )
    middle.caption(page.origin_text(facts["meter.per_test"]))
    right.caption(page.origin_text(facts["meter.paid_test"]))

    unknown = not known[["bags", "tests", "harvest_kg"]].to_numpy().any()
    with st.expander(_("What each member needs (correct it here)"), expanded=unknown):
        edited = st.data_editor(
            known,
            key=f"shares_needs_{group.id}_{state.store().version(group.id)}",
            hide_index=True,
            width="stretch",
            disabled=["number", "member"],
            column_config={
                "number": None,
                "member": _("Member"),
                "bags": st.column_config.NumberColumn(_("Bags tested"), min_value=0, step=1),
                "tests": st.column_config.NumberColumn(_("Tests"), min_value=0, step=1),
                "harvest_kg": st.column_config.NumberColumn(_("Harvest, kg"), min_value=0),
                "own_meter": st.column_config.NumberColumn(_("Own meter, a season"), min_value=0),
                "loss": st.column_config.NumberColumn(_("Loss without testing, a season"), min_value=0),
            },
        )
        page.origin(facts["meter.loss_share_untested"])
    try:
        # a purchase serves all seasons of the meter's life, and so must what a member would do alone
        times = 1 if kind == "charge" else int(facts["meter.life_seasons"].value)
        needs = [
            MemberNeed(
                row.number,
                int(row.bags) * times,
                int(row.tests) * times,
                exact(row.harvest_kg),
                exact(row.own_meter) * times,
                exact(row.loss) * times,
            )
            for row in edited.fillna(0).itertuples()
        ]
        costs = RunningCosts(exact(per_test, Decimal("0.0001")), exact(fee, Decimal("0.0001")) if fee else None)
        with page.busy(_("Working out the shares")):
            splits = share_cost(exact(amount, step), needs, costs, step)
    except DryholdError as error:
        page.show_error(error)
        return
    names = {need.member: account.facts.names[need.member] for need in needs}
    alone = {need.member: stand_alone(need, costs).cost for need in needs}
    usable = [split for split in splits if split.shares]
    fair = [say(split.title) for split in usable if not split.overpaying]
    nobody_known = all(need.tests == 0 and need.harvest_kg == 0 for need in needs)
    page.answer(
        _(
            "Nobody's harvest or tests are in the records yet: enter them above; until then only equal parts mean "
            "anything."
        )
        if nobody_known
        else _("Under these rules nobody pays more than alone: {rules}.").format(rules=", ".join(fair))
        if fair
        else _("Under every rule somebody pays more than alone: sharing the meter at this cost does not pay for all.")
    )
    page.chart(
        shares_figure(
            {say(split.title): {names[m]: part for m, part in split.shares.items()} for split in usable},
            {names[member]: cost for member, cost in alone.items()},
            _("{currency} a season").format(currency=group.currency)
            if kind == "charge"
            else _("{currency} over the meter's life").format(currency=group.currency),
        ),
        alt=_("Shares of each member by rule, and the cost alone"),
        key="shares_chart",
    )
    page.table(effects_table(usable, names, alone, group.currency), key="shares_table", file_name="shares.csv")
    reasons(splits, names, group.currency)
    st.download_button(
        _("Sheet to print"),
        shares_sheet(
            _("Shares of the meter"),
            group.name,
            state.today(),
            {names[m]: {say(s.title): s.shares[m] for s in usable} for m in names},
            {say(s.title): say(s.explanation) for s in usable},
            say,
        ),
        file_name="shares.html",
        mime="text/html",
        key="shares_print",
    )
    ask_name()
    with st.form("shares_book"):
        rule = st.selectbox(
            _("Rule that the group has agreed on"),
            [s.rule for s in usable],
            format_func=lambda key: say(next(s.title for s in usable if s.rule == key)),
            key="shares_rule",
        )
        if st.form_submit_button(
            _("Charge the members") if kind == "charge" else _("Ask the members for their shares in the purchase")
        ):
            chosen = next(s for s in usable if s.rule == rule)
            if write(group, kind, plain_payload({"shares": chosen.shares, "text": str(chosen.title)})):
                st.rerun()
    page.sources(
        [
            _("By what each saves: Shapley (1953); nested needs: Littlechild and Owen (1973)"),
            _("Least complaint: Schmeidler (1969); programmes of Maschler, Peleg and Shapley (1979)"),
            _("Left-over coins go to the largest remainders, ties by name (Balinski and Young 2001)"),
            _("Cost alone: the cheapest of an own meter, paid tests, and the loss expected without testing"),
        ]
    )
