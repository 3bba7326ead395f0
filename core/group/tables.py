"""The tables of the database, for SQLite and PostgreSQL alike."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    Date,
    DateTime,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

SCHEMA_VERSION = "0005"


def plain_value(value: Any) -> Any:
    """Return a value that JSON can hold: decimals and dates as text, NumPy scalars as Python numbers."""
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, date | datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, set | frozenset):
        return sorted(value)
    if hasattr(value, "tolist"):
        return value.tolist()
    message = f"{type(value).__name__} cannot be stored"
    raise TypeError(message)


class JsonText(TypeDecorator[Any]):
    """JSON kept as text: the same on both engines, decimals as text."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        """Return the text to store."""
        return None if value is None else json.dumps(value, default=plain_value, ensure_ascii=False)

    def process_result_value(self, value: Any, dialect: Dialect) -> Any:
        """Return what was stored."""
        return None if value is None else json.loads(value)


class UtcDateTime(TypeDecorator[datetime]):
    """A time-zone-aware hour, kept in UTC."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return the hour in UTC without its zone; refuse one without a zone."""
        if value is None:
            return None
        if value.tzinfo is None:
            message = "an hour without its time zone cannot be stored"
            raise ValueError(message)
        return value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Return the hour with its zone."""
        return None if value is None else value.replace(tzinfo=UTC)


metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _group_key() -> Column[Any]:
    return Column("group_id", ForeignKey("groups.id"), nullable=False, index=True)


def _revision() -> Column[Any]:
    """Return the count of a row's edits: an edit names the revision that it rests on."""
    return Column("revision", Integer, nullable=False, server_default="1")


def _import_key() -> Column[Any]:
    return Column("import_id", ForeignKey("imports.id"), nullable=True, index=True)


groups = Table(
    "groups",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(200), nullable=False),
    Column("district", String(200), nullable=False),
    Column("latitude", Float),
    Column("longitude", Float),
    Column("altitude_m", Float),
    Column("time_zone", String(64), nullable=False),
    Column("currency", String(3), nullable=False),
    Column("language", String(16), nullable=False),
    Column("demo", Boolean, nullable=False),
    Column("version", Integer, nullable=False, server_default="0"),
    _revision(),
    Column("removed_at", UtcDateTime),
    Column("merged_into", Integer),
)

imports = Table(
    "imports",
    metadata,
    Column("id", Integer, primary_key=True),
    _group_key(),
    Column("kind", String(32), nullable=False),
    Column("file_name", String(300), nullable=False),
    Column("file_hash", String(64), nullable=False),
    Column("imported_at", UtcDateTime, nullable=False),
    Column("who", String(200), nullable=False),
    Column("rows", Integer, nullable=False),
    Column("summary", JsonText),
    Column("undone_at", UtcDateTime),
)

members = Table(
    "members",
    metadata,
    Column("id", Integer, primary_key=True),
    _group_key(),
    Column("name", String(200), nullable=False),
    Column("sex", String(16), nullable=False),
    Column("birth_year", Integer),
    Column("phone", String(40), nullable=False),
    Column("consent", Boolean, nullable=False),
    Column("joined_on", Date),
    Column("left_on", Date),
    _import_key(),
    _revision(),
)

lots = Table(
    "lots",
    metadata,
    Column("id", Integer, primary_key=True),
    _group_key(),
    Column("label", String(200), nullable=False),
    Column("commodity", String(64), nullable=False),
    Column("variety", String(120), nullable=False),
    Column("form", String(16), nullable=False),
    Column("bags", Integer, nullable=False),
    Column("bag_mass_kg", Float),
    Column("nominal_bag_kg", Float),
    Column("weighed_moisture_pct", Float),
    Column("weighed_on", Date),
    Column("owner_id", ForeignKey("members.id")),
    Column("place", String(200), nullable=False),
    Column("harvested_on", Date),
    Column("use", String(16), nullable=False),
    Column("status", String(16), nullable=False),
    Column("storage_method", String(64)),
    Column("stored_on", Date),
    Column("note", Text, nullable=False),
    Column("demo", Boolean, nullable=False),
    _import_key(),
    _revision(),
    UniqueConstraint("group_id", "label"),
)

lot_shares = Table(
    "lot_shares",
    metadata,
    Column("lot_id", ForeignKey("lots.id"), primary_key=True),
    Column("member_id", ForeignKey("members.id"), primary_key=True),
    Column("share", Float, nullable=False),
)

readings = Table(
    "readings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("lot_id", ForeignKey("lots.id"), nullable=False),
    Column("taken_at", UtcDateTime, nullable=False),
    Column("bag", String(64), nullable=False),
    Column("temperature_c", Float),
    Column("relative_humidity_pct", Float),
    Column("meter_moisture_pct", Float),
    Column("tester", String(200), nullable=False),
    Column("settled", Boolean),
    _import_key(),
    Index("ix_readings_lot_id_taken_at", "lot_id", "taken_at"),
)

sales = Table(
    "sales",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("lot_id", ForeignKey("lots.id"), nullable=False, index=True),
    Column("sold_on", Date, nullable=False),
    Column("bags", Integer, nullable=False),
    Column("mass_kg", Float, nullable=False),
    Column("moisture_pct", Float),
    Column("price_per_kg", Float, nullable=False),
    Column("buyer", String(200), nullable=False),
    Column("paid_on", Date),
    Column("note", Text, nullable=False),
)

price_quotes = Table(
    "price_quotes",
    metadata,
    Column("id", Integer, primary_key=True),
    _group_key(),
    Column("quoted_on", Date, nullable=False),
    Column("market", String(200), nullable=False),
    Column("commodity", String(64), nullable=False),
    Column("price_per_kg", Float, nullable=False),
    Column("price_type", String(32), nullable=False),
    Column("source", String(300), nullable=False),
    _import_key(),
)

facts = Table(
    "facts",
    metadata,
    Column("group_id", ForeignKey("groups.id"), primary_key=True),
    Column("key", String(120), primary_key=True),
    Column("value", JsonText),
    Column("origin", String(16), nullable=False),
    Column("source", String(300), nullable=False),
    Column("set_by", String(200), nullable=False),
    Column("set_at", UtcDateTime),
    _revision(),
)

events = Table(
    "events",
    metadata,
    Column("id", Integer, primary_key=True),
    _group_key(),
    Column("book", String(32), nullable=False),
    Column("kind", String(64), nullable=False),
    Column("on", Date, nullable=False),
    Column("who", String(200), nullable=False),
    Column("payload", JsonText, nullable=False),
    Column("recorded_at", UtcDateTime, nullable=False),
    Column("reverses", ForeignKey("events.id"), unique=True),
)

programme_entries = Table(
    "programme_entries",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("group_id", Integer),
    Column("kind", String(64), nullable=False),
    Column("on", Date, nullable=False),
    Column("who", String(200), nullable=False),
    Column("payload", JsonText, nullable=False),
    Column("recorded_at", UtcDateTime, nullable=False),
    Column("reverses", ForeignKey("programme_entries.id"), unique=True),
)

documents = Table(
    "documents",
    metadata,
    Column("kind", String(64), primary_key=True),
    Column("key", String(300), primary_key=True),
    Column("payload", JsonText, nullable=False),
    Column("stored_at", UtcDateTime, nullable=False),
    _revision(),
)

roles = Table(
    "roles",
    metadata,
    Column("person", String(320), primary_key=True),
    Column("group_id", Integer, primary_key=True),
    Column("role", String(16), nullable=False),
    Column("given_by", String(320), nullable=False),
    Column("given_at", UtcDateTime),
)

tokens = Table("tokens", metadata, Column("token", String(120), primary_key=True), Column("taken_at", UtcDateTime))

changes = Table(
    "changes",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("group_id", Integer, index=True),
    Column("kind", String(32), nullable=False),
    Column("row", String(300), nullable=False),
    Column("changed", JsonText, nullable=False),
    Column("who", String(200), nullable=False),
    Column("at", UtcDateTime),
)
