"""A practice's own foods, and what its athletes eat."""

import datetime as dt
import uuid

from sqlalchemy import String, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.store.tables.base import Json, Owned, of_athlete, of_practice
from service.store.types import Document, FoodPattern, Instant, PreparationState, now, one_of


class OwnFood(Owned, table=True):
    """A practice's own food, or its recipe: then `ingredients` say what it is made of, and its composition follows."""

    __tablename__ = "own_food"
    __table_args__ = of_practice(
        UniqueConstraint("practice_id", "slug"), one_of("state", PreparationState), one_of("diet", FoodPattern)
    )
    slug: str
    name: str
    food_group: str
    state: PreparationState = Field(sa_type=String)
    diet: FoodPattern | None = Field(default=None, sa_type=String)  # None: that of the ingredients
    allergens: list[str] = Field(default_factory=list, sa_type=Document)
    per_100g: dict[str, float | None] | None = Field(default=None, sa_type=Document)
    ingredients: list[Json] | None = Field(default=None, sa_type=Document)
    yield_g: float | None = None
    unit: Json | None = Field(default=None, sa_type=Document)
    portion: Json | None = Field(default=None, sa_type=Document)
    source: str
    revision: int = 1
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class FoodPreferences(SQLModel, table=True):
    """What an athlete never eats, likes, and likes less; every menu keeps to it."""

    __tablename__ = "food_preferences"
    __table_args__ = of_athlete()
    practice_id: uuid.UUID = Field(primary_key=True)
    athlete_id: uuid.UUID = Field(primary_key=True)
    exclude: list[str] = Field(default_factory=list, sa_type=Document)
    prefer: list[str] = Field(default_factory=list, sa_type=Document)
    less: list[str] = Field(default_factory=list, sa_type=Document)
    revision: int = 1
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)
