"""What a programme officer enters: targets, baselines, the programme's currency and exchange rates."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import streamlit as st

from core.accounts.book import Book
from core.group.records import Event
from core.programme.currencies import ExchangeRate
from core.programme.definitions import DEFINITIONS
from core.programme.programme_book import ProgrammeBook, cancel_entry, choose_currency, enter_goal, enter_rate
from dashboard import page, state
from dashboard.forms.confirm import confirm_once
from dashboard.forms.entries import last_number
from dashboard.forms.fields import Field, draw_fields
from dashboard.money_parts import writer
from dashboard.programme_parts import in_words, unit_words
from dashboard.text import _, day, number, say, tongue

ALL = 0
Values = Mapping[str, Any]


def kind_words() -> dict[str, str]:
    """Return what the two kinds of goal are called."""
    return {"target": _("target"), "baseline": _("baseline")}


def goals_table(book: ProgrammeBook, names: Mapping[int, str]) -> list[dict[str, object]]:
    """Return the targets and baselines that stand."""
    return [
        {
            _("Indicator"): say(DEFINITIONS[goal.key].label),
            _("What"): kind_words()[goal.kind],
            _("For"): _("all groups") if goal.group_id is None else names.get(goal.group_id, "–"),
            _("Value"): in_words(DEFINITIONS[goal.key], goal.value, goal.currency),
            _("Day"): day(goal.on),
            _("Source"): goal.source,
            _("Entered by"): f"{goal.who}, {day(goal.recorded_at.date())}",
        }
        for goal in book.goals.values()
    ]


def goals_form(book: ProgrammeBook, currency: str) -> None:
    """Show the targets and baselines that stand, and take new ones."""
    names = {group.id: group.name for group in state.store().groups()}
    if book.goals:
        page.table(goals_table(book, names), "goals_table")
    else:
        st.caption(_("No target and no baseline yet."))
    filled = draw_fields("goal", _goal_fields(names, currency))

    def sentence(values: Values) -> str:
        definition = DEFINITIONS[values["key"]]
        return _("{indicator}, {kind}: {value}, {day}, {group}.").format(
            indicator=say(definition.label),
            kind=kind_words()[values["kind"]],
            value=in_words(definition, float(values["value"]) / definition.scale, currency),
            day=day(values["on"]),
            group=names.get(values["group"], _("all groups")),
        )

    def write(values: Values, token: str) -> None:
        definition = DEFINITIONS[values["key"]]
        enter_goal(
            state.store(),
            values["kind"],
            values["key"],
            float(values["value"]) / definition.scale,
            values["on"],
            writer(),
            state.now(),
            values["source"],
            None if values["group"] == ALL else values["group"],
            currency if definition.money else "",
            token,
        )

    confirm_once("goal", filled, sentence, write, seen=last_number(state.store().programme_entries()))


def _goal_fields(names: Mapping[int, str], currency: str) -> tuple[Any, ...]:
    def value(values: Values) -> Field | None:
        if values.get("key") is None:
            return None
        definition = DEFINITIONS[values["key"]]
        high = 100 if definition.proportion else None
        unit = unit_words(definition, currency)
        return Field("value", _("Value"), "exact", unit=unit, low=0, high=high, follows=("key",))

    return (
        Field(
            "key",
            _("Target or baseline of"),
            "choice",
            options={key: say(item.label) for key, item in DEFINITIONS.items()},
            wide=True,
        ),
        Field("kind", _("What"), "choice", options=kind_words(), value="target"),
        Field("group", _("For"), "choice", options={ALL: _("all groups"), **names}, value=ALL),
        value,
        Field("on", _("To reach by, or day of the baseline"), "day", value=state.today()),
        Field("source", _("Where it comes from"), wide=True),
    )


def currency_form(book: ProgrammeBook, currency: str) -> None:
    """Show the programme's currency and the rates entered, and take new ones."""
    rates_on = book.rates_on or state.today()
    st.write(
        _("Money of all groups is shown in {currency}, at the latest rate entered up to {day}.").format(
            currency=currency, day=day(rates_on)
        )
    )
    if book.rates:
        page.table(rates_words(book), "rates_table")
    else:
        st.caption(_("No rate entered: money of groups with another currency stays in theirs and is not compared."))
    _rate_form(currency)
    _currency_choice(currency, rates_on)


def rates_words(book: ProgrammeBook) -> list[dict[str, object]]:
    """Return the rates as a table for people."""
    return [
        {
            _("One"): rate.source_currency,
            _("is worth"): f"{number(rate.rate, 4)} {rate.target_currency}",
            _("Day"): day(rate.on),
            _("Source"): rate.source,
            _("Entered by"): rate.entered_by,
        }
        for rate in book.rates
    ]


def _rate_form(currency: str) -> None:
    own = sorted({group.currency for group in state.store().groups()} - {currency})
    filled = draw_fields(
        "rate",
        (
            Field("one", _("One unit of"), value=own[0] if own else ""),
            Field("other", _("is worth, in"), value=currency),
            Field("rate", _("Rate"), "exact", low=0),
            Field("on", _("Day of the rate"), "day", high=state.today(), value=state.today()),
            Field("source", _("Who published it"), wide=True),
        ),
    )

    def made(values: Values) -> ExchangeRate:
        one, other = (str(values[name]).strip().upper() for name in ("one", "other"))
        return ExchangeRate(one, other, float(values["rate"]), values["on"], values["source"])

    def sentence(values: Values) -> str:
        rate = made(values)
        return _("1 {code} = {rate} {currency}, rate of {day} ({source}).").format(
            code=rate.source_currency,
            rate=tongue().figure(rate.rate, ".6g"),
            currency=rate.target_currency,
            day=day(rate.on),
            source=rate.source,
        )

    def write(values: Values, token: str) -> None:
        enter_rate(state.store(), made(values), writer(), state.now(), token)

    confirm_once(
        "rate", filled, sentence, write, seen=last_number(state.store().programme_entries()), button=_("Save this rate")
    )


def _currency_choice(currency: str, rates_on: date) -> None:
    filled = draw_fields(
        "currency",
        (
            Field("code", _("Programme's currency (three letters)"), value=currency),
            Field("on", _("Rates of the day"), "day", value=rates_on),
        ),
    )

    def sentence(values: Values) -> str:
        return _("Money of all groups is shown in {currency}, at the latest rate entered up to {day}.").format(
            currency=str(values["code"]).strip().upper(), day=day(values["on"])
        )

    def write(values: Values, token: str) -> None:
        code = str(values["code"]).strip().upper()
        choose_currency(state.store(), code, values["on"], writer(), state.now(), token)

    confirm_once(
        "currency",
        filled,
        sentence,
        write,
        seen=last_number(state.store().programme_entries()),
        button=_("Use this currency"),
    )


def cancel_form(names: Mapping[int, str]) -> None:
    """Let an entry of the programme's book be cancelled after a summary."""
    entries = state.store().programme_entries()
    choices = {event.id: entry_words(event, names) for event in Book(entries).standing()}
    choices = {key: words for key, words in choices.items() if words}
    if not choices:
        return
    st.markdown(f"**{_('Cancel entry')}**")
    filled = draw_fields(
        "programme_cancel", (Field("entry", _("Entry to cancel"), "choice", options=choices, wide=True),)
    )

    def write(values: Values, token: str) -> None:
        cancel_entry(state.store(), values["entry"], state.today(), writer(), state.now(), token)

    confirm_once(
        "programme_cancel",
        filled,
        lambda values: _("Cancel this entry: {entry}").format(entry=choices.get(values["entry"], "–")),
        write,
        seen=last_number(entries),
        button=_("Cancel entry"),
    )


def entry_words(event: Event, names: Mapping[int, str]) -> str:
    """Return an entry of the programme's book in words, "" where it only takes a goal away."""
    given = event.payload
    if event.kind == "exchange_rate":
        return f"1 {given['from']} = {tongue().figure(float(given['rate']), '.6g')} {given['to']}, {day(event.on)}"
    if event.kind == "currency":
        return f"{_('Currency')}: {given['currency']}, {day(event.on)}"
    if given.get("value") is None:
        return ""
    definition = DEFINITIONS[str(given["key"])]
    value = in_words(definition, float(given["value"]), str(given.get("currency", "")))
    of = names.get(event.group_id, _("all groups")) if event.group_id else _("all groups")
    return f"{say(definition.label)}, {kind_words().get(event.kind, '')}: {value}, {day(event.on)}, {of}"
