"""One lot, one reading: whether it keeps, and what is to be done."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.grain.commodities import Commodity
from core.grain.mass import tenth_below
from core.grain.sorption import isotherm_curve
from core.group.own_crops import crops_of_group
from core.reports.pdf import paper_pdf
from core.reports.sheets import MARKS, VERDICT_WORDS, wall_table
from core.storage.keeping import (
    DRY,
    PERIODS,
    WET,
    KeepingTable,
    LotCheck,
    check_lot,
    default_store_temperature,
    keeping_limit,
    keeping_table,
    target_moisture,
)
from dashboard import page, state
from dashboard.charts.sorption import isotherm_figure
from dashboard.page import KEEP
from dashboard.text import _, number, tongue


def show() -> None:
    page.start(_("Is this grain dry enough to keep, and if not, what is to be done?"))
    group = state.current_group()
    crops = crops_of_group(state.store(), group.id) if group is not None else crops_of_group(None, 0)
    crop = crops[
        st.selectbox(_("Crop"), list(crops), format_func=lambda code: _crop_name(crops[code]), key="check_crop", **KEEP)
    ]
    left, right = st.columns(2)
    temperature = left.number_input(
        _("Temperature in the grain (°C)"), value=None, step=0.5, format="%.1f", key="check_temperature", **KEEP
    )
    humidity = right.number_input(
        _("Humidity in the grain (%)"), value=None, step=1.0, format="%.1f", key="check_humidity", **KEEP
    )
    limits = _limits(group)
    with st.expander(_("How long, and how warm the store gets")):
        periods = {"months": _("for half a year or longer"), "weeks": _("for some weeks, three months at most")}
        period = st.radio(
            _("It has to keep"), list(periods), format_func=periods.get, horizontal=True, key="check_period", **KEEP
        )
        warmest = st.number_input(
            _("Warmest that the store gets (°C)"),
            value=_warmest(group),
            step=1.0,
            format="%.0f",
            key="check_warmest",
            **KEEP,
        )
        if group is not None:
            page.origin(state.store().fact(group.id, "store_warmest_c"))
    page.caution("mould")
    if temperature is None or humidity is None:
        st.info(_("Enter what the probe shows once the humidity is steady."))
    else:
        try:
            check = check_lot(crop, temperature, humidity, warmest, period, limits[period])
        except DryholdError as error:
            page.show_error(error)
        else:
            _show(check)
    _offer_card(crop, warmest, limits)
    page.sources(*_source_lines(crop, limits))


def _limits(group: Any) -> dict[str, float]:
    """Return the highest humidity for each period: the group's own, or the table's."""
    if group is None:
        return {period: keeping_limit(period) for period in PERIODS}
    facts = state.store().facts(group.id)
    return {
        "months": float(facts["keeping_humidity.long"].value),
        "weeks": float(facts["keeping_humidity.short"].value),
    }


def _warmest(group: Any) -> float:
    """Return the warmest temperature of the group's store, °C."""
    if group is None:
        return default_store_temperature()
    return float(state.store().fact(group.id, "store_warmest_c").value)


def _show(check: LotCheck) -> None:
    """Show decision, moisture, what to do, the picture and the reasons."""
    moisture = number(check.moisture_pct, 1)
    spread = number(1.645 * check.moisture_sd_pct, 1)
    heads = {DRY: _("Dry enough to keep. Moisture {moisture} %."), WET: _("Too wet to keep. Moisture {moisture} %.")}
    page.answer(heads.get(check.decision, _("Cannot tell yet. Moisture {moisture} %.")).format(moisture=moisture))
    first, second, third = st.columns(3)
    first.metric(
        _("Moisture (share of the wet weight)"),
        f"{moisture} %",
        help=_("± {spread} points (9 in 10)").format(spread=spread),
    )
    second.metric(_("Humidity in the warmest store"), f"{number(check.store_humidity_pct, 0)} %")
    third.metric(_("Keeps below"), f"{number(check.limit_pct, 0)} %")
    st.subheader(_("What to do"), anchor=False)
    st.markdown("\n".join(f"- {line}" for line in _advice(check)))
    page.chart(
        isotherm_figure(isotherm_curve(check.commodity, check.temperature_c), check),
        alt=_("Moisture over humidity with this reading at {humidity} % and {moisture} % moisture").format(
            humidity=number(check.relative_humidity_pct, 0), moisture=moisture
        ),
        key="check_chart",
    )
    st.caption(
        _(
            "The moisture is certain to about {spread} points either way (9 times in 10): sensor, and published "
            "sets that "
            "disagree. Keeping is judged on humidity itself, so the disagreement of the sets hardly touches it."
        ).format(spread=spread)
    )


def _advice(check: LotCheck) -> list[str]:
    """Return what to do, most urgent first."""
    lines = []
    if check.still_warm:
        lines.append(
            _(
                "The grain is still warm from the sun: its skin is drier than its core. Leave it in the shade or in "
                "closed bags until tomorrow morning. Test it again before you bag it for good."
            )
        )
    if check.decision == WET:
        lines.append(
            _("Dry it to about {target} %: {water} kg of water out of every 100 kg.").format(
                target=number(tenth_below(check.target_moisture_pct), 1), water=number(check.water_per_100_kg, 1)
            )
        )
        lines.append(_("Until it is dry: spread it thin or turn it often; do not close it into sealed bags."))
    elif check.decision == DRY:
        lines.append(_("Bag it cool, off the floor and away from the wall; test again in a month."))
        if check.over_dry:
            lines.append(_("It is drier than any keeping needs: more drying only loses weight."))
    else:
        lines.append(
            _(
                "The reading is too near the limit for one test. Test more bags of the lot. Wait about five minutes "
                "for each reading to be steady (common practice, no source). Dry the lot for one more half day if the "
                "weather is good."
            )
        )
    if check.outside_range:
        lines.append(_("Outside the measured range of the relation: take the moisture as a rough figure only."))
    return lines


def _offer_card(crop: Commodity, warmest: float, limits: dict[str, float]) -> None:
    """Offer the wall table to print, and show it."""
    st.subheader(_("A wall table for those without a phone"), anchor=False)
    try:
        card = keeping_table(crop, warmest, limits_pct=(limits["months"], limits["weeks"]))
    except DryholdError as error:
        page.show_error(error)
        return
    group = state.current_group()
    sheet = wall_table(card, group.name if group else "", state.today(), tongue())
    st.download_button(
        _("Wall table for {crop} to print (PDF)").format(crop=_crop_name(crop)),
        lambda: paper_pdf(sheet),
        file_name=f"wall_table_{crop.code}.pdf",
        mime="application/pdf",
        key="check_card",
    )
    with st.expander(_("See the wall table here")):
        for key, text in VERDICT_WORDS.items():
            st.caption(f"{MARKS[key]} {_(text)}")
        page.table(_card_table(card), key="check_card_table")
    at_limits = _(
        "At {warmest} °C {crop} keeps for months at {months} % moisture or less, for weeks at {weeks} %."
    ).format(
        warmest=number(warmest, 0),
        crop=_crop_name(crop),
        months=number(tenth_below(target_moisture(crop, warmest, limits["months"])), 1),
        weeks=number(tenth_below(target_moisture(crop, warmest, limits["weeks"])), 1),
    )
    st.markdown(at_limits)


def _card_table(card: KeepingTable) -> pd.DataFrame:
    """Return the wall table as a table to show: temperatures by humidities."""
    rows = {
        tongue().figure(humidity, "g") + "\u00a0%": [
            f"{number(card.moisture_pct[row, column], 1)} {MARKS[str(card.verdicts[row, column])]}"
            for row in range(len(card.temperatures_c))
        ]
        for column, humidity in enumerate(card.humidities_pct)
    }
    return pd.DataFrame({_("°C"): [tongue().figure(value, "g") for value in card.temperatures_c], **rows})


def _crop_name(crop: Commodity) -> str:
    """Return the crop's name, marked where it is the group's own."""
    return _("{crop} (own)").format(crop=crop.name) if crop.own else _(crop.name)


def _source_lines(crop: Commodity, limits: dict[str, float]) -> list[str]:
    """Return where the page's figures come from."""
    chosen = crop.isotherm()
    others = ", ".join(name for name in crop.isotherms[1:]) or _("none")
    return [
        _("Moisture from temperature and humidity: {name}, {label}. {source} [{basis}]").format(
            name=chosen.name, label=_(chosen.label), source=chosen.source, basis=page.basis_words()[chosen.basis]
        ),
        _("Other sets kept for this crop: {others}").format(others=others),
        _("Keeps for months at or below {months} % humidity between grains, for weeks at or below {weeks} %").format(
            months=number(limits["months"], 0), weeks=number(limits["weeks"], 0)
        ),
    ]
