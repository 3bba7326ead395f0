"""What a public function was given: numbers where numbers are meant, in arrays that fit together."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import wraps
from inspect import Parameter, signature
from typing import Any, ParamSpec, TypeVar

import numpy as np

from core.errors import InputError

P = ParamSpec("P")
R = TypeVar("R")


def check_number(what: str, value: Any, *, whole: bool = False, finite: bool = False) -> tuple[int, ...]:
    """Refuse what is no number and no array of numbers, and return its shape.

    Parameters
    ----------
    what : str
        Its name, for the error.
    value : any
    whole, finite : bool
        Whether it must be whole, or neither missing nor infinite.

    Raises
    ------
    InputError
        With the name and what was given.
    """
    try:
        if np.asarray(value).dtype.kind in "USmM" or value is None:
            raise TypeError
        number = np.asarray(value, dtype=float)
        if (finite or whole) and not bool(np.isfinite(number).all()):
            raise ValueError
    except (TypeError, ValueError, OverflowError) as error:
        raise InputError("{what} {amount} is not a number", what=what, amount=str(value)[:40]) from error
    if whole and not bool((number == np.round(number)).all()):
        raise InputError("{what} {amount} is not a whole number", what=what, amount=str(value)[:40])
    return number.shape


def check_kind(what: str, value: Any, kind: type | tuple[type, ...]) -> None:
    """Refuse what is not of the kind that a function works with.

    Raises
    ------
    InputError
        With the name, the kind that is needed and the one that was given.
    """
    if isinstance(value, kind):
        return
    needed = kind if isinstance(kind, tuple) else (kind,)
    raise InputError(
        "{what} must be a {kind}, not a {given}",
        what=what,
        kind=" / ".join(one.__name__ for one in needed),
        given=type(value).__name__,
    )


def takes_numbers(
    *together: str, alone: Iterable[str] = (), finite: Iterable[str] = (), whole: Iterable[str] = ()
) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Return a decorator that refuses arguments which are no numbers, before the function works with them.

    Parameters
    ----------
    *together : str
        Arguments that must fit together as NumPy broadcasts them.
    alone, finite, whole : iterable of str
        Further arguments: of any shape, neither missing nor infinite, whole. None passes where it is the default.
    """
    rules: dict[str, dict[str, bool]] = {name: {} for name in (*together, *alone)}
    rules |= {name: {"finite": True} for name in finite} | {name: {"whole": True} for name in whole}

    def wrap(function: Callable[P, R]) -> Callable[P, R]:
        known = signature(function).parameters
        places = [(place, name) for place, name in enumerate(known) if name in rules]

        @wraps(function)
        def checked(*args: P.args, **kwargs: P.kwargs) -> R:
            shapes = {}
            for place, name in places:
                value = args[place] if place < len(args) else kwargs.get(name, Parameter.empty)
                if value is Parameter.empty or (value is None and known[name].default is None):
                    continue
                shapes[name] = check_number(name, value, **rules[name])
            try:
                np.broadcast_shapes(*(shapes[name] for name in together if name in shapes))
            except ValueError as error:
                raise InputError("the numbers given for {names} differ in length", names=", ".join(together)) from error
            return function(*args, **kwargs)

        return checked

    return wrap
