"""From rows to arrays: what was logged of some athletes of one practice, up to a day."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from service.application.evidence.rows import DAY_COLUMNS, LiftHistory, Rows
from service.domain.records import Athletes, CycleKind, DailyLog, Floats, Ints, PhaseKind
from service.store.tables import Athlete, Phase, Target, TrainingPlan

SHORT_DAYS = 512  # logs up to so long cost about the same
CYCLES = {
    "natural": CycleKind.NATURAL,
    "hormonal_contraception": CycleKind.NONE,
    "menopause": CycleKind.NONE,
}
PHASE_KINDS = {"build": PhaseKind.BUILD, "cut": PhaseKind.CUT, "maintain": PhaseKind.MAINTAIN}


@dataclass(frozen=True)
class Roster:
    """Some athletes of a practice with everything dated up to `to`; arrays have shape (athletes, days)."""

    athletes: Sequence[Athlete]
    first: date
    to: date
    who: Athletes
    log: DailyLog
    protein_g: Floats
    sessions: Floats
    phases: Mapping[uuid.UUID, Sequence[Phase]]  # that have started, oldest first
    targets: Mapping[uuid.UUID, Sequence[Target]]  # that are in force or were, oldest first
    lifts: Mapping[uuid.UUID, Mapping[str, LiftHistory]]  # by exercise
    plans: Mapping[uuid.UUID, Sequence[TrainingPlan]]  # that are in force or were, oldest first

    def plan(self, athlete_id: uuid.UUID, on: date) -> TrainingPlan | None:
        """The training plan in force on a day, if any."""
        begun = [plan for plan in self.plans.get(athlete_id, ()) if plan.from_date <= on]
        return begun[-1] if begun else None

    def day(self, when: date) -> int:
        """The index of a date on the days' axis, negative before it."""
        return (when - self.first).days

    def day_seen(self, when: date) -> int:
        """The index of the day whose estimates are those of a date: the axis' first for all before, when none was."""
        return max(self.day(when), 0)


def rosters_by_span(athletes: Sequence[Athlete], first: date, to: date, rows: Rows) -> list[Roster]:
    """Rosters by length of log: one entry of ten years ago makes nobody else's arrays long.

    Athletes whose logs reach back less than `SHORT_DAYS` are together, the others with those of at most twice their
    length.

    Parameters
    ----------
    athletes : sequence of rows of `athlete`
        Whose.
    first : date
        The first day that will be looked at. Arrays begin with the log; with the day before it where this is earlier.
    to : date
        The last day that counts, and the arrays' last.
    rows : Rows
        What is dated up to it.
    """
    groups: dict[int, list[Athlete]] = defaultdict(list)
    for athlete in athletes:
        logged = rows.days.get(athlete.id)
        span = 0 if logged is None else (to - logged.days[0].item()).days
        groups[(span // SHORT_DAYS).bit_length()].append(athlete)
    return [assemble(some, first, to, rows) for _, some in sorted(groups.items())]


def assemble(athletes: Sequence[Athlete], first: date, to: date, rows: Rows) -> Roster:
    """All of some athletes in one roster; parameters as `rosters_by_span`."""
    place = {athlete.id: index for index, athlete in enumerate(athletes)}
    logged = [(index, rows.days[athlete]) for athlete, index in place.items() if athlete in rows.days]
    began: date | None = min((own.days[0] for _, own in logged)).item() if logged else None
    first = to if began is None else began - timedelta(days=int(first < began))
    shape = (len(athletes), (to - first).days + 1)
    columns: dict[str, Floats] = {name: np.full(shape, np.nan) for name in DAY_COLUMNS}
    for index, own in logged:
        offsets = (own.days - np.datetime64(first)).astype(np.int64)
        for column, values in zip(columns.values(), own.columns, strict=True):
            column[index, offsets] = values
    phase, phase_day, target = np.zeros(shape, np.int64), np.zeros(shape, np.int64), np.full(shape, np.nan)
    for athlete, index in place.items():
        _fill_phases(phase[index], phase_day[index], rows.phases.get(athlete, ()), first)
        for start, energy_kcal in energy_steps(rows.phases.get(athlete, ()), rows.targets.get(athlete, ())):
            target[index, max((start - first).days, 0) :] = np.nan if energy_kcal is None else energy_kcal
    log = DailyLog(
        days=np.datetime64(first) + np.arange(shape[1]),
        mass_kg=columns["mass_kg"],
        intake_kcal=columns["energy_kcal"],
        carbohydrate_g=columns["carbohydrate_g"],
        food_state=np.nan_to_num(columns["food_state"]).astype(np.int64),
        target_kcal=target,
        phase=phase,
        phase_day=phase_day,
        menstruation_started=columns["menstruation_started"] == 1.0,
        body_fat_pct=columns["body_fat_pct"],
        body_fat_se_pct=columns["body_fat_se_pct"],
    )
    return Roster(
        athletes, first, to, _who(athletes, rows.cycles), log, columns["protein_g"], np.nan_to_num(columns["sessions"]),
        rows.phases, rows.targets, rows.lifts, rows.plans,
    )  # fmt: skip


def _fill_phases(kind: Ints, day: Ints, phases: Sequence[Phase], first: date) -> None:
    """A phase is in force from its start until the next one starts, past its planned end too."""
    for phase in phases:
        start = (phase.starts_on - first).days
        length = kind.shape[0] - max(start, 0)
        if length > 0:
            kind[max(start, 0) :] = PHASE_KINDS[phase.kind]
            day[max(start, 0) :] = np.arange(length) + 1 + max(-start, 0)


def energy_steps(phases: Sequence[Phase], targets: Sequence[Target]) -> list[tuple[date, float | None]]:
    """Daily energy (kcal) by the date from which it holds: of phases and targets, targets last on an equal date."""
    steps = {phase.starts_on: phase.energy_kcal for phase in phases}
    steps |= {target.from_date: target.energy_kcal for target in targets}
    return sorted(steps.items())


def _who(athletes: Sequence[Athlete], cycles: Mapping[uuid.UUID, str]) -> Athletes:
    def year(born: date) -> float:
        return born.year + (born - date(born.year, 1, 1)).days / 365.25

    return Athletes(
        male=np.array([athlete.sex == "male" for athlete in athletes], dtype=np.bool_),
        birth_year=np.array([year(athlete.birth_date) for athlete in athletes]),
        height_cm=np.array([athlete.height_cm for athlete in athletes], dtype=np.float64),
        activity_factor=np.array([athlete.activity_factor for athlete in athletes], dtype=np.float64),
        cycle=np.array([_cycle(athlete, cycles.get(athlete.id)) for athlete in athletes], dtype=np.int64),
    )


def _cycle(athlete: Athlete, answer: str | None) -> CycleKind:
    """What is known of an athlete's menstrual cycle; nobody asked, or who is asked does not know: unknown."""
    return CYCLES.get(answer or "", CycleKind.NONE if athlete.sex == "male" else CycleKind.UNKNOWN)
