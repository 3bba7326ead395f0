"""Price records: own quotes and price files, cleaned with a list of what was done to which row.

Nothing is changed silently. A row that cannot be used stays out and says why; a price that is turned into another
unit says from what.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import date
from statistics import NormalDist

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from core.errors import ImportRefusedError, InputError, PriceDataError
from core.market.price_tables import Action, PriceTable
from core.market.units import kilograms
from core.messages import Message, message

COLUMNS = {
    "date": ("date", "day", "month", "quoted_on", "period", "mp_month", "#date", "#date+start", "#date+reported"),
    "year": ("year", "mp_year", "#date+year"),
    "market": ("market", "market_name", "#loc+market+name", "#loc+market", "place"),
    "commodity": ("commodity", "crop", "product", "commodity_name", "#item+name"),
    "unit": ("unit", "#item+unit"),
    "flag": ("priceflag", "flag", "#item+price+flag"),
    "price_type": ("pricetype", "price_type", "#item+price+type"),
    "currency": ("currency", "#currency"),
    "price": ("price", "value", "#value"),
    "price_per_kg": ("price_per_kg", "price per kg", "price/kg"),
}
NEEDED = ("date", "commodity")
SLIP = 3.0
"""A move of the monthly price by more than this factor is looked at; basis: practice (83 such moves in 122,827 of open files)."""
SLIP_FACTORS = (10.0, 100.0, 1000.0, 1e4, 1e5, 1e6, 45.0, 46.0, 50.0, 90.0)
SLIP_TOLERANCE = 0.30
CLEAN_COLUMNS = ["row", "date", "market", "commodity", "price_type", "currency", "unit", "price_per_kg"]


@dataclass(frozen=True)
class CleanedPrices:
    """A price file's usable rows and what was done.

    Attributes
    ----------
    quotes : DataFrame
        Columns row, date, market, commodity, price_type ("retail", "wholesale", "farm gate" or "unknown"), currency,
        unit,
        price_per_kg [money/kg].
    actions : tuple of Action
    rows_read : int
        Rows of the file without its heading.
    """

    quotes: pd.DataFrame
    actions: tuple[Action, ...]
    rows_read: int

    def series_list(self) -> pd.DataFrame:
        """Return one row for each series (market, commodity, price type, currency) with its months, first and last date."""
        if self.quotes.empty:
            return pd.DataFrame(columns=["market", "commodity", "price_type", "currency", "months", "first", "last"])
        keys = ["market", "commodity", "price_type", "currency"]
        grouped = self.quotes.assign(month=self.quotes["date"].dt.to_period("M")).groupby(keys, dropna=False)
        table = grouped.agg(months=("month", "nunique"), first=("date", "min"), last=("date", "max")).reset_index()
        return table.sort_values("months", ascending=False, kind="stable").reset_index(drop=True)


def is_heading(cell: str) -> bool:
    """Return whether a cell is a heading or a tag that a price table is known by."""
    mark = _mark(cell)
    return any(mark in spellings for spellings in COLUMNS.values())


def _mark(cell: object) -> str:
    """Return a heading as it is compared: small letters, no blanks within tags."""
    text = str(cell).strip().lower()
    return text.replace(" ", "") if text.startswith("#") else text


def clean_prices(
    table: PriceTable, currency: str, default_unit: str = "KG", today: date | None = None
) -> CleanedPrices:
    """Turn a price table into prices per kg, keeping account of every row.

    Parameters
    ----------
    table : PriceTable
        From `read_price_table`.
    currency : str
        Taken where the table names none.
    default_unit : str
        Taken where the table names none.
    today : date, optional
        Later prices cannot have been seen and stay out.

    Returns
    -------
    CleanedPrices

    Raises
    ------
    ImportRefusedError
        No date, commodity or price column.
    """
    actions: list[Action] = list(table.actions)
    cells = table.cells
    names = _find_columns(cells)
    # The tag row of the humanitarian exchange language stands below the heading.
    texts = cells.drop(columns="row")
    filled = texts.apply(lambda column: column.str.len() > 0).sum(axis=1)
    tags = texts.apply(lambda column: column.str.startswith("#")).sum(axis=1) > 0.5 * filled.clip(lower=1)
    for row in cells.loc[tags, "row"]:
        actions.append(Action(int(row), False, message("tag row of the file, no price")))
    cells = cells.loc[~tags]

    out = pd.DataFrame({"row": cells["row"].astype(int)})
    for name in ("market", "commodity", "flag", "price_type", "currency", "unit"):
        out[name] = cells[names[name]].astype(str).str.strip() if name in names else ""
    per_kg = "price" not in names
    dates, date_words = read_dates(cells[names["date"]], cells[names["year"]] if "year" in names else None)
    prices, number_words = read_numbers(cells[names["price_per_kg" if per_kg else "price"]])
    actions += [Action(None, True, words) for words in (*date_words, *number_words)]
    out["date"], out["price"] = dates, prices
    out["written"] = cells[names["date"]]
    out["price_written"] = cells[names["price_per_kg" if per_kg else "price"]]
    out["price_type"] = out["price_type"].str.lower().map(_price_type)

    def leave_out(mask: pd.Series, template: str, **columns: str) -> None:
        nonlocal out
        chosen = out[mask]
        told = {key: chosen[column].astype(str).tolist() for key, column in columns.items()}
        for place, row in enumerate(chosen["row"].tolist()):
            values = {key: texts[place] for key, texts in told.items()}
            actions.append(Action(int(row), False, Message(template, values)))
        out = out.loc[~mask]

    leave_out(out["flag"].str.lower().str.contains("forecast"), "a forecast, not a price that was seen: left out")
    leave_out(out["date"].isna(), "date '{written}' not understood: left out", written="written")
    if today is not None:
        late = out["date"] > pd.Timestamp(today)
        leave_out(late, "date {written} lies in the future: left out", written="written")
    leave_out(out["commodity"].eq(""), "no commodity: left out")
    leave_out(
        out["price"].isna() | np.isinf(out["price"]),
        "price '{price}' is missing or no number: left out",
        price="price_written",
    )
    leave_out(out["price"] <= 0, "price {price} is not above zero: left out", price="price_written")
    sums = int(out["flag"].str.lower().str.contains("aggregate").sum())
    if sums:
        actions.append(
            Action(None, True, message("{count} rows are averages of several prices: used as they are", count=sums))
        )

    for name, default, reason in (
        ("currency", currency, "no currency given: taken as {value}"),
        ("unit", default_unit, "no unit given: taken as {value}"),
    ):
        blank = out[name].eq("")
        if blank.any() and not (name == "unit" and per_kg):
            actions.append(
                Action(None, True, message("{count} rows: " + reason, count=int(blank.sum()), value=default))
            )
        out = out.assign(**{name: out[name].where(~blank, default)})
    out["currency"] = out["currency"].str.upper()

    if per_kg:
        out["price_per_kg"] = out["price"].astype(float)
    else:
        weights = {unit: kilograms(unit) for unit in out["unit"].unique()}
        out["kg"] = out["unit"].map(lambda unit: weights[unit]).astype(float)
        leave_out(out["kg"].isna(), "unit '{unit}' has no known weight: left out", unit="unit")
        out["price_per_kg"] = out["price"] / out["kg"]
        for unit, weight in weights.items():
            count = int(out["unit"].eq(unit).sum())
            if weight is not None and weight != 1 and count:
                template = "{count} rows priced per {unit}: divided by {weight:g} to give the price per kg"
                actions.append(Action(None, True, message(template, count=count, unit=unit, weight=weight)))

    keys = ["date", "market", "commodity", "price_type", "currency", "unit"]
    leave_out(out.duplicated([*keys, "price"]), "the same price stands in an earlier row: left out")
    differing = int(out.duplicated(keys, keep=False).sum())
    if differing:
        words = message(
            "{count} rows give several prices for one day and market: all are kept, the month takes their median",
            count=differing,
        )
        actions.append(Action(None, True, words))
    _tell_mixtures(out, actions)
    quotes = out[CLEAN_COLUMNS].sort_values(["market", "commodity", "date"], kind="stable").reset_index(drop=True)
    ordered = tuple(sorted(actions, key=lambda action: action.row or 0))
    return CleanedPrices(quotes, ordered, table.rows_read)


def _find_columns(cells: pd.DataFrame) -> dict[str, str]:
    """Return our name -> the table's column, by heading or by the tag beneath it."""
    found: dict[str, str] = {}
    first = cells.iloc[0] if len(cells) else None
    for column in cells.columns:
        if column == "row":
            continue
        marks = {_mark(column)} if first is None else {_mark(column), _mark(first[column])}
        for name, spellings in COLUMNS.items():
            if name not in found and marks & set(spellings):
                found[name] = column
                break
    missing = [name for name in NEEDED if name not in found]
    if "price" not in found and "price_per_kg" not in found:
        missing.append("price")
    if missing:
        raise ImportRefusedError("the table has no column for: {names}", names=", ".join(missing))
    return found


MONTH_ONLY = (r"\d{4}[-/.]\d{1,2}", r"\d{1,2}[-/.]\d{4}")
DAY_FIRST, MONTH_FIRST = "%d/%m/%Y", "%m/%d/%Y"
WORD_FORMATS = ("%d %b %Y", "%d %B %Y", "%b %Y", "%B %Y", "%b %d %Y", "%B %d %Y", "%d-%b-%y", "%b-%y")


def read_dates(column: pd.Series, years: pd.Series | None = None) -> tuple[pd.Series, list[Message]]:
    """Read dates as they are written, saying how those were read that could be read in two ways.

    Parameters
    ----------
    column : Series of str
        Year first (2022-01-15, 2022/01, 202201), day or month first (15/01/2022), or with the month's English name. A
        year alone is no date.
    years : Series of str, optional
        Where the table keeps year and month apart: ``column`` then holds the month.

    Returns
    -------
    Series of datetime, list of Message
        A month without a day becomes its 15th.
    """
    text = column.astype(str).str.strip()
    words: list[Message] = []
    if years is not None and text.str.fullmatch(r"\d{1,2}").mean() > 0.5:
        text = years.astype(str).str.strip() + "-" + text.str.zfill(2)
    dates = pd.Series(pd.NaT, index=column.index, dtype="datetime64[ns]")

    def take(mask: pd.Series, wanted: str, given: pd.Series) -> None:
        if mask.any():
            dates[mask] = pd.to_datetime(given[mask], errors="coerce", format=wanted).astype("datetime64[ns]")

    whole = text.str.fullmatch(r"\d{4}-\d{1,2}-\d{1,2}([T ].*)?")
    if whole.any():
        dates[whole] = pd.to_datetime(text[whole].str.slice(0, 10), errors="coerce", format="%Y-%m-%d").astype(
            "datetime64[ns]"
        )
    take(text.str.fullmatch(r"\d{4}[/.]\d{1,2}[/.]\d{1,2}"), "%Y-%m-%d", text.str.replace(r"[/.]", "-", regex=True))
    months = text.str.fullmatch(r"\d{4}[-/.]\d{1,2}")
    take(months, "%Y-%m-%d", text.str.replace(r"[/.]", "-", regex=True) + "-15")
    turned = text.str.extract(r"^(\d{1,2})[-/.](\d{4})$")
    take(turned[0].notna(), "%Y-%m-%d", turned[1].fillna("") + "-" + turned[0].fillna("") + "-15")
    take(text.str.fullmatch(r"(19|20)\d{2}(0[1-9]|1[0-2])"), "%Y%m%d", text + "15")
    take(text.str.fullmatch(r"(19|20)\d{6}"), "%Y%m%d", text)
    if (months | turned[0].notna()).any():
        words.append(message("months without a day are taken as their 15th"))
    slashed = text.str.fullmatch(r"\d{1,2}[-/.]\d{1,2}[-/.]\d{4}")
    if slashed.any():
        given = text[slashed].str.replace(r"[-.]", "/", regex=True)
        day_first = pd.to_datetime(given, errors="coerce", format=DAY_FIRST)
        month_first = pd.to_datetime(given, errors="coerce", format=MONTH_FIRST)
        american = bool(month_first.notna().sum() > day_first.notna().sum())
        chosen = month_first if american else day_first
        dates[slashed] = chosen.astype("datetime64[ns]")
        both = bool((day_first.notna() & month_first.notna()).any())
        if both:
            template = "dates such as {example} are read with the {first} first"
            sample = str(text[slashed][day_first.notna() & month_first.notna()].iloc[0])
            words.append(message(template, example=sample, first=message("month") if american else message("day")))
    left = dates.isna() & text.str.contains(r"[A-Za-z]{3}")
    for form in WORD_FORMATS:
        if not left.any():
            break
        given = text[left].str.replace(",", "", regex=False)
        read = pd.to_datetime(given, errors="coerce", format=form).astype("datetime64[ns]")
        if "%d" not in form:
            read = read + pd.Timedelta(days=14)
        dates[left] = read
        left = left & dates.isna()
    return dates, words


def read_numbers(column: pd.Series) -> tuple[pd.Series, list[Message]]:
    """Read numbers with points or commas, saying how marks were read that could be read in two ways.

    The column decides as a whole: a comma with other than three digits behind it, or points before a comma, make
    every comma of the
    column a decimal one; otherwise commas part thousands.

    Parameters
    ----------
    column : Series of str

    Returns
    -------
    Series of float, list of Message
    """
    text = column.astype(str).str.replace(r"[\s\u00a0\u202f'’]", "", regex=True)
    comma = text.str.contains(",", regex=False)
    decimal_comma = text.str.fullmatch(r"-?\d*,(\d{1,2}|\d{4,})") | text.str.fullmatch(r"-?\d{1,3}(\.\d{3})+,\d+")
    decimal_point = text.str.fullmatch(r"-?\d{1,3}(,\d{3})*\.\d+") & comma
    three = text.str.fullmatch(r"-?\d{1,3}(\.\d{3})+")
    points = text.str.fullmatch(r"-?\d*\.\d+")
    words: list[Message] = []
    if decimal_comma.any() and not decimal_point.any():
        words.append(
            message("commas are read as decimal marks, as in {example}", example=str(column[decimal_comma].iloc[0]))
        )
        parted = text.where(~(comma | three), text.str.replace(".", "", regex=False))
        # Where points are decimal marks too, nobody knows what 1.250 means: such a row stays out.
        unclear = three & bool((points & ~three).any())
        text = parted.str.replace(",", ".", regex=False).mask(unclear, "")
    elif comma.any():
        words.append(
            message("commas are read as parting thousands, as in {example}", example=str(column[comma].iloc[0]))
        )
        whole = text.str.fullmatch(r"-?\d{1,3}(,\d{3})+(\.\d+)?")
        text = text.where(~whole, text.str.replace(",", "", regex=False))
    elif points.any() and bool(three[points].all()):
        words.append(
            message(
                "points are read as decimal marks, as in {example}: look whether thousands were meant",
                example=str(column[points].iloc[0]),
            )
        )
    return pd.to_numeric(text, errors="coerce").astype(float), words


def _price_type(text: str) -> str:
    for word, kind in (
        ("retail", "retail"),
        ("wholesale", "wholesale"),
        ("farm", "farm gate"),
        ("producer", "farm gate"),
    ):
        if word in text:
            return kind
    return "unknown"


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


@dataclass(frozen=True)
class MonthlyPrices:
    """One series by month and what was done to it.

    Attributes
    ----------
    prices : Series
        Price [money/kg], monthly PeriodIndex; months without quotes are absent.
    quotes_per_month : Series
    actions : tuple of Action
    """

    prices: pd.Series
    quotes_per_month: pd.Series
    actions: tuple[Action, ...]


def monthly_prices(quotes: pd.DataFrame, price_type: str | None = None, currency: str | None = None) -> MonthlyPrices:
    """Bring the quotes of one market and commodity to one price a month.

    Parameters
    ----------
    quotes : DataFrame
        Columns date (or quoted_on) and price_per_kg; price_type and currency where known.
    price_type, currency : str, optional
        Which to take where there are several; default the one with the most months. The others stay out and that is
        said.

    Returns
    -------
    MonthlyPrices
        Medians of the months; slips of units and new money mended, each with an action.
    """
    if quotes.empty:
        raise PriceDataError("there are no prices yet")
    table = quotes.rename(columns={"quoted_on": "date"}).copy()
    table["month"] = pd.to_datetime(table["date"]).dt.to_period("M")
    actions: list[Action] = []
    for name, wanted in (("price_type", price_type), ("currency", currency)):
        if name not in table:
            continue
        months = table.groupby(name)["month"].nunique().sort_values(ascending=False, kind="stable")
        chosen = wanted if wanted is not None else str(months.index[0])
        if chosen not in months.index:
            raise InputError("there are no prices of the kind '{kind}'", kind=chosen)
        for other in months.index[months.index != chosen]:
            count = int(table[name].eq(other).sum())
            template = "{count} quotes ({other}) are not mixed with the {chosen} ones: left out"
            actions.append(Action(None, False, message(template, count=count, other=other, chosen=chosen)))
        table = table[table[name] == chosen]
    grouped = table.groupby("month")["price_per_kg"]
    prices = grouped.median().astype(float)
    counts = grouped.size()
    several = int((counts > 1).sum())
    if several:
        actions.append(
            Action(None, True, message("{count} months with several quotes: their median is used", count=several))
        )
    mended, more = mend_slips(prices)
    return MonthlyPrices(mended.rename("price_per_kg"), counts, tuple(actions + more))


def mend_slips(prices: pd.Series) -> tuple[pd.Series, list[Action]]:
    """Mend slips of units and new money in a monthly series, telling each.

    A move by more than three times that goes back within three months is a slip: those months stay out. One that
    lasts and is
    close to a power of ten or to a bag's weight is new money or a new unit: earlier prices are brought to the new
    one. Any other is
    left as it is; the curve lets its level free there.

    Parameters
    ----------
    prices : Series
        Price [money/kg], monthly PeriodIndex.

    Returns
    -------
    Series, list of Action
    """
    series = prices.sort_index().astype(float).copy()
    actions: list[Action] = []
    at = 1
    while at < len(series):
        before, after = float(series.iloc[at - 1]), float(series.iloc[at])
        ratio = after / before
        if max(ratio, 1 / ratio) <= SLIP:
            at += 1
            continue
        back = next(
            (
                k
                for k in range(at + 1, min(at + 4, len(series)))
                if max(series.iloc[k] / before, before / series.iloc[k]) < 1.8
            ),
            None,
        )
        if back is not None:
            for month in series.index[at:back]:
                words = message(
                    "{month}: {price:.4g} is {times:.3g} times the months around it, and goes back: left out",
                    month=str(month),
                    price=float(series[month]),
                    times=float(series[month]) / before,
                )
                actions.append(Action(None, False, words))
            series = series.drop(series.index[at:back])
            continue
        size = max(ratio, 1 / ratio)
        near = [factor for factor in SLIP_FACTORS if abs(np.log(size / factor)) < SLIP_TOLERANCE]
        if near:
            factor = min(near, key=lambda value: abs(np.log(size / value)))
            scale = factor if ratio > 1 else 1 / factor
            series.iloc[:at] *= scale
            words = message(
                (
                    "from {month} on prices are about {factor:g} times {way}, for good: taken as a new unit or new "
                    "money, earlier prices brought to it"
                ),
                month=str(series.index[at]),
                factor=factor,
                way=message("higher") if ratio > 1 else message("lower"),
            )
            actions.append(Action(None, True, words))
        else:
            words = message(
                "{month}: the price moves from {before:.4g} to {after:.4g} and stays: left as it is, look at it",
                month=str(series.index[at]),
                before=before,
                after=after,
            )
            actions.append(Action(None, True, words))
        at += 1
    return series, actions


@dataclass(frozen=True)
class Basis:
    """How a place's own price stands to a reference market's.

    Attributes
    ----------
    factor : float
        Own price as a multiple of the reference's.
    log_sd : float
        Standard deviation of the logarithm of the next own price against it: how well the factor is known, and how
        single prices scatter.
    quotes : int
        Months with both prices that it was learnt from.
    factor_log_sd : float
        Standard deviation of the factor's logarithm alone.
    """

    factor: float
    log_sd: float
    quotes: int
    factor_log_sd: float = 0.0

    def interval(self, share: float = 0.8) -> tuple[float, float]:
        """Return between what multiples of the reference the next own price lies with a chance."""
        reach = NormalDist().inv_cdf((1 + share) / 2) * self.log_sd
        return self.factor * math.exp(-reach), self.factor * math.exp(reach)

    def own_paths(
        self, reference_paths: NDArray[np.float64], seed: int, own_today: float | None = None
    ) -> NDArray[np.float64]:
        """Return paths of the own price from paths of the reference market's.

        Parameters
        ----------
        reference_paths : ndarray, shape (count, months + 1)
            Column 0 is today [money/kg].
        seed : int
        own_today : float, optional
            Own price seen today [money/kg]: paths start from it and move as the reference does. Without it they start
            about factor x
            reference.

        Returns
        -------
        ndarray of the same shape
            The scatter of single months is drawn for each month, the doubt about the factor once for each path.
        """
        rng = np.random.default_rng([seed, 31])
        count, width = reference_paths.shape
        scatter = math.sqrt(max(self.log_sd**2 - self.factor_log_sd**2, 0.0))
        wobble = scatter * rng.standard_normal((count, width))
        if own_today is None:
            doubt = self.factor_log_sd * rng.standard_normal((count, 1))
            return np.asarray(reference_paths * self.factor * np.exp(doubt + wobble))
        wobble[:, 0] = 0.0
        return np.asarray(reference_paths / reference_paths[:, :1] * own_today * np.exp(wobble))


def learn_basis(
    own: pd.Series,
    reference: pd.Series,
    prior_log_sd: float = 0.2,
    quote_log_sd: float = 0.1,
    prior_factor: float = 1.0,
) -> Basis:
    """Learn how own prices stand to a reference market, shrunk to what is usual while they are few.

    Normal mean with a normal prior (Gelman et al. 2013, Bayesian Data Analysis, section 2.5), in log price.

    Parameters
    ----------
    own, reference : Series
        Price [money/kg], monthly PeriodIndex.
    prior_log_sd, quote_log_sd : float
        How far places differ in general, and how one quote scatters; basis: judgement.
    prior_factor : float
        Own price as a multiple of the reference's where nothing is known; default the same price.

    Returns
    -------
    Basis
    """
    both = own.index.intersection(reference.index)
    usual = math.log(prior_factor)
    difference = np.log(own.loc[both].to_numpy(dtype=float) / reference.loc[both].to_numpy(dtype=float)) - usual
    count = len(difference)
    scatter = max(float(np.std(difference, ddof=1)), 0.02) if count >= 6 else quote_log_sd
    precision = prior_log_sd**-2 + count / scatter**2
    mean = float(difference.sum() / scatter**2 / precision) if count else 0.0
    return Basis(math.exp(usual + mean), math.sqrt(1 / precision + scatter**2), count, math.sqrt(1 / precision))


COMMODITY_WORDS = (
    (r"maize|corn\b|ma[iï]z|ma[iï]s", "maize"),
    (r"paddy", "paddy"),
    (r"rice|riz|arroz", "paddy"),
    (r"sorghum|sorgho|sorgo", "sorghum"),
    (r"millet", "pearl_millet"),
    (r"wheat|bl[eé]\b|trigo", "wheat"),
    (r"soy", "soybean"),
    (r"cowpea|ni[eé]b[eé]", "cowpea"),
    (r"chickpea|gram\b", "chickpea"),
    (r"bean|haricot|frijol", "common_bean"),
    (r"groundnut.*(shell|pod)", "groundnut_pod"),
    (r"groundnut|peanut|arachide", "groundnut_kernel"),
    (r"sesame", "sesame"),
    (r"sunflower", "sunflower"),
    (r"barley|orge", "barley"),
    (r"coffee|caf[eé]", "coffee_parchment"),
    (r"cocoa|cacao", "cocoa"),
)


def suggest_commodity(name: str) -> str | None:
    """Return the commodity code that a price file's product name seems to mean, or None.

    Flour and meal are other goods.
    """
    text = name.lower()
    if re.search(r"meal|flour|oil|bread|farine|harina|gari", text):
        return None
    return next((code for pattern, code in COMMODITY_WORDS if re.search(pattern, text)), None)
