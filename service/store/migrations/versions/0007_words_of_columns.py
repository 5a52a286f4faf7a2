"""Columns that hold one of a few words refuse all others"""

from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

RUN = ("running", "done", "failed")
PATTERN = ("omnivore", "vegetarian", "vegan")
WORDS: dict[str, dict[str, tuple[str, ...]]] = {  # by table and column
    "athlete": {
        "sex": ("female", "male"),
        "experience": ("novice", "intermediate", "advanced"),
        "food_pattern": PATTERN,
        "review_weekday": ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"),
    },
    "phase": {"kind": ("build", "cut", "maintain")},
    "replay": {"state": RUN},
    "measurement": {
        "method": ("tape", "skinfold", "skinfold_3", "skinfold_4", "skinfold_7", "scan", "impedance", "given")
    },
    "food_day": {"state": ("complete", "partial", "fast")},
    "entry_revision": {
        "kind": ("weigh_in", "meal", "training_session", "measurement", "wellbeing"),
        "replaced_by": ("change", "delete"),
    },
    "review": {"state": ("open", "accepted", "amended", "declined", "lapsed")},
    "decision": {"decision": ("accepted", "amended", "declined")},
    "import_run": {"state": RUN},
    "own_food": {"state": ("raw", "cooked", "dry", "ready", "canned", "dried"), "diet": PATTERN},
}


def upgrade() -> None:
    """Apply."""
    for table, columns in WORDS.items():
        with op.batch_alter_table(table, schema=None) as batch_op:
            for column, words in columns.items():
                listed = ", ".join(f"'{word}'" for word in words)
                batch_op.create_check_constraint(op.f(f"ck_{table}_{column}"), f"{column} IN ({listed})")


def downgrade() -> None:
    """Undo."""
    for table, columns in WORDS.items():
        with op.batch_alter_table(table, schema=None) as batch_op:
            for column in columns:
                batch_op.drop_constraint(op.f(f"ck_{table}_{column}"), type_="check")
