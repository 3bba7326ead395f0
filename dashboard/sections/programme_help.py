"""What would help: where a dryer, bags, credit or training pays, avoidable losses, whom to visit this week."""

from __future__ import annotations

import streamlit as st

from core.group.records import Group
from core.programme.counterfactual import REMEDY, GroupHelp
from core.programme.counting import records_of
from core.programme.group_upkeep import counted
from core.programme.helping import HELP_TAGS, HelpSum, help_of_groups, help_table, kept_help, programme_sums
from core.programme.visits import MOST_VISITS, visit_list
from core.tables.write import download_name, workbook_bytes
from dashboard import page, state
from dashboard.charts.programme_help import help_figure
from dashboard.forms.programme_files import shows_invented
from dashboard.text import _, about, literal, ngettext, say

SECONDS_A_GROUP = 12


def kept_results(groups: list[Group]) -> dict[int, GroupHelp]:
    """Return what is kept for each group whose records have not changed since."""
    store = state.store()
    found = {group.id: kept_help(store, group.id) for group in groups}
    return {number: item for number, item in found.items() if item is not None}


def work_out(groups: list[Group], missing: int) -> None:
    """Offer to work out what is missing, with its progress; what is done is kept even when the page is left."""
    minutes = max(1, round(missing * SECONDS_A_GROUP / 60))
    st.write(
        ngettext(
            "For {count} group this is not worked out yet: its season is planned again with one thing changed.",
            "For {count} groups this is not worked out yet: each season is planned again with one thing changed.",
            missing,
        ).format(count=missing)
    )
    words = _("Work it out now (about {minutes} min)").format(minutes=minutes)
    if not st.button(words, key="help_work_out", type="primary"):
        return
    bar = st.progress(0.0)

    def told(done: int, of: int) -> None:
        bar.progress(done / max(of, 1), _("{done} of {of} groups").format(done=done, of=of))

    help_of_groups(state.store(), [group.id for group in groups], state.today(), progress=told)
    st.rerun()


def capital(words: str) -> str:
    """Return words with a capital letter first."""
    return words[:1].upper() + words[1:]


def pays(item: HelpSum) -> str:
    """Return in a sentence where one help pays."""
    if item.groups == 0:
        return _("{help}: the records are not enough to say").format(help=_(item.help))
    if not item.paying:
        return _("{help}: costs more than it gains in all {groups} groups with enough records").format(
            help=_(item.help), groups=item.groups
        )
    return _("{help}: pays in {paying} of {groups} groups, most in {names}").format(
        help=_(item.help), paying=len(item.paying), groups=item.groups, names=", ".join(map(literal, item.paying[:5]))
    )


def show_programme(results: dict[int, GroupHelp], groups: list[Group]) -> None:
    """Show what each kind of help brings over all groups, by currency."""
    sums = programme_sums(results, groups)
    for currency in sorted({item.currency for item in sums}):
        own = [item for item in sums if item.currency == currency]
        best = own[0]
        if best.net > 0:
            said = _(
                "{help} would gain most: about {amount} a season after its cost, in {groups} groups ({low} in a "
                "bad year, {high} in a good one)."
            ).format(
                help=capital(_(best.help)),
                amount=about(best.net, currency),
                groups=len(best.paying),
                low=about(best.low - best.cost, currency),
                high=about(best.high - best.cost, currency),
            )
            page.answer(said)
        else:
            page.answer(
                _("With these records no help gains more than it costs ({currency}).").format(currency=currency)
            )
        shown = [item for item in own if item.paying]
        if shown:
            page.chart(
                help_figure(
                    shown, [_(item.help) for item in shown], _("Gain less cost, {currency}").format(currency=currency)
                ),
                alt=_(
                    "Gain of each kind of help over the groups in which it pays, less its cost, from bad to good years."
                ),
                key=f"help_chart_{currency}",
            )
    st.caption(
        _(
            "The mark is the average; the line goes from one bad year in ten to one good year in ten. Only groups "
            "in which the help pays are counted."
        )
    )
    with page.details(_("Where each help pays")):
        for item in sums:
            st.markdown(f"- {capital(pays(item))} ({item.currency}).")


def group_rows(results: dict[int, GroupHelp], groups: list[Group]) -> list[dict[str, str]]:
    """Return a row for each group: its largest avoidable loss with money and spread, or why nothing can be said."""
    rows = []
    for group in groups:
        found = results.get(group.id)
        if found is None:
            continue
        head = {_("Group"): group.name}
        worst = found.largest
        if worst is None:
            why = say(found.why_not) if found.why_not is not None else _("none to show")
            rows.append(
                {
                    **head,
                    _("Largest avoidable loss"): why,
                    _("Money"): "–",
                    _("Bad to good year"): "–",
                    _("Would help"): "–",
                }
            )
            continue
        low, high = (about(value, group.currency) for value in (worst.low, worst.high))
        rows.append(
            {
                **head,
                _("Largest avoidable loss"): _(worst.name),
                _("Money"): about(worst.money, group.currency),
                _("Bad to good year"): f"{low} … {high}",
                _("Would help"): _(REMEDY[worst.name]),
            }
        )
    return rows


def show_gaps(results: dict[int, GroupHelp], groups: list[Group]) -> None:
    """Say which causes the records do not allow to judge, and for which groups."""
    gaps: dict[str, list[str]] = {}
    for group in groups:
        found = results.get(group.id)
        for item in found.causes if found is not None else ():
            if item.why_not is not None:
                gaps.setdefault(f"{_(item.name)}: {say(item.why_not)}", []).append(literal(group.name))
    if not gaps:
        return
    with st.expander(_("What the records cannot show")):
        for why, names in sorted(gaps.items()):
            st.markdown(f"- {why} ({', '.join(names)})")


def show_visits(groups: list[Group]) -> None:
    """Show whom to visit this week, with the reasons."""
    st.subheader(_("Whom to visit this week"), anchor=False)
    visits = visit_list([records_of(state.store(), group.id) for group in groups], state.now())
    if not visits:
        st.write(_("No group has a pressing reason."))
    for visit in visits[:MOST_VISITS]:
        st.markdown(f"- **{literal(visit.group)}**: " + "; ".join(say(reason) for reason in visit.reasons))
    if len(visits) > MOST_VISITS:
        rest = [
            {_("Group"): v.group, _("Reasons"): "; ".join(say(reason) for reason in v.reasons)}
            for v in visits[MOST_VISITS:]
        ]
        with st.expander(ngettext("{count} more", "{count} more", len(rest)).format(count=len(rest))):
            page.table(rest, "visit_table", "visits.csv")


def show() -> None:
    """Show the page."""
    page.start(_("Where would a dryer, sealed bags, credit or training pay most, and whom to visit this week?"))
    with page.plain_errors():
        if not state.store().groups():
            page.stop_if_no_group()
        groups = counted(state.store().groups(), shows_invented())
        results = kept_results(groups)
        if results:
            page.caution("advice")
            show_programme(results, groups)
        else:
            page.answer(_("What would help has not been worked out yet. See below whom to visit this week."))
        if len(results) < len(groups):
            work_out(groups, len(groups) - len(results))
        show_visits(groups)
        if results:
            with page.details(_("Each group's largest avoidable loss")):
                page.table(group_rows(results, groups), "help_table", "what_would_help.csv")
                st.download_button(
                    _("Download all figures (XLSX with HXL tags)"),
                    workbook_bytes({"what would help": help_table(results, groups)}, {"what would help": HELP_TAGS}),
                    download_name([_("What would help")], state.today(), "xlsx"),
                    key="help_xlsx",
                )
            show_gaps(results, groups)
        page.sources(
            _(
                "Each season is planned from its first harvest with the prices known that month and the usual "
                "weather of its place: once as recorded, once with one thing changed. The difference is what "
                "could be expected on the day of the decision."
            ),
            _(
                "Waiting wet: days from harvest until dry or bagged, less the days that drying takes in that "
                "weather; the records cannot tell slow drying from waiting."
            ),
            _(
                "Too few tests: dryness judged by hand is assumed to be {sd} points off (judgement). Sold early "
                "for cash: sales within eight weeks of harvest, against borrowing the same money."
            ).format(sd=state.store().fact(groups[0].id, "help.judged_sd").value),
            _(
                "Costs of help are assumed until the programme enters its own. Sums of groups with different "
                "currencies are not added up."
            ),
        )
