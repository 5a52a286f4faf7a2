"""What the rules know of one athlete on one review date; everything that can be unknown may be None.

The review fills an `Evidence` from the estimates and the store; the rules only read it. Masses in kg, energy in kcal
per day, rates in percent of body mass per week (loss negative), body fat in percent, dates in the athlete's calendar.
"""

from dataclasses import dataclass, field, fields, is_dataclass, replace
from datetime import date
from functools import cached_property
from math import erfc, sqrt
from typing import Any, Literal

Kind = Literal["build", "cut", "maintain"]
Scope = Literal["deficit", "load"]
Region = Literal[
    "neck", "shoulder", "elbow", "wrist", "hand", "upper_back", "low_back", "hip", "groin", "thigh", "knee", "calf",
    "ankle", "foot",
]  # fmt: skip
SymptomKind = Literal[
    "chest_pain", "fainting", "dizziness", "palpitations",
    "numbness", "weakness", "radiating_pain", "bladder_control_lost",
]  # fmt: skip
DAYS_PER_MONTH = 30.44
WORTH_ASKING = 0.05  # a narrowing by less is not worth anybody's trouble; common practice, no source


@dataclass(frozen=True)
class ScalarEstimate:
    """A scalar estimate: mean, standard deviation (≥ 0) and central 90 % interval, in the unit of its field."""

    mean: float
    sd: float
    lo: float
    hi: float

    @property
    def half_width_pct(self) -> float | None:
        """Half of the 90 % interval, percent of the mean; None where that is not positive."""
        return 50.0 * (self.hi - self.lo) / self.mean if self.mean > 0.0 else None

    def probability_below(self, value: float) -> float:
        """Probability that the quantity is below `value`, from a normal law with this mean and sd."""
        if self.sd <= 0.0:
            return float(self.mean < value)
        return 0.5 * erfc((self.mean - value) / (self.sd * sqrt(2.0)))

    def probability_above(self, value: float) -> float:
        """Probability that the quantity is above `value`; as `probability_below`."""
        if self.sd <= 0.0:
            return float(self.mean > value)
        return 0.5 * erfc((value - self.mean) / (self.sd * sqrt(2.0)))

    def moved_to(self, mean: float) -> "ScalarEstimate":
        """The same estimate around another mean."""
        return ScalarEstimate(mean, self.sd, self.lo + mean - self.mean, self.hi + mean - self.mean)


@dataclass(frozen=True)
class EatingWindow:
    """Local times of the first and the end of the last meal, "HH:MM"."""

    start: str
    end: str


@dataclass(frozen=True)
class Athlete:
    """Who the review is about; the stricter limit applies where something is unknown."""

    male: bool | None = None
    age_y: float | None = None
    height_cm: float | None = None
    activity_factor: float | None = None  # total over resting energy, as the coach judged it
    experience: Literal["novice", "intermediate", "advanced"] | None = None
    goal_body_fat_pct: float | None = None
    goal_by: date | None = None
    meals_per_day: int | None = None  # 1–6
    eating_window: EatingWindow | None = None
    carbohydrate_share: float | None = None  # of the energy left after protein, 0–1
    food_pattern: Literal["omnivore", "vegetarian", "vegan"] | None = None


@dataclass(frozen=True)
class Clearance:
    """A licensed professional's word that a deficit, or load, may be planned."""

    scope: Scope
    on: date
    by: str


@dataclass(frozen=True)
class Screening:
    """The latest screening answers; a single answer may still be open (None).

    `injury` are the regions that are injured, empty when none is; `regularly_active`, `signs_or_symptoms` (of heart,
    metabolic or renal disease) and `desired_intensity` are what readiness for exercise is judged by; `cycle` is asked
    of women. `answered_since` has, by question and by injured region, the day of the later screening that brought the
    present answer; what is answered so since the first screening is not in it.
    """

    pregnant_or_breastfeeding: bool | None = None
    eating_disorder_history: bool | None = None
    kidney_disease: bool | None = None
    heart_or_metabolic_disease: bool | None = None
    glucose_lowering_medication: Literal["none", "insulin", "sulfonylurea", "other"] | None = None
    injury: tuple[Region, ...] | None = None
    regularly_active: bool | None = None
    signs_or_symptoms: bool | None = None
    desired_intensity: Literal["light", "moderate", "vigorous"] | None = None
    cycle: Literal["natural", "hormonal_contraception", "menopause", "unknown"] | None = None
    clearances: tuple[Clearance, ...] = ()
    answered_since: tuple[tuple[str, date], ...] = ()

    def since(self, *names: str) -> date | None:
        """The last day that changed one of some answers, by question or injured region; None: all are the first."""
        return max((on for name, on in self.answered_since if name in names), default=None)


@dataclass(frozen=True)
class PhaseNow:
    """The phase in force on the review date; `day` counts from 1."""

    kind: Kind
    day: int
    starts_on: date
    planned_end_on: date | None = None


@dataclass(frozen=True)
class PastPhase:
    """A phase that is over."""

    kind: Kind
    starts_on: date
    ended_on: date

    @property
    def days(self) -> int:
        """Length in days, both ends counted."""
        return (self.ended_on - self.starts_on).days + 1


@dataclass(frozen=True)
class Meal:
    """One meal's share of the day's targets."""

    slot: int
    energy_kcal: float
    protein_g: float


@dataclass(frozen=True)
class Targets:
    """What the athlete is to eat per day; only the energy is always known (an imported phase may give no more)."""

    energy_kcal: float
    protein_g: float | None = None
    fat_g: float | None = None
    carbohydrate_g: float | None = None
    fibre_g: float | None = None
    meals: tuple[Meal, ...] = ()
    eating_window: EatingWindow | None = None
    effective_on: date | None = None


@dataclass(frozen=True)
class BodyFatMeasurement:
    """A measurement of body fat and its standard error in percentage points."""

    on: date
    body_fat_pct: float
    se_pct: float | None = None


@dataclass(frozen=True)
class SuspectEntries:
    """How many entries of one kind are suspect for one reason."""

    kind: Literal["weigh_in", "meal"]
    reason: str  # as in `suspects.Suspect`, or unknown_food
    count: int


@dataclass(frozen=True)
class UnitQuestion:
    """Weigh-ins that agree with each other, may be in another unit, and are not confirmed: the newest of them."""

    reason: Literal["pounds_for_kilograms", "kilograms_for_pounds"]
    mass_kg: float
    other_kg: float  # what it would be if the unit was mistaken


@dataclass(frozen=True)
class WaterShift:
    """A rise of the scale within five days beyond what tissue does, still there; kg, and its first day."""

    kg: float
    since: date


@dataclass(frozen=True)
class Log:
    """How much was logged up to and including the review date; ages are None when there was never an entry."""

    weigh_ins_7_d: int = 0
    weigh_ins_14_d: int = 0
    weigh_ins_28_d: int = 0
    days_since_weigh_in: int | None = None
    complete_food_days_7_d: int = 0  # complete days and declared fasts
    complete_food_days_14_d: int = 0
    days_since_food: int | None = None  # any food log or declared fast
    logged_intake_kcal: float | None = None  # mean over the complete days of the last 14, in the present phase
    days_since_measurement: int | None = None
    body_fat_measurements: tuple[BodyFatMeasurement, ...] = ()
    sessions_missed_7_d: int | None = None  # fewer than the athlete's habit; None without one
    suspect_28_d: tuple[SuspectEntries, ...] = ()  # most frequent first; neither confirmed nor corrected yet
    unit_unconfirmed: UnitQuestion | None = None  # None: the unit is beyond doubt
    water_shift: WaterShift | None = None
    days_without_cycle_start: int | None = None  # of the log of who may have a cycle; None without, or once one started


@dataclass(frozen=True)
class Outlook:
    """Standard deviation of logged-scale maintenance, kcal/d, as it would be after `days` more days."""

    days: int
    as_so_far_kcal: float  # weighing and logging as often as until now
    weighing_daily_kcal: float
    logging_daily_kcal: float  # every food day complete
    both_daily_kcal: float

    @property
    def would_narrow_most(self) -> Literal["weigh_ins", "food_days", "both"] | None:
        """Which data would narrow it most; None where more of it would bring next to nothing."""
        one = min(self.weighing_daily_kcal, self.logging_daily_kcal)
        if min(one, self.both_daily_kcal) > (1.0 - WORTH_ASKING) * self.as_so_far_kcal:
            return None
        if self.both_daily_kcal < (1.0 - WORTH_ASKING) * one:
            return "both"
        return "weigh_ins" if self.weighing_daily_kcal < self.logging_daily_kcal else "food_days"


@dataclass(frozen=True)
class Lift:
    """Strength on one exercise; body-weight lifts as system mass."""

    exercise: str
    one_rep_max_kg: ScalarEstimate
    probability_lost: float | None = None  # more than the policy's margin below the start of the cut
    probability_rising: float | None = None
    is_main: bool = True


@dataclass(frozen=True)
class Symptom:
    """A symptom noted on a day."""

    on: date
    kind: SymptomKind


@dataclass(frozen=True)
class Pain:
    """Pain (0–10) noted on an exercise (a catalogue slug) or in a region, or both; from a wellbeing note or a set."""

    on: date
    exercise: str | None
    level: float
    region: Region | None = None


@dataclass(frozen=True)
class Restriction:
    """A region of the body that hurts or is injured by so much (0–10), until a professional has cleared it."""

    region: Region
    since: date
    level: float
    cleared_on: date | None = None


@dataclass(frozen=True)
class Wellbeing:
    """Symptoms and pain of the last ten years, means of the last 7 days' notes (None without notes).

    `trained_on` are the days with a training session since the first pain, in order; none where nothing hurt.
    `last_menstruation_on` is as the notes tell it that say for how many months there was none.
    """

    symptoms: tuple[Symptom, ...] = ()
    pains: tuple[Pain, ...] = ()
    trained_on: tuple[date, ...] = ()
    months_without_menstruation: float | None = None
    last_menstruation_on: date | None = None
    sleep_h: float | None = None
    hunger: float | None = None  # 1–5
    fatigue: float | None = None  # 1–5


@dataclass(frozen=True)
class PastReview:
    """The codes of the findings of an earlier review, and what it took maintenance for.

    `pressing` are those of the codes whose findings did more than inform.
    """

    as_of: date
    codes: tuple[str, ...]
    maintenance_kcal: ScalarEstimate | None = None
    pressing: tuple[str, ...] = ()


@dataclass(frozen=True)
class History:
    """What was found and changed before."""

    reviews: tuple[PastReview, ...] = ()  # newest first, before the review date
    last_energy_change_on: date | None = None  # within a phase; a phase's first targets are no change
    last_deload_on: date | None = None
    training_since: date | None = None  # first logged session


@dataclass(frozen=True)
class Evidence:
    """All that the rules may look at.

    `maintenance_kcal` is on the athlete's own logging scale and carries every decision; `energy_requirement_kcal` is on
    the true scale. `rate_pct_per_week` is the scale's, water included; `tissue_rate_pct_per_week` without. `lost` is
    the pooled probability over the main lifts of having lost strength, None to pool the lifts' own.
    """

    as_of: date
    athlete: Athlete = field(default_factory=Athlete)
    screening: Screening | None = None
    phase: PhaseNow | None = None
    past_phases: tuple[PastPhase, ...] = ()  # oldest first
    targets: Targets | None = None
    average_mass_kg: ScalarEstimate | None = None
    rate_pct_per_week: ScalarEstimate | None = None
    tissue_rate_pct_per_week: ScalarEstimate | None = None
    maintenance_kcal: ScalarEstimate | None = None
    energy_requirement_kcal: ScalarEstimate | None = None
    outlook: Outlook | None = None  # looked into only where maintenance is not known well enough
    body_fat_pct: ScalarEstimate | None = None
    probability_not_in_deficit: float | None = None
    probability_strength_lost: float | None = None
    exercise_kcal: ScalarEstimate | None = None  # mean energy of training per day, beside rest; None without sessions
    energy_before_cut_kcal: float | None = None  # target in force before the present cut began
    log: Log = field(default_factory=Log)
    lifts: tuple[Lift, ...] = ()
    wellbeing: Wellbeing = field(default_factory=Wellbeing)
    restrictions: tuple[Restriction, ...] = ()
    history: History = field(default_factory=History)

    @property
    def kind(self) -> Kind | None:
        """Kind of the phase in force, None outside phases."""
        return self.phase.kind if self.phase else None

    @property
    def energy_kcal(self) -> float | None:
        """Energy target in force."""
        return self.targets.energy_kcal if self.targets else None

    @cached_property
    def main_lifts(self) -> tuple[Lift, ...]:
        """The lifts that count for phase decisions."""
        return tuple(lift for lift in self.lifts if lift.is_main)

    @property
    def strength_lost(self) -> float | None:
        """Probability over the main lifts of having lost strength: the pooled one, else the mean of the lifts' own."""
        if self.probability_strength_lost is not None:
            return self.probability_strength_lost
        own = [lift.probability_lost for lift in self.main_lifts if lift.probability_lost is not None]
        return sum(own) / len(own) if own else None

    @property
    def fat_free_mass_kg(self) -> float | None:
        """Fat-free mass from average mass and body fat."""
        if self.average_mass_kg is None or self.body_fat_pct is None:
            return None
        return self.average_mass_kg.mean * (1.0 - self.body_fat_pct.mean / 100.0)

    @property
    def body_mass_index(self) -> float | None:
        """Body mass index of the average mass, kg/m²."""
        if self.average_mass_kg is None or self.athlete.height_cm is None:
            return None
        return self.average_mass_kg.mean / (self.athlete.height_cm / 100.0) ** 2

    @property
    def rate(self) -> ScalarEstimate | None:
        """The rate that is held against the band: of tissue, else of the scale."""
        return self.tissue_rate_pct_per_week or self.rate_pct_per_week


def moved(evidence: Evidence, path: str, value: Any) -> Evidence:
    """The evidence with one piece of it set to another value, all else equal.

    Parameters: `path`, dotted field names; a final `mean` shifts an estimate with its interval. Raises AttributeError
    when there is no such piece.
    """
    return _set(evidence, path.split("."), value)  # type: ignore[no-any-return]


def _set(part: Any, names: list[str], value: Any) -> Any:
    name, rest = names[0], names[1:]
    if isinstance(part, ScalarEstimate) and name == "mean":
        return part.moved_to(value)
    if not is_dataclass(part) or isinstance(part, type) or name not in {f.name for f in fields(part)}:
        raise AttributeError(f"no field {name} to move in {type(part).__name__}")
    return replace(part, **{name: _set(getattr(part, name), rest, value) if rest else value})
