"""How often the inputs of an athlete's reviews have changed"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    with op.batch_alter_table("athlete", schema=None) as batch_op:
        batch_op.add_column(sa.Column("inputs_revision", sa.Integer(), nullable=False, server_default="0"))


def downgrade() -> None:
    """Undo."""
    with op.batch_alter_table("athlete", schema=None) as batch_op:
        batch_op.drop_column("inputs_revision")
