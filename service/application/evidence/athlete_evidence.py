"""From rows and estimates to the evidence that the rules look at, for one athlete on one day."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from math import ceil, isfinite
from typing import Any

import numpy as np

from service.application.evidence.estimates import RosterEstimates
from service.application.evidence.notes import EarlierReview, LoggedSession, Notes, SuspectEntry
from service.application.evidence.roster import Roster, energy_steps
from service.application.schedule import local_date
from service.domain import evidence as ev
from service.domain.estimation.cycle import may_cycle
from service.domain.estimation.results import Estimates
from service.domain.estimation.water_shift import water_shift
from service.domain.normal import Z90
from service.domain.physiology.energy import resistance_training_kcal
from service.domain.plausibility.suspect_readings import unit_in_question
from service.domain.records import Bools, Estimate, Floats, FoodState, Ints, take
from service.domain.rules.screening import answered_since
from service.store.tables import Athlete, Phase, Screening, Target, WellbeingNote

REVIEWS_REMEMBERED = 6
REST_DAYS = 7  # so many days without a session count as a deload
MINUTES_PER_SET = 3.0  # with the rest after it, where nobody says how long a session took; common practice, no source
WHOLE_DAY_SHARE = 0.6  # a day of unknown completeness counts as complete from this share of the usual intake on


def evidence_of(roster: Roster, estimates: RosterEstimates, notes: Notes, index: int, on: date) -> ev.Evidence:
    """All that the rules may look at, for one athlete of a roster on a day of its log.

    Parameters
    ----------
    roster : Roster
        What was logged and planned, of that day and maybe of later ones.
    estimates : RosterEstimates
        Causal ones, which have that day.
    notes : Notes
        Of the athlete on that day.
    index : int
        Which athlete of the roster.
    on : date
        The day.
    """
    athlete = roster.athletes[index]
    phases = [phase for phase in roster.phases.get(athlete.id, ()) if phase.starts_on <= on]
    targets = [target for target in roster.targets.get(athlete.id, ()) if target.from_date <= on]
    body, at = estimates.body, (index, estimates.column(roster.day_seen(on)))
    average_mass_kg = scalar_at(body.average_mass_kg, at, 4)
    return ev.Evidence(
        as_of=on,
        athlete=profile_of(athlete, on),
        screening=_screening(notes.screening, athlete),
        phase=_phase_now(phases, on),
        past_phases=_past_phases(phases),
        targets=_targets_now(phases, targets),
        average_mass_kg=average_mass_kg,
        rate_pct_per_week=scalar_at(body.rate_pct_per_week, at, 4),
        tissue_rate_pct_per_week=scalar_at(body.tissue_rate_pct_per_week, at, 4),
        maintenance_kcal=scalar_at(body.maintenance_kcal, at, 2),
        energy_requirement_kcal=scalar_at(body.energy_requirement_kcal, at, 2),
        body_fat_pct=scalar_at(body.body_fat_pct, at, 3),
        probability_not_in_deficit=_number(body.p_not_in_deficit[at], 4),
        probability_strength_lost=_pooled_loss(roster, estimates, index, on),
        exercise_kcal=_exercise_kcal(notes.sessions, average_mass_kg, on),
        energy_before_cut_kcal=_energy_before_cut(phases, targets),
        log=_log(roster, notes, index, on, _tissue_kg_per_day(body, at)),
        lifts=_lifts(roster, estimates, index, on),
        wellbeing=_wellbeing(roster, notes, index, on),
        restrictions=tuple(
            ev.Restriction(row.region, row.since, row.level, row.cleared_on) for row in notes.restrictions
        ),
        history=_history(roster, notes, index, phases, targets, on),
    )


def scalar_at(estimate: Estimate, at: tuple[int, ...], digits: int) -> ev.ScalarEstimate | None:
    """One element of an estimate, rounded, or None where it is not known yet."""
    values = [float(getattr(estimate, name)[at]) for name in ("mean", "sd", "lo", "hi")]
    return ev.ScalarEstimate(*(round(value, digits) for value in values)) if all(map(isfinite, values)) else None


def _exercise_kcal(
    sessions: Sequence[LoggedSession], mass_kg: ev.ScalarEstimate | None, on: date
) -> ev.ScalarEstimate | None:
    """Mean energy of training per day of the last two weeks, from its sets; None where there never was a session."""
    if not sessions or mass_kg is None:
        return None
    sets = sum(len(session.sets) for session in sessions if session.date > on - timedelta(days=14))
    mean, sd = resistance_training_kcal(mass_kg.mean, sets * MINUTES_PER_SET / 60.0 / 14.0)
    return ev.ScalarEstimate(*(round(value, 1) for value in (mean, sd, mean - Z90 * sd, mean + Z90 * sd)))


def _number(value: Any, digits: int) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None


def profile_of(row: Athlete, as_of: date) -> ev.Athlete:
    """An athlete's row as the rules see it."""
    return ev.Athlete(
        male=row.sex == "male",
        age_y=round((as_of - row.birth_date).days / 365.25, 3),
        height_cm=row.height_cm,
        activity_factor=row.activity_factor,
        experience=row.experience,
        goal_body_fat_pct=row.goal["body_fat_pct"] if row.goal else None,
        goal_by=date.fromisoformat(row.goal["by"]) if row.goal and row.goal.get("by") else None,
        meals_per_day=row.meals_per_day,
        eating_window=_window(row.eating_window),
        carbohydrate_share=row.carbohydrate_share,
        food_pattern=row.food_pattern,
    )


def _window(window: Mapping[str, str] | None) -> ev.EatingWindow | None:
    return ev.EatingWindow(window["from"], window["to"]) if window else None


def screening_answers(row: Screening) -> ev.Screening:
    """The stored answers of a screening as the rules see them."""
    answers = dict(row.answers)
    clearances = tuple(
        ev.Clearance(one["for"], date.fromisoformat(one["on"]), one["by"]) for one in answers.pop("clearances", [])
    )
    injured = answers.pop("injury", None)
    injury = None if injured is None else () if injured == "none" else tuple(injured)
    return ev.Screening(**answers, injury=injury, clearances=clearances)


def _screening(rows: Sequence[Screening], athlete: Athlete) -> ev.Screening | None:
    """The latest of all answers, and since when each is as it is."""
    if not rows:
        return None
    first, *later = (screening_answers(row) for row in rows)
    days = [local_date(row.answered_at, athlete.time_zone) for row in rows[1:]]
    since = answered_since(first, list(zip(days, later, strict=True)))
    return replace(later[-1] if later else first, answered_since=since)


def _phase_now(phases: Sequence[Phase], as_of: date) -> ev.PhaseNow | None:
    if not phases:
        return None
    now = phases[-1]
    return ev.PhaseNow(now.kind, (as_of - now.starts_on).days + 1, now.starts_on, now.planned_end_on)


def _past_phases(phases: Sequence[Phase]) -> tuple[ev.PastPhase, ...]:
    return tuple(
        ev.PastPhase(phase.kind, phase.starts_on, after.starts_on - timedelta(days=1))
        for phase, after in pairwise(phases)
    )


def _targets_now(phases: Sequence[Phase], targets: Sequence[Target]) -> ev.Targets | None:
    steps = energy_steps(phases, targets)
    if not steps or steps[-1][1] is None:
        return None
    on, energy_kcal = steps[-1]
    assert energy_kcal is not None
    if not targets or targets[-1].from_date != on:
        return ev.Targets(energy_kcal, effective_on=on)
    row = targets[-1]
    meals = tuple(ev.Meal(meal["slot"], meal["energy_kcal"], meal["protein_g"]) for meal in row.meals or ())
    return ev.Targets(
        row.energy_kcal, row.protein_g, row.fat_g, row.carbohydrate_g, row.fibre_g, meals,
        _window(row.eating_window), on,
    )  # fmt: skip


def _energy_before_cut(phases: Sequence[Phase], targets: Sequence[Target]) -> float | None:
    if not phases or phases[-1].kind != "cut":
        return None
    before = [energy for on, energy in energy_steps(phases, targets) if on < phases[-1].starts_on and energy]
    return before[-1] if before else None


def _tissue_kg_per_day(body: Estimates, at: tuple[int, ...]) -> float:
    change: float = body.tissue_rate_pct_per_week.mean[at] / 700.0 * body.average_mass_kg.mean[at]
    return change if np.isfinite(change) else 0.0


def _log(roster: Roster, notes: Notes, index: int, on: date, tissue_kg_per_day: float) -> ev.Log:
    end = roster.day_seen(on) + 1
    mass_kg = roster.log.mass_kg[index, :end]
    mass = np.isfinite(mass_kg)
    intake = roster.log.intake_kcal[index, :end]
    state = roster.log.food_state[index, :end]
    phase_day = roster.log.phase_day[index, :end]
    body_fat = roster.log.body_fat_pct[index, :end]
    logged, measured = np.isfinite(intake), np.isfinite(body_fat)
    whole = _whole_days(intake, state)
    recent = whole[-14:] & (phase_day[-14:] > 0) & _present_phase(phase_day)[-14:]
    return ev.Log(
        weigh_ins_7_d=int(mass[-7:].sum()),
        weigh_ins_14_d=int(mass[-14:].sum()),
        weigh_ins_28_d=int(mass[-28:].sum()),
        days_since_weigh_in=_days_since(mass),
        complete_food_days_7_d=int(whole[-7:].sum()),
        complete_food_days_14_d=int(whole[-14:].sum()),
        days_since_food=_days_since(logged),
        logged_intake_kcal=_number(intake[-14:][recent].mean(), 1) if recent.any() else None,
        days_since_measurement=_days_since(measured),
        body_fat_measurements=tuple(
            ev.BodyFatMeasurement(
                roster.first + timedelta(days=int(day)),
                float(body_fat[day]),
                _number(roster.log.body_fat_se_pct[index, day], 3),
            )
            for day in np.flatnonzero(measured)
        ),
        sessions_missed_7_d=_missed_sessions(roster.sessions[index, :end], mass | logged),
        suspect_28_d=_suspect_entries(notes.suspect_entries),
        water_shift=_water_shift(mass_kg, on, tissue_kg_per_day),
        days_without_cycle_start=_days_without_cycle_start(roster, index, on),
        unit_unconfirmed=None if notes.unit_confirmed else _unit_question(mass_kg, roster.athletes[index].height_cm),
    )


def _water_shift(mass_kg: Floats, on: date, tissue_kg_per_day: float) -> ev.WaterShift | None:
    found = water_shift(mass_kg, tissue_kg_per_day)
    return None if found is None else ev.WaterShift(round(found[0], 3), on - timedelta(days=found[1]))


def _days_without_cycle_start(roster: Roster, index: int, on: date) -> int | None:
    """Days since the first weigh-in, where a menstrual cycle is to be expected and no start was logged."""
    end, who = roster.day_seen(on) + 1, take(roster.who, np.array([index]))
    weighed = np.flatnonzero(np.isfinite(roster.log.mass_kg[index, :end]))
    age_y = np.array([(on - roster.athletes[index].birth_date).days / 365.25])
    if roster.log.menstruation_started[index, :end].any() or not may_cycle(who.male, age_y, who.cycle)[0]:
        return None
    return end - int(weighed[0]) if weighed.size else 0


def _unit_question(mass_kg: Floats, height_cm: float) -> ev.UnitQuestion | None:
    weighed_kg = mass_kg[np.isfinite(mass_kg)].tolist()
    found = unit_in_question(weighed_kg[0], weighed_kg[-1], height_cm) if weighed_kg else None
    return None if found is None else ev.UnitQuestion(found[0], weighed_kg[-1], found[1])


def _suspect_entries(suspects: Sequence[SuspectEntry]) -> tuple[ev.SuspectEntries, ...]:
    counts = Counter((entry.kind, entry.reason) for entry in suspects)
    return tuple(
        ev.SuspectEntries(kind, reason, count)
        for (kind, reason), count in sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    )


def _missed_sessions(sessions: Floats, logged: Bools) -> int | None:
    """Sessions short of the athlete's own habit (median of the four weeks before); None without a habit."""
    begun = np.flatnonzero(logged | (sessions > 0))
    if begun.size == 0 or sessions.shape[0] - begun[0] < 35:  # days of the athlete's own log, not of the batch's
        return None
    usual = int(np.median(sessions[-35:-7].reshape(4, 7).sum(axis=1)))
    return max(0, usual - int(sessions[-7:].sum())) if usual else None


def _whole_days(intake: Floats, state: Ints) -> Bools:
    """Days that count as logged completely: declared so, fasts, and undeclared ones near the usual intake."""
    usual = np.median(intake[-28:][np.isfinite(intake[-28:])]) if np.isfinite(intake[-28:]).any() else np.inf
    undeclared = (state == FoodState.UNKNOWN) & (np.nan_to_num(intake) >= WHOLE_DAY_SHARE * usual)
    whole: Bools = (state == FoodState.COMPLETE) | (state == FoodState.FAST) | undeclared
    return whole


def _present_phase(day: Ints) -> Bools:
    """Which days belong to the phase in force on the last one, from the days of their phases."""
    if day[-1] == 0:
        return np.ones(day.shape, dtype=np.bool_)
    present: Bools = np.arange(day.shape[0]) > day.shape[0] - 1 - day[-1]
    return present


def _days_since(happened: Bools) -> int | None:
    days = np.flatnonzero(happened)
    return int(happened.shape[0] - 1 - days[-1]) if days.size else None


def _lifts(roster: Roster, estimates: RosterEstimates, index: int, on: date) -> tuple[ev.Lift, ...]:
    lifts, day = estimates.strength.lifts, _from_the_end(roster, on)
    lifts_known = []
    for position, name in enumerate(estimates.lift_names[index]):
        at = (index, position, day)
        maximum = scalar_at(lifts.one_rep_max_kg, at, 3)
        if maximum is not None:
            lost, rising = lifts.probability_lost[at], lifts.probability_rising[at]
            lifts_known.append(ev.Lift(name, maximum, _number(lost, 4), _number(rising, 4), bool(estimates.main[at])))
    return tuple(lifts_known)


def _pooled_loss(roster: Roster, estimates: RosterEstimates, index: int, on: date) -> float | None:
    pooled = estimates.strength.pooled.probability_lost
    return _number(pooled[index, _from_the_end(roster, on)], 4) if pooled.shape[-1] else None


def _from_the_end(roster: Roster, on: date) -> int:
    """Where the estimates of lifts have a day: counted from the last, as they may be kept of the last days only."""
    return roster.day_seen(on) - int(roster.log.days.shape[0])


def _wellbeing(roster: Roster, notes: Notes, index: int, on: date) -> ev.Wellbeing:
    week = [note.content for note in notes.wellbeing if note.date > on - timedelta(days=7)]

    def mean(name: str) -> float | None:
        values = [content[name] for content in week if name in content]
        return round(float(sum(values)) / len(values), 3) if values else None

    pains = tuple(pain for pain in notes.pains if pain.level > 0.0)
    missing = _menses_missing(roster, notes.wellbeing, index, on)
    return ev.Wellbeing(
        symptoms=tuple(notes.symptoms),
        pains=pains,
        trained_on=_trained_since(roster, index, pains[0].on, on) if pains else (),
        months_without_menstruation=_months_without(missing[-1], on) if missing else None,
        last_menstruation_on=_last_menstruation(missing) if missing else None,
        sleep_h=mean("sleep_h"),
        hunger=mean("hunger"),
        fatigue=mean("fatigue"),
    )


def _trained_since(roster: Roster, index: int, first: date, on: date) -> tuple[date, ...]:
    """The days after one with a training session, up to a day."""
    days = (roster.first + timedelta(days=int(day)) for day in _training_days(roster, index, on))
    return tuple(day for day in days if day > first)


def _training_days(roster: Roster, index: int, on: date) -> Ints:
    """The days of the log with a training session, up to a day."""
    return np.flatnonzero(roster.sessions[index, : roster.day_seen(on) + 1] > 0)


def _menses_missing(roster: Roster, wellbeing: Sequence[WellbeingNote], index: int, on: date) -> list[WellbeingNote]:
    """What a woman said of missing menstruation since it last started; never concluded from silence."""
    noted = [note for note in wellbeing if "months_without_menstruation" in note.content]
    if roster.athletes[index].sex != "female":
        return []
    started = np.flatnonzero(roster.log.menstruation_started[index, : roster.day_seen(on) + 1])
    since = roster.first + timedelta(days=int(started[-1])) if started.size else date.min
    return [note for note in noted if note.date >= since]


def _months_without(last: WellbeingNote, on: date) -> float:
    months: float = last.content["months_without_menstruation"] + (on - last.date).days / ev.DAYS_PER_MONTH
    return round(months, 2)


def _last_menstruation(noted: Sequence[WellbeingNote]) -> date:
    """When it was, by the last note, and, as people round months down, up to a month earlier by those before it."""
    told = [
        note.date - timedelta(days=round(note.content["months_without_menstruation"] * ev.DAYS_PER_MONTH))
        for note in noted
    ]
    last = told[-1]
    for note, earlier in zip(noted[-2::-1], told[-2::-1], strict=True):
        if last > note.date:  # it came between the two
            break
        last = min(last, earlier)
    return max(last, told[-1] - timedelta(days=ceil(ev.DAYS_PER_MONTH)))


def _history(
    roster: Roster, notes: Notes, index: int, phases: Sequence[Phase], targets: Sequence[Target], on: date
) -> ev.History:
    lifts = roster.lifts.get(roster.athletes[index].id, {})
    first_sessions = [lifted.days[0].item() for lifted in lifts.values()]
    return ev.History(
        reviews=tuple(_past_review(review) for review in one_a_week(notes.reviews, on)[:REVIEWS_REMEMBERED]),
        last_energy_change_on=_last_change(phases, targets),
        last_deload_on=_last_deload(roster, notes, index, on),
        training_since=min((day for day in first_sessions if day <= on), default=None),
    )


def _past_review(review: EarlierReview) -> ev.PastReview:
    maintenance = review.document["estimates"].get("maintenance_kcal")
    findings = review.document["findings"]
    return ev.PastReview(
        review.as_of,
        tuple(finding["code"] for finding in findings),
        ev.ScalarEstimate(**maintenance) if maintenance else None,
        tuple(finding["code"] for finding in findings if finding["severity"] != "info"),
    )


def one_a_week(reviews: Sequence[EarlierReview], as_of: date) -> list[EarlierReview]:
    """Of each ISO week before that of a date its latest review: a coach's looks in between confirm nothing twice."""
    weeks = {as_of.isocalendar()[:2]}
    latest = []
    for review in reviews:  # newest first
        week = review.as_of.isocalendar()[:2]
        if week not in weeks:
            weeks.add(week)
            latest.append(review)
    return latest


def _last_deload(roster: Roster, notes: Notes, index: int, on: date) -> date | None:
    """When the last deload began that the coach accepted or the log shows, a week without training included."""
    trained = _training_days(roster, index, on)
    rested = trained[:-1][np.diff(trained) > REST_DAYS]
    rests = [roster.first + timedelta(days=int(day) + 1) for day in rested[-1:]]
    return max([*notes.deloads, *notes.deload_sessions, *rests], default=None)


def _last_change(phases: Sequence[Phase], targets: Sequence[Target]) -> date | None:
    """When energy changed last within the phase in force; the phase's first targets are no change."""
    start = phases[-1].starts_on if phases else date.min
    steps = energy_steps(phases, targets)
    changes = [on for (_, before), (on, after) in pairwise(steps) if on > start and before != after]
    return changes[-1] if changes else None
