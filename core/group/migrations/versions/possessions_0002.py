"""Revisions of rows, tokens of forms, the trail of changes; what a group has in one list each."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from alembic import op

from core.group.older_records import carried_over

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

EDITED = ("groups", "members", "lots", "facts", "documents")


def upgrade() -> None:
    """Add the columns and tables, then carry the older settings over."""
    for name in EDITED:
        op.add_column(name, sa.Column("revision", sa.Integer(), server_default="1", nullable=False))
    op.create_table(
        "tokens",
        sa.Column("token", sa.String(length=120), nullable=False),
        sa.Column("taken_at", sa.DateTime(), nullable=True),
        sa.PrimaryKeyConstraint("token", name=op.f("pk_tokens")),
    )
    op.create_table(
        "changes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("group_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("row", sa.String(length=300), nullable=False),
        sa.Column("changed", sa.Text(), nullable=False),
        sa.Column("who", sa.String(length=200), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_changes")),
    )
    op.create_index(op.f("ix_changes_group_id"), "changes", ["group_id"], unique=False)
    _carry_over(op.get_bind())


def _carry_over(connection: sa.Connection) -> None:
    facts = sa.table("facts", *[sa.column(name) for name in ("group_id", "key", "value", "origin", "source", "set_by")])
    facts.append_column(sa.column("set_at", sa.DateTime()))
    documents = sa.table("documents", sa.column("kind"), sa.column("key"), sa.column("payload"))
    lists = {
        row.key: json.loads(row.payload)["spaces"]
        for row in connection.execute(sa.select(documents).where(documents.c.kind == "floor_spaces"))
    }
    by_group: dict[int, list[Any]] = {}
    for row in connection.execute(sa.select(facts).where(facts.c.value.is_not(None))):
        by_group.setdefault(row.group_id, []).append(row)
    for group_id in {*by_group, *(int(key) for key in lists)}:
        rows = sorted(by_group.get(group_id, []), key=lambda row: row.set_at or datetime.min)
        entered = {row.key: json.loads(row.value) for row in rows}
        now = carried_over(entered, lists.get(str(group_id), ()))
        for key in entered.keys() - now.keys():
            connection.execute(sa.delete(facts).where(facts.c.group_id == group_id, facts.c.key == key))
        last = rows[-1] if rows else None
        for key in now.keys() - entered.keys():
            values = {"origin": "entered", "source": "", "set_by": last.set_by if last else ""}
            values |= {"set_at": last.set_at if last else None, "value": json.dumps(now[key], ensure_ascii=False)}
            connection.execute(sa.insert(facts).values(group_id=group_id, key=key, **values))
    connection.execute(sa.delete(documents).where(documents.c.kind == "floor_spaces"))


def downgrade() -> None:
    """Remove the columns and tables; the lists stay as settings that the older version does not read."""
    op.drop_table("changes")
    op.drop_table("tokens")
    for name in EDITED:
        op.drop_column(name, "revision")
