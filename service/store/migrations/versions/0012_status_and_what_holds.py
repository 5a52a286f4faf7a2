"""Athletes' status, what a check finds to hold, thresholds by a plan's own rhythm of measurements"""

from collections.abc import Mapping

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

STATUS = "status IN ('active', 'paused', 'ended')"
OLD, NEW = "check_in_measurement_days", "measurement_every_days"


def _rename(old: str, new: str) -> None:
    """A threshold under another name, in the versions of policies that change it."""
    connection = op.get_bind()
    key = ("practice_id", "id")
    table = sa.table(
        "policy_version", *(sa.column(name, sa.Uuid) for name in key), sa.column("changes", sa.JSON(none_as_null=True))
    )
    holds = sa.cast(table.c.changes, sa.Text).contains(f'"{old}"', autoescape=True)
    for row in connection.execute(sa.select(table).where(holds)).all():
        changes: Mapping[str, object] = row.changes
        renamed = {new if name == old else name: value for name, value in changes.items()}
        same = (table.c[name] == getattr(row, name) for name in key)
        connection.execute(sa.update(table).where(*same).values(changes=renamed))


def upgrade() -> None:
    """Apply."""
    with op.batch_alter_table("athlete", schema=None) as batch_op:
        batch_op.add_column(sa.Column("status", sa.String(), nullable=False, server_default="active"))
        batch_op.create_check_constraint(op.f("ck_athlete_status"), STATUS)
    with op.batch_alter_table("check_in", schema=None) as batch_op:
        batch_op.add_column(sa.Column("holding", sa.JSON(none_as_null=True), nullable=True))
    _rename(OLD, NEW)


def downgrade() -> None:
    """Undo."""
    _rename(NEW, OLD)
    with op.batch_alter_table("check_in", schema=None) as batch_op:
        batch_op.drop_column("holding")
    with op.batch_alter_table("athlete", schema=None) as batch_op:
        batch_op.drop_constraint(op.f("ck_athlete_status"), type_="check")
        batch_op.drop_column("status")
