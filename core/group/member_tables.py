"""A group's members from a table: what can be imported, what cannot and why, and who may be here already."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from difflib import SequenceMatcher
from typing import Any

from core.errors import DryholdError, ImportRefusedError, InputError
from core.group.batches import ImportBatch
from core.group.bounds import check_member
from core.group.records import MEMBERS_FILE, ImportRecord, Member
from core.group.store import Store
from core.group.table_words import heading_words
from core.messages import Message, message
from core.tables.reading import Column, OpenedTable, RefusedRow, Row, open_table, read_rows, refused_row
from core.tables.words import lookup, plain

MOST_ROWS = 1000
OLDEST = 110
"""Years: nobody was born earlier (judgement)."""
ALIKE = 0.86
"""Two names that share at least this part of their letters may be one name (judgement)."""
SEX_WORDS = {
    "female": (
        *("f", "w", "woman", "female", "girl", "femme", "feminin", "mujer", "mulher", "femenino", "feminino"),
        *("mwanamke", "mke", "ke", "frau", "weiblich"),
    ),
    "male": (
        *("m", "h", "man", "male", "boy", "homme", "masculin", "hombre", "homem", "masculino"),
        *("mwanaume", "mume", "me", "mann", "mannlich"),
    ),
    "": ("not noted", "unknown", "other"),
}
COLUMNS = (
    Column(name="name", required=True),
    Column(name="sex", kind="choice", choices=lookup(SEX_WORDS)),
    Column(name="birth_year", kind="whole"),
    Column(name="phone", longest=40),
    Column(name="joined", kind="date"),
    Column(name="consent", kind="yes"),
)
FIELDS = tuple(column.name for column in COLUMNS)


@dataclass(frozen=True, kw_only=True)
class MemberRow:
    """A row that can be imported; `like` says who may be the same person: members here, or earlier rows of the file."""

    line: int
    member: Member
    like: tuple[Message, ...] = ()


@dataclass(frozen=True, kw_only=True)
class MembersPreview:
    """What a table of members would bring, before anything is written."""

    opened: OpenedTable
    rows: tuple[MemberRow, ...]
    rejected: tuple[RefusedRow, ...]
    notes: tuple[Message, ...] = ()
    unused: tuple[str, ...] = ()

    @property
    def doubtful(self) -> tuple[MemberRow, ...]:
        """Return the rows of people who may be here already."""
        return tuple(row for row in self.rows if row.like)

    def chosen(self, others: Collection[int]) -> list[Member]:
        """Return the members to add: those of whom nobody is like, and of the doubtful ones the lines in `others`."""
        return [row.member for row in self.rows if not row.like or row.line in others]


def open_members(data: bytes, file_name: str, sheet: str = "") -> OpenedTable:
    """Return a table of members with a guess of what its columns mean."""
    return open_table(data, file_name, COLUMNS, heading_words("members"), sheet, most_rows=MOST_ROWS)


def preview_members(
    opened: OpenedTable, columns: Mapping[str, int], group_id: int, members: Sequence[Member], today: date
) -> MembersPreview:
    """Return what a table would bring, each row checked by itself; nothing is written.

    Parameters
    ----------
    columns : Mapping of str to int
        Position of the column of each meaning.
    today : date
        Nobody joins or is born later.

    Notes
    -----
    Two people may share a name: a second row of one name is asked about, never dropped. A row that is like a member
    here in name, year of birth and phone (two of the three filled in) is refused as being here already.
    """
    if "name" not in columns:
        raise ImportRefusedError(
            "say which column holds: {missing}. Nothing can be imported without it", missing=message("name")
        )
    read = read_rows(opened, _columns(opened, columns), columns)
    people = _People(list(members))
    rows: list[MemberRow] = []
    rejected = list(read.refused)
    for row in read.rows:
        try:
            member = _member(row, group_id, today)
            people.refuse_same(member)
        except DryholdError as error:
            rejected.append(refused_row(opened.headings.name(columns["name"]), row, row.values["name"], error))
            continue
        rows.append(MemberRow(line=row.number, member=member, like=people.like(member)))
        people.rows.append((row.number, member))
    rejected.sort(key=lambda one: one.number)
    notes = (*opened.notes, *read.notes)
    return MembersPreview(opened=opened, rows=tuple(rows), rejected=tuple(rejected), notes=notes, unused=read.unused)


def import_members(
    store: Store, group_id: int, preview: MembersPreview, others: Collection[int], who: str, at: datetime, token: str
) -> int:
    """Write the members of a preview in one transaction, all or none, and return how many."""
    members = preview.chosen(others)
    if not members:
        raise InputError("the file holds no row that can be imported")
    record = ImportRecord(
        group_id=group_id,
        kind=MEMBERS_FILE,
        file_name=preview.opened.file_name,
        file_hash=preview.opened.file_hash,
        imported_at=at,
        who=who,
        rows=len(members),
        summary={
            "rejected": [[row.number, row.column, row.value, str(row.reason)] for row in preview.rejected],
            "left_out": [row.line for row in preview.doubtful if row.line not in others],
        },
    )
    store.by(who, at).take_in(ImportBatch(record=record, members=members), token)
    return len(members)


def _columns(opened: OpenedTable, columns: Mapping[str, int]) -> tuple[Column, ...]:
    """Return the columns; where the sexes are H and M, as in Spanish and Portuguese, M is a woman."""
    marks = {plain(str(cell)) for cell in opened.cells("sex", columns) if cell is not None}
    if not ("h" in marks and "m" in marks and not marks & {"f", "w"}):
        return COLUMNS
    words = {**lookup(SEX_WORDS), "m": "female"}
    return tuple(replace(one, choices=words) if one.name == "sex" else one for one in COLUMNS)


def _member(row: Row, group_id: int, today: date) -> Member:
    values: Mapping[str, Any] = row.values
    name = " ".join(values["name"].split())
    if not any(letter.isalpha() for letter in name):
        raise InputError("'{name}' is not a name", name=name)
    born, joined = values.get("birth_year"), values.get("joined")
    if born is not None and not today.year - OLDEST <= born <= today.year:
        raise InputError("{year} is not a possible year of birth: give one such as 1985", year=born)
    if joined is not None and joined[0] > today:
        raise InputError("the day {day} lies in the future", day=joined[0])
    member = Member(
        group_id=group_id,
        name=name,
        sex=values.get("sex") or "",
        birth_year=born,
        phone=values.get("phone") or "",
        consent=bool(values.get("consent")),
        joined_on=joined[0] if joined else None,
    )
    check_member(member)
    return member


@dataclass
class _People:
    """Who is here and in the file so far."""

    members: list[Member]
    rows: list[tuple[int, Member]] = field(default_factory=list)

    def refuse_same(self, one: Member) -> None:
        """Raise where somebody here, or an earlier row, is the same in all that is known of both."""
        for member in self.members:
            if _same(one, member):
                raise InputError("{name} is here already: member {number}", name=member.name, number=member.id)
        for line, member in self.rows:
            if _same(one, member):
                raise InputError("the same person as in row {row}", row=line)

    def like(self, one: Member) -> tuple[Message, ...]:
        """Return who may be the same person."""
        here = [
            message("{name}, member {number}", name=member.name, number=member.id)
            for member in self.members
            if _alike(one, member)
        ]
        file = [
            message("{name}, row {row}", name=member.name, row=line)
            for line, member in self.rows
            if _alike(one, member)
        ]
        return (*here, *file)


def _digits(phone: str) -> str:
    """Return the last eight digits of a phone number: the code of the country is written or not."""
    return "".join(sign for sign in phone if sign.isdigit())[-8:]


def _same(one: Member, other: Member) -> bool:
    """Return whether name, and year of birth and phone as far as both are known, agree, and one of the two is known."""
    if plain(one.name) != plain(other.name):
        return False
    born = (one.birth_year, other.birth_year)
    phones = (_digits(one.phone), _digits(other.phone))
    known = [pair for pair in (born, phones) if all(pair)]
    return bool(known) and all(pair[0] == pair[1] for pair in known)


def _alike(one: Member, other: Member) -> bool:
    """Return whether two may be one person: the same words in their names, nearly the same letters, or one phone."""
    mine, theirs = plain(one.name), plain(other.name)
    if sorted(mine.split()) == sorted(theirs.split()):
        return True
    phone = _digits(one.phone)
    if len(phone) >= 6 and phone == _digits(other.phone):
        return True
    born = {member.birth_year for member in (one, other)} - {None}
    if len(born) == 2 or not {word[0] for word in mine.split()} & {word[0] for word in theirs.split()}:
        return False
    matcher = SequenceMatcher(None, mine, theirs)
    return matcher.quick_ratio() >= ALIKE and matcher.ratio() >= ALIKE
