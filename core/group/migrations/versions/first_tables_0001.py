"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables, and guards so that no entry of a book is ever changed or removed."""
    _documents_and_groups()
    _books()
    _people_and_prices()
    _lots()
    _readings_and_sales()
    for statement in _guards(op.get_bind().dialect.name):
        op.execute(statement)


def _documents_and_groups() -> None:
    """Make the tables of what is kept by key, and the groups."""
    op.create_table(
        "documents",
        sa.Column("kind", sa.String(length=64), nullable=False),
        sa.Column("key", sa.String(length=300), nullable=False),
        sa.Column("payload", sa.Text(), nullable=False),
        sa.Column("stored_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("kind", "key", name=op.f("pk_documents")),
    )
    op.create_table(
        "groups",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("district", sa.String(length=200), nullable=False),
        sa.Column("latitude", sa.Float(), nullable=True),
        sa.Column("longitude", sa.Float(), nullable=True),
        sa.Column("altitude_m", sa.Float(), nullable=True),
        sa.Column("time_zone", sa.String(length=64), nullable=False),
        sa.Column("currency", sa.String(length=3), nullable=False),
        sa.Column("language", sa.String(length=16), nullable=False),
        sa.Column("demo", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), server_default="0", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_groups")),
    )


def _books() -> None:
    """Make the tables of the entries of the books, and the settings."""
    op.create_table(
        "events",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("group_id", sa.Integer(), nullable=False),
        sa.Column("book", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=64), nullable=False),
        sa.Column("on", sa.Date(), nullable=False),
        sa.Column("who", sa.String(length=200), nullable=False),
        sa.Column("payload", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(), nullable=False),
        sa.Column("reverses", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["group_id"], ["groups.id"], name=op.f("fk_events_group_id")),
        sa.ForeignKeyConstraint(["reverses"], ["events.id"], name=op.f("fk_events_reverses")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_events")),
        sa.UniqueConstraint("reverses", name=op.f("uq_events_reverses")),
    )
    op.create_index(op.f("ix_events_group_id"), "events", ["group_id"], unique=False)
    op.create_table(
        "facts",
        sa.Column("group_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=120), nullable=False),
        sa.Column("value", sa.Text(), nullable=True),
        sa.Column("origin", sa.String(length=16), nullable=False),
        sa.Column("source", sa.String(length=300), nullable=False),
        sa.Column("set_by", sa.String(length=200), nullable=False),
        sa.Column("set_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(["group_id"], ["groups.id"], name=op.f("fk_facts_group_id")),
        sa.PrimaryKeyConstraint("group_id", "key", name=op.f("pk_facts")),
    )


def _people_and_prices() -> None:
    """Make the tables of imported files, members and prices."""
    op.create_table(
        "imports",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("group_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("file_name", sa.String(length=300), nullable=False),
        sa.Column("file_hash", sa.String(length=64), nullable=False),
        sa.Column("imported_at", sa.DateTime(), nullable=False),
        sa.Column("who", sa.String(length=200), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("summary", sa.Text(), nullable=True),
        sa.Column("undone_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(["group_id"], ["groups.id"], name=op.f("fk_imports_group_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_imports")),
    )
    op.create_index(op.f("ix_imports_group_id"), "imports", ["group_id"], unique=False)
    op.create_table(
        "members",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("group_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("sex", sa.String(length=16), nullable=False),
        sa.Column("birth_year", sa.Integer(), nullable=True),
        sa.Column("phone", sa.String(length=40), nullable=False),
        sa.Column("consent", sa.Boolean(), nullable=False),
        sa.Column("joined_on", sa.Date(), nullable=True),
        sa.Column("left_on", sa.Date(), nullable=True),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["group_id"], ["groups.id"], name=op.f("fk_members_group_id")),
        sa.ForeignKeyConstraint(["import_id"], ["imports.id"], name=op.f("fk_members_import_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_members")),
    )
    op.create_index(op.f("ix_members_group_id"), "members", ["group_id"], unique=False)
    op.create_index(op.f("ix_members_import_id"), "members", ["import_id"], unique=False)
    op.create_table(
        "price_quotes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("group_id", sa.Integer(), nullable=False),
        sa.Column("quoted_on", sa.Date(), nullable=False),
        sa.Column("market", sa.String(length=200), nullable=False),
        sa.Column("commodity", sa.String(length=64), nullable=False),
        sa.Column("price_per_kg", sa.Float(), nullable=False),
        sa.Column("price_type", sa.String(length=32), nullable=False),
        sa.Column("source", sa.String(length=300), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["group_id"], ["groups.id"], name=op.f("fk_price_quotes_group_id")),
        sa.ForeignKeyConstraint(["import_id"], ["imports.id"], name=op.f("fk_price_quotes_import_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_price_quotes")),
    )
    op.create_index(op.f("ix_price_quotes_group_id"), "price_quotes", ["group_id"], unique=False)
    op.create_index(op.f("ix_price_quotes_import_id"), "price_quotes", ["import_id"], unique=False)


def _lots() -> None:
    """Make the tables of lots and who owns what part of them."""
    op.create_table(
        "lots",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("group_id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=200), nullable=False),
        sa.Column("commodity", sa.String(length=64), nullable=False),
        sa.Column("variety", sa.String(length=120), nullable=False),
        sa.Column("form", sa.String(length=16), nullable=False),
        sa.Column("bags", sa.Integer(), nullable=False),
        sa.Column("bag_mass_kg", sa.Float(), nullable=True),
        sa.Column("nominal_bag_kg", sa.Float(), nullable=True),
        sa.Column("weighed_moisture_pct", sa.Float(), nullable=True),
        sa.Column("weighed_on", sa.Date(), nullable=True),
        sa.Column("owner_id", sa.Integer(), nullable=True),
        sa.Column("place", sa.String(length=200), nullable=False),
        sa.Column("harvested_on", sa.Date(), nullable=True),
        sa.Column("use", sa.String(length=16), nullable=False),
        sa.Column("status", sa.String(length=16), nullable=False),
        sa.Column("storage_method", sa.String(length=64), nullable=True),
        sa.Column("stored_on", sa.Date(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("demo", sa.Boolean(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["group_id"], ["groups.id"], name=op.f("fk_lots_group_id")),
        sa.ForeignKeyConstraint(["import_id"], ["imports.id"], name=op.f("fk_lots_import_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["members.id"], name=op.f("fk_lots_owner_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lots")),
        sa.UniqueConstraint("group_id", "label", name=op.f("uq_lots_group_id_label")),
    )
    op.create_index(op.f("ix_lots_group_id"), "lots", ["group_id"], unique=False)
    op.create_index(op.f("ix_lots_import_id"), "lots", ["import_id"], unique=False)
    op.create_table(
        "lot_shares",
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("member_id", sa.Integer(), nullable=False),
        sa.Column("share", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_lot_shares_lot_id")),
        sa.ForeignKeyConstraint(["member_id"], ["members.id"], name=op.f("fk_lot_shares_member_id")),
        sa.PrimaryKeyConstraint("lot_id", "member_id", name=op.f("pk_lot_shares")),
    )


def _readings_and_sales() -> None:
    """Make the tables of what lots were tested and sold for."""
    op.create_table(
        "readings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("taken_at", sa.DateTime(), nullable=False),
        sa.Column("bag", sa.String(length=64), nullable=False),
        sa.Column("temperature_c", sa.Float(), nullable=True),
        sa.Column("relative_humidity_pct", sa.Float(), nullable=True),
        sa.Column("meter_moisture_pct", sa.Float(), nullable=True),
        sa.Column("tester", sa.String(length=200), nullable=False),
        sa.Column("settled", sa.Boolean(), nullable=True),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["import_id"], ["imports.id"], name=op.f("fk_readings_import_id")),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_readings_lot_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
    )
    op.create_index(op.f("ix_readings_import_id"), "readings", ["import_id"], unique=False)
    op.create_index("ix_readings_lot_id_taken_at", "readings", ["lot_id", "taken_at"], unique=False)
    op.create_table(
        "sales",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("sold_on", sa.Date(), nullable=False),
        sa.Column("bags", sa.Integer(), nullable=False),
        sa.Column("mass_kg", sa.Float(), nullable=False),
        sa.Column("moisture_pct", sa.Float(), nullable=True),
        sa.Column("price_per_kg", sa.Float(), nullable=False),
        sa.Column("buyer", sa.String(length=200), nullable=False),
        sa.Column("paid_on", sa.Date(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_sales_lot_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sales")),
    )
    op.create_index(op.f("ix_sales_lot_id"), "sales", ["lot_id"], unique=False)


def downgrade() -> None:
    """Remove the tables."""
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP TRIGGER events_stay ON events")
        op.execute("DROP FUNCTION refuse_event_change()")
    op.drop_table("sales")
    op.drop_table("readings")
    op.drop_table("lot_shares")
    op.drop_table("lots")
    op.drop_table("price_quotes")
    op.drop_table("members")
    op.drop_table("imports")
    op.drop_table("facts")
    op.drop_table("events")
    op.drop_table("groups")
    op.drop_table("documents")


def _guards(engine: str) -> list[str]:
    if engine == "sqlite":
        return [
            f"CREATE TRIGGER events_no_{act.lower()} BEFORE {act} ON events "
            "BEGIN SELECT RAISE(ABORT, 'entries of a book are never changed'); END"
            for act in ("UPDATE", "DELETE")
        ]
    if engine == "postgresql":
        return [
            "CREATE FUNCTION refuse_event_change() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'entries of a book are never changed'; END $$",
            "CREATE TRIGGER events_stay BEFORE UPDATE OR DELETE ON events "
            "FOR EACH ROW EXECUTE FUNCTION refuse_event_change()",
        ]
    return []
