"""Forms of the lots page: tests, lots, work and sales, limits and meter checks, local measures."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import streamlit as st

from core.errors import InputError
from core.group.facts import load_defaults
from core.group.limits import STANDARD_NAMES, standard_table
from core.group.lot_actions import FAULTS, LotAction, expected_mass_out, grade, record_action
from core.group.lot_state import LotState, judging_rules
from core.group.measures import WeighedMeasure, measure_mass, weigh_measure, weighed_measures
from core.group.meter_checks import salt_humidity
from core.group.own_crops import crops_of_group
from core.group.records import Fact, Reading
from core.tables.numbers import number as read_number
from dashboard import page, state
from dashboard.forms.edits import keyed_form, opened
from dashboard.forms.fields import Field
from dashboard.text import _, day, ngettext, number, say

TEST_DRAFT = "tests_draft"
TEST_COLUMNS = ("bag", "temperature_c", "relative_humidity_pct", "meter_moisture_pct", "settled")


def done(words: str) -> None:
    """Say after the next run that something was stored."""
    st.session_state["lots_done"] = words
    st.rerun()


def reading_from(
    group: Any, lot_id: int, on: Any, at: time, row: dict[str, Any], settled: bool | None
) -> Reading | None:
    """Return a reading from what was typed, None for an empty row; refuse what cannot be."""
    numbers = {}
    for name, low, high, word in (
        ("temperature_c", -20, 90, _("temperature")),
        ("relative_humidity_pct", 0, 100, _("humidity")),
        ("meter_moisture_pct", 0, 99.9, _("moisture")),
    ):
        value = row.get(name)
        value = None if value is None or pd.isna(value) else read_number(value)
        if value is not None and not low <= value <= high:
            raise InputError("{name} {value} is outside {low} to {high}", name=word, value=value, low=low, high=high)
        numbers[name] = value
    if all(value is None for value in numbers.values()):
        return None
    bag = row.get("bag")
    taken_at = datetime.combine(on, at, ZoneInfo(group.time_zone))
    if taken_at > state.now():
        raise InputError("this time lies in the future")
    return Reading(
        lot_id=lot_id,
        taken_at=taken_at,
        bag="" if bag is None or pd.isna(bag) else str(bag).strip()[:60],
        tester=state.who(),
        settled=settled,
        **numbers,
    )


def tests(group: Any, states: list[LotState]) -> None:
    """Take tests: one by a form, many by a table that keeps its draft."""
    lots = {lot.id: lot.label for lot in state.store().lots(group.id, open_only=True)}
    if not lots:
        st.write(_("Add a lot first."))
        return
    local = state.now().astimezone(ZoneInfo(group.time_zone))
    known = st.session_state.get("test_lot")
    fields = (
        Field("lot", _("Lot"), "choice", options=lots, value=known if known in lots else next(iter(lots)), wide=True),
        Field("bag", _("Bag number or mark"), required=False),
        Field("moisture", _("Moisture shown by the meter, %"), "number", required=False),
        Field("temperature", _("Temperature, °C"), "number", required=False),
        Field("humidity", _("Humidity, %"), "number", required=False),
        Field("on", _("Date of the test"), "day", value=local.date()),
        Field("at", _("Time of day"), "time", value=time(local.hour, local.minute)),
        Field("settled", _("The reading was steady"), "yes", value=True, wide=True),
    )

    def write(values: Mapping[str, Any], token: str) -> str:
        row = {
            "bag": values["bag"],
            "temperature_c": values["temperature"],
            "relative_humidity_pct": values["humidity"],
            "meter_moisture_pct": values["moisture"],
        }
        reading = reading_from(group, values["lot"], values["on"], values["at"], row, values["settled"])
        if reading is None:
            raise InputError("Give at least one of temperature, humidity and moisture.")
        st.session_state["test_last"] = state.store().add_reading(reading, token)
        st.session_state["test_lot"] = values["lot"]
        return _("The test is saved.")

    keyed_form("test", fields, write, state.store().version(group.id), _("Save this test"))
    if "test_last" in st.session_state and st.button(_("Remove the last test"), key="test_undo"):
        state.store().remove_reading(st.session_state.pop("test_last"))
        done(_("The test is removed."))
    with st.expander(_("Many tests at once")):
        many_tests(group, lots)


def many_tests(group: Any, lots: dict[int, str]) -> None:
    """Take tests in a table; what was typed is kept as a draft until it is stored."""
    left, middle, right = st.columns(3)
    lot_id = left.selectbox(
        _("Lot"), list(lots), format_func=lambda key: lots[key], key="many_lot", persist_state="session"
    )
    on = middle.date_input(_("Date of the test"), value=state.today(), key="many_date")
    local = state.now().astimezone(ZoneInfo(group.time_zone))
    at = right.time_input(_("Time of day"), value=time(local.hour, local.minute), key="many_time")
    key = f"{group.id}:{lot_id}:{state.who()}"
    turn = st.session_state.setdefault("many_turn", 0)
    base_name = f"many_base_{lot_id}_{turn}"
    if base_name not in st.session_state:
        kept = state.store().documents.read(TEST_DRAFT, key)
        st.session_state[base_name] = test_frame((kept or {}).get("rows", []))
    # The table always gets the same frame: fed with its own output it would lose every second edit.
    edited = st.data_editor(
        st.session_state[base_name],
        num_rows="dynamic",
        width="stretch",
        hide_index=True,
        key=f"many_{lot_id}_{turn}",
        column_config={
            "bag": st.column_config.TextColumn(_("Bag")),
            # Text, so that a pasted 28,3 is read by the rules of tables: a column of numbers would make it 283.
            "temperature_c": st.column_config.TextColumn(_("Temperature, °C")),
            "relative_humidity_pct": st.column_config.TextColumn(_("Humidity, %")),
            "meter_moisture_pct": st.column_config.TextColumn(_("Meter, %")),
            "settled": st.column_config.CheckboxColumn(_("Settled"), default=True),
        },
    )
    rows = [row for row in edited.to_dict("records") if any(not pd.isna(row[name]) for name in TEST_COLUMNS[:4])]
    if not edited.equals(st.session_state[base_name]):
        plain = [{name: (None if pd.isna(value) else value) for name, value in row.items()} for row in rows]
        state.store().documents.write(TEST_DRAFT, key, {"rows": plain}, state.now())
        st.caption(_("Kept as a draft; stored when you press the button."))
    if st.button(
        ngettext("Save {count} test", "Save {count} tests", len(rows)).format(count=len(rows)),
        key="many_store",
        disabled=not rows,
    ):
        readings = [
            reading_from(group, lot_id, on, at, row, None if pd.isna(row["settled"]) else bool(row["settled"]))
            for row in rows
        ]
        found = [reading for reading in readings if reading is not None]
        state.store().add_readings(found)
        state.store().documents.remove(TEST_DRAFT, key)
        st.session_state["many_turn"] = turn + 1
        done(ngettext("{count} test is saved.", "{count} tests are saved.", len(found)).format(count=len(found)))


def test_frame(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Return the table to type tests into, with the rows of a draft."""
    frame = pd.DataFrame(rows, columns=list(TEST_COLUMNS))
    for name in TEST_COLUMNS[1:4]:
        frame[name] = frame[name].map(lambda value: value if pd.isna(value) else str(value)).astype("string")
    frame["bag"] = frame["bag"].astype("string")
    frame["settled"] = frame["settled"].astype("boolean")
    return frame


def work(group: Any, states: list[LotState]) -> None:
    """Take shelling, cleaning, sorting, weighing; and sales."""
    if not states:
        st.write(_("Add a lot first."))
        return
    by_id = {one.lot.id: one for one in states}
    lot_id = st.selectbox(_("Lot"), list(by_id), format_func=lambda key: by_id[key].lot.label, key="work_lot")
    one = by_id[lot_id]
    whole = one.lot.form in ("threshed", "cleaned")
    kinds = ["cleaning", "sorting", "weighing"] if whole else ["shelling", "weighing"]
    kind = st.selectbox(_("Work"), kinds, format_func=_, key=f"work_kind_{lot_id}")
    rules = judging_rules(state.store(), group.id)
    facts = state.store().facts(group.id)
    turnout = rules.turnout.get(one.lot.commodity, rules.turnout.get("other", 0.7))
    loss = facts["shelling_loss" if kind == "shelling" else "cleaning_loss"]
    likely = expected_mass_out(kind, max(one.mass_now_kg, 0.0), turnout, float(loss.value))
    counted = FAULTS if kind in ("cleaning", "sorting") else ()
    notes = [
        _("The mass after is worked out from turnout and loss ({origin}). Enter the mass by the scale instead.").format(
            origin=page.origin_text(loss)
        ),
        *([_("Faults counted afterwards, % by mass; leave empty what nobody counted")] if counted else []),
    ]

    def write(values: Mapping[str, Any], token: str) -> str:
        action = LotAction(
            kind=kind,
            on=values["on"],
            mass_in_kg=values["before"],
            mass_out_kg=values["after"],
            bags_out=values["bags"],
            moisture_pct=values["moisture"],
            cost=values["cost"],
            faults_after={name: values[name] for name in counted if values[name] is not None},
        )
        record_action(state.store(), one.lot, action, state.who(), state.now(), token)
        graded = grade(one.lot.commodity, action.faults_after)
        words = _("The work is saved.")
        return f"{words} {say(graded[1])}" if graded else words

    fields = (*_work_fields(one, max(0.1, round(likely, 1)), group.currency), *map(_share_field, counted))
    keyed_form(f"work_{lot_id}_{kind}", fields, write, one.lot.revision, _("Save this work"), "\n\n".join(notes))
    page.link("plan", _("Record a sale on the page 'Sale plan'"), "sales")


def _work_fields(one: LotState, likely_kg: float, currency: str) -> tuple[Field, ...]:
    """Return what is asked of a piece of work on a lot; `likely_kg` is the mass expected after it."""
    moisture = round(one.moisture.mean_pct, 1) if one.moisture else None
    now_kg = max(0.1, round(one.mass_now_kg, 1))
    return (
        Field("on", _("Day"), "day", value=state.today()),
        Field("bags", _("Bags afterwards"), "whole", low=1, value=max(1, one.bags)),
        Field("before", _("Mass before, kg"), "number", low=0.1, value=now_kg),
        Field("after", _("Mass after, kg"), "number", low=0.1, value=likely_kg),
        Field("moisture", _("Moisture at that weighing, %"), "number", low=0, high=60, value=moisture, required=False),
        Field("cost", _("Cost, {currency}").format(currency=currency), "number", low=0, value=0),
    )


def _share_field(name: str) -> Field:
    label = _(name.replace("_", " "))
    return Field(name, label, "number", low=0, high=100, required=False)


def _setting(key: str, label: str, fact: Fact) -> Field:
    """Return the field of a number among the settings, with the bounds that it has everywhere."""
    bounds = load_defaults()[key]
    return Field(
        key, label, "number", low=bounds.low, high=bounds.high, value=float(fact.value), help=page.origin_text(fact)
    )


def limits_and_meter(group: Any) -> None:
    """Take a buyer's limit, the keeping that is wanted, and checks of the meter."""
    store = state.store()
    facts = store.facts(group.id)
    crops = crops_of_group(store, group.id)
    names = {code: _(crop.name) for code, crop in crops.items()}
    shown = ("keeping_months", "store_warmest_c", "limit_standard")
    kept = opened("limits", {key: facts[key] for key in shown})
    at_first = kept["limit_standard"].value
    fields = (
        _setting("keeping_months", _("Months that the grain must keep"), kept["keeping_months"]),
        _setting("store_warmest_c", _("Warmest temperature in the store, °C"), kept["store_warmest_c"]),
        Field(
            "limit_standard",
            _("Standard that applies"),
            "choice",
            options={key: _(name) for key, name in STANDARD_NAMES.items()},
            value=at_first if at_first in STANDARD_NAMES else next(iter(STANDARD_NAMES)),
            wide=True,
        ),
        Field("crop", _("Buyer's limit for"), "choice", options=names, value=next(iter(names))),
        Field("contract", _("Buyer's limit, % (empty: none)"), "number", low=1, high=30, required=False),
    )

    def write(values: Mapping[str, Any], token: str) -> str:
        with store.transaction(group.id, token) as inside:
            for key, fact in kept.items():
                if fact.value != values[key]:
                    inside.set_fact(
                        group.id, key, values[key], "entered", state.who(), state.now(), expected=fact.revision
                    )
            if values["contract"] is not None:
                limit = f"buyer_limit.{values['crop']}"
                inside.set_fact(group.id, limit, values["contract"], "entered", state.who(), state.now())
        return _("The limits are saved.")

    keyed_form("limits", fields, write, {key: fact.revision for key, fact in facts.items()}, _("Save the limits"))
    own = {key: fact for key, fact in facts.items() if key.startswith("buyer_limit.") and fact.value is not None}
    for key, fact in own.items():
        words, button = st.columns([3, 1], vertical_alignment="center")
        code = key.removeprefix("buyer_limit.")
        name = _(crops[code].name) if code in crops else code
        words.text(_("Buyer's limit for {crop}: {limit} %").format(crop=name, limit=number(float(fact.value))))
        if button.button(_("Remove"), key=f"remove_{key}", width="stretch"):
            store.set_fact(group.id, key, None, "entered", state.who(), state.now())
            done(_("The limit is removed."))
    own_limits(group, crops)
    meter_check(group)


def own_limits(group: Any, crops: dict[str, Any]) -> None:
    """Let the group put its national standard or its own rule in the place of the table's figure."""
    store = state.store()
    kept = (store.documents.read("limits", str(group.id)) or {}).get("rows", [])
    with st.expander(_("Table of standards, and the group's own figures")):
        rows = [{**row, "own": True} for row in kept] + [{**row, "own": False} for row in standard_table()]
        shown = [
            {
                _("Crop"): _(crops[row["commodity"]].name) if row["commodity"] in crops else row["commodity"],
                _("Standard"): _(STANDARD_NAMES.get(row["standard"], row["standard"])),
                _("At most, %"): row["moisture_pct"],
                _("Source"): _(row["source"]),
                _("Origin"): _("entered by you") if row["own"] else page.basis_words()[row["basis"]],
            }
            for row in rows
        ]
        page.table(shown, key="limits_table")
        _own_limit(group, crops, kept)


def _own_limit(group: Any, crops: dict[str, Any], kept: list[dict[str, Any]]) -> None:
    names = {code: _(crop.name) for code, crop in crops.items()}
    standards = {key: _(name) for key, name in STANDARD_NAMES.items()}
    fields = (
        Field("crop", _("Crop"), "choice", options=names, value=next(iter(names))),
        Field("standard", _("Standard"), "choice", options=standards, value=next(iter(standards))),
        Field("value", _("At most, % (empty: remove the group's figure)"), "number", low=1, high=30, required=False),
        Field("source", _("Where this figure is published"), required=False),
    )

    def write(values: Mapping[str, Any], token: str) -> str:
        place = (values["crop"], values["standard"])
        new = {
            "commodity": values["crop"],
            "standard": values["standard"],
            "moisture_pct": values["value"],
            "product": crops[values["crop"]].name,
            "source": values["source"][:200] or _("entered by you"),
            "basis": "judgement",
        }
        with state.store().transaction(group.id, token) as inside:
            before = (inside.documents.read("limits", str(group.id)) or {}).get("rows", [])
            rest = [row for row in before if (row["commodity"], row["standard"]) != place]
            rows = rest if values["value"] is None else [*rest, new]
            inside.documents.write("limits", str(group.id), {"rows": rows}, state.now())
        return _("The figure is saved.")

    keyed_form("own_limit", fields, write, kept, _("Save this figure"))


def meter_check(group: Any) -> None:
    """Take a check of the meter and say what is known of its error."""
    store = state.store()
    error = judging_rules(store, group.id).meter.error
    st.markdown(f"**{_('The meter')}**")
    checked = ", ".join(_(method.replace("_", " ")) for method in error.checked) or _(
        "nobody has checked it yet (assumed)"
    )
    st.text(
        _(
            "The meter reads moisture {bias} points too high (± {sd}) and humidity {humidity} points too high "
            "(± {humidity_sd}). Checks: {checked}"
        ).format(
            bias=number(error.moisture_bias),
            sd=number(error.moisture_sd),
            humidity=number(error.humidity_bias),
            humidity_sd=number(error.humidity_sd),
            checked=checked,
        )
    )
    if error.buyer_bias is not None:
        st.text(_("Beside the buyer's meter it shows {bias} points more.").format(bias=number(error.buyer_bias)))
    names = {
        "oven": _("Samples dried in an oven"),
        "salt": _("Jar over wet kitchen salt"),
        "side_by_side": _("Beside the buyer's meter"),
    }
    method = st.selectbox(_("Check"), list(names), format_func=lambda key: names[key], key="check_method")
    salt = method == "salt"
    lists = Field("shown", _("What the meter showed, one after the other, divided by semicolons"), wide=True)
    other = (
        Field("jar", _("Temperature of the jar, °C"), "number", low=0, high=60, value=25.0)
        if salt
        else Field("true", _("What the other gave, in the same order"), wide=True)
    )

    def write(values: Mapping[str, Any], token: str) -> str:
        payload: dict[str, Any] = {"method": method, "shown": numbers(values["shown"])}
        if salt:
            payload["temperature_c"] = values["jar"]
        else:
            payload["true"] = numbers(values["true"])
            if len(payload["true"]) != len(payload["shown"]):
                raise InputError("both lists need the same count of numbers")
        store.append_event(
            group.id, "diary", "meter_check", state.today(), state.who(), payload, state.now(), token=token
        )
        if salt:
            words = _("The check is saved. Humidity in the jar: {value} %.")
            return words.format(value=number(salt_humidity(values["jar"])))
        return _("The check is saved.")

    note = _(
        "Over a paste of kitchen salt and water in a closed jar the air has 75.3 % humidity at 25 °C "
        "(Greenspan 1977). Wait until the reading is steady."
    )
    seen = len(store.events(group.id, "diary"))
    keyed_form(f"check_{method}", (lists, other), write, seen, _("Save this check"), note if salt else "")


def numbers(text: str) -> list[float]:
    """Return the numbers of a list such as "13,2; 14,1", between 0 and 100."""
    try:
        found = [float(part.replace(",", ".")) for part in text.replace("\n", ";").split(";") if part.strip()]
    except ValueError as error:
        raise InputError("'{text}' is not a list of numbers divided by semicolons", text=text) from error
    if not found or not all(0 <= value <= 100 for value in found):
        raise InputError("'{text}' is not a list of numbers between 0 and 100", text=text)
    return found


def measures(group: Any) -> None:
    """Take weighed fillings of local measures, and turn a count of them into kilograms."""
    store = state.store()
    crops = crops_of_group(store, group.id)
    samples = weighed_measures(store.events(group.id, "diary"))
    st.write(
        _(
            "Weigh a few fillings of each tin, basin or overfilled bag, and note the day: fillings differ from "
            "year to year."
        )
    )
    names = {code: _(crop.name) for code, crop in crops.items()}
    fields = (
        Field("name", _("Local measure")),
        Field("crop", _("Crop"), "choice", options=names, value=next(iter(names))),
        Field("mass", _("One filling weighs"), "number", unit="kg", low=0.01, high=2000),
        Field("moisture", _("At a moisture of, %"), "number", low=0, high=60, required=False),
        Field("on", _("Weighed on"), "day", high=state.today(), value=state.today()),
    )

    def write(values: Mapping[str, Any], token: str) -> str:
        sample = WeighedMeasure(
            name=values["name"],
            commodity=values["crop"],
            weighed_on=values["on"],
            mass_kg=values["mass"],
            moisture_pct=values["moisture"],
        )
        weigh_measure(store, group.id, sample, state.who(), state.now(), token)
        return _("The weighing is saved.")

    keyed_form("measure", fields, write, len(samples), _("Save this weighing"))
    if samples:
        rows = []
        for key in sorted({(one.name, one.commodity) for one in samples}):
            found = measure_mass(samples, key[0], key[1], state.today())
            rows.append(
                {
                    _("Measure"): key[0],
                    _("Crop"): _(crops[key[1]].name) if key[1] in crops else key[1],
                    _("kg"): round(found.mass_kg, 2),
                    _("± kg"): round(found.standard_error_kg, 2),
                    _("Fillings"): found.samples,
                    _("Weighed on"): day(found.weighed_on),
                }
            )
        page.table(rows, key="measures_table")
