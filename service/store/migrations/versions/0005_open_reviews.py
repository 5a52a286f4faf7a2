"""Open reviews are found without a look at the answered ones"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

OPEN = sa.text("state = 'open'")


def upgrade() -> None:
    """Apply."""
    op.create_index("ix_review_open", "review", ["practice_id", "athlete_id"], sqlite_where=OPEN, postgresql_where=OPEN)


def downgrade() -> None:
    """Undo."""
    op.drop_index("ix_review_open", "review", sqlite_where=OPEN, postgresql_where=OPEN)
