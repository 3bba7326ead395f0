"""Price files as people have them, taken in through the page: every row accounted for, nothing changed without a
word.
"""

from __future__ import annotations

import io
import re
from pathlib import Path

import pandas as pd
import pytest

from tests.dashboard.forms import field
from tests.dashboard.pages import open_page

HEAD = "date,market,commodity,unit,priceflag,pricetype,currency,price\n"
TAGS = "#date,#loc+market+name,#item+name,#item+unit,#item+price+flag,#item+price+type,#currency,#value\n"


class Taken:
    """What the page shows of a file: rows read, usable and left out, the account of rows, and the prices kept."""

    def __init__(self, store, content: bytes, name: str = "prices.csv", rate: float | None = None):
        self.group = store.groups()[0]
        self.before = set(store.price_quotes(self.group.id)["id"])
        self.store = store
        self.app = open_page("price_import")
        self.app.file_uploader[0].upload(name, content, "application/octet-stream").run()
        assert not self.app.exception, self.app.exception
        found = [re.search(r"(\d+) rows read, (\d+) usable, (\d+) left out", text.value) for text in self.app.markdown]
        said = next((match for match in found if match), None)
        self.read, self.usable, self.out = (int(text) for text in said.groups()) if said else (0, 0, 0)
        frames = [table.value for table in self.app.dataframe]
        self.account = next((frame for frame in frames if list(frame.columns) == ["Line", "In use", "Source"]), None)
        for box in self.app.text_input:
            if rate is not None and str(box.key).startswith("prices_rates."):
                box.set_value(str(rate)).run()

    def told(self, words: str) -> list[str]:
        return [str(what) for what in self.account["Source"] if words in str(what)]

    def lines_out(self) -> list[int]:
        rows = self.account[(self.account["In use"] == "no") & (self.account["Line"] != "–")]
        return sorted(int(line) for line in rows["Line"])

    def keep(self) -> pd.DataFrame:
        self.app.button(key="prices_keep").click().run()
        assert not self.app.exception
        kept = self.store.price_quotes(self.group.id)
        return kept[~kept["id"].isin(self.before)]

    def errors(self) -> str:
        return " ".join(error.value for error in self.app.error)


def months(
    unit: str = "KG",
    price: str = "{p}",
    kind: str = "Wholesale",
    currency: str = "XOF",
    count: int = 12,
    market: str = "Farside",
) -> str:
    return "".join(
        f"2024-{month:02d}-15,{market},Sorghum,{unit},actual,{kind},{currency},{price.format(p=500 + month)}\n"
        for month in range(1, count + 1)
    )


def test_a_tag_row_zero_forecasts_and_two_units(empty_store):
    rows = months() + (
        "2025-01-15,Farside,Sorghum,90 KG,actual,Wholesale,XOF,45900\n2025-02-15,Farside,Sorghum,90 "
        "KG,forecast,Wholesale,XOF,0.0\n"
    )
    taken = Taken(empty_store, (HEAD + TAGS + rows).encode())
    assert (taken.read, taken.usable, taken.out) == (15, 13, 2)
    assert taken.lines_out() == [2, 16]
    assert taken.told("divided by 90")
    kept = taken.keep()
    assert kept["price_per_kg"].tolist() == [*(500.0 + m for m in range(1, 13)), 510.0]


def test_two_currencies_are_kept_apart_and_a_rate_is_asked(empty_store):
    rows = months() + months(currency="USD", price="0.3")
    taken = Taken(empty_store, (HEAD + rows).encode())
    assert (taken.read, taken.usable) == (24, 24)
    assert taken.told("different currencies")
    taken.app.multiselect(key="prices_chosen").set_value([0, 1]).run()
    assert "choose one currency" in taken.errors()
    taken.app.multiselect(key="prices_chosen").set_value([0]).run()
    assert not any(str(button.key) == "prices_keep" for button in taken.app.button)
    field(taken.app, "prices_rates", "USD").set_value("1700").run()
    assert taken.keep()["price_per_kg"].tolist() == pytest.approx([510.0] * 12)


def test_rows_that_stand_twice_in_the_file_and_in_the_records(empty_store):
    rows = months(count=6) + months(count=1) + "2024-02-15,Farside,Sorghum,KG,actual,Wholesale,XOF,999\n"
    taken = Taken(empty_store, (HEAD + rows).encode())
    assert (taken.read, taken.usable, taken.out) == (8, 7, 1)
    assert taken.lines_out() == [8]
    assert taken.told("several prices for one day")
    assert len(taken.keep()) == 7
    again = Taken(empty_store, (HEAD + months(count=8)).encode())
    assert any("6 of these prices are in the records already" in text.value for text in again.app.caption)
    assert again.keep()["price_per_kg"].tolist() == [507.0, 508.0]
    revised = Taken(empty_store, (HEAD + months(count=2, price="600")).encode())
    assert any("differ from ones kept" in box.value for box in revised.app.warning)


def test_new_money_is_told_where_the_series_is_shown(empty_store):
    rows = "".join(
        f"{2019 + month // 12}-{month % 12 + 1:02d}-15,Farside,Millet,KG,actual,Wholesale,XOF,"
        f"{(300 + 7 * (month % 5)) * (1000 if month < 30 else 1)}\n"
        for month in range(60)
    )
    taken = Taken(empty_store, (HEAD + rows).encode())
    kept = taken.keep()
    # The records keep what was written; the mending is done and told where the series is used.
    assert kept["price_per_kg"].max() > 300_000
    shown = open_page("prices")
    shown.selectbox(key="prices_crop").select("pearl_millet").run()
    assert not shown.exception
    assert any("1000 times" in text.value and "new money" in text.value for text in shown.markdown)


def test_retail_and_wholesale_stay_apart(empty_store):
    taken = Taken(empty_store, (HEAD + months() + months(kind="Retail", price="700")).encode())
    assert taken.told("different kinds of price")
    # One of the two is offered first; both only if a person chooses both.
    assert len(set(taken.keep()["price_type"])) == 1


def test_weekly_quotes_are_all_kept(empty_store):
    days = pd.date_range("2024-01-03", periods=40, freq="7D")
    rows = "".join(f"{day.date()},Farside,Sorghum,KG,actual,Wholesale,XOF,{500 + i}\n" for i, day in enumerate(days))
    assert len(Taken(empty_store, (HEAD + rows).encode()).keep()) == 40


@pytest.mark.parametrize(
    ("prices", "expected", "words"),
    [
        (["12,5", "1.250,75", "1 300,00"], [12.5, 1250.75, 1300.0], "decimal marks"),
        (["1,250", "2,300.50"], [1250.0, 2300.5], "parting thousands"),
        (["1,250", "1,300"], [1250.0, 1300.0], "parting thousands"),
        (["1.250", "2.300"], [1.25, 2.3], "look whether thousands were meant"),
        (["612.5", "613"], [612.5, 613.0], None),
    ],
)
def test_decimal_commas(empty_store, prices, expected, words):
    rows = "".join(f"2024-0{i + 1}-15;Farside;Sorghum;{price}\n" for i, price in enumerate(prices))
    taken = Taken(empty_store, ("date;market;commodity;price\n" + rows).encode("cp1252"))
    assert taken.usable == len(prices)
    assert bool(words) == bool(taken.told("are read as"))
    if words:
        assert taken.told(words)
    assert taken.keep()["price_per_kg"].tolist() == expected


@pytest.mark.parametrize(
    ("dates", "expected", "words"),
    [
        (["15/01/2024", "20/02/2024"], ["2024-01-15", "2024-02-20"], None),
        (["01/15/2024", "02/05/2024"], ["2024-01-15", "2024-02-05"], "month first"),
        (["03/04/2024", "05/04/2024"], ["2024-04-03", "2024-04-05"], "day first"),
        (["2024-01", "2024-02"], ["2024-01-15", "2024-02-15"], "15th"),
        (["Jan 2024", "15 February 2024"], ["2024-01-15", "2024-02-15"], None),
        (["20240115", "202402"], ["2024-01-15", "2024-02-15"], None),
    ],
)
def test_dates_as_people_write_them(empty_store, dates, expected, words):
    rows = "".join(f"{day},Farside,Sorghum,{600 + i}\n" for i, day in enumerate(dates))
    taken = Taken(empty_store, ("date,market,commodity,price\n" + rows).encode())
    assert taken.usable == len(dates)
    if words:
        assert taken.told(words)
    assert [str(pd.Timestamp(day).date()) for day in taken.keep()["quoted_on"]] == expected


def test_dates_that_cannot_be_are_left_out_with_their_line(empty_store):
    lines = ["2024", "31/02/2024", "soon", "", "2062-01-15", "2024-03-15"]
    rows = "".join(f"{day},Farside,Sorghum,{600 + i}\n" for i, day in enumerate(lines))
    taken = Taken(empty_store, ("date,market,commodity,price\n" + rows).encode())
    assert (taken.read, taken.usable, taken.out) == (6, 1, 5)
    assert taken.lines_out() == [2, 3, 4, 5, 6]
    assert taken.told("in the future")


def test_year_and_month_in_columns_of_their_own(empty_store):
    text = "year,month,market,crop,price\n2024,1,Farside,Sorghum,600\n2024,11,Farside,Sorghum,640\n"
    kept = Taken(empty_store, text.encode()).keep()
    assert [str(pd.Timestamp(day).date()) for day in kept["quoted_on"]] == ["2024-01-15", "2024-11-15"]


def test_prices_that_are_none(empty_store):
    values = ["-5", "0", "n/a", "", "1e400", "45/=", "600"]
    rows = "".join(f"2024-0{i + 1}-15,Farside,Sorghum,{value}\n" for i, value in enumerate(values))
    taken = Taken(empty_store, ("date,market,commodity,price\n" + rows).encode())
    assert (taken.read, taken.usable, taken.out) == (7, 2, 5)
    assert sorted(taken.keep()["price_per_kg"]) == [45.0, 600.0]  # "45/=" is how shillings are written


@pytest.mark.parametrize(
    "content", [b"", b"\n\n", HEAD.encode(), b"\x00\xff\xfe\x00", b"%PDF-1.4 nothing", b"a,b\n1,2\n"]
)
def test_a_file_without_prices_gets_a_sentence(empty_store, content):
    taken = Taken(empty_store, content)
    assert taken.errors()
    assert not any(str(button.key) == "prices_keep" for button in taken.app.button)


def test_rows_with_too_many_cells_and_empty_rows(empty_store):
    rows = "2024-01-15,Farside,Sorghum,600\n,,,\n2024-02-15,Farside,Sorghum,1,250\n2024-03-15,Farside,Sorghum\n"
    taken = Taken(empty_store, ("date,market,commodity,price\n" + rows).encode())
    assert (taken.read, taken.usable, taken.out) == (3, 1, 2)
    assert taken.lines_out() == [4, 5]
    assert taken.told("more cells than headings")


def workbook(**sheets: list[list[object]]) -> bytes:
    buffer = io.BytesIO()
    with pd.ExcelWriter(buffer) as writer:
        for name, rows in sheets.items():
            pd.DataFrame(rows).to_excel(writer, sheet_name=name, header=False, index=False)
    return buffer.getvalue()


def test_a_workbook_with_a_title_true_dates_and_a_second_sheet(empty_store):
    rows: list[list[object]] = [
        ["Prices of the district", None, None, None],
        [None, None, None, None],
        ["Date", "Market", "Crop", "Price"],
    ]
    rows += [[pd.Timestamp(2024, month, 15), "Farside", "Sorghum", 600 + month / 2] for month in range(1, 7)]
    taken = Taken(empty_store, workbook(Prices=rows, Notes=[["a", "b"]]), "prices.xlsx")
    assert (taken.usable, taken.lines_out()) == (6, [])
    assert taken.told("above the headings")
    assert taken.told("sheet 'Notes'")
    kept = taken.keep()
    assert kept["price_per_kg"].tolist() == [600 + month / 2 for month in range(1, 7)]
    assert str(pd.Timestamp(kept["quoted_on"].iloc[0]).date()) == "2024-01-15"


def test_no_workbook_in_spite_of_its_name_and_text_of_sixteen_bits(empty_store):
    assert Taken(empty_store, b"date,market\n", "prices.xlsx").errors()
    text = "date\tmarket\tcommodity\tprice\n2024-01-15\tFarside\tSorghum\t600\n"
    assert Taken(empty_store, text.encode("utf-16")).usable == 1


def test_a_real_open_file(empty_store, open_data: Path):
    taken = Taken(empty_store, (open_data / "hdx_sample.csv").read_bytes())
    # 399 lines below the heading by a text editor's count, one of them the tag row.
    assert taken.read == 399
    assert taken.usable + taken.out == 399
    assert 2 in taken.lines_out()


def test_a_corrected_mapping_of_the_same_file_does_not_keep_its_prices_twice(empty_store):
    """The first try took the region for the market: the same rows under the right name would be kept a second time."""
    head = HEAD.replace("market,", "market,region,")
    rows = months().replace("Farside,", "Farside,North,")
    first = Taken(empty_store, (head + rows).encode())
    assert len(first.keep()) == 12
    app = open_page("price_import")
    app.file_uploader[0].upload("prices.csv", (head + rows).encode(), "application/octet-stream").run()
    box = next(box for box in app.selectbox if str(box.key).endswith("_market"))
    box.set_value("region" if "region" in box.options else 2).run()
    assert not app.exception
    assert any("imported before with other values" in error.value for error in app.error)
    assert not [button for button in app.button if button.key == "prices_keep"]
    assert len(empty_store.price_quotes(empty_store.groups()[0].id)) == 12
