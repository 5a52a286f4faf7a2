"""What somebody eats and likes: the standing preferences of an athlete, and what a menu takes of foods."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.application.log.foods import meaning
from service.domain.nutrition.foods import Diet, Food
from service.errors import Fault, Invalid
from service.store import tables
from service.store.scope import Scope, table_of

LIKED, LESS = 5.0, 0.2  # how much more or less often a food is drawn
_TABLE = table_of(tables.FoodPreferences)


@dataclass(frozen=True)
class FoodPreferences:
    """What somebody eats and likes; words are slugs, groups or allergens. Excluded foods appear in no menu."""

    pattern: Diet = "omnivore"
    exclude: tuple[str, ...] = ()
    prefer: tuple[str, ...] = ()
    less: tuple[str, ...] = ()
    at_hand: tuple[str, ...] = ()  # when given, nothing else is used

    def allows(self, food: Food) -> bool:
        """Whether a food may stand in a menu at all."""
        return (
            food.portion is not None
            and food.fits(self.pattern)
            and not any(food.called(word) for word in self.exclude)
            and (not self.at_hand or any(food.called(word) for word in self.at_hand))
        )

    def weight(self, food: Food) -> float:
        """How gladly a food is taken."""
        liked = LIKED if any(food.called(word) for word in self.prefer) else 1.0
        return liked * (LESS if any(food.called(word) for word in self.less) else 1.0)

    def on_top_of(self, standing: tables.FoodPreferences | None) -> "FoodPreferences":
        """These beside an athlete's standing ones; standing exclusions cannot be taken back."""
        if standing is None:
            return self
        return FoodPreferences(
            self.pattern,
            exclude=(*standing.exclude, *self.exclude),
            prefer=(*standing.prefer, *self.prefer),
            less=(*standing.less, *self.less),
            at_hand=self.at_hand,
        )


async def standing_preferences(scope: Scope, athlete_id: uuid.UUID) -> tables.FoodPreferences | None:
    """The athlete's standing preferences, None when there never were any."""
    mine = scope.select(tables.FoodPreferences).where(_TABLE.c.athlete_id == athlete_id)
    return await scope.one(tables.FoodPreferences, mine)


async def keep_preferences(
    scope: Scope, athlete_id: uuid.UUID, words: Mapping[str, Sequence[str]], revision: int
) -> None:
    """Set an athlete's standing preferences as a whole.

    Parameters: `words`, of `exclude`, `prefer` and `less`; `revision`, the new one.
    """
    row = {**words, "athlete_id": athlete_id, "revision": revision, "updated_at": scope.now()}
    await scope.upsert(tables.FoodPreferences, [row], key=("practice_id", "athlete_id"))


def refuse_unknown(words: Mapping[str, Sequence[str]], foods: Mapping[str, Food]) -> None:
    """Refuse words that mean no food, by the name of their list.

    Raises Invalid with a fault for each.
    """
    known = meaning(foods)
    faults = [
        Fault(pointer=f"/{name}/{index}", code="unknown_food", detail=f"{word!r} is no food, group or allergen")
        for name, listed in words.items()
        for index, word in enumerate(listed)
        if word not in known
    ]
    if faults:
        raise Invalid(faults[0].detail, faults)
