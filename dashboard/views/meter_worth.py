"""What testing is worth: for each lot, for the season, for each member beside his share."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.grain.commodities import get_commodity
from core.group.limits import standard_limit
from core.meter.lot_testing import JUDGEMENTS, LotCase, LotReport, draw_circumstances, errors_from_facts, report_lot
from core.meter.shares import own_meter_season_cost
from core.meter.worth import payback, season_worth
from dashboard import page, state
from dashboard.charts.meter import avoided_figure, payback_figure, probing_figure
from dashboard.meter_parts import read_book, season_lots
from dashboard.text import _, money, number, percent

SEED, SCENARIOS = 20, 200
MOST_LOTS = 60


@st.cache_data(max_entries=32, show_spinner=False)
def _reports(
    cases: tuple[tuple[int, LotCase], ...],
    settings: tuple[tuple[str, float], ...],
    errors: Any,
    judgement: str,
    probed: int,
    per_test: float,
) -> dict[int, LotReport]:
    values = dict(settings)
    around = draw_circumstances(
        SEED, SCENARIOS, values.pop("drying_rate"), values.pop("floor_below"), values.pop("price_spread"), **values
    )
    return {lot: report_lot(case, around, errors, judgement, probed, per_test) for lot, case in cases}


def lot_cases(group: Any, above_limit: float) -> list[tuple[Any, LotCase]]:
    """Return the group's lots as cases: each as it was when its farmer thought of bagging it."""
    store = state.store()
    maize_price = float(store.fact(group.id, "maize_price_kg").value)
    quotes = store.price_quotes(group.id)
    cases = []
    for lot in season_lots(store.lots(group.id))[-MOST_LOTS:]:
        limit = standard_limit(lot.commodity, "eac")
        if limit is None or lot.bags < 1:
            continue
        mine = quotes[quotes["commodity"] == lot.commodity]
        price = float(mine.sort_values("quoted_on")["price_per_kg"].iloc[-1]) if len(mine) else maize_price
        mass = lot.bags * (lot.bag_mass_kg or lot.nominal_bag_kg or 90.0)
        cases.append(
            (lot, LotCase(lot.commodity, lot.bags, mass, limit.moisture_pct + above_limit, limit.moisture_pct, price))
        )
    return cases


def main() -> None:
    """Show the page."""
    page.start(
        _("What testing is worth"),
        _("What does the group gain by testing instead of biting, listening or the salt jar?"),
    )
    group = page.stop_if_no_group()
    facts = state.store().facts(group.id)
    words = {
        "bite": _("biting"),
        "rattle": _("the rattle of the grain"),
        "salt_jar": _("the salt jar"),
        "none": _("the harvest day alone"),
    }
    left, middle, right = st.columns(3)
    judgement = left.selectbox(
        _("Without a meter the group goes by"), JUDGEMENTS, format_func=lambda j: words[j], key="worth_judgement"
    )
    probed = int(middle.number_input(_("Bags probed in each lot"), 1, 100, 10, key="worth_probed"))
    above = right.number_input(
        _("Lots are thought of as dry at, points above the limit"), -3.0, 10.0, 1.0, step=0.5, key="worth_above"
    )
    if judgement in {"bite", "rattle"}:
        left.caption(
            f"± {number(float(facts[f'meter.error.{judgement}'].value))} · {page.origin_text(facts[f'meter.error.{judgement}'])}"
        )
    elif judgement == "salt_jar":
        left.caption(page.origin_text(facts["meter.salt_jar.threshold"]))
    cases = lot_cases(group, above)
    if not cases:
        st.info(_("There is no lot with a known limit yet. Add lots under Lots and readings."))
        return
    value = {
        name: float(facts[f"meter.worth.{name}"].value)
        for name in ("belief_sd", "drying_rate", "drying_floor", "refused_price", "store_days", "store_temperature")
    }
    settings = {
        "drying_rate": value["drying_rate"], "floor_below": 13.5 - value["drying_floor"], "price_spread": 0.25, "belief_sd_pct": value["belief_sd"],
        "store_days": value["store_days"], "store_temperature_c": value["store_temperature"], "deduction_per_point": 0.02,
        "refusal_above_limit_pct": 1.5, "refused_price": value["refused_price"],
        "day_cost_per_kg": 0.005 * float(facts["maize_price_kg"].value),
    }  # fmt: skip
    per_test = float(facts["meter.per_test"].value)
    try:
        with page.busy(_("Working out each lot with and without a test")):
            reports = _reports(
                tuple((lot.id, case) for lot, case in cases),
                tuple(settings.items()),
                errors_from_facts(facts),
                judgement,
                probed,
                per_test,
            )
        owners = {
            str(lot.id): {str(m): s for m, s in lot.shares} or ({str(lot.owner_id): 1.0} if lot.owner_id else {})
            for lot, _case in cases
        }
        season = season_worth({str(lot): report.worth for lot, report in reports.items()}, owners)
        seasons = int(facts["meter.life_seasons"].value)
        price, upkeep = float(facts["meter.price"].value), float(facts["meter.upkeep_season"].value)
        tests = sum(min(probed, case.bags) for _lot, case in cases)
        back = payback(price, season.by_scenario, upkeep + tests * per_test, seasons, 0.1, SEED)
    except DryholdError as error:
        page.show_error(error)
        return
    page.answer(
        _("Testing is worth about {mean} a season ({low} to {high} in 8 of 10 cases) beside {words}; the meter pays for itself within its life in {chance} of the cases.").format(
            mean=money(season.mean, group.currency), low=money(season.low, group.currency), high=money(season.high, group.currency),
            words=words[judgement], chance=percent(back.chance_within_life),
        )
    )  # fmt: skip
    page.chart(avoided_figure(season, group.currency), alt=_("Losses avoided by testing, by kind"), key="worth_avoided")
    st.caption(_("A bar below 0: testing accepts more of that loss in order to avoid a larger one elsewhere."))
    page.chart(payback_figure(back), alt=_("Chance that the meter has paid for itself, by season"), key="worth_payback")
    members = {str(m.id): m.name for m in state.store().members(group.id)}
    charged: dict[str, Decimal] = {}
    _events, account = read_book(group)
    for event in account.events:
        if event.kind in {"charge", "capital_due"} and event.id not in account.reversed_events:
            for member, share in event.payload["shares"].items():
                charged[member] = charged.get(member, Decimal(0)) + Decimal(share)
    equal = float(own_meter_season_cost(Decimal(str(price)), seasons, Decimal(str(upkeep)))) / max(len(members), 1)
    page.table(
        pd.DataFrame(
            [
                {
                    _("Member"): members[m], _("Testing is worth, a season"): money(season.by_member.get(m, 0.0), group.currency),
                    _("An equal share would be"): money(equal, group.currency),
                    _("Charged so far"): money(charged[m], group.currency) if m in charged else "–",
                    _("State"): _("worth more than an equal share") if season.by_member.get(m, 0.0) > equal else _("worth less than an equal share"),
                }
                for m in members
            ]
        ),
        key="worth_members", file_name="worth.csv",
    )  # fmt: skip
    st.subheader(_("Lot by lot"))
    page.table(
        pd.DataFrame(
            [
                {
                    _("Lot"): lot.label, _("Crop"): get_commodity(lot.commodity).name, _("Bags"): lot.bags,
                    _("A test is worth"): money(reports[lot.id].worth.mean, group.currency),
                    _("Knowing exactly would be worth"): money(reports[lot.id].worth.perfect, group.currency),
                    _("Bags to probe"): reports[lot.id].probing.best,
                    _("A calibration check adds"): money(reports[lot.id].calibration, group.currency),
                }
                for lot, _case in cases
            ]
        ),
        key="worth_lots", file_name="worth_by_lot.csv",
    )  # fmt: skip
    labels = {lot.id: lot.label for lot, _case in cases}
    chosen = st.selectbox(
        _("How many bags to probe in"), list(labels), format_func=lambda n: labels[n], key="worth_lot"
    )
    page.chart(
        probing_figure(reports[chosen].probing, group.currency),
        alt=_("Worth of testing by bags probed"),
        key="worth_probing",
    )
    page.caution("meter")
    page.caution("mould")
    page.sources(
        [
            _("Value of a test before its answer is known: Raiffa and Schlaifer (1961)"),
            _(
                "Error of a lot's mean: simple random sampling, Cochran (1977); the meter's own error does not shrink with more bags"
            ),
            _(
                "Buyer's deduction 2 % a point, refusal 1.5 points above the limit, price spread 25 %, a day's spreading 0.5 % of the maize price: judgement"
            ),
            _(
                "The decision valued is how many more days to spread the grain; drying and store are simplified, {origin}"
            ).format(origin=page.origin_text(facts["meter.worth.drying_rate"])),
        ]
    )


main()
