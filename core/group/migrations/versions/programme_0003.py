"""The programme's own book, apart from every group's; groups that were removed or merged into another."""

from __future__ import annotations

import json

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add table and columns, then carry the entries over that stood in the groups' books."""
    op.add_column("groups", sa.Column("removed_at", sa.DateTime(), nullable=True))
    op.add_column("groups", sa.Column("merged_into", sa.Integer(), nullable=True))
    op.create_table(
        "programme_entries",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("group_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(length=64), nullable=False),
        sa.Column("on", sa.Date(), nullable=False),
        sa.Column("who", sa.String(length=200), nullable=False),
        sa.Column("payload", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(), nullable=False),
        sa.Column("reverses", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["reverses"], ["programme_entries.id"], name=op.f("fk_programme_entries_reverses")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_programme_entries")),
        sa.UniqueConstraint("reverses", name=op.f("uq_programme_entries_reverses")),
    )
    _carry_over(op.get_bind())


def _carry_over(connection: sa.Connection) -> None:
    names = ("group_id", "kind", "on", "who", "payload", "recorded_at", "reverses")
    typed: dict[str, sa.types.TypeEngine] = {"on": sa.Date(), "recorded_at": sa.DateTime()}
    events = sa.table(
        "events", *[sa.column(name, typed.get(name, sa.types.NullType())) for name in ("id", "book", *names)]
    )
    entries = sa.table(
        "programme_entries", *[sa.column(name, typed.get(name, sa.types.NullType())) for name in ("id", *names)]
    )
    numbers: dict[int, int] = {}
    old = connection.execute(sa.select(events).where(events.c.book == "programme").order_by(events.c.id))
    for place, row in enumerate(old.all(), start=1):
        values = {name: getattr(row, name) for name in names}
        values["group_id"] = row.group_id if json.loads(row.payload).get("scope") == "group" else None
        values["reverses"] = None if row.reverses is None else numbers.get(row.reverses)
        numbers[row.id] = place
        connection.execute(sa.insert(entries).values(id=place, **values))
    if numbers and connection.dialect.name == "postgresql":
        connection.execute(
            sa.text("SELECT setval(pg_get_serial_sequence('programme_entries', 'id'), :number)"),
            {"number": len(numbers)},
        )


def downgrade() -> None:
    """Remove table and columns; the older version reads the entries that still stand in the groups' books."""
    op.drop_table("programme_entries")
    op.drop_column("groups", "merged_into")
    op.drop_column("groups", "removed_at")
