"""What an athlete ate on each day against what was in force then: intake, fasts, windows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.application.evidence.roster import energy_steps
from service.domain.nutrition.adherence import DayIntake
from service.domain.nutrition.eating import EatingDay, LoggedMeal, eating_days, window_length_h
from service.domain.records import FoodState
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, AthleteDay, Meal, Phase, Target

LOOK_BACK = timedelta(days=14)  # declared fasts before the first day are looked across


@dataclass(frozen=True)
class DayAdherence:
    """A day's intake beside its targets, its fast and window, and how long a window was allowed (hours)."""

    intake: DayIntake
    eating: EatingDay
    window_allowed_h: float | None


async def adherence(scope: Scope, athlete: Athlete, first: date, last: date) -> list[DayAdherence]:
    """Every day from one local date to another, both included."""
    day, meal = table_of(AthleteDay), table_of(Meal)
    span = first - LOOK_BACK, last + timedelta(days=1)
    days = scope.select(AthleteDay).where(day.c.athlete_id == athlete.id, day.c.date.between(*span))
    logged = {row.date: row for row in await scope.all(AthleteDay, days)}
    eaten = scope.select(Meal).where(
        meal.c.athlete_id == athlete.id, meal.c.date.between(*span), meal.c.suspect.is_(None)
    )
    meals = [
        LoggedMeal(row.date, row.at, row.energy_kcal, row.protein_g, row.slot) for row in await scope.all(Meal, eaten)
    ]
    eating = eating_days(meals, {on: FoodState(row.food_state) for on, row in logged.items()}, first, last)
    in_force = await _InForce.load(scope, athlete, last)
    return [
        DayAdherence(_intake(eats.date, logged.get(eats.date), in_force), eats, in_force.window_h(eats.date))
        for eats in eating
    ]


@dataclass(frozen=True)
class _InForce:
    """What was to be eaten on each day up to a last one; rows oldest first."""

    energy: Sequence[tuple[date, float | None]]
    targets: Sequence[Target]
    own_window: Mapping[str, str] | None

    @classmethod
    async def load(cls, scope: Scope, athlete: Athlete, last: date) -> "_InForce":
        """Read the targets and phases that were in force up to a day."""
        target, phase = table_of(Target), table_of(Phase)
        begun = scope.select(Target).where(target.c.athlete_id == athlete.id, target.c.from_date <= last)
        targets = await scope.all(Target, begun.order_by(target.c.from_date))
        started = scope.select(Phase).where(phase.c.athlete_id == athlete.id, phase.c.starts_on <= last)
        phases = await scope.all(Phase, started)
        return cls(energy_steps(phases, targets), targets, athlete.eating_window)

    def energy_kcal(self, day: date) -> float | None:
        """Energy in force."""
        return next((energy for on, energy in reversed(self.energy) if on <= day), None)

    def protein_g(self, day: date) -> float | None:
        """Protein in force."""
        targets = self._targets(day)
        return None if targets is None else targets.protein_g

    def window_h(self, day: date) -> float | None:
        """Length of the eating window in force: of the targets, else the athlete's own."""
        targets = self._targets(day)
        window = (targets.eating_window if targets is not None else None) or self.own_window
        return window_length_h(window["from"], window["to"]) if window else None

    def _targets(self, day: date) -> Target | None:
        return next((targets for targets in reversed(self.targets) if targets.from_date <= day), None)


def _intake(day: date, logged: AthleteDay | None, in_force: _InForce) -> DayIntake:
    state = FoodState.NOT_LOGGED if logged is None else FoodState(logged.food_state)
    if logged is None or state == FoodState.NOT_LOGGED:
        return DayIntake(day, state, None, None, in_force.energy_kcal(day), in_force.protein_g(day))
    return DayIntake(
        day, state, logged.energy_kcal, logged.protein_g, in_force.energy_kcal(day), in_force.protein_g(day)
    )
