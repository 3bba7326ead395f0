"""Where a group's weather and prices come from today, in a few words for the head of every page."""

from __future__ import annotations

from collections.abc import Hashable

import pandas as pd
import streamlit as st

from core.advice.origins import weather_now
from core.advice.parts import EXAMPLE, USUAL, WeatherNow
from core.advice.read import content_key
from core.errors import DryholdError
from core.messages import Message, message
from dashboard import state


def origin_lines(group_id: int) -> tuple[Message, ...]:
    """Return the origin of the weather and of the newest price; kept until a record or the day changes."""
    return _lines(group_id, content_key(state.store(), group_id, state.now()))


@st.cache_data(max_entries=200, show_spinner=False)
def _lines(group_id: int, key: tuple[Hashable, ...]) -> tuple[Message, ...]:
    store, today = state.store(), state.today()
    try:
        now = weather_now(store, group_id, state.now())
        weather = _weather_words(now)
        if store.group(group_id).demo and now.origin == EXAMPLE:
            return (message("invented weather and prices"),)
    except DryholdError as error:
        weather = message("Weather: {origin}", origin=error.message)
    quoted = pd.to_datetime(store.price_quotes(group_id)["quoted_on"]).dt.date
    days = [day for day in quoted if day <= today]
    prices = message("Prices: {day}", day=max(days)) if days else message("Prices: none entered")
    return weather, prices


def _weather_words(weather: WeatherNow) -> Message:
    """Return in two or three words where the weather comes from; the page of the weather says it at length."""
    short = {EXAMPLE: message("example"), USUAL: message("usual for the month")}
    return message("Weather: {origin}", origin=short.get(weather.origin, weather.said))
