"""Settings that said what another one says, or that nothing reads any more."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from core.group.older_records import GONE

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

SAME = ("meter.worth.deduction_per_point", "plan.discount_per_point")


def upgrade() -> None:
    """Carry a buyer's deduction a point over to the one setting where that was not entered, and drop the others."""
    facts = sa.table("facts", *[sa.column(name) for name in ("group_id", "key", "value")])
    connection = op.get_bind()
    old, new = SAME
    there = connection.execute(sa.select(facts.c.group_id).where(facts.c.key == new, facts.c.value.is_not(None)))
    entered = [row.group_id for row in there]
    connection.execute(sa.delete(facts).where(facts.c.key == old, facts.c.group_id.in_(entered)))
    moved = sa.select(facts.c.group_id).where(facts.c.key == old)
    moving = [row.group_id for row in connection.execute(moved)]
    connection.execute(sa.delete(facts).where(facts.c.key == new, facts.c.group_id.in_(moving)))
    connection.execute(sa.update(facts).where(facts.c.key == old).values(key=new))
    connection.execute(sa.delete(facts).where(facts.c.key.in_(GONE)))


def downgrade() -> None:
    """Leave all as it is: the older version assumes again what it no longer finds."""
