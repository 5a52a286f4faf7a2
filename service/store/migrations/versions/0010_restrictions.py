"""Restrictions, and symptoms noted with a training session"""

import sqlalchemy as sa
from alembic import op

import service.store.types

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

REGIONS = (
    "neck", "shoulder", "elbow", "wrist", "hand", "upper_back", "low_back", "hip", "groin", "thigh", "knee", "calf",
    "ankle", "foot",
)  # fmt: skip


def upgrade() -> None:
    """Apply."""
    op.create_table(
        "restriction",
        sa.Column("practice_id", sa.Uuid(), nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("athlete_id", sa.Uuid(), nullable=False),
        sa.Column("region", sa.String(), nullable=False),
        sa.Column("side", sa.String(), nullable=True),
        sa.Column("since", sa.Date(), nullable=False),
        sa.Column("level", sa.Float(), nullable=False),
        sa.Column("note", sa.String(), nullable=True),
        sa.Column("cleared_on", sa.Date(), nullable=True),
        sa.Column("cleared_by", sa.String(), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("updated_at", service.store.types.Instant(timezone=True), nullable=False),
        sa.CheckConstraint(
            f"region IN ({', '.join(map(repr, REGIONS))})",
            name=op.f("ck_restriction_region"),
        ),
        sa.CheckConstraint("side IN ('left', 'right', 'both')", name=op.f("ck_restriction_side")),
        sa.ForeignKeyConstraint(
            ["practice_id", "athlete_id"],
            ["athlete.practice_id", "athlete.id"],
            name=op.f("fk_restriction_practice_id_athlete_id_athlete"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("practice_id", "id", name=op.f("pk_restriction")),
    )
    with op.batch_alter_table("restriction", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_restriction_practice_id_athlete_id_since_id"),
            ["practice_id", "athlete_id", "since", "id"],
            unique=False,
        )

    with op.batch_alter_table("training_session", schema=None) as batch_op:
        batch_op.add_column(sa.Column("symptoms", sa.JSON(none_as_null=True), nullable=True))


def downgrade() -> None:
    """Undo."""
    with op.batch_alter_table("training_session", schema=None) as batch_op:
        batch_op.drop_column("symptoms")

    with op.batch_alter_table("restriction", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_restriction_practice_id_athlete_id_since_id"))

    op.drop_table("restriction")
