"""Test practices, whose clock may be moved"""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    with op.batch_alter_table("practice", schema=None) as batch_op:
        batch_op.add_column(sa.Column("test", sa.Boolean(), nullable=False, server_default=sa.false()))
        batch_op.add_column(sa.Column("clock_at", sa.DateTime(timezone=True), nullable=True))
        batch_op.create_check_constraint(op.f("ck_practice_clock_at"), "clock_at IS NULL OR test")


def downgrade() -> None:
    """Undo."""
    with op.batch_alter_table("practice", schema=None) as batch_op:
        batch_op.drop_constraint(op.f("ck_practice_clock_at"), type_="check")
        batch_op.drop_column("clock_at")
        batch_op.drop_column("test")
