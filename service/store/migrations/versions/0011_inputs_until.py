"""The latest day of which anything was stored of an athlete"""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    with op.batch_alter_table("athlete", schema=None) as batch_op:
        batch_op.add_column(sa.Column("inputs_until", sa.Date(), nullable=True))


def downgrade() -> None:
    """Undo."""
    with op.batch_alter_table("athlete", schema=None) as batch_op:
        batch_op.drop_column("inputs_until")
