"""A starter plan for 2, 3 or 4 training days, balanced over the whole body, built by rules from the catalogue.

Every day is a list of places, each a movement pattern with a role. A place is filled with the first exercise of its
pattern that the equipment, the athlete's experience and what hurts allow and that the plan does not have yet, wanted
main lifts first; where the pattern cannot be trained, with the nearest substitute by muscles. Sets are then moved
towards the weekly budget of `volume`, and an exercise is added for a muscle that no other could bring up to it. The
division of days is common practice, no source; it trains every large muscle twice a week or more.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from service.domain.policy import DEFAULT, Policy
from service.domain.training.care import Care
from service.domain.training.exercise import Count, Exercise
from service.domain.training.prescription import Scheme
from service.domain.training.substitutes import substitutes
from service.domain.training.volume import EMPHASES, VolumeBand, bands_for, weekly_sets

MAIN, COMPOUND, SMALL = "main", "compound", "small"
MOST_SETS, FEWEST_SETS = 5, 2  # of an exercise on a day, when sets are moved (common practice, no source)
DAY_SETS = 26  # of a day, at most, when sets are added: about 90 minutes (common practice, no source)
MOVES = 100  # of single sets towards the weekly budget, at most
USUAL_RANGE: Mapping[Count, tuple[int, int]] = {"reps": (6, 10), "seconds": (20, 40), "distance_m": (20, 40)}


class Place(NamedTuple):
    """A place of a day: pattern and role; `trains` must be a direct muscle, `spares` one that is not loaded at all."""

    pattern: str
    role: str
    trains: str = ""
    spares: str = ""


_SQUAT, _HINGE = Place("squat", MAIN), Place("hinge", MAIN)
_PUSH, _PRESS = Place("horizontal_push", MAIN), Place("vertical_push", MAIN)
_ROW, _PULL = Place("horizontal_pull", MAIN), Place("vertical_pull", MAIN)
_MORE_SQUAT, _LUNGE = Place("squat", COMPOUND), Place("lunge", COMPOUND)
_MORE_PUSH, _MORE_PRESS = Place("horizontal_push", COMPOUND), Place("vertical_push", COMPOUND)
_MORE_ROW, _MORE_PULL = Place("horizontal_pull", COMPOUND), Place("vertical_pull", COMPOUND)
_HIPS = Place("hinge", COMPOUND, spares="spinal_erectors")  # the lower back has had its hinge
_TRUNK, _CARRY = Place("trunk", SMALL), Place("carry", SMALL)


def _small(muscle: str) -> Place:
    return Place("isolation", SMALL, trains=muscle)


_DAYS: Mapping[int, tuple[tuple[str, tuple[Place, ...]], ...]] = {
    2: (
        ("Squat, push and row", (_SQUAT, _PUSH, _ROW, _HIPS, _MORE_PULL, _small("side_delts"), _TRUNK)),
        ("Hinge, press and pull", (_HINGE, _PRESS, _PULL, _LUNGE, _MORE_PUSH, _small("calves"), _CARRY)),
    ),
    3: (
        ("Squat, push and row", (_SQUAT, _PUSH, _ROW, _HIPS, _small("side_delts"), _TRUNK)),
        ("Hinge, press and pull", (_HINGE, _PRESS, _PULL, _LUNGE, _small("calves"), _CARRY)),
        ("One leg and one arm", (_LUNGE, _MORE_PUSH, _MORE_ROW, _small("hamstrings"), _small("rear_delts"), _TRUNK)),
    ),
    4: (
        ("Upper body: push and row", (_PUSH, _ROW, _MORE_PRESS, _MORE_PULL, _small("triceps"))),
        ("Lower body: squat", (_SQUAT, _HIPS, _LUNGE, _small("calves"), _TRUNK)),
        ("Upper body: press and pull", (_PRESS, _PULL, _MORE_PUSH, _MORE_ROW, _small("biceps"), _small("side_delts"))),
        ("Lower body: hinge", (_HINGE, _MORE_SQUAT, _small("hamstrings"), _small("calves"), _CARRY)),
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
    emphasis: Collection[str] = (),
    care: Collection[Care] = (),
    avoid_exercises: Collection[str] = (),
    avoid_regions: Collection[str] = (),
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
    emphasis : collection of str
        Names in `volume.EMPHASES` of what is to be trained more than the rest.
    care : collection of Care
        Why the athlete starts lighter: fewer sets, more repetitions in reserve, higher ranges.
    avoid_exercises, avoid_regions : collection of str
        Slugs that must not be planned, and regions of the body that nothing may load.
    policy : Policy
        Sets and repetitions of the main lifts, and the weekly budget.

    Raises
    ------
    ValueError
        For other numbers of days.
    """
    if days not in _DAYS:
        raise ValueError("a starter plan has 2, 3 or 4 days")
    allowed = [
        exercise
        for slug, exercise in catalogue.items()
        if slug not in avoid_exercises
        and not set(exercise.regions) & set(avoid_regions)
        and set(exercise.equipment) <= set(equipment)
        and (experience != "novice" or exercise.skill < 3)
    ]
    if experience == "novice":  # what is soon learnt before what takes a coach
        allowed.sort(key=lambda exercise: exercise.skill)
    allowed.sort(key=lambda exercise: [*main_lifts, exercise.slug].index(exercise.slug) - len(main_lifts))
    effort = _Effort(experience, bool(care), policy)
    chosen = _choose(_DAYS[days], allowed, catalogue)
    spots: Spots = {}
    for number, (_, places) in enumerate(_DAYS[days]):
        for at, place in enumerate(places):
            if (number, at) in chosen:
                spots[number, at] = effort.planned(catalogue[chosen[number, at]], place.role)
    bands = bands_for(experience, emphasis=emphasis, care=bool(care), policy=policy)
    emphasised = {muscle for name in emphasis for muscle in EMPHASES[name]}
    spots = _Budget(catalogue, allowed, bands, emphasised, effort).kept(spots)
    plan = [
        PlannedDay(name, tuple(spots[spot] for spot in sorted(spots) if spot[0] == number))
        for number, (name, _) in enumerate(_DAYS[days])
    ]
    return tuple(day for day in plan if day.exercises)


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
        if place.role == MAIN:  # progress shows best where a load can be read off
            fresh.sort(key=lambda exercise: not exercise.measures_strength)
        else:  # beside the main lifts, nothing that needs much skill where something simpler does
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


@dataclass(frozen=True)
class _Effort:
    """How much is asked of an exercise by its role in the day."""

    experience: str
    care: bool
    policy: Policy

    def planned(self, exercise: Exercise, role: str) -> PlannedExercise:
        main = role == MAIN and exercise.measures_strength
        return PlannedExercise(exercise.slug, self._scheme(exercise.counts, role), main)

    def _scheme(self, counts: Count, role: str) -> Scheme:
        policy, novice = self.policy, self.experience == "novice"
        rir = (3 if novice else 2) + (policy.care_rir_more if self.care else 0)
        if role == MAIN:
            sets, rest_s = policy.main_sets_high if self.experience == "advanced" else policy.main_sets_low, 180
            low, high = policy.main_reps_low, policy.main_reps_high
            if self.care:
                low, high = policy.care_reps_low, policy.care_reps_high
        elif role == COMPOUND:
            sets, low, high, rest_s = 2 if novice else 3, 8, 12, 120
        else:
            sets, low, high, rest_s = 2, 10, 15, 90
        if counts != "reps":
            low, high = USUAL_RANGE[counts]
        if self.care:
            sets = max(sets - policy.care_sets_less, FEWEST_SETS)
        return Scheme(sets, low, max(low, high), rir, rest_s)


Spots = dict[tuple[int, int], PlannedExercise]  # by day and place


@dataclass(frozen=True)
class _Budget:
    """The weekly sets of a plan, brought into their bands set by set."""

    catalogue: Mapping[str, Exercise]
    allowed: Sequence[Exercise]
    bands: Mapping[str, VolumeBand]
    emphasised: Collection[str]  # muscles, served after the rest has what it needs
    effort: _Effort

    def kept(self, spots: Spots) -> Spots:
        """Sets off muscles above their band first, then on to those below theirs, then an exercise more for these."""
        spots = dict(spots)
        for _ in range(MOVES):
            week = weekly_sets([(item.exercise, item.scheme.sets) for item in spots.values()], self.catalogue)
            above = {muscle for muscle, band in self.bands.items() if week.get(muscle, 0.0) > band.high}
            missing = {muscle: band.low - week.get(muscle, 0.0) for muscle, band in self.bands.items()}
            below = [muscle for muscle, sets in missing.items() if sets > 0]
            below.sort(key=lambda muscle: (muscle in self.emphasised, -missing[muscle]))
            change = self._less(spots, above)
            for muscle in below:
                change = change or self._more(spots, muscle, above) or self._added(spots, muscle, above)
            if change is None:
                break
            spots |= change
        return spots

    def _less(self, spots: Spots, above: set[str]) -> Spots | None:
        """A set off the largest exercise that trains a muscle above its band, main lifts last."""
        able = [
            spot
            for spot, item in spots.items()
            if item.scheme.sets > FEWEST_SETS and above & set(self.catalogue[item.exercise].direct)
        ]
        able.sort(key=lambda spot: (spots[spot].main, -spots[spot].scheme.sets))
        return _resized(spots, able[0], -1) if able else None

    def _more(self, spots: Spots, muscle: str, above: set[str]) -> Spots | None:
        """A set on the smallest exercise that trains a muscle directly and none above its band."""
        able = [
            spot
            for spot, item in spots.items()
            if item.scheme.sets < self._most_sets(item)
            and self._room(spots, spot[0])
            and muscle in self.catalogue[item.exercise].direct
            and not above & set(self.catalogue[item.exercise].direct)
        ]
        able.sort(key=lambda spot: spots[spot].scheme.sets)
        return _resized(spots, able[0], 1) if able else None

    def _most_sets(self, item: PlannedExercise) -> int:
        return MOST_SETS if item.main else MOST_SETS - 1

    def _room(self, spots: Spots, day: int, sets: int = 1) -> bool:
        return _sets_of(spots, day) + sets <= DAY_SETS

    def _added(self, spots: Spots, muscle: str, above: set[str]) -> Spots | None:
        """One more exercise for a muscle, on the shortest day that has room and does not have it yet."""
        planned = [item.exercise for item in spots.values()]
        able = [one for one in self.allowed if muscle in one.direct and not above & set(one.direct)]
        able.sort(key=lambda one: (planned.count(one.slug), len(one.direct) + len(one.indirect), one.skill))
        for day in sorted({day for day, _ in spots}, key=lambda day: _sets_of(spots, day)):
            here = {item.exercise for (of, _), item in spots.items() if of == day}
            fitting = [one for one in able if one.slug not in here]
            if fitting and self._room(spots, day, FEWEST_SETS):
                role = SMALL if fitting[0].pattern in ("isolation", "trunk", "carry") else COMPOUND
                added = self.effort.planned(fitting[0], role)
                place = 1 + max(at for of, at in spots if of == day)
                return {(day, place): replace(added, scheme=replace(added.scheme, sets=FEWEST_SETS))}
        return None


def _sets_of(spots: Spots, day: int) -> int:
    return sum(item.scheme.sets for (of, _), item in spots.items() if of == day)


def _resized(spots: Spots, spot: tuple[int, int], by: int) -> Spots:
    scheme = spots[spot].scheme
    return {spot: replace(spots[spot], scheme=replace(scheme, sets=scheme.sets + by))}
