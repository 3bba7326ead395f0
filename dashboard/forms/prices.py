"""Forms of the prices page: a price noted by hand, and price files with an account of every row."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

import pandas as pd
import streamlit as st

from core.errors import InputError
from core.group.own_crops import crops_of_group
from core.group.records import Group, ImportRecord, PriceQuote
from core.group.selling import SplitQuotes, group_prices, split_known
from core.market.price_tables import CleanedPrices, as_stretches, clean_prices, read_price_table, taken_before
from core.market.products import suggest_commodity
from core.market.units import kilograms
from dashboard import page, state
from dashboard.forms.edits import keyed_form
from dashboard.forms.fields import Field, draw_fields
from dashboard.forms.table_import import choose_columns, choose_sheet, show_unused, take_file
from dashboard.names import crop_name
from dashboard.text import _, day, literal, money, ngettext, number, say

FILE, HAND = "prices", "price by hand"
LAST_NOTED = 8
MOST_TOLD = 2000
PRICE_TYPES = ("wholesale", "retail", "farm gate", "unknown")


def quote_form(group: Group) -> None:
    """Note a price by hand."""
    crops = {code: crop_name(code) for code in crops_of_group(state.store(), group.id)}
    own = group.currency.upper()
    known = _markets(group, next(iter(crops)))
    fields = (
        Field("on", _("Date"), "day", high=state.today(), value=state.today()),
        Field(
            "market",
            _("Market or buyer"),
            "choice",
            options={name: name for name in known},
            value=known[0] if known else None,
            required=False,
            accept_new=True,
        ),
        Field("crop", _("Crop"), "choice", options=crops, value=next(iter(crops))),
        Field(
            "kind",
            _("Kind of price"),
            "choice",
            options={kind: _(kind) for kind in PRICE_TYPES[:3]},
            value=PRICE_TYPES[0],
        ),
        Field("price", _("Price"), "number", low=0.0001),
        Field("unit", _("For how much (kg, 90 kg, pound, …)"), value="kg"),
        Field("currency", _("Currency"), value=own),
        Field(
            "rate",
            _("{own} for one of it, if it is another currency").format(own=own),
            "number",
            low=0.0001,
            required=False,
        ),
    )
    seen = state.store().version(group.id)
    keyed_form("quote", fields, lambda values, token: _note(group, values, token), seen, _("Note this price"))


def _markets(group: Group, crop: str) -> list[str]:
    """Return the names of the group's markets, first the one that the sale plan uses for a crop."""
    planned = group_prices(state.store(), group.id, crop)
    names = state.store().price_quotes(group.id)["market"].value_counts().index
    first = planned.market.market if planned is not None else ""
    return [name for name in dict.fromkeys([first, *map(str, names)]) if name]


def _note(group: Group, values: Mapping[str, Any], token: str) -> str:
    """Store a price noted by hand and return what to say; raises where its unit or currency is not known."""
    price, unit, market = values["price"], values["unit"], values["market"] or ""
    weight, currency = kilograms(unit), values["currency"].upper()
    foreign = currency != group.currency.upper()
    if weight is None:
        raise InputError("unit '{unit}' has no known weight: give the price for 1 kg", unit=unit)
    if foreign and not values["rate"]:
        raise InputError("give the rate of every foreign currency")
    rate = values["rate"] if foreign else 1.0
    worth = price / weight * rate
    quote = PriceQuote(
        group_id=group.id,
        quoted_on=values["on"],
        market=market,
        commodity=values["crop"],
        price_per_kg=worth,
        price_type=values["kind"],
        source=state.who(),
    )
    as_written = f"{price:g} {currency} / {unit}" + (f" × {rate:g}" if foreign else "")
    words = f"{day(values['on'])}, {market or '–'}, {values['crop']}, {values['kind']}: {as_written}"
    take_in(group, [quote], words, "", HAND, None, token)
    return _("Noted: {price} per kg.").format(price=money(worth, group.currency))


def column_names() -> dict[str, str]:
    """Return what each meaning of a column of a price file is called."""
    return {
        "date": _("Date"),
        "year": _("Year, where it stands apart"),
        "market": _("Market"),
        "commodity": _("Crop"),
        "price": _("Price"),
        "price_per_kg": _("Price per kg"),
        "unit": _("For how much (kg, 90 kg, pound, …)"),
        "price_type": _("Kind of price"),
        "currency": _("Currency"),
        "flag": _("Mark of forecasts and averages"),
    }


def import_form(group: Group) -> None:
    """Take in a price file: look at what was read and done, choose the series, keep them."""
    turn = st.session_state.get("prices_files", 0)
    label = _("Price file (CSV or XLSX), an open price file or a table of your own")
    given = take_file(label, f"prices_file_{turn}")
    if given is None:
        return
    content, name = given
    opened = read_price_table(content, name)
    sheet = choose_sheet(opened.table, f"prices_sheet_{turn}")
    opened = opened if sheet == opened.table.sheet else read_price_table(content, name, sheet)
    complete = {"date", "commodity"} <= set(opened.columns) and bool({"price", "price_per_kg"} & set(opened.columns))
    key = f"prices_column_{opened.file_hash[:8]}{sheet}"
    columns = choose_columns(opened.headings, column_names(), opened.columns, key, complete)
    cleaned = clean_prices(opened, group.currency, today=state.today(), columns=columns)
    out = [action for action in cleaned.actions if not action.kept]
    st.markdown(
        _("{rows} rows read, {kept} usable, {out} left out.").format(
            rows=number(cleaned.rows_read, 0), kept=number(len(cleaned.quotes), 0), out=number(len(out), 0)
        )
    )
    with st.expander(_("What was done to which row"), expanded=bool(out) and len(out) < 20):
        rows = [[action.row, action.kept, say(action.what)] for action in cleaned.actions]
        page.table(account_table(rows), key="prices_actions", file_name="price_file_account.csv")
    show_unused(cleaned.unused)
    choose_imported(group, cleaned, name, content, opened.table.sheet)


def choose_imported(group: Group, cleaned: CleanedPrices, name: str, content: bytes, sheet: str) -> None:
    """Let the reader choose the series of a file, say which crop each is, and keep them."""
    series = cleaned.series_list()
    if series.empty:
        return
    crops = choose_products(group, series)
    offered = [i for i in range(len(series)) if series["commodity"][i] in crops]
    labels = [
        f"{row.commodity} · {row.market or '–'} · {_(row.price_type)} · {row.currency} ({row.months})"
        for row in series.itertuples()
    ]
    chosen = st.multiselect(
        _("Series to keep (months with a price in brackets)"),
        offered,
        [next(i for i in offered if series["commodity"][i] == product) for product in crops],
        format_func=lambda i: labels[i],
        key="prices_chosen",
    )
    rates = ask_rates(group, sorted({str(series["currency"][i]) for i in chosen} - {group.currency}))
    twice = mixed_series(series, chosen, crops)
    if twice:
        words = "{market}: choose one currency and one product for each crop, two of one market and kind would be mixed"
        page.show_error(InputError(words, market=twice))
        return
    variety = st.text_input(
        _("Add to the market's name (to keep a second variety apart)"), key="prices_variety"
    ).strip()
    if any(not rate for rate in rates.values()):
        st.caption(_("Give the rate of every foreign currency, then the prices can be kept."))
        return
    keys = ["market", "commodity", "price_type", "currency"]
    wanted = cleaned.quotes.merge(series.loc[chosen, keys], on=keys)
    lines = [int(row) for row in wanted["row"]]
    quotes = [
        PriceQuote(
            group_id=group.id,
            quoted_on=row.date.date(),
            market=f"{row.market} {variety}".strip(),
            commodity=crops[str(row.commodity)],
            price_per_kg=row.price_per_kg * float(rates.get(str(row.currency)) or 1.0),
            price_type=row.price_type,
            source=name,
        )
        for row in wanted.itertuples()
    ]
    split = split_known(quotes, state.store().price_quotes(group.id))
    tell_known(split)
    mark = hashlib.sha256(content).hexdigest()
    earlier = [record for record in standing(group, FILE) if record.file_hash == mark]
    new = {id(quote) for quote in split.new}
    new_lines = [line for line, quote in zip(lines, quotes, strict=True) if id(quote) in new]
    # rows of this very file that were taken with other values, market, crop or day would be kept twice
    taken = [(record.summary or {}).get("lines", {}).get(sheet, []) for record in earlier]
    again = any(taken_before(stretches, new_lines) for stretches in taken)
    if again or (split.differing and earlier):
        page.show_error(
            _("This very file was imported before with other values. Cancel that import below, then import it again.")
        )
        return
    if st.button(_("Save these prices"), type="primary", key="prices_keep", disabled=not split.new):
        keep(group, list(split.new), cleaned, name, content, {sheet: as_stretches(new_lines)})


def choose_products(group: Group, series: pd.DataFrame) -> dict[str, str]:
    """Return the crop of each product of a file that is wanted."""
    products = st.multiselect(
        _("Products in the file"), sorted(series["commodity"].unique()), [series["commodity"][0]], key="prices_products"
    )
    codes = list(crops_of_group(state.store(), group.id))
    sides = st.columns(2)
    crops: dict[str, str] = {}
    for place, product in enumerate(products):
        guess = suggest_commodity(product)
        crops[product] = sides[place % 2].selectbox(
            _("{product} is this crop").format(product=literal(product)),
            codes,
            codes.index(guess) if guess in codes else 0,
            format_func=crop_name,
            key=f"prices_as_crop_{product}",
        )
    return crops


def ask_rates(group: Group, foreign: list[str]) -> dict[str, float | None]:
    """Return the rate of each foreign currency, None where it is not given."""
    fields = [
        Field(
            currency,
            _("{own} for one {other}").format(own=group.currency, other=literal(currency)),
            "number",
            low=0.0001,
            required=False,
        )
        for currency in foreign
    ]
    rates = dict(draw_fields("prices_rates", fields).values)
    if foreign:
        st.caption(_("One rate for all years changes the level, not the season."))
    return rates


def tell_known(split: SplitQuotes) -> None:
    """Say which prices of a file are kept already, and which differ from kept ones."""
    if split.known:
        st.caption(
            ngettext(
                "{n} of these prices is in the records already: it is not kept twice.",
                "{n} of these prices are in the records already: they are not kept twice.",
                len(split.known),
            ).format(n=len(split.known))
        )
    if split.differing:
        st.warning(
            ngettext(
                "{n} price differs from one kept for the same day, market and kind: the month would take the "
                "median of both. Another variety? Then add to the market's name.",
                "{n} prices differ from ones kept for the same day, market and kind: the month would take the "
                "median of both. Another variety? Then add to the market's name.",
                len(split.differing),
            ).format(n=len(split.differing))
        )


def mixed_series(series: pd.DataFrame, chosen: list[int], crops: dict[str, str]) -> str:
    """Return a market of which two series are chosen that would become one, or nothing."""
    of = [(crops[str(series["commodity"][i])], str(series["market"][i]), str(series["price_type"][i])) for i in chosen]
    return next((one[1] or "–" for one in of if of.count(one) > 1), "")


def take_in(
    group: Group,
    quotes: list[PriceQuote],
    name: str,
    file_hash: str,
    kind: str,
    summary: dict[str, Any] | None,
    token: str = "",
) -> None:
    """Store prices as one import that can be taken back."""
    from core.group.batches import ImportBatch

    record = ImportRecord(
        group_id=group.id,
        kind=kind,
        file_name=name[:300],
        file_hash=file_hash,
        imported_at=state.now(),
        who=state.who(),
        rows=len(quotes),
        summary=summary,
    )
    state.store().take_in(ImportBatch(record=record, quotes=quotes), token)


def keep(
    group: Group, quotes: list[PriceQuote], cleaned: CleanedPrices, name: str, content: bytes, lines: dict[str, Any]
) -> None:
    """Store the quotes of a file with the account of its rows and, by sheet, the stretches of rows taken."""
    account = [[action.row, action.kept, say(action.what)] for action in cleaned.actions]
    summary = {
        "rows_read": cleaned.rows_read,
        "usable": len(cleaned.quotes),
        "account": account[:MOST_TOLD],
        "lines": lines,
    }
    take_in(group, quotes, name, hashlib.sha256(content).hexdigest(), FILE, summary)
    st.session_state["prices_files"] = st.session_state.get("prices_files", 0) + 1
    st.session_state["prices_noted"] = ngettext("{n} price kept.", "{n} prices kept.", len(quotes)).format(
        n=len(quotes)
    )
    st.rerun()


def show_imports(group: Group) -> None:
    """List price files that were taken in, with the account of their rows and a way back."""
    for record in standing(group, FILE):
        left, right = st.columns([3, 1])
        left.markdown(
            _("{file}: {n} prices, imported on {date} by {who}").format(
                file=literal(record.file_name), n=record.rows, date=day(record.imported_at), who=literal(record.who)
            )
        )
        take_back(record, right)
        account = (record.summary or {}).get("account", [])
        if account and st.toggle(_("What was done to its rows"), key=f"prices_account_{record.id}"):
            page.table(account_table(account), f"prices_account_table_{record.id}", "price_file_account.csv")


def show_noted(group: Group) -> None:
    """List the last prices noted by hand, with a way back for a slip of the pen."""
    records = standing(group, HAND)[:LAST_NOTED]
    if not records:
        return
    with st.expander(_("Last prices noted by hand")):
        for record in records:
            left, right = st.columns([3, 1])
            left.markdown(f"{literal(record.file_name)} ({literal(record.who)})")
            take_back(record, right)


def standing(group: Group, kind: str) -> list[ImportRecord]:
    """Return what was taken in and not taken back, the newest first."""
    return [r for r in state.store().imports(group.id) if r.kind == kind and r.undone_at is None]


def take_back(record: ImportRecord, place: Any) -> None:
    """Offer to take an import back."""
    if place.button(_("Cancel import"), key=f"prices_undo_{record.id}"):
        state.store().undo_import(record.id, state.now())
        st.rerun()


def account_table(rows: list[list[Any]]) -> pd.DataFrame:
    """Return the account of a file's rows for people."""
    return pd.DataFrame(
        {
            _("Line"): [str(row[0]) if row[0] else "–" for row in rows],
            _("In use"): [_("yes") if row[1] else _("no") for row in rows],
            _("Source"): [str(row[2]) for row in rows],
        }
    )
