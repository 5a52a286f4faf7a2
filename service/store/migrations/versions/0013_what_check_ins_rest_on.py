"""What a check-in was made from; due work in the order in which it is claimed"""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

ACTIVE = sa.text("status = 'active'")
MOVED = sa.text("clock_at IS NOT NULL")
DUE = ("next_review_at", "next_check_in_at")


def upgrade() -> None:
    """Apply."""
    with op.batch_alter_table("check_in", schema=None) as batch_op:
        batch_op.add_column(sa.Column("inputs_revision", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("policy", sa.JSON(none_as_null=True), nullable=True))
    op.create_index("ix_practice_moved", "practice", ["clock_at"], sqlite_where=MOVED, postgresql_where=MOVED)
    for column in DUE:
        op.drop_index(op.f(f"ix_athlete_{column}"), table_name="athlete")
        op.create_index(
            f"ix_athlete_due_{column}",
            "athlete",
            [column, "practice_id", "id"],
            sqlite_where=ACTIVE,
            postgresql_where=ACTIVE,
        )


def downgrade() -> None:
    """Undo."""
    for column in DUE:
        op.drop_index(f"ix_athlete_due_{column}", table_name="athlete")
        op.create_index(op.f(f"ix_athlete_{column}"), "athlete", [column])
    op.drop_index("ix_practice_moved", table_name="practice")
    with op.batch_alter_table("check_in", schema=None) as batch_op:
        batch_op.drop_column("policy")
        batch_op.drop_column("inputs_revision")
