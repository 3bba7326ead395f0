"""Who pays what: what the shared meter saves all together, and each member's share by the agreed rule."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.accounts.book import Book
from core.accounts.finance import round_to_step
from core.accounts.splitting import split_exactly
from core.errors import InputError
from core.group.harvests import HarvestSeason, harvest_seasons
from core.group.records import Event, Fact, Group
from core.meter.account import Account
from core.meter.log import member_tests
from core.meter.shares import (
    MemberNeed,
    RunningCosts,
    Split,
    Together,
    meter_season_cost,
    own_meter_season_cost,
    share_cost,
    stand_alone,
    together,
)
from core.reports.meter_sheets import shares_sheet
from dashboard import page, state
from dashboard.charts.meter import shares_figure, together_figure
from dashboard.forms.confirm import confirm_once
from dashboard.forms.fields import Filled
from dashboard.meter_parts import open_book_first, read_book, record, show_assumptions
from dashboard.money_parts import ask_name, coin, coins, told_apart
from dashboard.text import _, day, ngettext, say, tongue

ZERO = Decimal(0)
FACTS = (
    "meter.price",
    "meter.life_seasons",
    "meter.upkeep_season",
    "meter.own_price",
    "meter.per_test",
    "meter.paid_test",
    "meter.loss_share_untested",
)


@dataclass(frozen=True)
class MeterCosts:
    """What the shared meter costs, and what a member alone would pay for an own one; money."""

    price: Decimal
    seasons: int
    upkeep: Decimal
    resale: Decimal
    own_price: Decimal
    per_test: Decimal
    paid_test: Decimal | None

    @property
    def running(self) -> RunningCosts:
        """Return the cost of tests."""
        return RunningCosts(self.per_test, self.paid_test)

    def own_season(self) -> Decimal:
        """Return what an own meter costs a season, upkeep included as for the shared one."""
        return own_meter_season_cost(self.own_price, self.seasons, self.upkeep, self.resale)


def costs_of(account: Account, facts: Mapping[str, Fact]) -> MeterCosts:
    """Return the costs: the meter in the book at its real price and life, else what is entered or assumed."""

    def exact(name: str) -> Decimal:
        return Decimal(str(facts[name].value))

    fee = exact("meter.paid_test")
    meter = account.facts.meter
    price, seasons, resale = exact("meter.price"), int(facts["meter.life_seasons"].value), ZERO
    if meter is not None:
        price, seasons, resale = meter.cost, max(round(meter.life_months / 12), 1), meter.resale
    own = price if facts["meter.own_price"].origin == "assumed" else exact("meter.own_price")
    return MeterCosts(
        price, seasons, exact("meter.upkeep_season"), resale, own, exact("meter.per_test"), fee if fee > 0 else None
    )


def known_needs(
    group: Group, account: Account, events: list[Event], season: HarvestSeason | None, costs: MeterCosts
) -> pd.DataFrame:
    """Return each member's needs in a season: tests from the bookings or the lots, harvest from the lots."""
    store = state.store()
    facts = store.facts(group.id)
    lots = [lot for lot in store.lots(group.id) if season is None or season.holds(lot)]
    readings = store.readings(group.id)
    probed: Counter[int] = Counter(readings["lot_id"].tolist()) if len(readings) else Counter()
    harvest: Counter[str] = Counter()
    bags: Counter[str] = Counter()
    tests: Counter[str] = Counter()
    for lot in lots:
        mass = lot.bags * lot.bag_kg
        for member, share in lot.shares or (((lot.owner_id, 1.0),) if lot.owner_id else ()):
            harvest[str(member)] += mass * share
            bags[str(member)] += min(probed[lot.id], lot.bags) * share
            tests[str(member)] += probed[lot.id] * share
    first, last = (season.first, season.until) if season else (None, None)
    for member, (count, bag_count) in member_tests(events, first, last).items():
        tests[member], bags[member] = max(tests[member], count), max(bags[member], bag_count)
    lost = float(facts["meter.loss_share_untested"].value) * float(facts["maize_price_kg"].value)
    own = round(float(costs.own_season()), 2)
    return pd.DataFrame(
        [
            {
                "number": member,
                "bags": round(bags[member]),
                "tests": round(tests[member]),
                "harvest_kg": round(harvest[member]),
                "own_meter": own,
                "loss": round(harvest[member] * lost, 2),
            }
            for member in account.facts.members
        ]
    )


def needs_editor(known: pd.DataFrame, names: Mapping[Any, str], key: str, season: str) -> list[MemberNeed]:
    """Show what each member needs, to be corrected, and return it."""
    unknown = not known[["bags", "tests", "harvest_kg"]].to_numpy().any()
    shown = known.assign(member=[names[number] for number in known["number"]])
    with st.expander(_("What each member needs (correct it here)"), expanded=unknown):
        edited = st.data_editor(
            shown[["number", "member", "bags", "tests", "harvest_kg", "own_meter", "loss"]],
            key=key,
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
        st.caption(_("Counted: {season}.").format(season=season))

    def exact(value: float) -> Decimal:
        return Decimal(str(round(float(value), 4)))

    return [
        MemberNeed(
            row.number, int(row.bags), int(row.tests), exact(row.harvest_kg), exact(row.own_meter), exact(row.loss)
        )
        for row in edited.fillna(0).itertuples()
    ]


def for_life(needs: list[MemberNeed], seasons: int) -> list[MemberNeed]:
    """Return the needs over the meter's life: a purchase serves all its seasons, as must what each would do alone."""
    return [
        MemberNeed(
            need.member,
            need.bags_tested * seasons,
            need.tests * seasons,
            need.harvest_kg * seasons,
            need.own_meter * seasons,
            need.loss_without_testing * seasons,
        )
        for need in needs
    ]


def together_sentence(seen: Together, currency: str, whole_life: bool) -> str:
    """Return the page's answer: what sharing saves all together, or from how many tests on it would."""
    span = _("over the meter's life") if whole_life else _("this season")
    values = {
        "span": span,
        "without": coins(round(seen.without, 0), currency),
        "cost": coins(round(seen.with_meter, 0), currency),
        "saved": coins(round(abs(seen.saved), 0), currency),
        "tests": seen.tests,
        "from_tests": seen.pays_from,
    }
    if seen.saved >= 0:
        words = _(
            "Without the meter the members would lose or pay {without} {span}. Sharing it costs "
            "{cost}: it saves {saved}."
        )
    elif seen.pays_from is None:
        words = _("Sharing the meter costs {cost} {span}, {saved} more than having none, however many tests are made.")
    else:
        words = _(
            "Sharing the meter costs {cost} {span}, {saved} more than having none. With {tests} tests it does not "
            "pay yet: it pays from {from_tests} tests on."
        )
    return words.format(**values)


def effects_table(
    splits: list[Split], names: Mapping[Any, str], alone: Mapping[str, Decimal], currency: str
) -> list[dict[str, object]]:
    """Return the members' shares by rule beside the cost alone, in words where one pays more than alone."""
    rows = []
    for member, cost in alone.items():
        row: dict[str, str] = {_("Member"): names[member], _("Alone"): coins(cost, currency)}
        for split in splits:
            more = f" ({_('more than alone')})" if member in split.overpaying else ""
            row[_(str(split.title))] = coins(split.shares[member], currency) + more
        rows.append(row)
    return rows


def explain(split: Split, names: Mapping[Any, str], currency: str) -> None:
    """Say what a rule means, and who complains about it."""
    st.write(say(split.explanation))
    if split.complaint is not None:
        st.warning(say(split.complaint))
    if split.method is not None:
        st.caption(say(split.method))
    if split.error:
        worst = coins(round(Decimal(str(max(split.error.values()))), 2), currency)
        st.caption(
            _("Estimated from random orders: right to within {worst} for everyone in 95 of 100 such estimates.").format(
                worst=worst
            )
        )


def charge(
    group: Group, split: Split, shares: Mapping[str, Decimal], kind: str, season: str, events: list[Event]
) -> None:
    """Charge the members by the chosen rule, after a summary."""
    total = sum(shares.values(), ZERO)

    def sentence(values: Mapping[str, Any]) -> str:
        asked = len([part for part in values["payload"]["shares"].values() if part])
        words = (
            ngettext(
                "Ask {count} member for {amount}, by the rule '{rule}': {season}.",
                "Ask {count} members for {amount} together, by the rule '{rule}': {season}.",
                asked,
            )
            if kind == "charge"
            else ngettext(
                "Ask {count} member for the share in the purchase, {amount}, by the rule '{rule}'.",
                "Ask {count} members for their shares in the purchase, {amount} together, by the rule '{rule}'.",
                asked,
            )
        )
        rule, amount = _(values["payload"]["text"]), coins(total, group.currency)
        return words.format(count=asked, amount=amount, rule=rule, season=values["season"])

    payload = {"shares": dict(shares), "text": str(split.title)}
    confirm_once(
        f"shares_{kind}",
        Filled({"payload": payload, "season": season}, {}),
        sentence,
        lambda values, token: record(group, kind, state.today(), values["payload"], token),
        cautions=lambda _values: _charged_lately(events, kind),
        seen=len(events),
        button=_("Charge the members") if kind == "charge" else _("Ask for the shares in the purchase"),
    )


def _charged_lately(events: list[Event], kind: str) -> list[str]:
    """Return a warning where the members were asked within half a year."""
    last = max((event.on for event in Book(events).standing(kind)), default=None)
    if last is None or (state.today() - last).days > 183:
        return []
    return [_("The members were asked already on {day}. Is this another season?").format(day=day(last))]


def season_words(season: HarvestSeason | None) -> str:
    """Return what a season is called."""
    if season is None:
        return _("all lots")
    if season.first == season.last:
        return _("harvest of {day}").format(day=day(season.first))
    return _("harvest of {first} to {last}").format(first=day(season.first), last=day(season.last))


def choices(seasons: list[HarvestSeason]) -> tuple[str, HarvestSeason | None]:
    """Ask what is shared and for which season."""
    kinds = {"charge": _("A season's cost"), "capital_due": _("The purchase of the meter")}
    left, right = st.columns(2)
    kind = left.selectbox(_("Cost to share"), list(kinds), format_func=kinds.__getitem__, key="shares_kind")
    chosen = right.selectbox(
        _("Season"),
        list(range(len(seasons))) or [-1],
        format_func=lambda place: season_words(seasons[place] if place >= 0 else None),
        key="shares_season",
    )
    return kind, seasons[chosen] if chosen >= 0 else None


def show() -> None:
    """Show the section."""
    page.start(_("What does sharing the meter save, and what does each member pay?"))
    group: Any = page.stop_if_no_group()
    events, account = read_book(group)
    open_book_first(group, account)
    store, step = state.store(), coin(group)
    costs = costs_of(account, store.facts(group.id))
    kind, season = choices(harvest_seasons(store.lots(group.id)))
    names = told_apart({member: account.facts.names[member] for member in account.facts.members})
    answer_place, picture_place = st.container(), st.container()
    known = known_needs(group, account, events, season, costs)
    key = f"shares_needs_{group.id}_{store.version(group.id)}_{season.first if season else ''}"
    with page.plain_errors():
        needs = needs_editor(known, names, key, season_words(season))
        whole_life = kind == "capital_due"
        cost, needs = season_and_needs(costs, needs, whole_life)
        amount = round_to_step(cost, step)
        if all(need.tests == 0 and need.harvest_kg == 0 for need in needs):
            with answer_place:
                page.answer(_("There is no harvest and no test in the records of this season yet. Enter them below."))
            return
        seen = together(amount, needs, costs.running)
        with answer_place:
            page.caution("money")
            page.answer(together_sentence(seen, group.currency, whole_life))
        with picture_place:
            page.chart(
                together_figure(seen, group.currency),
                alt=together_sentence(seen, group.currency, whole_life),
                key="together_chart",
            )
        with page.busy(_("Working out the shares")):
            splits = share_cost(amount, needs, costs.running, step)
        rules(group, splits, needs, costs, names, kind, step, season_words(season), events)
    show_assumptions(group, FACTS, "shares_facts")
    page.sources(
        _("By what each saves: Shapley (1953); nested needs: Littlechild and Owen (1973)"),
        _("Least complaint: Schmeidler (1969); programmes of Maschler, Peleg and Shapley (1979)"),
        _("Left-over coins go to the largest remainders, ties by name (Balinski and Young 2001)"),
        _("Cost alone: the cheapest of an own meter (with its upkeep), paid tests, and the loss without testing"),
    )


def season_and_needs(costs: MeterCosts, needs: list[MemberNeed], whole_life: bool) -> tuple[Decimal, list[MemberNeed]]:
    """Return what is to be shared and the needs for the same span: a season, or all seasons of the meter's life."""
    tests = sum(need.tests for need in needs)
    cost = meter_season_cost(costs.price, costs.seasons, costs.upkeep, costs.per_test, tests, costs.resale)
    return (cost * costs.seasons, for_life(needs, costs.seasons)) if whole_life else (cost, needs)


def choose_rule(usable: Mapping[str, Split]) -> str:
    """Return the rule that the group chooses; one by which nobody pays more than alone stands there first."""
    fair = [rule for rule, split in usable.items() if not split.overpaying]
    options = list(usable)
    chosen: str = st.selectbox(
        _("Rule that the group agrees on"),
        options,
        index=options.index(fair[0]) if fair else 0,
        format_func=lambda rule: (
            say(usable[rule].title) + ("" if rule in fair else f" ({_('a member pays more than alone')})")
        ),
        key="shares_rule",
    )
    return chosen


def sheet_to_print(group: Group, split: Split, shares: Mapping[Any, Decimal], names: Mapping[Any, str]) -> None:
    """Offer the shares by a rule as a sheet, with the rule in words."""
    st.download_button(
        _("Sheet to print"),
        shares_sheet(
            _("Shares of the meter"),
            group.name,
            group.currency,
            state.today(),
            {names[member]: {say(split.title): part} for member, part in shares.items()},
            {say(split.title): say(split.explanation)},
            tongue(),
        ),
        file_name="shares.html",
        mime="text/html",
        key="shares_print",
    )


def rules(
    group: Group,
    splits: tuple[Split, ...],
    needs: list[MemberNeed],
    costs: MeterCosts,
    names: Mapping[Any, str],
    kind: str,
    step: Decimal,
    season: str,
    events: list[Event],
) -> None:
    """Show one rule at a time: its picture, its table, and charging by it."""
    usable = {split.rule: split for split in splits if split.shares}
    if not usable:
        raise InputError("No rule can share this cost: enter what each member needs.")
    split = usable[choose_rule(usable)]
    alone = {need.member: round_to_step(stand_alone(need, costs.running).cost, step) for need in needs}
    explain(split, names, group.currency)
    page.chart(
        shares_figure(
            {names[member]: part for member, part in split.shares.items()},
            {names[member]: cost for member, cost in alone.items()},
            group.currency,
        ),
        alt=_("Share of each member by the chosen rule, and the cost alone"),
        key="shares_chart",
    )
    page.table(
        effects_table([split], names, alone, group.currency), key="shares_table", file_name="shares.csv", open_cards=2
    )
    with st.expander(_("All rules side by side")):
        page.table(effects_table(list(usable.values()), names, alone, group.currency), key="shares_all")
        for other in splits:
            if other.unavailable is not None:
                st.caption(
                    _("{rule} cannot be used here: {reason}").format(
                        rule=say(other.title), reason=say(other.unavailable)
                    )
                )
    shares = split.shares if kind == "charge" else split_exactly(costs.price, split.shares, step)
    sheet_to_print(group, split, shares, names)
    ask_name()
    charge(group, split, shares, kind, season, events)
