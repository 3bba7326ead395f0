"""Who may do what in which group, where people sign in."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table of roles."""
    op.create_table(
        "roles",
        sa.Column("person", sa.String(length=320), nullable=False),
        sa.Column("group_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("given_by", sa.String(length=320), nullable=False),
        sa.Column("given_at", sa.DateTime(), nullable=True),
        sa.PrimaryKeyConstraint("person", "group_id", name=op.f("pk_roles")),
    )


def downgrade() -> None:
    """Remove the table of roles."""
    op.drop_table("roles")
