"""Weather: where it is for, where it comes from and how old it is, the coming days, and the year's normals."""

from __future__ import annotations

import time
from collections.abc import Sequence
from datetime import datetime

import pandas as pd
import streamlit as st

from core.errors import DryholdError
from core.group.access import SETTINGS
from core.messages import Message
from core.weather.forecast import Forecast
from core.weather.normals import Normals
from core.weather.usual import enter_normals
from core.weather.windows import DayWindow, day_windows
from dashboard import page, state
from dashboard.background import desk
from dashboard.charts.weather import days_figure, hours_figure, normals_figure
from dashboard.text import _, month_names, ngettext, number, percent, say, tongue
from dashboard.weather import forecast_of, normals_of, place_of, session_for, years_of

LINKS = {
    "Weather data by Open-Meteo.com": "https://open-meteo.com/",
    "Data from MET Norway": "https://www.met.no/en",
    "Climate data: NASA Langley Research Center POWER Project": "https://power.larc.nasa.gov/",
}
GOOD_SUN_HOURS = 5
ANSWER_SECONDS = 9.5
"""How long the page waits for all services together."""
NORMAL_COLUMNS = ("temperature_c", "relative_humidity_pct", "rain_days", "rain_mm")


def provider_words(forecast: Forecast) -> str:
    """Return who made the forecast, in words."""
    return {
        "open-meteo-ensemble": _("Open-Meteo, {runs} runs of an ensemble").format(runs=len(forecast.members)),
        "open-meteo": _("Open-Meteo, one run"),
        "met-norway": _("MET Norway, one run"),
        "bundled": _("bundled example weather, invented: not a forecast"),
        "normals": _("no forecast: days drawn around the usual weather of this place"),
    }.get(forecast.provider, forecast.provider)


def age_words(forecast: Forecast, now: datetime) -> str:
    """Return how old the forecast is, in words."""
    if not forecast.is_forecast:
        return _("made now")
    hours = max(forecast.age_hours(now), 0.0)
    if hours < 1:
        return _("fetched less than an hour ago")
    if hours < 48:
        words = ngettext("fetched {hours} hour ago", "fetched {hours} hours ago", round(hours))
        return words.format(hours=number(hours, 0))
    return _("fetched {days} days ago").format(days=number(hours / 24, 0))


def weekday(window: DayWindow) -> str:
    """Return a local day as weekday and date, short."""
    return tongue().weekday(window.day)


def clock(moment: datetime | None) -> str:
    """Return the local time of a moment."""
    return "–" if moment is None else f"{moment:%H:%M}"


def answer(windows: Sequence[DayWindow], forecast: Forecast) -> str:
    """Return the section's answer: the next day for drying and the next day of likely rain, of a forecast alone."""
    if forecast.status == "usual":
        return _("There is no forecast. Only the usual weather of the month is known, so no single day can be named.")
    dry = next((w for w in windows if w.hours >= 12 and w.sunny_hours >= GOOD_SUN_HOURS and w.rain_chance <= 0.2), None)
    wet = next((w for w in windows if w.rain_chance >= 0.5), None)
    first = (
        _("Next day with good sun and little chance of rain: {day}.").format(day=weekday(dry))
        if dry
        else _("No day with good sun and little chance of rain is in sight.")
    )
    second = (
        _("Rain is likely on {day} (chance {chance}).").format(day=weekday(wet), chance=percent(wet.rain_chance))
        if wet
        else _("No day on which rain is likely is in sight.")
    )
    return f"{first} {second}"


def days_table(windows: Sequence[DayWindow]) -> list[dict[str, object]]:
    """Return the coming days as a table in words and local time."""
    return [
        {
            _("Day"): weekday(window),
            _("Daylight"): f"{clock(window.sunrise)}–{clock(window.sunset)}",
            _("Sunny hours"): number(window.sunny_hours, 0),
            _("Chance of rain"): percent(window.rain_chance),
            _("Rain, mm (1 in 10 more than)"): number(window.rain_high_mm, 0),
            _("Likely dry"): f"{clock(window.dry_from)}–{clock(window.dry_until)}" if window.dry_from else _("no"),
            _("Temperature, °C"): f"{number(window.temperature_low_c, 0)}–{number(window.temperature_high_c, 0)}",
            _("Lowest humidity, %"): number(window.humidity_low_pct, 0),
        }
        for window in windows
    ]


def sentence(note: Message) -> str:
    """Return a note as a sentence of its own."""
    text = say(note)
    return f"{text[:1].upper()}{text[1:]}."


def show_source(forecast: Forecast, now: datetime) -> None:
    """Show provider, age, attribution and every note."""
    st.caption(f"{_('Source')}: {provider_words(forecast)} · {age_words(forecast, now)}")
    if forecast.attribution:
        link = LINKS.get(forecast.attribution)
        st.markdown(f"[{forecast.attribution}]({link})" if link else forecast.attribution)
    if not forecast.is_forecast:
        st.warning(sentence(forecast.notes[0]), icon=":material/cloud_off:")
    elif forecast.status == "stored":
        st.warning(sentence(forecast.notes[0]), icon=":material/history:")
    others = forecast.notes[1:] if forecast.status != "fresh" else forecast.notes
    if others:
        with st.expander(_("What was mended, estimated or went wrong")):
            st.markdown("\n".join(f"- {sentence(note)}" for note in others))


def refresh(group, now: datetime) -> Forecast:
    """Return the forecast, asked anew from the network, showing which service is being asked."""
    began = time.monotonic()
    with st.status(_("Asking the weather services ..."), expanded=True) as box:
        forecast = forecast_of(group, state.store(), now, ask_again=True, progress=lambda name: st.write(name))
        if forecast.status == "fresh":
            st.write(_("NASA POWER (usual weather of the months)"))
            # What does not come within the page's time comes beside it: twenty years by day take a minute.
            store, key = state.store(), place_of(group).key
            usual = desk().job(("normals", key), lambda _job: normals_of(group, store, now, ask=True))
            desk().job(("years", key), lambda _job: years_of(group, store, now, ask=True))
            usual.ended.wait(max(0.0, began + ANSWER_SECONDS - time.monotonic()))
        done = _("New forecast stored.") if forecast.status == "fresh" else _("No service gave a usable forecast.")
        box.update(label=done, state="complete" if forecast.status == "fresh" else "error", expanded=False)
    return forecast


def status_words(normals: Normals) -> str:
    """Return where the normals come from, in words."""
    return {
        "entered": _("entered by you"),
        "fresh": _("from the climate service"),
        "stored": _("from the climate service, stored"),
        "reference": _("assumed: estimated from towns of the region, from memory"),
        "bundled": _("invented, of the example"),
    }[normals.status]


def show_normals(group, now: datetime) -> None:
    """Show the year's normals and the form to enter one's own."""
    normals = normals_of(group, state.store(), now)
    names = month_names()
    st.caption(f"{status_words(normals)} · {_(normals.source)}")
    if normals.status == "reference":
        st.warning(
            _("These are estimated, not measured at your place. Ask for a new forecast above, or enter your own."),
            icon=":material/edit_note:",
        )
    table = normals.table
    page.chart(
        normals_figure(table, [names[int(month)] for month in table.index]),
        alt=_("Monthly temperature, relative humidity and rain through the year"),
        key="weather_normals_chart",
    )
    with st.expander(_("Enter the months by hand")):
        entry_form(group, normals, names, now)


def entry_form(group, normals: Normals, names: dict[int, str], now: datetime) -> None:
    """Show a form with a line per month, and keep what is entered."""
    table = normals.table
    with st.form("weather_normals_form"):
        st.caption(_("Means over day and night. A meteorological office or an agricultural station has them."))
        entered: dict[str, list[float]] = {name: [] for name in NORMAL_COLUMNS}
        labels = {
            "temperature_c": _("temperature (°C)"),
            "relative_humidity_pct": _("relative humidity (%)"),
            "rain_days": _("days with rain"),
            "rain_mm": _("rain (mm)"),
        }
        for month in range(1, 13):
            cells = st.columns(len(NORMAL_COLUMNS))
            for name, cell in zip(NORMAL_COLUMNS, cells, strict=True):
                value = float(table.loc[month, name]) if name in table else None
                entered[name].append(
                    cell.number_input(
                        f"{names[month]}: {labels[name]}",
                        value=value,
                        step=1.0,
                        format="%.1f",
                        key=f"weather_{group.id}_{name}_{month}",
                    )
                )
        if st.form_submit_button(_("Save these months"), key="weather_normals_save"):
            frame = pd.DataFrame(
                {name: values for name, values in entered.items() if any(value is not None for value in values)},
                index=range(1, 13),
            )
            for name in ("daily_range_c", "shortwave_w_m2", "wind_m_s"):
                if name in table and normals.status not in ("bundled", "reference"):
                    frame[name] = table[name]
            try:
                state.check(SETTINGS, group.id)
                enter_normals(frame, place_of(group), state.store().documents, now, state.who())
            except DryholdError as error:
                page.show_error(error)
            else:
                st.success(_("Saved. Outlooks beyond the forecast now use these months."))
                st.rerun()


def _show_weather(group, now: datetime) -> None:
    """Show where the weather is for, the coming days where a forecast knows them, and the usual months."""
    place = place_of(group)
    where = _("{district}: latitude {latitude}, longitude {longitude}, {altitude} m, time zone {zone}").format(
        district=group.district or group.name,
        latitude=number(place.latitude, 2),
        longitude=number(place.longitude, 2),
        altitude=number(place.altitude_m, 0),
        zone=place.time_zone,
    )
    st.caption(where)
    can_ask = session_for(group) is not None
    asked = st.button(
        _("Ask for a new forecast"),
        key="weather_refresh",
        disabled=not can_ask,
        help=None
        if can_ask
        else _("The example group's place is invented, or this computer is set to stay off the network."),
    )
    if asked:
        forecast = refresh(group, now)
    else:
        with page.busy(_("Reading the forecast ...")):
            forecast = forecast_of(group, state.store(), now)
    windows = day_windows(forecast, place)
    page.caution("advice")
    page.answer(answer(windows, forecast))
    show_source(forecast, now)
    if forecast.status != "usual":  # of the usual weather no single day is known, so that none is shown
        _show_days(windows, forecast, place.time_zone)
    with page.details(_("Usual weather of the months")):
        show_normals(group, now)


def _show_days(windows: Sequence[DayWindow], forecast: Forecast, time_zone: str) -> None:
    """Show the coming days, and the first five by the hour."""
    labels = [weekday(window) for window in windows]
    page.chart(
        days_figure(windows, labels),
        alt=_("Sunny hours and chance of rain for each coming day"),
        key="weather_days_chart",
    )
    page.table(days_table(windows), key="weather_days_table", file_name="weather_days.csv")
    with page.details(_("What the columns mean")):
        st.markdown(
            _(
                "Sunny hours: hours with at least 250 W/m² in the middle run of the forecast. Chance of "
                "rain: share of the runs with 1 mm or more that day. Likely dry: the longest time of daylight in "
                "which no hour has rain in more than a fifth of the runs. After a week, trust only the general "
                "trend."
            )
        )
    with page.details(_("The next five days by the hour")):
        page.chart(
            hours_figure(forecast, time_zone),
            alt=_("Temperature, relative humidity and chance of rain by local hour, with the spread of the runs"),
            key="weather_hours_chart",
        )


def show() -> None:
    """Show the page."""
    page.start(_("Which weather do the outlooks use, and how sure is it?"))
    group = page.stop_if_no_group()
    with page.plain_errors():
        _show_weather(group, state.now())
    page.sources(
        _("Forecast: Open-Meteo (CC BY 4.0), or MET Norway (CC BY 4.0) where that does not answer."),
        _(
            "Usual weather: your own entries, NASA POWER (public domain), or an estimate from reference towns "
            "(core/weather/reference.toml, from memory, by inverse distance)."
        ),
        _(
            "Daylight and clear sky: FAO Irrigation and Drainage Paper 56 (1998); the Astronomical Almanac; "
            "Haurwitz (1945)."
        ),
        _("Sun under cloud, where a service gives none: Kasten and Czeplak (1980)."),
        _(
            "Days beyond the forecast: rain after Geng and others (1986), day-to-day variation as in "
            "core/weather/day_to_day.toml."
        ),
    )
