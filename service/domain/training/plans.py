"""A starter plan for 2, 3 or 4 training days with the emphasis on the back, built by rules from the catalogue.

Every day is a list of places, each a movement pattern with a role. A place is filled with the first exercise of its
pattern that the equipment and the athlete's experience allow and that the plan does not have yet, main lifts first;
where the pattern cannot be trained, with the nearest substitute by muscles. Sets are then moved towards the weekly
budget of `volume`: more for a back below its band, fewer for a muscle above its own. The division of days is common
practice, no source; it gives every muscle of the back two or more sessions a week.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from service.domain.policy import DEFAULT, Policy
from service.domain.training.exercise import Exercise
from service.domain.training.progression import Scheme
from service.domain.training.substitutes import substitutes
from service.domain.training.volume import BACK, bands_for, weekly_sets

MAIN, COMPOUND, SMALL = "main", "compound", "small"
MOST_SETS, FEWEST_SETS = 5, 2  # of an exercise on a day, when sets are moved (common practice, no source)
MOVES = 60  # of single sets towards the weekly budget, at most


class Place(NamedTuple):
    """A place of a day: pattern and role; `trains` must be a direct muscle, `spares` one that is not loaded at all."""

    pattern: str
    role: str
    trains: str = ""
    spares: str = ""


_HINGE, _PULL, _ROW = Place("hinge", MAIN), Place("vertical_pull", MAIN), Place("horizontal_pull", MAIN)
_SQUAT, _LUNGE = Place("squat", COMPOUND), Place("lunge", COMPOUND)
_PUSH, _PRESS = Place("horizontal_push", COMPOUND), Place("vertical_push", COMPOUND)
_MORE_PULL, _MORE_ROW = Place("vertical_pull", COMPOUND), Place("horizontal_pull", COMPOUND)
_HIPS = Place("hinge", COMPOUND, spares="spinal_erectors")  # the lower back has had its hinge
_TRUNK, _CARRY = Place("trunk", SMALL), Place("carry", SMALL)


def _small(muscle: str) -> Place:
    return Place("isolation", SMALL, trains=muscle)


_DAYS: Mapping[int, tuple[tuple[str, tuple[Place, ...]], ...]] = {
    2: (
        ("Hinge and pull", (_HINGE, _PULL, _PUSH, _ROW, _SQUAT, _TRUNK)),
        ("Row and squat", (_ROW, _SQUAT, _PULL, _PRESS, _HIPS, _CARRY)),
    ),
    3: (
        ("Hinge and pull-up", (_HINGE, _PULL, _PUSH, _MORE_ROW, _TRUNK)),
        ("Row and squat", (_ROW, _SQUAT, _PULL, _PRESS, _small("rear_delts"))),
        ("One arm and one leg", (_ROW, _LUNGE, _MORE_PULL, _PUSH, _HIPS, _CARRY)),
    ),
    4: (
        ("Back: hinge and pull-up", (_HINGE, _PULL, _MORE_ROW, _small("rear_delts"))),
        ("Squat and push", (_SQUAT, _PUSH, _PRESS, _small("hamstrings"), _TRUNK)),
        ("Back: rows", (_ROW, _PULL, _ROW, _small("biceps"))),
        ("Lunge, push and carry", (_LUNGE, _PUSH, _HIPS, _small("side_delts"), _CARRY)),
    ),
}


@dataclass(frozen=True)
class PlannedExercise:
    """An exercise of a day with its scheme; `main` lifts stand for the athlete's strength."""

    exercise: str
    scheme: Scheme
    main: bool


@dataclass(frozen=True)
class PlannedDay:
    """A training day."""

    name: str
    exercises: tuple[PlannedExercise, ...]


def starter_plan(
    days: int,
    catalogue: Mapping[str, Exercise],
    equipment: Collection[str],
    *,
    experience: str = "intermediate",
    main_lifts: Sequence[str] = (),
    stopped: Collection[str] = (),
    policy: Policy = DEFAULT,
) -> tuple[PlannedDay, ...]:
    """Build a plan of 2, 3 or 4 days; a place that no exercise can fill is left out.

    Parameters
    ----------
    days : int
        Training days a week.
    catalogue : mapping of Exercise
        By slug.
    equipment : collection of str
        At hand.
    experience : str
        novice, intermediate or advanced.
    main_lifts : sequence of str
        Slugs that are wanted first, in their order.
    stopped : collection of str
        Slugs that must not be planned.
    policy : Policy
        Sets and repetitions of the main lifts.

    Raises
    ------
    ValueError
        For other numbers of days.
    """
    if days not in _DAYS:
        raise ValueError("a starter plan has 2, 3 or 4 days")
    allowed = {
        slug: exercise
        for slug, exercise in catalogue.items()
        if slug not in stopped
        and set(exercise.equipment) <= set(equipment)
        and (experience != "novice" or exercise.skill < 3)
    }
    ranked = sorted(allowed, key=lambda slug: main_lifts.index(slug) if slug in main_lifts else len(main_lifts))
    chosen = _choose(_DAYS[days], [allowed[slug] for slug in ranked], catalogue)
    plan = []
    for number, (name, places) in enumerate(_DAYS[days]):
        planned = (
            PlannedExercise(chosen[number, at], _scheme(place.role, experience, policy), place.role == MAIN)
            for at, place in enumerate(places)
            if (number, at) in chosen
        )
        plan.append(PlannedDay(name, tuple(planned)))
    return _within_budget(tuple(day for day in plan if day.exercises), catalogue, experience)


def _choose(
    days: Sequence[tuple[str, Sequence[Place]]], ranked: Sequence[Exercise], catalogue: Mapping[str, Exercise]
) -> dict[tuple[int, int], str]:
    """The exercise of each (day, place): main places choose first; new to the plan before new to the day."""
    chosen: dict[tuple[int, int], str] = {}
    order = [(number, at) for number, (_, places) in enumerate(days) for at in range(len(places))]
    for number, at in sorted(order, key=lambda spot: days[spot[0]][1][spot[1]].role != MAIN):
        of_day = {slug for (day, _), slug in chosen.items() if day == number}
        fresh = [exercise for exercise in ranked if exercise.slug not in chosen.values()]
        again = [exercise for exercise in ranked if exercise.slug not in of_day]
        place = days[number][1][at]
        if place.role != MAIN:  # beside the main lifts, nothing that needs much skill where something simpler does
            fresh.sort(key=lambda exercise: exercise.skill == 3)
        slug = _first(place, fresh) or _first(place, again) or _nearest(place, fresh, catalogue)
        if slug is not None:
            chosen[number, at] = slug
    return chosen


def _first(place: Place, ranked: Sequence[Exercise]) -> str | None:
    for exercise in ranked:
        fits = exercise.pattern == place.pattern and place.spares not in exercise.muscle_shares
        if fits and (not place.trains or place.trains in exercise.direct):
            return exercise.slug
    return None


def _nearest(place: Place, fresh: Sequence[Exercise], catalogue: Mapping[str, Exercise]) -> str | None:
    """Where the pattern cannot be trained here: what trains most of the same muscles."""
    if place.trains:
        return None
    model = next(exercise for exercise in catalogue.values() if exercise.pattern == place.pattern)
    here = {exercise.slug: exercise for exercise in fresh}
    near = substitutes(model, here, {item for exercise in fresh for item in exercise.equipment}, most=1)
    return near[0].exercise if near else None


def _scheme(role: str, experience: str, policy: Policy) -> Scheme:
    rir = 3 if experience == "novice" else 2
    if role == MAIN:
        sets = policy.main_sets_high if experience == "advanced" else policy.main_sets_low
        return Scheme(sets, policy.main_reps_low, policy.main_reps_high, rir, 180)
    if role == COMPOUND:
        return Scheme(2 if experience == "novice" else 3, 8, 12, rir, 120)
    return Scheme(2, 10, 15, rir, 90)


Spots = dict[tuple[int, int], PlannedExercise]  # by day and place


def _within_budget(
    plan: tuple[PlannedDay, ...], catalogue: Mapping[str, Exercise], experience: str
) -> tuple[PlannedDay, ...]:
    """Move single sets: first off muscles above their band, then on to a back below its own."""
    bands = bands_for(catalogue, experience)
    spots = {(d, p): item for d, day in enumerate(plan) for p, item in enumerate(day.exercises)}
    for _ in range(MOVES):
        week = weekly_sets([(item.exercise, item.scheme.sets) for item in spots.values()], catalogue)
        above = {muscle for muscle in week if muscle in bands and week[muscle] > bands[muscle].high}
        below = {muscle for muscle in BACK if week.get(muscle, 0.0) < bands[muscle].low}
        change = _less(spots, above, catalogue) or _more(spots, below, above, catalogue)
        if change is None:
            break
        spot, by = change
        scheme = spots[spot].scheme
        spots[spot] = replace(spots[spot], scheme=replace(scheme, sets=scheme.sets + by))
    return tuple(
        replace(day, exercises=tuple(spots[d, p] for p in range(len(day.exercises)))) for d, day in enumerate(plan)
    )


def _less(spots: Spots, above: set[str], catalogue: Mapping[str, Exercise]) -> tuple[tuple[int, int], int] | None:
    """A set off the largest exercise that trains a muscle above its band, main lifts last."""
    able = [
        spot
        for spot, item in spots.items()
        if item.scheme.sets > FEWEST_SETS and above & set(catalogue[item.exercise].direct)
    ]
    able.sort(key=lambda spot: (spots[spot].main, -spots[spot].scheme.sets))
    return (able[0], -1) if able else None


def _more(
    spots: Spots, below: set[str], above: set[str], catalogue: Mapping[str, Exercise]
) -> tuple[tuple[int, int], int] | None:
    """A set on the smallest exercise that trains a muscle below its band and none above."""
    able = []
    for spot, item in spots.items():
        direct = set(catalogue[item.exercise].direct)
        if item.scheme.sets < MOST_SETS and below & direct and not above & direct:
            able.append(spot)
    able.sort(key=lambda spot: spots[spot].scheme.sets)
    return (able[0], 1) if able else None
