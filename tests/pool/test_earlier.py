"""Earlier deliveries and payments from tables: every language's headings, bad rows named, all or nothing, taken
back whole.

The tables are written by hand for these tests; what each cell must become is worked out beside it.
"""

from __future__ import annotations

import io
from datetime import UTC, date, datetime
from decimal import Decimal as D

import pytest

from core.accounts.book import Book
from core.errors import AlreadySavedError, ImportRefusedError, InputError
from core.group.records import Group, Member
from core.pool.book import imports, season_of, take_back, undo_import, write_entries
from core.pool.earlier import EarlierOptions, open_earlier, preview_earlier, take_in
from core.pool.payout import pay_by_member
from tests.shared_store import fresh_store

TODAY = date(2026, 5, 20)
NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)
FRENCH = (
    "Groupement;;;;\n"
    "Date de livraison;Nom du membre;Poids net (kg);Humidité (%);Sacs;N° reçu\n"
    "03/04/2026;Adiru;93,4;12,8;1;11\n"
    "04/04/2026;Bakari;1.250,0;13,1;14;12\n"
    "05/04/2026;Personne;90;13;1;13\n"
    "06/04/2026;Adiru;90;17,5;1;14\n"
    "06/04/2027;Adiru;90;13;1;15\n"
    "07/04/2026;Adiru;neuf;13;1;16\n"
    "03/04/2026;Adiru;93,4;12,8;1;11\n"
).encode("cp1252")


@pytest.fixture
def store(tmp_path):
    opened = fresh_store(tmp_path / "pool.sqlite3")
    group = opened.add_group(Group(name="G", latitude=1.0, longitude=30.0, time_zone="Africa/Kampala", currency="UGX"))
    for name in ("Adiru", "Bakari"):
        opened.add_member(Member(group_id=group, name=name))
    yield opened
    opened.engine.dispose()


def preview(store, data, name="t.csv", kind="", **options):
    table = open_earlier(data, name, kind)
    group = store.groups()[0].id
    chosen = EarlierOptions(**{"columns": table.columns, **options})
    return preview_earlier(table, chosen, store.members(group), store.events(group, "pool"), TODAY)


def test_french_table_with_bad_rows(store):
    seen = preview(store, FRENCH)
    assert seen.table.kind == "deliveries"
    # rows 3 and 4 of the file: 93.4 kg at 12.8 %; 1250 kg (point for thousands, comma for decimals) at 13.1 %
    assert [(row.line, row.payload["gross_kg"], row.payload["moisture_pct"]) for row in seen.rows] == [
        (3, "93.400", "12.80"),
        (4, "1250.000", "13.10"),
    ]
    reasons = {row.number: str(row.reason) for row in seen.rejected}
    assert "not among the members" in reasons[5]
    assert "dry it first" in reasons[6]
    assert "future" in reasons[7]
    assert "number is needed" in reasons[8]
    assert "the same as row 3" in reasons[9]
    assert seen.total == D("1343.4")


@pytest.mark.parametrize(
    ("heads", "kind"),
    [
        ("Fecha de entrega,Socio,Peso neto kg,Humedad %,Sacos", "deliveries"),
        ("Data da entrega,Produtor,Peso líquido,Umidade,Sacas", "deliveries"),
        ("Tarehe,Mwanachama,Uzito halisi,Unyevu,Magunia", "deliveries"),
        ("Lieferdatum,Mitglied,Nettogewicht,Feuchte,Säcke", "deliveries"),
        ("form/date,form/farmer name,form/weight,form/moisture,form/bags", "deliveries"),
    ],
)
def test_headings_of_other_languages(store, heads, kind):
    seen = preview(store, f"{heads}\n2026-04-03,Adiru,93.4,12.8,1\n".encode())
    assert seen.table.kind == kind
    assert [(row.on, row.payload["gross_kg"], row.payload["bags"]) for row in seen.rows] == [
        (date(2026, 4, 3), "93.400", 1)
    ]


def test_payments_of_thousands_and_advances(store):
    data = b"Date;Paye a;Montant paye;Motif\n".replace(b"Paye a", b"Membre") + (
        b"03/04/2026;Adiru;25.000;avance\n04/04/2026;Bakari;1.250;solde\n05/04/2026;Bakari;900;\n"
    )
    seen = preview(store, data)
    assert seen.table.kind == "payments"
    # 25.000 and 1.250 stand for twenty-five thousand and twelve hundred and fifty; 900 has no sign
    assert [row.payload["amount"] for row in seen.rows] == ["25000.00", "1250.00", "900.00"]
    assert [row.payload["about"] for row in seen.rows] == ["advance", "", ""]
    assert any("thousands" in str(note) for note in seen.notes)


def test_workbook_gross_and_tare(store):
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Date", "Farmer", "Gross kg", "Tare kg", "MC %", "Crop", "Grade"])
    sheet.append([datetime(2026, 4, 3), "adiru ", 94.1, 0.7, 12.8, "maïs", 2])
    sheet.append([datetime(2026, 4, 3), "Bakari", 0.5, 0.7, 12.8, "maize", 1])
    sheet.append([datetime(2026, 4, 3), "Bakari", 50, 0.7, 12.8, "moon rock", 1])
    held = io.BytesIO()
    book.save(held)
    seen = preview(store, held.getvalue(), "book.xlsx")
    assert [(row.payload["gross_kg"], row.payload["tare_kg"], row.payload["grade"]) for row in seen.rows] == [
        ("94.100", "0.700", "2")
    ]
    assert seen.rows[0].payload["commodity"] == "maize"
    assert [row.number for row in seen.rejected] == [3, 4]


@pytest.mark.parametrize(
    ("heads", "cells", "expected"),
    [
        ("gross kg,tare kg", "94,4", ("94.000", "4.000")),
        ("gross kg", "94", ("94.000", "0.000")),
        ("net kg", "90", ("90.000", "0.000")),
        ("net kg,tare kg", "90,4", ("94.000", "4.000")),
        ("gross kg,net kg", "94,90", ("94.000", "4.000")),
        ("gross kg,tare kg,net kg", "94,4,90.1", ("94.000", "4.000")),
        ("gross kg,tare kg,net kg", "94,4,90.2", None),
        ("gross kg,tare kg,net kg", "94,4,89.8", None),
    ],
)
def test_gross_tare_and_net_stand_for_one_another(store, heads, cells, expected):
    """Gross = net + tare; what is missing follows from the other two, and a tare that nobody wrote is 0."""
    seen = preview(store, f"date,member,{heads},moisture\n2026-04-03,Adiru,{cells},13\n".encode())
    found = [(row.payload["gross_kg"], row.payload["tare_kg"]) for row in seen.rows]
    assert found == ([expected] if expected else [])
    if expected:
        assert seen.total == D(expected[0]) - D(expected[1])


def test_headings_decide_between_deliveries_and_payments(store):
    """Whichever has all that it needs, be the other's columns ever so many."""
    more = b"date,member,amount,gross kg,tare kg,bags,grade,crop,receipt\n2026-04-03,Adiru,500,94,4,1,1,maize,7\n"
    assert preview(store, more).table.kind == "payments"
    less = b"date,member,moisture,kg,amount\n2026-04-03,Adiru,13,94,500\n"
    assert preview(store, less).table.kind == "deliveries"


def test_needed_columns_are_asked_for(store):
    with pytest.raises(ImportRefusedError, match="moisture"):
        preview(store, b"date,member,kg\n2026-04-03,Adiru,90\n", kind="deliveries")
    seen = preview(store, b"date,member,kg\n2026-04-03,Adiru,90\n", kind="deliveries", moisture_pct=D("13"))
    assert seen.rows[0].payload["moisture_sd_pct"] == "1.0"  # nobody measured: less sure


def test_taken_in_once_and_taken_back_whole(store):
    group = store.groups()[0].id
    seen = preview(store, FRENCH, add_members=True)
    assert seen.new_members == ("Personne",)
    number, count = take_in(store, group, seen, "Bakari", NOW, TODAY)
    assert count == 3
    season = season_of(store, group)
    assert sum(item.net_kg for item in season.deliveries) == D("1433.4")  # 93.4 + 1250 + 90
    assert {item.who for item in season.deliveries} == {"Bakari"}
    again = preview(store, FRENCH)
    assert again.rows == ()
    assert sum(row.duplicate for row in again.rejected) == 4
    with pytest.raises(InputError, match="no row"):
        take_in(store, group, again, "Bakari", NOW, TODAY)
    # grain that has been sold cannot be taken back from under the sale
    sale = {"pool": "Main pool", "buyer": "B", "loaded_kg": "1000", "loaded_moisture_pct": "13", "price_per_kg": "2"}
    (sold,) = write_entries(store, group, [("sale", TODAY, sale)], "Bakari", NOW)
    before = store.events(group, "pool")
    with pytest.raises(InputError, match="held"):
        undo_import(store, group, number, "wrong file", TODAY, "Bakari", NOW)
    assert store.events(group, "pool") == before
    take_back(store, group, [sold], "not loaded after all", TODAY, "Bakari", NOW)
    assert undo_import(store, group, number, "wrong file", TODAY, "Bakari", NOW) == 3
    assert season_of(store, group).deliveries == ()
    assert imports(store.events(group, "pool")) == []
    # nothing is deleted: the import, three deliveries, the sale, and five counter-entries
    assert len(store.events(group, "pool")) == 10
    assert all(undone is not None for _event, undone in Book(store.events(group, "pool")).history())


def test_a_form_sent_twice_writes_once(store):
    """Two presses of one button: the second is refused whole, its new members too."""
    found, group = store, store.groups()[0].id
    data = b"Day,Member,Kg,Moisture\n2026-05-01,Newcomer,100,13\n"
    seen = preview(store, data, add_members=True)
    take_in(found, group, seen, "Bakari", NOW, TODAY, "t-1")
    with pytest.raises(AlreadySavedError):
        take_in(found, group, seen, "Bakari", NOW, TODAY, "t-1")
    assert len(Book(found.events(group, "pool")).standing("delivery")) == 1
    assert [member.name for member in found.members(group)].count("Newcomer") == 1


def test_a_corrected_column_of_the_same_file_is_no_second_delivery(store):
    """The net column was the gross one: the row is known by its file, so that it is not weighed in twice."""
    found, group = store, store.groups()[0].id
    data = b"Day,Member,First,Second,Moisture\n2026-05-01,Adiru,100,98,13\n"
    columns = {"day": 0, "member": 1, "net": 2, "moisture": 4}
    take_in(found, group, preview(store, data, columns=columns, add_members=True), "Bakari", NOW, TODAY)
    again = preview(store, data, columns={**columns, "net": 3}, add_members=True)
    assert again.rows == ()
    assert "cancel the file first" in str(again.rejected[0].reason)


def test_payments_reach_the_members_account(store):
    group = store.groups()[0].id
    seen = preview(store, b"date,member,amount,reference\n2026-04-03,Adiru,500,MM1\n2026-04-03,Adiru,500,MM2\n")
    take_in(store, group, seen, "Bakari", NOW, TODAY)
    adiru = next(member.id for member in store.members(group) if member.name == "Adiru")
    assert pay_by_member(season_of(store, group))[adiru].paid == D("1000.00")


@pytest.mark.parametrize("data", [b"", b"%PDF-1.4", b"\x00\x01\x02", b"just words\n"])
def test_what_is_no_table_is_refused(store, data):
    with pytest.raises((ImportRefusedError, InputError)):
        preview(store, data)
