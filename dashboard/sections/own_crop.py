"""A group's own crop, or its own calibration of a known one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import streamlit as st

from core.errors import DryholdError, InputError
from core.grain.calibration import (
    LEAST_PAIRS_NEW,
    LEAST_PAIRS_SCALE,
    fit_calibration,
    fit_new_isotherm,
    isotherm_from_coefficients,
    own_commodity,
)
from core.grain.commodities import Commodity, commodity_codes
from core.grain.sorption import isotherm_curve
from core.group.own_crops import drop_own_crop, keep_own_crop, own_crops
from dashboard import page, state
from dashboard.charts.sorption import isotherm_figure
from dashboard.names import crop_name
from dashboard.page import KEEP
from dashboard.text import _, number

FORMS = ("henderson", "chung-pfost", "halsey", "oswin")
EXAMPLE_ROWS = 12


@dataclass(frozen=True)
class Proposal:
    """An own crop that is not yet kept, with what is to be said of it."""

    crop: Commodity
    lines: tuple[str, ...]
    pairs: tuple[tuple[float, float, float], ...] = ()


def show() -> None:
    page.start(_("How wet is a crop or variety that the published tables do not know?"))
    group = page.stop_if_no_group()
    known = own_crops(state.store(), group.id)
    page.caution("meter")
    if known:
        page.answer(_("Own crops: {names}.").format(names=", ".join(crop.name for crop in known.values())))
    else:
        page.answer(_("This group works with the published crops only."))
    ways = {
        "calibrate": _("a known crop, set right by our own pairs of readings"),
        "pairs": _("a new crop, from pairs of readings"),
        "coefficients": _("a new crop, from coefficients of a publication"),
    }
    way = st.radio(_("What have you got?"), list(ways), format_func=ways.get, key="own_way", **KEEP)
    name = st.text_input(_("Name of the crop or variety"), max_chars=40, key="own_name", **KEEP).strip()
    like = st.selectbox(
        _("It is a kind of") if way == "calibrate" else _("Heat and bulk as"),
        commodity_codes(),
        format_func=crop_name,
        key="own_like",
        **KEEP,
    )
    try:
        proposal = _from_coefficients(name, like) if way == "coefficients" else _from_pairs(name, like, way)
    except DryholdError as error:
        page.show_error(error)
        proposal = None
    if proposal is not None:
        _show(group, proposal)
    _known_crops(group, known)
    page.sources(
        _("Fitted by least squares on moisture; forms: modified Henderson, Oswin and Halsey (ASAE/ASABE D245)"),
        _("Least counts of pairs and the most scatter are our own judgement"),
        _("Own crops are kept apart: the published tables stay as they are"),
    )


def _from_pairs(name: str, like: str, way: str) -> Proposal | None:
    """Ask for pairs of readings and fit them."""
    least = LEAST_PAIRS_SCALE if way == "calibrate" else LEAST_PAIRS_NEW
    st.caption(
        _(
            "Each row: temperature and humidity at rest in a closed sample, and the moisture of the same sample by "
            "an oven "
            "or a trusted meter. At least {least} rows; the wetter and drier they are, the better."
        ).format(least=least)
    )
    columns = ["temperature_c", "relative_humidity_pct", "moisture_pct"]
    edited = st.data_editor(
        pd.DataFrame(np.full((EXAMPLE_ROWS, 3), np.nan), columns=columns),
        num_rows="dynamic",
        hide_index=True,
        width="stretch",
        key=f"own_pairs_{way}",
        column_config={
            "temperature_c": st.column_config.NumberColumn(_("temperature (°C)"), format="%.1f"),
            "relative_humidity_pct": st.column_config.NumberColumn(_("humidity (%)"), format="%.1f"),
            "moisture_pct": st.column_config.NumberColumn(_("moisture (% wet basis)"), format="%.1f"),
        },
    )
    pasted = st.text_area(
        _("Or type the rows here, three numbers each"), placeholder="27.0  65  13.2", key=f"own_pasted_{way}", **KEEP
    )
    filled = pd.concat([edited.dropna(how="all"), _typed_rows(pasted, columns)], ignore_index=True)
    if filled.empty or not name:
        st.info(_("Give it a name and enter the rows."))
        return None
    if filled.isna().any().any():
        raise InputError("a row is incomplete: every row needs temperature, humidity and moisture")
    values = [filled[column].to_numpy(dtype=float) for column in columns]
    label = f"own-{name}"
    fit = fit_calibration(like, label, *values) if way == "calibrate" else fit_new_isotherm(label, *values)
    crop = own_commodity(_code(name), name, fit.isotherm, like, fit.curve_sd_pct, compared=way == "calibrate")
    lines = (
        _("{pairs} pairs; they scatter by {scatter} points around the curve").format(
            pairs=fit.pairs, scatter=number(fit.scatter_pct, 2)
        ),
        _("the curve itself is certain to {sd} points (one standard deviation), never taken as less than 0.3").format(
            sd=number(fit.curve_sd_pct, 2)
        ),
        fit.isotherm.note,
    )
    return Proposal(crop, lines, tuple(zip(*(map(float, column) for column in values), strict=True)))


def _typed_rows(text: str, columns: list[str]) -> pd.DataFrame:
    """Return the rows that were typed: three numbers a line, parted by spaces, tabs or semicolons."""
    rows = []
    for line in filter(str.strip, text.splitlines()):
        parts = line.replace(";", " ").replace(",", ".").split()
        try:
            values = [float(part) for part in parts]
        except ValueError:
            values = []
        if len(values) != len(columns):
            raise InputError("'{line}' is not three numbers: temperature, humidity, moisture", line=line.strip()[:60])
        rows.append(values)
    return pd.DataFrame(rows, columns=columns, dtype=float)


def _from_coefficients(name: str, like: str) -> Proposal | None:
    """Ask for coefficients and their source."""
    form = st.selectbox(_("Form of the equation"), FORMS, key="own_form", **KEEP)
    texts = {
        "henderson": "RH = 1 − exp(−a (T + c) Mᵇ)",
        "chung-pfost": "RH = exp(−a / (T + c) · exp(−b M))",
        "halsey": "RH = exp(−exp(a + b T) · M⁻ᶜ)",
        "oswin": "RH = 1 / (((a + b T) / M)ᶜ + 1)",
    }
    st.caption(_("{equation}, M in % dry basis, T in °C, RH from 0 to 1").format(equation=texts[form]))
    columns = st.columns(3)
    a, b, c = (
        column.number_input(letter, value=None, step=None, format="%.8g", key=f"own_{letter}", **KEEP)
        for column, letter in zip(columns, "abc", strict=True)
    )
    source = st.text_input(_("Where the coefficients come from"), key="own_source", **KEEP)
    sd = st.number_input(
        _("Uncertain to (points, one standard deviation)"), 0.3, 3.0, 0.8, step=0.1, key="own_sd", **KEEP
    )
    if not name or a is None or b is None or c is None:
        st.info(_("Give it a name, three coefficients and their source."))
        return None
    isotherm = isotherm_from_coefficients(f"own-{name}", form, a, b, c, source)
    return Proposal(own_commodity(_code(name), name, isotherm, like, sd), (source,))


def _show(group: Any, proposal: Proposal) -> None:
    """Show the curve and let a person keep it."""
    middle = float(np.mean([pair[0] for pair in proposal.pairs])) if proposal.pairs else 27.0
    figure = isotherm_figure(isotherm_curve(proposal.crop, middle), pairs=proposal.pairs)
    page.chart(figure, alt=_("Moisture over humidity of the own crop, with its readings"), key="own_chart")
    st.markdown("\n".join(f"- {line}" for line in proposal.lines if line))
    if st.button(_("Save {name}").format(name=proposal.crop.name), type="primary", key="own_keep"):
        keep_own_crop(state.store(), group.id, proposal.crop, state.now())
        st.rerun()


def _known_crops(group: Any, known: dict[str, Commodity]) -> None:
    """List the own crops and let a person drop one."""
    if not known:
        return
    st.subheader(_("Kept for this group"), anchor=False)
    page.table(
        [
            {
                _("name"): crop.name,
                _("code"): code,
                _("equation"): crop.isotherm().form,
                _("uncertain to (points)"): round(crop.isotherm_sd_points, 2),
                _("source"): crop.isotherm().source,
            }
            for code, crop in known.items()
        ],
        key="own_table",
    )
    used = {lot.commodity for lot in state.store().lots(group.id)}
    free = [code for code in known if code not in used]
    if free:
        code = st.selectbox(
            _("Drop one that no lot uses"), free, format_func=lambda key: known[key].name, key="own_drop"
        )
        if st.button(_("Drop it"), key="own_drop_now"):
            drop_own_crop(state.store(), group.id, code, state.now())
            st.rerun()


def _code(name: str) -> str:
    """Return a code made of a name's letters and digits."""
    letters = "".join(letter if letter.isalnum() else "_" for letter in name.casefold())
    return f"own_{letters.strip('_') or 'crop'}"
