"""Price files, cleaned with a list of what was done to which row.

Nothing is changed or dropped silently: a row that cannot be used stays out and says why; a price that is turned into
another unit says from what; lines above the heading, further sheets and unused columns are told.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files

import pandas as pd

from core.accounts.typed import MOST_AMOUNT
from core.errors import ImportRefusedError
from core.market.units import kilograms
from core.messages import Figure, Message, message
from core.tables.numbers import number_or_none
from core.tables.reading import Column, OpenedTable, ReadTable, open_table, read_rows
from core.tables.words import WordList, word_list

PRICE_COLUMNS = (
    Column(name="date", kind="month", required=True),
    Column(name="year", kind="whole", low=1900, high=2200),
    Column(name="market"),
    Column(name="commodity"),
    Column(name="unit"),
    Column(name="flag"),
    Column(name="price_type"),
    Column(name="currency", longest=12),
    Column(name="price", kind="money", unclear="point", high=MOST_AMOUNT),
    Column(name="price_per_kg", kind="money", unclear="point", high=MOST_AMOUNT),
)
MONTH_NUMBER = Column(name="date", kind="whole", low=1, high=12, required=True)
NEEDED = ("date", "commodity")
PRICE_TYPES = (("retail", "retail"), ("wholesale", "wholesale"), ("farm", "farm gate"), ("producer", "farm gate"))
CLEAN_COLUMNS = ["row", "date", "market", "commodity", "price_type", "currency", "unit", "price_per_kg"]


@cache
def price_words() -> WordList:
    """Return the words and tags that head the columns of a price table."""
    return word_list((files("core.market") / "headings.toml").read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Action:
    """What was done to one row, or to one month of a series.

    Attributes
    ----------
    row : int or None
        Line of the file; None for something that concerns no single row.
    """

    row: int | None
    kept: bool
    what: Message


@dataclass(frozen=True)
class CleanedPrices:
    """A price file's usable rows and what was done.

    Attributes
    ----------
    quotes : DataFrame
        Columns row, date, market, commodity, price_type ("retail", "wholesale", "farm gate" or "unknown"), currency,
        unit, price_per_kg [money/kg].
    rows_read : int
        Rows of the file without its heading.
    unused : tuple of str
        Headings of columns that hold something and are not used.
    """

    quotes: pd.DataFrame
    actions: tuple[Action, ...]
    rows_read: int
    unused: tuple[str, ...] = ()

    def series_list(self) -> pd.DataFrame:
        """Return one row for each series (market, commodity, price type, currency): months, first and last date."""
        if self.quotes.empty:
            return pd.DataFrame(columns=["market", "commodity", "price_type", "currency", "months", "first", "last"])
        keys = ["market", "commodity", "price_type", "currency"]
        grouped = self.quotes.assign(month=self.quotes["date"].dt.to_period("M")).groupby(keys, dropna=False)
        table = grouped.agg(months=("month", "nunique"), first=("date", "min"), last=("date", "max")).reset_index()
        return table.sort_values("months", ascending=False, kind="stable").reset_index(drop=True)


def as_stretches(rows: Iterable[int]) -> list[list[int]]:
    """Return row numbers as stretches from the first to the last, in order."""
    found: list[list[int]] = []
    for row in sorted(set(rows)):
        if found and row == found[-1][1] + 1:
            found[-1][1] = row
        else:
            found.append([row, row])
    return found


def taken_before(stretches: Iterable[Sequence[int]], rows: Iterable[int]) -> bool:
    """Return whether one of the rows lies in stretches that an earlier import took."""
    known = [(first, last) for first, last in stretches]
    return any(first <= row <= last for row in rows for first, last in known)


def read_price_table(content: bytes, file_name: str, sheet: str = "") -> OpenedTable:
    """Return a price file's cells, its headings, and a guess of what each column means."""
    return open_table(content, file_name, PRICE_COLUMNS, price_words(), sheet)


def clean_prices(
    opened: OpenedTable, currency: str, today: date | None = None, columns: Mapping[str, int] | None = None
) -> CleanedPrices:
    """Turn a price table into prices per kg, keeping account of every row.

    Parameters
    ----------
    currency : str
        Taken where the table names none; its unit is then the kilogram.
    today : date, optional
        Later prices cannot have been seen and stay out.
    columns : Mapping of str to int, optional
        Position of the column of each meaning; default the guess.
    """
    columns = opened.columns if columns is None else columns
    missing = [name for name in NEEDED if name not in columns]
    if "price" not in columns and "price_per_kg" not in columns:
        missing.append("price")
    if missing:
        raise ImportRefusedError("the table has no column for: {names}", names=", ".join(missing))
    months = "year" in columns and _are_months(opened, columns)
    wanted = tuple(MONTH_NUMBER if months and column.name == "date" else column for column in PRICE_COLUMNS)
    table = read_rows(opened, wanted, columns)
    actions = _account(opened, table)
    left = _Left(_frame(table, months), actions)
    left.out(left.rows["flag"].str.lower().str.contains("forecast"), "a forecast, not a price that was seen: left out")
    if today is not None:
        left.out(left.rows["date"] > pd.Timestamp(today), "date {written} lies in the future: left out", written="date")
    left.out(left.rows["commodity"].eq(""), "no commodity: left out")
    left.out(left.rows["price"].isna(), "the price is missing: left out")
    left.out(left.rows["price"] <= 0, "price {price} is not above zero: left out", price="price")
    sums = int(left.rows["flag"].str.lower().str.contains("aggregate").sum())
    if sums:
        actions.append(
            Action(None, True, message("{count} rows are averages of several prices: used as is", count=sums))
        )
    per_kg = "price" not in columns
    _fill_in(left, currency, per_kg)
    _bring_to_kg(left, per_kg)
    keys = ["date", "market", "commodity", "price_type", "currency", "unit"]
    left.out(left.rows.duplicated([*keys, "price"]), "the same price stands in an earlier row: left out")
    differing = int(left.rows.duplicated(keys, keep=False).sum())
    if differing:
        words = "{count} rows give several prices for one day and market: all are kept, the month takes their median"
        actions.append(Action(None, True, message(words, count=differing)))
    _tell_mixtures(left.rows, actions)
    quotes = left.rows[CLEAN_COLUMNS].sort_values(["market", "commodity", "date"], kind="stable").reset_index(drop=True)
    ordered = tuple(sorted(actions, key=lambda action: action.row or 0))
    return CleanedPrices(quotes, ordered, len(opened.body), table.unused)


def _are_months(opened: OpenedTable, columns: Mapping[str, int]) -> bool:
    """Return whether the date's column holds the numbers of months, beside a column of years."""
    values = [number_or_none(cell) for cell in opened.cells("date", columns)]
    return 2 * sum(value is not None and 1 <= value <= 12 for value in values) > len(values)


def _account(opened: OpenedTable, table: ReadTable) -> list[Action]:
    """Return what was done to the rows of a file while it was read."""
    actions = [Action(None, False, note) for note in opened.notes if "{chosen}" in note.template]
    if opened.headings.above:
        words = "{count} lines above the headings of line {line} are no prices"
        line = opened.table.numbers[opened.headings.first_row - 1]
        actions.append(Action(None, True, message(words, count=opened.headings.above, line=line)))
    for position in opened.headings.skipped:
        actions.append(Action(opened.table.numbers[position], False, message("tag row of the file, no price")))
    actions += [Action(None, True, note) for note in table.notes]
    actions += [Action(row, False, why) for row, why in table.skipped]
    for row in table.refused:
        values = {"column": row.column, "value": row.value, "reason": row.reason}
        actions.append(Action(row.number, False, Message("{column} '{value}': {reason}: left out", values)))
    if table.unused:
        actions.append(Action(None, True, message("columns that are not used: {names}", names=", ".join(table.unused))))
    return actions


def _frame(table: ReadTable, months: bool) -> pd.DataFrame:
    """Return the rows that were read, empty text for what a file does not have."""
    rows = []
    for row in table.rows:
        values = row.values
        day = date(values["year"], values["date"], 15) if months and values.get("year") else None
        price = values.get("price", values.get("price_per_kg"))
        texts = {
            name: values.get(name) or "" for name in ("market", "commodity", "flag", "price_type", "currency", "unit")
        }
        rows.append({"row": row.number, **texts, "date": day if months else values["date"][0], "price": price})
    names = ["row", "market", "commodity", "flag", "price_type", "currency", "unit", "date", "price"]
    frame = pd.DataFrame(rows, columns=names)
    frame["date"] = pd.to_datetime(frame["date"])
    frame["price"] = frame["price"].astype(float)
    frame[names[1:7]] = frame[names[1:7]].astype(str)
    frame["price_type"] = [_price_type(text.lower()) for text in frame["price_type"]]
    return frame


class _Left:
    """Rows that are still in use; what is left out goes into the account."""

    def __init__(self, rows: pd.DataFrame, actions: list[Action]) -> None:
        self.rows, self.actions = rows, actions

    def out(self, mask: pd.Series, template: str, **columns: str) -> None:
        """Leave rows out and say why."""
        chosen = self.rows[mask]
        told = {key: [_written(value) for value in chosen[column]] for key, column in columns.items()}
        for place, row in enumerate(chosen["row"].tolist()):
            values = {key: texts[place] for key, texts in told.items()}
            self.actions.append(Action(int(row), False, Message(template, values)))
        self.rows = self.rows.loc[~mask]


def _written(value: object) -> object:
    if isinstance(value, pd.Timestamp):
        return value.date()
    return Figure(value, "g") if isinstance(value, float) else str(value)


def _fill_in(left: _Left, currency: str, per_kg: bool) -> None:
    """Put in currency and unit where the table names none, and say so."""
    for name, default, reason in (
        ("currency", currency, "{count} rows: no currency given: taken as {value}"),
        ("unit", "KG", "{count} rows: no unit given: taken as {value}"),
    ):
        blank = left.rows[name].eq("")
        if blank.any() and not (name == "unit" and per_kg):
            left.actions.append(Action(None, True, message(reason, count=int(blank.sum()), value=default)))
        left.rows = left.rows.assign(**{name: left.rows[name].where(~blank, default)})
    left.rows["currency"] = left.rows["currency"].str.upper()


def _bring_to_kg(left: _Left, per_kg: bool) -> None:
    """Divide each price by the kilograms of its unit, and say so."""
    if per_kg:
        left.rows = left.rows.assign(price_per_kg=left.rows["price"].astype(float))
        return
    weights = {unit: kilograms(unit) for unit in left.rows["unit"].unique()}
    left.rows = left.rows.assign(kg=left.rows["unit"].map(lambda unit: weights[unit]).astype(float))
    left.out(left.rows["kg"].isna(), "unit '{unit}' has no known weight: left out", unit="unit")
    left.rows = left.rows.assign(price_per_kg=left.rows["price"] / left.rows["kg"])
    for unit, weight in weights.items():
        count = int(left.rows["unit"].eq(unit).sum())
        if weight is not None and weight != 1 and count:
            template = "{count} rows priced per {unit}: divided by {weight:g} to give the price per kg"
            left.actions.append(Action(None, True, message(template, count=count, unit=unit, weight=weight)))


def _price_type(text: str) -> str:
    return next((kind for word, kind in PRICE_TYPES if word in text), "unknown")


def _tell_mixtures(out: pd.DataFrame, actions: list[Action]) -> None:
    """Say where one market and commodity is priced in more than one way: those series are kept apart."""
    for (market, commodity), rows in out.groupby(["market", "commodity"]):
        for name, words in (("price_type", "kinds of price"), ("currency", "currencies")):
            kinds = sorted(rows[name].unique())
            if len(kinds) > 1:
                template = "{commodity} in {market}: {kinds} are kept apart, as different " + words
                actions.append(
                    Action(
                        None, True, message(template, commodity=commodity, market=market or "–", kinds=", ".join(kinds))
                    )
                )
