"""Average mass, energy requirement, food preferences: the field's words, in stored documents too"""

import re
from collections.abc import Callable
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

NAMES = {
    "trend_mass_kg": "average_mass_kg",
    "expenditure_kcal": "energy_requirement_kcal",
    "gave_way": "overridden",
    "data.doubted_entries": "data.suspect_entries",
    "doubted_28_d": "suspect_28_d",
}
GONE = re.compile(r"lean_\w+_male_pct")  # thresholds about looks, which no rule reads any more
BATCH = 200
DOCUMENTS = (  # tables, what identifies their rows in a practice, and columns that hold documents with such names
    ("review", "id", ("document", "score", "attention")),
    ("policy_version", "id", ("changes",)),
    ("replay", "id", ("result",)),
    ("check_in", "athlete_id", ("attention",)),
)


def renamed(part: Any, names: dict[str, str]) -> Any:
    """A document with other names of its keys and of values that are such names, without what is gone."""
    if isinstance(part, dict):
        return {names.get(key, key): renamed(value, names) for key, value in part.items() if not GONE.fullmatch(key)}
    if isinstance(part, list):
        return [renamed(value, names) for value in part if not (isinstance(value, str) and GONE.fullmatch(value))]
    return names.get(part, part) if isinstance(part, str) else part


def _rewrite(change: Callable[[Any], Any], words: tuple[str, ...]) -> None:
    """Put changed documents in the place of those in which a word occurs, in batches, by primary key."""
    connection = op.get_bind()
    for name, identifier, columns in DOCUMENTS:
        keys = ("practice_id", identifier)
        table = sa.table(
            name,
            *(sa.column(key, sa.Uuid) for key in keys),
            *(sa.column(one, sa.JSON(none_as_null=True)) for one in columns),
        )
        holds = [sa.cast(table.c[one], sa.Text).contains(word, autoescape=True) for one in columns for word in words]
        update = sa.update(table).where(*(table.c[key] == sa.bindparam(f"of_{key}") for key in keys))
        with_words = connection.execute(sa.select(*(table.c[key] for key in keys)).where(sa.or_(*holds))).all()
        for begin in range(0, len(with_words), BATCH):
            some = sa.or_(
                *(
                    sa.and_(*(table.c[key] == row._mapping[key] for key in keys))
                    for row in with_words[begin : begin + BATCH]
                )
            )
            values = [
                {f"of_{key}": row._mapping[key] for key in keys} | {one: change(row._mapping[one]) for one in columns}
                for row in connection.execute(sa.select(table).where(some)).all()
            ]
            connection.execute(update, values)


def _move(old: str, new: str) -> None:
    """A table under another name, its constraints with it."""
    columns: list[sa.Column[Any]] = [
        sa.Column("practice_id", sa.Uuid(), nullable=False),
        sa.Column("athlete_id", sa.Uuid(), nullable=False),
        *(sa.Column(name, sa.JSON(none_as_null=True), nullable=False) for name in ("exclude", "prefer", "less")),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("updated_at", sa.DateTime(timezone=True), nullable=False),
    ]
    op.create_table(
        new,
        *columns,
        sa.ForeignKeyConstraint(
            ["practice_id", "athlete_id"],
            ["athlete.practice_id", "athlete.id"],
            name=op.f(f"fk_{new}_practice_id_athlete_id_athlete"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("practice_id", "athlete_id", name=op.f(f"pk_{new}")),
    )
    names = [column.name for column in columns]
    source = sa.table(old, *(sa.column(name) for name in names))
    op.execute(sa.insert(sa.table(new, *(sa.column(name) for name in names))).from_select(names, sa.select(source)))
    op.drop_table(old)


def upgrade() -> None:
    """Apply."""
    _move("food_wishes", "food_preferences")
    _rewrite(lambda document: renamed(document, NAMES), (*NAMES, "lean_"))


def downgrade() -> None:
    """Undo; the threshold that is gone does not come back."""
    _move("food_preferences", "food_wishes")
    back = {new: old for old, new in NAMES.items()}
    _rewrite(lambda document: renamed(document, back), tuple(back))
