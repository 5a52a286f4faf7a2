"""Main lifts of an athlete, stated standard errors, carries in metres, thresholds by sport practice"""

from collections.abc import Callable
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

CARRIES = ("farmers-carry", "suitcase-carry")  # counted repetitions up to now
USUAL_M = {"from": 20, "to": 40}
GONE = ("carbohydrate_share", "eating_window_h", "last_meal_at_h")  # thresholds that no rule reads any more
BATCH = 500


def _rewrite(name: str, column: str, words: tuple[str, ...], change: Callable[[Any], Any]) -> None:
    """Put changed documents in the place of those in which a word occurs, in batches, by primary key."""
    connection = op.get_bind()
    table = sa.table(
        name, sa.column("practice_id", sa.Uuid), sa.column("id", sa.Uuid), sa.column(column, sa.JSON(none_as_null=True))
    )
    text = sa.cast(table.c[column], sa.Text)
    holds = sa.or_(*(text.contains(word, autoescape=True) for word in words))
    key = (table.c.practice_id == sa.bindparam("of_practice"), table.c.id == sa.bindparam("of_id"))
    update = sa.update(table).where(*key).values({column: sa.bindparam("changed", type_=table.c[column].type)})
    rows = connection.execute(sa.select(table).where(holds)).all()
    for begin in range(0, len(rows), BATCH):
        values = [
            {"of_practice": row.practice_id, "of_id": row.id, "changed": change(row._mapping[column])}
            for row in rows[begin : begin + BATCH]
        ]
        connection.execute(update, values)


def _carried(one: dict[str, Any], old: str, new: str, amount: Callable[[Any], Any]) -> dict[str, Any]:
    """A set or a planned exercise with another name of what a carry counts, in the same order."""
    if one["exercise"] not in CARRIES:
        return one
    return {new if key == old else key: amount(value) if key == old else value for key, value in one.items()}


def _sets(old: str, new: str) -> Callable[[Any], Any]:
    return lambda sets: [_carried(one, old, new, lambda amount: amount) for one in sets]


def _days(old: str, new: str, usual: dict[str, int]) -> Callable[[Any], Any]:
    return lambda days: [
        {**day, "exercises": [_carried(one, old, new, lambda _: usual) for one in day["exercises"]]} for day in days
    ]


def upgrade() -> None:
    """Apply; what was logged of a carry, steps or metres, is read as metres."""
    with op.batch_alter_table("athlete", schema=None) as batch_op:
        batch_op.add_column(sa.Column("main_lifts", sa.JSON(none_as_null=True), nullable=True))
    with op.batch_alter_table("measurement", schema=None) as batch_op:
        batch_op.add_column(sa.Column("given_body_fat_se_pct", sa.Float(), nullable=True))
    _rewrite("training_session", "sets", CARRIES, _sets("reps", "distance_m"))
    _rewrite("training_plan", "days", CARRIES, _days("reps", "distance_m", USUAL_M))
    _rewrite(
        "policy_version", "changes", GONE, lambda changes: {key: v for key, v in changes.items() if key not in GONE}
    )


def downgrade() -> None:
    """Undo; thresholds that are gone do not come back."""
    _rewrite("training_plan", "days", CARRIES, _days("distance_m", "reps", {"from": 10, "to": 15}))
    _rewrite("training_session", "sets", CARRIES, _sets("distance_m", "reps"))
    with op.batch_alter_table("measurement", schema=None) as batch_op:
        batch_op.drop_column("given_body_fat_se_pct")
    with op.batch_alter_table("athlete", schema=None) as batch_op:
        batch_op.drop_column("main_lifts")
