"""What the filter remembers from one day to the next, and what a day leaves behind for the outputs."""

from dataclasses import dataclass, field

from service.domain.estimation.body_fat import BodyFat
from service.domain.estimation.cycle import Cycle
from service.domain.estimation.initial import initially, no_moments
from service.domain.estimation.intake import FoodHabit
from service.domain.estimation.intake_response import IntakeResponse
from service.domain.estimation.model import STATES
from service.domain.estimation.noise_adaptation import OneSidedness, Scatter
from service.domain.estimation.prior import Reference
from service.domain.estimation.recent import FORTNIGHT, KINDS
from service.domain.estimation.scale_change import Scale
from service.domain.estimation.suspect_weigh_ins import WeighInHistory
from service.domain.kalman import Moments
from service.domain.records import Bools, Floats


@dataclass
class FilterState:
    """Everything the filter remembers of each athlete at the end of a day; the batch is the last axis of each array.

    Saved and restored it continues to the same numbers as a full run. The filter changes moments in place and puts new
    parts in place of the others.
    """

    started: Bools = field(metadata=initially(False))  # was there a first weigh-in?
    days: Floats  # since the start, that day included
    moments: Moments = field(metadata=no_moments(STATES))  # for the next morning
    reference: Reference
    explained_kcal: Floats  # change of maintenance since the start that tissue and intake explain
    response: IntakeResponse
    food: FoodHabit
    recent: Floats = field(metadata=initially(0.0, FORTNIGHT, len(KINDS)))  # `Recent.window`
    weigh_ins: WeighInHistory
    scatter: Scatter
    one_sidedness: OneSidedness
    body_fat: BodyFat
    cycle: Cycle
    scale: Scale


@dataclass(frozen=True)
class Posterior:
    """What the outputs need of a day, at its end; the athletes (or days × athletes) are the last axis of each array."""

    started: Bools
    days: Floats
    accepted_days: Floats  # with an accepted weigh-in
    whole_days: Floats
    moments: Moments  # of that morning, given all of the day's data
    body_fat: Moments
    reference: Reference
    explained_kcal: Floats
    base_kg_per_kcal: Floats  # of the transition to the next morning
    recent: Floats  # (14, 5, athletes), today last
    week: Floats  # (2, athletes), means of the last seven days' intake and unlogged part
    cycle: Cycle  # by the calendar where it was never logged
    cut: Bools
    unknown: Bools  # nothing says what was eaten
    suspect_weigh_in: Bools  # left out, or further off than usual
    scale_adopted: Bools
    new_scale: Bools  # adopted today, or agreed upon by weigh-ins that were suspect at first
