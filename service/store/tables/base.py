"""What all tables stand on. `practice_id` leads every key and index, so that a practice's rows lie together."""

import uuid
from typing import Any

from sqlalchemy import ForeignKeyConstraint, MetaData
from sqlmodel import Field, SQLModel

from service.store.types import new_id

SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}
metadata: MetaData = SQLModel.metadata

Json = dict[str, Any]  # an object in a Document column


class Owned(SQLModel):
    """A row of one practice."""

    practice_id: uuid.UUID = Field(primary_key=True)
    id: uuid.UUID = Field(default_factory=new_id, primary_key=True)


def of_practice(*more: Any) -> tuple[Any, ...]:
    """Table arguments of a row that goes with its practice."""
    return (*more, ForeignKeyConstraint(["practice_id"], ["practice.id"], ondelete="CASCADE"))


def of_athlete(*more: Any) -> tuple[Any, ...]:
    """Table arguments of a row that goes with its athlete."""
    return (
        *more,
        ForeignKeyConstraint(["practice_id", "athlete_id"], ["athlete.practice_id", "athlete.id"], ondelete="CASCADE"),
    )


CLUSTERED = {"sqlite_with_rowid": False}  # the key is the row's place: an athlete's days are read in one sweep
