"""Members from tables: every row named, doubles asked about, two of one name kept apart, all or none."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from core.errors import AlreadySavedError, ImportRefusedError, InputError
from core.group import member_tables
from core.group.member_tables import import_members, open_members, preview_members
from core.group.records import Group, Member
from tests.shared_store import fresh_store

TODAY = date(2026, 5, 20)
NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)
FRENCH = (
    "Groupement Avant;;;;\n"
    "Nom et prénom;Sexe;Année de naissance;Téléphone;Membre depuis;Parcelle\n"
    "Zoe Adjo;F;1985;90 11 22 33;03/04/2020;A1\n"
    "Kofi Mensa;M;1979;;;A2\n"
    "12;F;1985;;;A3\n"
    "Ama Soglo;X;1985;;;A4\n"
    "Esi Dovi;F;1785;;;A5\n"
    "Yao Lawson;M;1990;;01/01/2027;A6\n"
    ";F;1990;;;A7\n"
).encode("cp1252")


@pytest.fixture
def store(tmp_path):
    opened = fresh_store(tmp_path / "members.sqlite3")
    opened.add_group(Group(name="G", time_zone="Africa/Lome", currency="XOF"))
    yield opened
    opened.engine.dispose()


def seen(store, data, name="t.csv"):
    opened = open_members(data if isinstance(data, bytes) else data.encode(), name)
    group = store.groups()[0].id
    return preview_members(opened, opened.columns, group, store.members(group), TODAY)


def test_a_table_in_another_language_with_bad_rows(store):
    preview = seen(store, FRENCH)
    read = [(row.line, row.member.name, row.member.sex, row.member.birth_year) for row in preview.rows]
    assert read == [(3, "Zoe Adjo", "female", 1985), (4, "Kofi Mensa", "male", 1979)]
    assert preview.rows[0].member.joined_on == date(2020, 4, 3)
    assert preview.rows[0].member.phone == "90 11 22 33"
    assert [row.number for row in preview.rejected] == [5, 6, 7, 8, 9]
    assert [
        next(word for word in ("name", "known", "1785", "future", "empty") if word in str(row.reason))
        for row in preview.rejected
    ] == ["name", "known", "1785", "future", "empty"]
    assert preview.unused == ("Parcelle",)
    with pytest.raises(ImportRefusedError, match="name"):
        seen(store, "Alpha;Beta\n1;2\n")


def test_all_or_none_and_once(store):
    group = store.groups()[0].id
    preview = seen(store, FRENCH)
    assert import_members(store, group, preview, (), "w", NOW, "token") == 2
    assert [one.name for one in store.members(group)] == ["Kofi Mensa", "Zoe Adjo"]
    assert store.imports(group)[0].rows == 2
    with pytest.raises(AlreadySavedError):
        import_members(store, group, preview, (), "w", NOW, "token")
    assert len(store.members(group)) == 2
    again = seen(store, FRENCH)  # both have a year of birth: here already, and named as such
    assert again.rows == ()
    assert [str(row.reason) for row in again.rejected[:2]] == [
        f"{one.name} is here already: member {one.id}" for one in reversed(store.members(group))
    ]
    with pytest.raises(InputError):
        import_members(store, group, again, (), "w", NOW, "other")


def test_a_failure_in_the_middle_keeps_nothing(store, monkeypatch):
    import core.group.batches as batches

    group, real, calls = store.groups()[0].id, batches.insert, []

    def failing(connection, table, values):
        calls.append(table.name)
        if calls.count("members") == 2:
            raise RuntimeError("the lights went out")
        return real(connection, table, values)

    monkeypatch.setattr(batches, "insert", failing)
    with pytest.raises(RuntimeError):
        import_members(store, group, seen(store, FRENCH), (), "w", NOW, "token")
    assert store.members(group) == []
    assert store.imports(group) == []


@pytest.mark.parametrize(
    ("row", "asked"),
    [
        ("Zoe Adjo;;", True),  # nothing is known but the name
        ("ADJO Zoé;;", True),  # the words turned round, an accent
        ("Zoe Adjoh;;", True),  # a slip of the pen
        ("Maman Afi;;+228 90112233", True),  # another name on the same telephone
        ("Zoe Adjo;1990;", True),  # same name, another year: probably her daughter, but a person says so
        ("Zoe Adjoh;1990;", False),  # another name and another year
        ("Kossi Ata;;", False),
        ("Afi Adjo;;", False),  # one family name is no double
    ],
)
def test_likely_doubles_are_asked_about(store, row, asked):
    group = store.groups()[0].id
    number = store.add_member(Member(group_id=group, name="Zoe Adjo", birth_year=1985, phone="90 11 22 33"))
    preview = seen(store, f"Name;Born;Phone\n{row}\n")
    assert [bool(one.like) for one in preview.rows] == [asked]
    if asked:
        assert str(preview.rows[0].like[0]) == f"Zoe Adjo, member {number}"
        assert preview.chosen(()) == []
        assert len(preview.chosen((2,))) == 1


def test_two_of_one_name_in_the_file_are_asked_about_and_stay_two(store):
    group = store.groups()[0].id
    preview = seen(store, "Name;Born;Phone\nZoe;1960;\nZoe;1990;\nZoe;1990;\n")
    assert [row.line for row in preview.rows] == [2, 3]
    assert [(row.number, str(row.reason)) for row in preview.rejected] == [(4, "the same person as in row 3")]
    assert [row.line for row in preview.doubtful] == [3]
    import_members(store, group, preview, (3,), "w", NOW, "t")
    people = store.members(group)
    assert [(one.name, one.birth_year) for one in people] == [("Zoe", 1960), ("Zoe", 1990)]
    assert people[0].id != people[1].id
    # the same table again: each row is one of the two, and adds nobody
    assert seen(store, "Name;Born;Phone\nZoe;1960;\nZoe;1990;\n").rows == ()


def test_h_and_m_are_man_and_woman_where_spanish_is_written(store):
    preview = seen(store, "Nombre;Sexo\nAna Ruiz;M\nLuis Ruiz;H\n")
    assert [row.member.sex for row in preview.rows] == ["female", "male"]
    preview = seen(store, "Name;Sex\nAna;F\nLuis;M\n")
    assert [row.member.sex for row in preview.rows] == ["female", "male"]


@pytest.mark.parametrize(
    ("here", "row", "what"),
    [
        # the same in all that is known of both, and of one thing at least
        (("Afi Ata", 1985, "90112233"), ("Afi Ata", 1985, "90112233"), "same"),
        (("Afi Ata", 1985, ""), ("Afi Ata", 1985, "90112233"), "same"),
        (("Afi Ata", None, "90112233"), ("AFI  ATA", 1985, "+228 90 11 22 33"), "same"),
        (("Afi Ata", 1985, "90112233"), ("Afi Ata", 1985, "90112234"), "like"),
        (("Afi Ata", 1985, "90112233"), ("Afi Ata", 1986, "90112233"), "like"),
        (("Afi Ata", 1985, ""), ("Afi Ata", None, "90112233"), "like"),
        # one telephone of at least six digits
        (("Afi Ata", None, "112233"), ("Kossi", None, "112233"), "like"),
        (("Afi Ata", None, "11223"), ("Kossi", None, "11223"), ""),
        (("Afi Ata", None, ""), ("Kossi", None, ""), ""),
        # letters: 2 x 6 of 14 are 0.857, too few; 2 x 7 of 16, 0.875, are enough, unless both years differ
        (("Afi Ata", None, ""), ("Afi Otu", None, ""), ""),
        (("Afi Atah", None, ""), ("Afi Atak", None, ""), "like"),
        (("Afi Ata", None, ""), ("Afi Atu", None, ""), ""),
        (("Afi Atah", 1985, ""), ("Afi Atak", None, ""), "like"),
        (("Afi Atah", 1985, ""), ("Afi Atak", 1985, ""), "like"),
        (("Afi Atah", 1985, ""), ("Afi Atak", 1986, ""), ""),
        # no word begins alike
        (("Afiwa", None, ""), ("Bfiwaa", None, ""), ""),
    ],
)
def test_who_is_the_same_and_who_is_like(here, row, what):
    known, new = (Member(group_id=1, name=name, birth_year=born, phone=phone) for name, born, phone in (here, row))
    for one, other in ((known, new), (new, known)):
        assert member_tables._same(one, other) == (what == "same")
        assert member_tables._alike(one, other) == (what != "")


def test_years_and_days_of_a_member_at_their_edges(store):
    """Born at most 110 years ago, 1916 in 2026, and not later than this year; joined by today."""
    born = seen(store, "Name;Born\nBefore Him;1915\nOldest Man;1916\nNew Born;2026\nNot Yet;2027\n")
    assert [row.member.name for row in born.rows] == ["Oldest Man", "New Born"]
    joined = f"Name;Joined\nNew One;{TODAY.isoformat()}\nNext Day;{TODAY + timedelta(days=1)}\n"
    assert [row.member.name for row in seen(store, joined).rows] == ["New One"]
