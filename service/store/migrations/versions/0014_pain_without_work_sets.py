"""Pain noted on exercises without a completed work set, kept beside that of the others"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

BATCH = 500
KEY = ("practice_id", "athlete_id", "session_id", "exercise")
NOTHING = {
    "body_mass_coefficient": 0.0, "intercept_kg": 0.0, "log_sd": 0.0, "curve_exposure": 0.0, "hard_sets": 0,
    "top_external_kg": 0.0, "top_reps": 0, "aids": False,
}  # fmt: skip
SESSION = sa.table(
    "training_session", *(sa.column(name, sa.Uuid) for name in ("practice_id", "athlete_id", "id")),
    sa.column("date", sa.Date), sa.column("sets", sa.JSON(none_as_null=True)),
)  # fmt: skip
LIFT = sa.table(
    "session_lift", *(sa.column(name, sa.Uuid) for name in KEY[:3]), sa.column("exercise", sa.String),
    sa.column("date", sa.Date), *(sa.column(name) for name in NOTHING), sa.column("pain", sa.Float),
)  # fmt: skip


def _missing() -> list[dict[str, Any]]:
    """Rows of exercises that hurt and have none yet."""
    connection = op.get_bind()
    hurt = sa.cast(SESSION.c.sets, sa.Text).contains('"pain"', autoescape=True)
    rows: dict[tuple[Any, ...], dict[str, Any]] = {}
    for session in connection.execute(sa.select(SESSION).where(hurt)):
        for one in session.sets:
            key = (session.practice_id, session.athlete_id, session.id, one["exercise"])
            worst = max(float(one.get("pain") or 0.0), rows[key]["pain"] if key in rows else 0.0)
            if worst > 0.0:
                rows[key] = {**dict(zip(KEY, key, strict=True)), "date": session.date, **NOTHING, "pain": worst}
    there = sa.select(*(LIFT.c[name] for name in KEY)).where(LIFT.c.pain.is_not(None))
    for known in connection.execute(there):
        rows.pop(tuple(known), None)
    return list(rows.values())


def upgrade() -> None:
    """Apply."""
    rows = _missing()
    for begin in range(0, len(rows), BATCH):
        op.get_bind().execute(sa.insert(LIFT), rows[begin : begin + BATCH])


def downgrade() -> None:
    """Undo."""
    op.get_bind().execute(sa.delete(LIFT).where(LIFT.c.hard_sets == 0))
