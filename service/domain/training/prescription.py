"""What a prescription is made of: what the plan asks, what was lifted, the athlete today, and what comes of it."""

from dataclasses import dataclass
from datetime import date

from service.domain.evidence import Kind, ScalarEstimate
from service.domain.sentence import Sentence
from service.domain.training.care import Care


@dataclass(frozen=True)
class Scheme:
    """What the plan asks of a lift: work sets of a range of what it counts, with so many in reserve."""

    sets: int = 3
    least: int = 6  # repetitions, seconds or metres
    most: int = 10
    rir: int = 2
    rest_s: int = 150


@dataclass(frozen=True)
class LiftSession:
    """A past session of the lift, warm-ups left out; `external_kg` of its heaviest sets, assistance negative.

    `counts` are the repetitions of these sets, or the seconds of a hold, the metres of a carry.
    """

    on: date
    external_kg: float
    counts: tuple[float, ...]
    rir: tuple[float | None, ...] = ()
    deload: bool = False  # was prescribed as one


@dataclass(frozen=True)
class Situation:
    """Where the athlete stands on the day of the prescription."""

    on: date
    phase: Kind | None = None
    body_mass_kg: float | None = None  # average mass, for body-weight lifts
    one_rep_max_kg: ScalarEstimate | None = None  # of this lift (system): no load goes beyond it
    deload: bool = False  # a lighter week is recommended or decided on: which, the review's rules say
    form_note: bool = False  # the coach stopped the lift for its form
    care: tuple[Care, ...] = ()  # why the athlete starts lighter and goes on slower
    stopped_until: date | None = None  # the lift was stopped for pain, and is no more: the last day of it


@dataclass(frozen=True)
class Prescription:
    """What to lift; exactly one of the loads is given, none when the load is yet to be found out or the lift is off.

    `rule` names the rule that decided: stop, start, find, return, deload, cut_hold, cut_sets, back_off, add_load,
    add_reps, add_time, add_distance, hold.
    """

    exercise: str
    sets: int
    least: int  # repetitions, seconds or metres, as the exercise counts
    most: int
    rir: int
    load_kg: float | None
    added_kg: float | None
    assistance_kg: float | None
    rule: str
    why: tuple[Sentence, ...]

    @property
    def external_kg(self) -> float | None:
        """The one load that is given, assistance negative."""
        loads = (self.load_kg, self.added_kg, None if self.assistance_kg is None else -self.assistance_kg)
        return next((load for load in loads if load is not None), None)
