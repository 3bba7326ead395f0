"""Lots and readings: how moist each lot is, how sure that is, what may be said about it, and what is done to it."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from core.grain.mass import tenth_below
from core.group.lot_actions import actions_of_lot
from core.group.lot_state import LotState, cost_if_refused, cost_of_a_day, judging_rules
from core.group.own_crops import crops_of_group
from core.group.reading_tables import remarks_of_tests
from core.group.sampling import bags_for_precision
from dashboard import page, state
from dashboard.charts.lots import bags_figure, lots_figure, verdict_words
from dashboard.sections.lots_entry import say_done, states_now
from dashboard.text import _, day, moment, money, ngettext, number, percent, say


def show() -> None:
    page.start(_("Which lots are dry enough, and how sure is that?"))
    group = page.stop_if_no_group()
    say_done()
    with page.plain_errors():
        states = states_now(group)
        if states:
            page.caution("mould")
            overview(group, states)
            with page.details(_("One lot: why, its bags, tests and work")):
                one_lot(group, states)
        else:
            page.answer(_("There is no lot in store or drying. Add one below, or import a table of tests."))
            page.link("lots", _("Enter lots and tests"), "lots_entry")
        page.sources(
            _(
                "Range of a lot's average: spread between bags, bags tested out of how many, error of reading, of "
                "the meter and of the sorption relation (JCGM 100:2008; Cochran 1977)."
            ),
            _(
                "Dry enough, too wet, cannot tell: guard band by what a refusal costs against one more day of "
                "drying (JCGM 106:2012)."
            ),
            _(
                "Bags to test: all up to 10, then 10, above 100 the square root (tradition of ISO 950 and ISO "
                "13690, from memory)."
            ),
            _("Keeping: 65 to 70 % humidity between the grains at the store's warmest temperature (common practice)."),
            _("'Maize is dry below 13 %, at 15 % dry it more': common practice, no source."),
        )


def overview(group: Any, states: list[LotState]) -> None:
    """Show the answer, the picture and the table."""
    counts = {key: sum(one.decision == key for one in states) for key in verdict_words()}
    parts = [f"{counts[key]} {name}" for key, name in verdict_words().items() if counts[key]]
    lots = ngettext("Of {count} lot", "Of {count} lots", len(states)).format(count=len(states))
    said = f"{lots}: {', '.join(parts)}"
    page.answer(f"{said}.")
    if any(one.moisture for one in states):
        page.chart(
            lots_figure(states),
            alt=_("Average moisture of each lot, its range (9 in 10), and its strictest limit. ") + said,
            key="lots_picture",
        )
    page.table(lots_table(group, states), key="lots_table", file_name="lots.csv")


def lots_table(group: Any, states: list[LotState]) -> list[dict[str, object]]:
    """Return the lots as a table for people."""
    crops = crops_of_group(state.store(), group.id)
    people = {member.id: member.name for member in state.store().members(group.id)}
    words = verdict_words()
    rows = []
    for one in states:
        low, high = one.moisture.interval(0.9) if one.moisture else (float("nan"), float("nan"))
        rows.append(
            {
                _("Lot"): one.lot.label,
                _("Verdict"): words[one.decision],
                _("Crop"): _(crops[one.lot.commodity].name) if one.lot.commodity in crops else one.lot.commodity,
                _("Moisture, %"): round(one.moisture.mean_pct, 1) if one.moisture else None,
                _("9 of 10 times between"): f"{number(low)} – {number(high)}" if one.moisture else "–",
                _("Limit, %"): tenth_below(one.limit.moisture_pct),
                _("Bags tested"): f"{one.moisture.bags_probed} / {one.bags}" if one.moisture else f"0 / {one.bags}",
                _("Bags likely above"): percent(one.share_wet) if one.moisture else "–",
                _("Mass, kg"): round(one.mass_now_kg),
                _("Owner"): people.get(one.lot.owner_id or 0, _("pool") if one.lot.shares else "–"),
                _("Form"): _(one.lot.form),
                _("Last test"): moment(one.tested_at, group.time_zone) if one.tested_at else "–",
                _("Doubts"): len(one.flags),
            }
        )
    return rows


def one_lot(group: Any, states: list[LotState]) -> None:
    """Show one lot: verdict, reasons, doubts, its bags."""
    by_id = {one.lot.id: one for one in states}
    chosen = st.selectbox(
        _("Lot"), list(by_id), format_func=lambda key: by_id[key].lot.label, key="lots_chosen", persist_state="session"
    )
    one = by_id.get(chosen) or states[0]
    words = verdict_words()
    st.markdown(
        _("**{verdict}** (chance of a wrong answer: at most {risk})").format(
            verdict=words[one.decision], risk=percent(one.risk, 1)
        )
    )
    rules = judging_rules(state.store(), group.id)
    st.caption(
        _(
            "A refusal or spoilt part is taken to cost {refusal}, one more day of drying {day_cost}; the risk is "
            "the second divided by the first."
        ).format(
            refusal=money(cost_if_refused(one.lot, one.mass_now_kg, rules), group.currency),
            day_cost=money(cost_of_a_day(one.mass_now_kg, rules), group.currency),
        )
    )
    st.text(_("Strictest limit: {reason}").format(reason=say(one.limit.binding.reason)))
    for reason in one.reasons:
        st.text(f"• {say(reason)}")
    if one.again and one.decision != "dry enough":
        st.text(_("Bags to dry again or keep apart: {bags}").format(bags=", ".join(one.again)))
    its_bags(one)
    its_mass(one)
    its_doubts(one)
    its_tests(group, one)
    its_work(group, one)


def its_bags(one: LotState) -> None:
    """Show the moisture of each tested bag, and how sure the average is."""
    if one.moisture and one.moisture.bag_means_pct:
        page.chart(
            bags_figure(one.moisture, one.limit.moisture_pct),
            alt=_("Moisture of each tested bag, wettest first, with the limit and the lot's average."),
            key="lots_bags",
        )
        st.caption(
            _(
                "Spread between bags {spread} points; error common to all bags {common} points; error of "
                "the average {error} points."
            ).format(
                spread=number(one.moisture.bag_sd_pct, 2),
                common=number(one.moisture.common_sd_pct, 2),
                error=number(one.moisture.standard_error_pct, 2),
            )
        )
        enough = bags_for_precision(one.moisture.bag_sd_pct, 0.5, max(1, one.bags))
        st.caption(
            ngettext(
                "Testing {count} bag would give the average within half a point (the meter's own error not counted).",
                "Testing {count} bags would give the average within half a point (the meter's own error not counted).",
                enough,
            ).format(count=enough)
        )
    if one.humidity is not None:
        st.caption(
            _(
                "At the store's warmest temperature its bags would show {mean} % humidity between the grains "
                "(keeping is judged on this)."
            ).format(mean=number(one.humidity.mean_pct))
        )


def its_mass(one: LotState) -> None:
    """Say what a lot weighs, and whether its bags were weighed."""
    mass = _("Mass {mass} kg, of which {dry} kg dry matter").format(
        mass=number(one.mass_now_kg, 0), dry=number(one.dry_matter_kg, 0)
    )
    if one.grain_kg < one.mass_now_kg:
        mass += _("; about {grain} kg of grain after shelling").format(grain=number(one.grain_kg, 0))
    weighed = _("bags weighed") if one.mass_is_weighed else _("assumed: bags were never weighed")
    st.caption(f"{mass} ({weighed})")


def its_doubts(one: LotState) -> None:
    """List the doubts about a lot's last tests."""
    if one.flags:
        st.markdown(f"**{_('Doubts about its last tests')}**")
        doubts = [
            {
                _("Bag"): flag.bag or "–",
                _("Doubt"): _(flag.key),
                _("Reason"): say(flag.reason),
                _("Is counted"): _("no") if flag.left_out else _("yes"),
            }
            for flag in one.flags
        ]
        page.table(doubts, key="lots_doubts")


def its_work(group: Any, one: LotState) -> None:
    """List what was done to a lot."""
    work = actions_of_lot(state.store().events(group.id, "lot_actions"), one.lot.id)
    if work:
        st.markdown(f"**{_('Work done')}**")
        done = [
            {
                _("Day"): day(action.on),
                _("Work"): _(action.kind),
                _("kg in"): round(action.mass_in_kg, 1),
                _("kg out"): round(action.mass_out_kg, 1),
                _("Cost"): money(action.cost, group.currency),
            }
            for action in work
        ]
        page.table(done, key="lots_work")


def its_tests(group: Any, one: LotState) -> None:
    """List a lot's tests, with a way to remove one that was entered by mistake."""
    rows = state.store().readings(group.id, one.lot.id).sort_values("taken_at", ascending=False)
    if rows.empty:
        return
    with st.expander(_("Its tests")):
        hours = rows["taken_at"].dt.tz_convert(group.time_zone).dt.strftime("%Y-%m-%d %H:%M")
        frame = pd.DataFrame(
            {
                _("Tested"): hours,
                _("Bag"): rows["bag"],
                _("Temperature, °C"): rows["temperature_c"],
                _("Humidity, %"): rows["relative_humidity_pct"],
                _("Meter, %"): rows["meter_moisture_pct"],
                _("Who tested"): rows["tester"],
                _("Remark"): remarks_of_tests(state.store(), group.id, one.lot.label, rows),
            }
        )
        page.table(frame, key="lots_tests", file_name="tests.csv")
        words = {
            number_: f"{hour}, {_('bag')} {bag or '–'}"
            for number_, hour, bag in zip(rows["id"], hours, rows["bag"], strict=True)
        }
        wrong = st.selectbox(
            _("Remove a test entered by mistake"),
            [None, *words],
            format_func=lambda key: words.get(key, "–"),
            key=f"wrong_{one.lot.id}",
        )
        if wrong is not None and st.button(_("Remove this test"), key="remove_test"):
            state.store().remove_reading(int(wrong))
            st.session_state["lots_done"] = _("The test is removed.")
            st.rerun()
