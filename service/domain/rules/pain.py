"""Where it hurts: which lifts and which regions of the body are stopped or held, and until when.

Pain concerns loads only, never the deficit. It is reported for a lift, a region or both; each is judged for itself, by
the worst of each day, 0–10:

- Pain of `pain_level` or more on `pain_times` days within `pain_window_days` is referred: no load there until a
  clearance for load, dated the last of these days or later.
- One report of `pain_stop_level` or more stops the lift, or all that loads the region, at once.
- One report of `pain_hold_level` or more holds the load there.

A single stop, or a hold, ends with a clearance for load dated that day or later, or when it has been quiet: at least
`pain_calm_days` since the last report above `pain_calm_level` there, and at least `pain_calm_sessions` later days with
a training session, in which nothing above it was reported there. What is reported after a quiet time is a new episode:
it does not bring back a stop that had ended. A lift that was stopped comes back lighter (`pain_return_pct`).

A restriction stops (from `pain_stop_level` on) or holds (from `pain_hold_level` on) what loads its region until it is
cleared; an injury named in the screening stops it until a clearance for load, of the day it was named or later where
that was after the first screening. All of it is common practice, no source.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal, NamedTuple

from service.domain.evidence import Evidence, Pain, Region
from service.domain.policy import Policy
from service.domain.rules.clearances import CLEARANCE, clearance
from service.domain.training.exercise import Exercise

Limit = Literal["stop", "hold"]
REFERRED = ("pain_level", "pain_times", "pain_window_days", *CLEARANCE)
CALM = ("pain_calm_level", "pain_calm_days", "pain_calm_sessions")
STOPPED = ("pain_stop_level", *CALM, *REFERRED)
HELD = ("pain_hold_level", *STOPPED)
RESTRICTED = ("pain_stop_level", "pain_hold_level", *CLEARANCE)
LOADED_WITH: dict[Region, tuple[Region, ...]] = {  # the catalogue's regions: what loads these loads those beside them
    "hand": ("wrist",),
    "groin": ("hip",),
    "thigh": ("hip", "knee"),
    "calf": ("ankle",),
    "foot": ("ankle",),
}


class Place(NamedTuple):
    """Where it hurts: a lift by its slug, or a region."""

    exercise: str | None
    region: Region | None


@dataclass(frozen=True)
class Sore:
    """A lift or region that hurts or is injured, what that forbids, and the code of the finding that says so."""

    place: Place
    limit: Limit
    code: str
    pains: tuple[Pain, ...] = ()  # what it rests on, oldest first; none of an injury or a restriction
    since: date | None = None  # of a restriction
    placed: bool = True  # of a lift: a report says which region hurts in it

    def touches(self, exercise: Exercise) -> bool:
        """Whether it is this exercise, or a region that the exercise loads."""
        name, region = self.place
        return exercise.slug == name or (region is not None and loads(exercise, region))


def loads(exercise: Exercise, region: Region) -> bool:
    """Whether an exercise loads a region, or what lies beside one that the catalogue does not name."""
    return bool({region, *LOADED_WITH.get(region, ())} & set(exercise.regions))


def referred(evidence: Evidence, policy: Policy) -> tuple[Sore, ...]:
    """Where enough pain came often enough, close enough together, without a clearance for load since."""
    sore = []
    for place, notes in _by_place(evidence).items():
        run = _last_run(notes, policy)
        if run and clearance(evidence, policy, "load", run[-1].on) is None:
            placed = _placed(evidence, place, run[0].on, policy.pain_level)
            sore.append(Sore(place, "stop", "safety.pain", run, placed=placed))
    return tuple(sore)


def stopped(evidence: Evidence, policy: Policy) -> tuple[Sore, ...]:
    """Where one report was severe and the stop has not ended, beside what is referred."""
    return _single(evidence, policy, "stop", policy.pain_stop_level, referred(evidence, policy))


def held(evidence: Evidence, policy: Policy) -> tuple[Sore, ...]:
    """Where one report was moderate and the hold has not ended, beside what is referred or stopped."""
    beside = (*referred(evidence, policy), *stopped(evidence, policy))
    return _single(evidence, policy, "hold", policy.pain_hold_level, beside)


def restricted(evidence: Evidence, policy: Policy) -> tuple[Sore, ...]:
    """The regions under a restriction that is in force, and those named as injured in the screening."""
    sore = []
    for entry in evidence.restrictions:
        over = entry.cleared_on is not None and entry.cleared_on <= evidence.as_of
        if entry.since <= evidence.as_of and not over and entry.level >= policy.pain_hold_level:
            limit: Limit = "stop" if entry.level >= policy.pain_stop_level else "hold"
            sore.append(Sore(Place(None, entry.region), limit, "safety.restricted", since=entry.since))
    if (answers := evidence.screening) is not None:
        for region in answers.injury or ():
            if clearance(evidence, policy, "load", answers.since(region)) is None:
                sore.append(Sore(Place(None, region), "stop", "safety.restricted"))
    return tuple(sore)


def sore_places(evidence: Evidence, policy: Policy) -> tuple[Sore, ...]:
    """All that is stopped or held, what is referred first."""
    return (
        *referred(evidence, policy),
        *stopped(evidence, policy),
        *held(evidence, policy),
        *restricted(evidence, policy),
    )


def stops_over(evidence: Evidence, policy: Policy) -> tuple[tuple[Place, date], ...]:
    """Places that were stopped and are no more: each with the last day that called for a stop, or of its clearance."""
    closed = {sore.place for sore in sore_places(evidence, policy) if sore.limit == "stop"}
    last: dict[Place, date] = {}
    for place, notes in _by_place(evidence).items():
        severe = [note.on for note in notes if note.level >= policy.pain_stop_level]
        if days := [*severe, *(note.on for note in _last_run(notes, policy))]:
            last[place] = max(days)
    for entry in evidence.restrictions:
        if (
            entry.level >= policy.pain_stop_level
            and entry.cleared_on is not None
            and entry.cleared_on <= evidence.as_of
        ):
            place = Place(None, entry.region)
            last[place] = max(entry.cleared_on, last.get(place, entry.cleared_on))
    return tuple((place, on) for place, on in last.items() if place not in closed)


def _by_place(evidence: Evidence) -> dict[Place, list[Pain]]:
    """The worst report of each day for each lift and each region, oldest first; nothing later than the review."""
    worst: dict[Place, dict[date, Pain]] = defaultdict(dict)
    for pain in evidence.wellbeing.pains:
        if pain.on > evidence.as_of:
            continue
        for place in _places(pain):
            day = worst[place].get(pain.on)
            if day is None or day.level < pain.level:
                worst[place][pain.on] = pain
    ordered = sorted(worst, key=lambda place: (place.exercise is None, place.exercise or "", place.region or ""))
    return {place: [worst[place][on] for on in sorted(worst[place])] for place in ordered}


def _places(pain: Pain) -> Iterator[Place]:
    if pain.exercise is not None:
        yield Place(pain.exercise, None)
    if pain.region is not None:
        yield Place(None, pain.region)


def _placed(evidence: Evidence, place: Place, since: date, least: float) -> bool:
    """Whether a report of a lift that is as bad as what limits it names a region: that one is then limited too."""
    return any(
        pain.exercise == place.exercise and pain.region is not None and pain.level >= least
        for pain in evidence.wellbeing.pains
        if since <= pain.on <= evidence.as_of
    )


def _last_run(notes: Sequence[Pain], policy: Policy) -> tuple[Pain, ...]:
    """The latest reports of one place that were enough, often enough and close enough together to refer."""
    counting = [note for note in notes if note.level >= policy.pain_level]
    runs = [counting[i : i + policy.pain_times] for i in range(len(counting) - policy.pain_times + 1)]
    close = [run for run in runs if (run[-1].on - run[0].on).days < policy.pain_window_days]
    return tuple(close[-1]) if close else ()


def _single(evidence: Evidence, policy: Policy, limit: Limit, least: float, beside: Sequence[Sore]) -> tuple[Sore, ...]:
    graver = {sore.place for sore in beside}
    sore = []
    for place, notes in _by_place(evidence).items():
        if place in graver:
            continue
        episode = _episode(notes, evidence, policy)
        worst = [note for note in episode if note.level >= least]
        if worst and clearance(evidence, policy, "load", worst[-1].on) is None:
            code = "safety.pain_stopped" if limit == "stop" else "safety.pain_held"
            placed = _placed(evidence, place, episode[0].on, least)
            sore.append(Sore(place, limit, code, (worst[-1],), placed=placed))
    return tuple(sore)


def _episode(notes: Sequence[Pain], evidence: Evidence, policy: Policy) -> list[Pain]:
    """The reports of one place that are not quiet, since the last quiet time; none where it is quiet now."""
    episode: list[Pain] = []
    for note in notes:
        if note.level > policy.pain_calm_level:
            if episode and _quiet(episode[-1].on, note.on, evidence, policy):
                episode = []
            episode.append(note)
    return [] if episode and _quiet(episode[-1].on, evidence.as_of, evidence, policy, through=True) else episode


def _quiet(since: date, until: date, evidence: Evidence, policy: Policy, through: bool = False) -> bool:
    """Whether the days and sessions after a report were enough to end a stop, before `until` or with it (`through`)."""
    sessions = [on for on in evidence.wellbeing.trained_on if since < on and (on < until or (through and on == until))]
    return (until - since).days >= policy.pain_calm_days and len(sessions) >= policy.pain_calm_sessions
