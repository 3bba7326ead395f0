"""The page that brings in a table, from the upload to the way back."""

from __future__ import annotations

from core.group.store import Store
from tests.dashboard.pages import open_page
from tests.group.messy import BAD_ROWS, sixty_rows


def test_a_file_with_four_bad_rows_is_taken_in_through_the_screen(empty_store: Store) -> None:
    """Acceptance case of the main job: semicolons, decimal comma, other headings, 4 bad rows out of 60."""
    group_id = empty_store.groups()[0].id
    app = open_page("readings_import")
    assert not app.exception
    app.file_uploader[0].upload("cahier.csv", sixty_rows())
    app.run()
    assert not app.exception
    said = " ".join(info.value for info in app.info)
    assert "56 tests can be stored" in said
    assert "4 rows are refused" in said
    rejected = app.table[0].value
    assert {int(row): column for row, column in rejected["Column"].items()} == BAD_ROWS
    assert all(rejected["Why, and what to do"].str.len() > 10)
    assert empty_store.readings(group_id).empty
    app.button(key="import_store").click().run()
    assert not app.exception
    assert any("56 tests" in done.value for done in app.success)
    assert len(empty_store.readings(group_id)) == 56
    assert len(empty_store.lots(group_id)) == 4
    app.button(key=f"undo_{empty_store.imports(group_id)[0].id}").click().run()
    assert not app.exception
    assert empty_store.readings(group_id).empty
    assert empty_store.lots(group_id) == []


def test_the_draft_survives_a_lost_connection(empty_store: Store) -> None:
    app = open_page("readings_import")
    app.file_uploader[0].upload("cahier.csv", sixty_rows())
    app.run()
    fresh = open_page("readings_import")
    assert "56 tests can be stored" in " ".join(info.value for info in fresh.info)
    fresh.button(key="import_away").click().run()
    assert fresh.file_uploader


def test_a_file_that_is_no_table_is_told_kindly(empty_store: Store) -> None:
    app = open_page("readings_import")
    app.file_uploader[0].upload("photo.csv", b"\x89PNG\r\n\x1a\n0000")
    app.run()
    assert not app.exception
    assert "not a table" in app.error[0].value
    assert empty_store.documents.keys("import_draft") == []  # it must not come back with the next start


def test_a_corrected_column_is_used_and_remembered(empty_store: Store) -> None:
    group_id = empty_store.groups()[0].id
    data = b"Alpha;Beta;Gamma\nA;01/04/2026;13,2\nA;32/04/2026;13,4\n"
    app = open_page("readings_import")
    app.file_uploader[0].upload("bare.csv", data)
    app.run()
    assert app.error
    for field, column in (("lot", 0), ("date", 1), ("moisture", 2)):
        next(
            box for box in app.selectbox if str(box.key).startswith("map_") and str(box.key).endswith(f"_{field}")
        ).set_value(column)
    app.run()
    assert not app.exception
    assert "1 test can be stored" in " ".join(info.value for info in app.info)
    app.button(key="import_store").click().run()
    assert len(empty_store.readings(group_id)) == 1
    app.file_uploader[0].upload("bare2.csv", data.replace(b"13,2", b"13,9").replace(b"01/04", b"03/05"))
    app.run()
    assert not app.error


def test_a_remark_is_shown_beside_its_test(empty_store: Store) -> None:
    app = open_page("readings_import")
    data = b"Lot;Date;Bag;Moisture;Remarks\nA;01/04/2026;1;13,2;smells musty\nA;01/04/2026;2;13,4;\n"
    app.file_uploader[0].upload("cahier.csv", data)
    app.run()
    app.button(key="import_store").click().run()
    assert not app.exception
    tests = next(table.value for table in open_page("lots").dataframe if "Remark" in table.value)
    assert dict(zip(tests["Bag"], tests["Remark"], strict=True)) == {"1": "smells musty", "2": ""}
