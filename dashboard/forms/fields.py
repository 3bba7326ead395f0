"""A form is a tuple of `Field`: described once, drawn by `draw_fields`, the error beside the field that it concerns.

Numbers are typed as text and read by `core.accounts.typed`: a browser's own number field keeps the old number,
without a word, where somebody types 36,000, a word, or a number out of bounds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass, is_dataclass
from datetime import date
from decimal import Decimal
from typing import Any

import streamlit as st

from core.accounts.typed import typed_number
from core.errors import DryholdError, InputError, StaleError
from dashboard import page, state
from dashboard.text import _, day, literal, say

EXACT = ("money", "exact")
NUMBERS = (*EXACT, "number", "whole")


@dataclass(frozen=True)
class Field:
    """One thing that a form asks for.

    Parameters
    ----------
    label : str
        What is asked, translated; the unit follows it on the screen.
    kind : str
        ``"text"``, ``"long_text"``, ``"money"`` and ``"exact"`` (give a Decimal), ``"number"`` (a float), ``"whole"``
        (an int), ``"day"``, ``"time"`` (of day), ``"choice"``, ``"several"`` (a tuple), ``"yes"`` (a bool).
    unit : str
        Shown behind the label, such as ``"kg"`` or ``"XOF"``.
    low, high : number or date, optional
        Least and greatest value that can be right.
    step : Decimal, optional
        Smallest coin or part in which the value is counted; a finer one is refused, never rounded.
    value : Any
        What stands in the field at first; None leaves it empty.
    accept_new : bool
        Whether a choice takes words that are not in its list.
    required : bool
        Whether it must be filled in; an empty one that need not be gives None (text gives ``""``).
    follows : tuple of str
        Names of earlier fields whose change sets this one to its first value anew: the amount follows the member.
    keep : bool
        Whether what was typed (a number or text) stays within the session when the page is left.
    """

    name: str
    label: str
    kind: str = "text"
    _: KW_ONLY
    unit: str = ""
    low: Any = None
    high: Any = None
    step: Decimal | None = None
    help: str = ""
    value: Any = None
    options: Mapping[Any, str] | None = None
    accept_new: bool = False
    required: bool = True
    follows: tuple[str, ...] = ()
    wide: bool = False
    keep: bool = False


@dataclass(frozen=True)
class Filled:
    """What a form holds: values by name (None where missing or wrong), and what is wrong by name."""

    values: Mapping[str, Any]
    errors: Mapping[str, str]

    @property
    def complete(self) -> bool:
        """Return whether every value is there and can be right."""
        return not self.errors

    def __getitem__(self, name: str) -> Any:
        """Return a field's value."""
        return self.values[name]


def widget_key(form: str, name: str) -> str:
    """Return the key of a field's widget: another one after every entry, so that nothing survives into the next."""
    return f"{form}.{st.session_state.get(f'{form}.round', 0)}.{name}"


def fresh_form(form: str) -> None:
    """Empty a form: its fields, what was asked to be confirmed, and its errors."""
    st.session_state[f"{form}.round"] = st.session_state.get(f"{form}.round", 0) + 1
    for part in ("asked", "tried", "seen"):
        st.session_state.pop(f"{form}.{part}", None)


def usual_field(usual: Callable[[Any], Any], follows: str) -> Callable[..., Any]:
    """Return a maker of number fields: `usual(values)` is a thing that has what usually stands in them.

    The maker takes the field's name, label, unit and bounds, and its kind where that is not "number".
    """

    def sized(name: str, label: str, unit: str, low: float, high: float, kind: str = "number") -> Any:
        def ask(values: Any) -> Field:
            value = getattr(usual(values), name)
            return Field(name, label, kind, unit=unit, low=low, high=high, value=value, follows=(follows,))

        return ask

    return sized


def draw_fields(
    form: str, fields: Sequence[Field] | Sequence[Field | Callable[[Mapping[str, Any]], Field | None]]
) -> Filled:
    """Draw a form and return what it holds.

    Parameters
    ----------
    fields : sequence of Field, or of functions that give one
        In the order asked. A function gets the values so far and returns the field, or None to leave it out: so the
        amount owed can depend on the member chosen above it.

    Returns
    -------
    Filled
        An empty field is only complained of on the screen once `confirm_once` has been pressed.
    """
    values: dict[str, Any] = {}
    errors: dict[str, str] = {}
    tried = bool(st.session_state.get(f"{form}.tried"))
    places: list[Any] = []
    for item in fields:
        field = item if isinstance(item, Field) else item(values)
        if field is None:
            continue
        if field.wide:
            places = []
            place = st.container()
        else:
            places = places or list(st.columns(2))
            place = places.pop(0)
        with place:
            raw = _draw(form, field, values, st.session_state.get(f"{form}.asked") is not None)
            empty = raw is None or raw == "" or raw == ()
            try:
                values[field.name] = read_value(field, raw)
            except InputError as error:
                values[field.name] = None
                errors[field.name] = say(error)
                if tried or not empty:
                    page.field_error(error)
    return Filled(values, errors)


def read_value(field: Field, raw: Any) -> Any:
    """Return a field's value from what its widget holds.

    Raises
    ------
    InputError
        It is missing, not of its kind, or outside its bounds; the sentence says what is allowed.
    """
    if isinstance(raw, str):
        raw = raw.strip()
    if raw is None or raw == "" or raw == ():
        if field.required and field.kind != "yes":
            raise InputError("{field}: please fill this in", field=field.label)
        return {"text": "", "long_text": "", "several": ()}.get(field.kind)
    if field.kind not in NUMBERS:
        _check_bounds(field, raw)
        return raw
    value = typed_number(str(raw))
    if field.kind == "whole" and value != value.to_integral_value():
        raise InputError("{field} must be a whole number, not {value}", field=field.label, value=str(raw))
    if field.step is not None and value % field.step:
        raise InputError(
            "{value} cannot be counted in steps of {step}, the smallest used here", value=str(raw), step=str(field.step)
        )
    _check_bounds(field, value)
    if field.kind == "whole":
        return int(value)
    return value if field.kind in EXACT else float(value)


def _check_bounds(field: Field, value: Any) -> None:
    if field.kind in NUMBERS:
        low = None if field.low is None else Decimal(str(field.low))
        high = None if field.high is None else Decimal(str(field.high))
    elif field.kind == "day":
        low, high = field.low, field.high
    else:
        return
    if low is not None and value < low:
        raise InputError("{field} must be at least {low}", field=field.label, low=_shown(low))
    if high is not None and value > high:
        raise InputError("{field} must be at most {high}", field=field.label, high=_shown(high))


def _shown(bound: Any) -> str:
    if isinstance(bound, date):
        return day(bound)
    return f"{bound:f}"


def plain_text(value: Any) -> str:
    """Return a number as a person would type it: no idle digits, no exponent, no grouping.

    Three decimals get a fourth, since 19.655 could be read as nineteen thousand and something.
    """
    if isinstance(value, float):
        value = Decimal(f"{value:.10g}")
    text = f"{value:f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text + "0" if len(text.partition(".")[2]) == 3 else text


def _draw(form: str, field: Field, values: Mapping[str, Any], disabled: bool) -> Any:
    """Draw one widget and return what it holds."""
    followed = "".join(f".{values.get(name)}" for name in field.follows)
    label = f"{field.label}, {field.unit}" if field.unit else field.label
    key = widget_key(form, field.name) + followed
    common: dict[str, Any] = {"key": key, "help": field.help or None, "disabled": disabled}
    if field.kind == "choice":
        options = field.options or {}
        known = list(options)
        return st.selectbox(
            label,
            known,
            index=known.index(field.value) if field.value in known else None,
            format_func=lambda key: options.get(key, str(key)),
            placeholder=_("Choose, or type a new name") if field.accept_new else _("Choose"),
            accept_new_options=field.accept_new,
            **common,
        )
    if field.kind == "several":
        options = field.options or {}
        chosen = st.multiselect(
            label, list(options), default=list(field.value or ()), format_func=options.__getitem__, **common
        )
        return tuple(chosen)
    if field.kind == "day":
        first = field.value if field.value is not None or not field.required else state.today()
        return st.date_input(label, first, min_value=field.low, max_value=field.high, format=page.DAY_FORMAT, **common)
    if field.kind == "time":
        return st.time_input(label, field.value, **common)
    if field.kind == "yes":
        return st.checkbox(label, bool(field.value), **common)
    if field.kind == "long_text":
        return st.text_area(label, field.value or "", **common)
    first = "" if field.value is None else field.value if isinstance(field.value, str) else plain_text(field.value)
    return st.text_input(label, first, persist_state="session" if field.keep else None, **common)


def check_all(form: str, filled: Filled) -> bool:
    """Return whether a form may be saved; from now on its empty fields are complained of too."""
    if filled.complete:
        return True
    if not st.session_state.get(f"{form}.tried"):
        st.session_state[f"{form}.tried"] = True
        st.rerun()
    return False


def show_refusal(error: DryholdError) -> None:
    """Show why the records refuse an entry; where somebody else saved meanwhile, both versions."""
    st.error(say(error, markdown=True))
    if isinstance(error, StaleError):
        mine, theirs = _differing(error.mine, error.theirs)
        st.markdown(_("Yours: {mine}. Saved meanwhile by somebody else: {theirs}.").format(mine=mine, theirs=theirs))


def _differing(mine: Any, theirs: Any) -> tuple[str, str]:
    """Return in words what two versions of a record do not share."""
    if not (is_dataclass(mine) and is_dataclass(theirs)):
        return literal(mine), literal(theirs)
    left, right = vars(mine), vars(theirs)
    names = [name for name in left if name != "revision" and left[name] != right.get(name)]
    return tuple(literal(", ".join(f"{name} {side.get(name)}" for name in names)) for side in (left, right))  # type: ignore[return-value]
