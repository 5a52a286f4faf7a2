"""From rows and estimates to the evidence that the rules look at, for one athlete on one day."""

import uuid
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace
from datetime import date, timedelta
from itertools import pairwise
from typing import Any, Literal

import numpy as np
import orjson

from service.application.evidence.estimates import RosterEstimates
from service.application.evidence.roster import Roster, energy_steps
from service.application.evidence.rows import by_athlete
from service.domain import evidence as ev
from service.domain.estimation.outlook import outlook
from service.domain.records import Athletes, Estimate, FoodState, take
from service.store.scope import Scope, Table, table_of
from service.store.tables import (
    Decision,
    Meal,
    Review,
    Screening,
    SessionLift,
    TrainingSession,
    WeighIn,
    WellbeingNote,
)

NOTES_SINCE = timedelta(days=3660)  # a referral holds until it is cleared, however long ago it was noted
SESSIONS_SINCE = timedelta(days=112)
REVIEWS_REMEMBERED = 6
REST_DAYS = 7  # so many days without a session count as a deload
OUTLOOK_DAYS = 14
DOUBTED_SINCE = timedelta(days=28)
WHOLE_DAY_SHARE = 0.6  # a day of unknown completeness counts as complete from this share of the usual intake on


@dataclass(frozen=True)
class Notes:
    """What reviews know beside the arrays, by athlete."""

    screening: Mapping[uuid.UUID, Any]
    wellbeing: Mapping[uuid.UUID, Sequence[Any]]
    reviews: Mapping[uuid.UUID, Sequence[Any]]  # earlier ones, newest first
    pains: Mapping[uuid.UUID, Sequence[ev.Pain]]
    sessions: Mapping[uuid.UUID, Sequence[Any]]  # of the last 16 weeks, oldest first
    deloads: Mapping[uuid.UUID, Sequence[date]] = field(default_factory=dict)  # first days of all accepted ones
    doubts: Mapping[uuid.UUID, Sequence["Doubt"]] = field(default_factory=dict)


@dataclass(frozen=True)
class Doubt:
    """A doubted entry that is neither confirmed nor corrected."""

    date: date
    kind: Literal["weigh_in", "meal"]
    reason: str


async def load_notes(scope: Scope, ids: Sequence[uuid.UUID], as_of: date, first: date | None = None) -> Notes:
    """Read screening answers, wellbeing notes, pain, sessions, doubts and earlier reviews of some athletes up to a day.

    Parameters
    ----------
    scope : Scope
        The practice.
    ids : sequence of UUID
        Whose.
    as_of : date
        The last day that counts.
    first : date
        The first day that will be looked at, where that is not `as_of`: sessions reach back from there.
    """
    screening, note = table_of(Screening), table_of(WellbeingNote)
    session, lift, review = table_of(TrainingSession), table_of(SessionLift), table_of(Review)
    decision = table_of(Decision)
    trained_since = (first or as_of) - SESSIONS_SINCE
    answers = await scope.rows(
        scope.select(Screening).where(screening.c.athlete_id.in_(ids)).order_by(screening.c.revision)
    )
    since = as_of - NOTES_SINCE
    said = await scope.rows(
        scope.select(WellbeingNote).where(note.c.athlete_id.in_(ids), note.c.date.between(since, as_of))
    )
    earlier = await scope.rows(
        scope.select(review.c.athlete_id, review.c.as_of, review.c.document, review.c.state, of=[Review])
        .where(review.c.athlete_id.in_(ids), review.c.as_of < as_of, review.c.as_of >= as_of - timedelta(days=70))
        .order_by(review.c.as_of.desc())
    )
    sets = await scope.rows(
        scope.select(TrainingSession).where(session.c.athlete_id.in_(ids), session.c.date.between(trained_since, as_of))
    )
    said, sets = sorted(said, key=_when_and_what), sorted(sets, key=_when_and_what)
    before = await scope.rows(  # of older sessions only the pain counts: it holds until it is cleared
        scope.select(lift.c.athlete_id, lift.c.date, lift.c.exercise, lift.c.pain, of=[SessionLift]).where(
            lift.c.athlete_id.in_(ids), lift.c.pain.is_not(None), lift.c.date >= since, lift.c.date < trained_since
        )
    )
    accepted = await scope.rows(  # an amended one is something else than the deload
        scope.select(review.c.athlete_id, decision.c.effect, of=[Review, Decision])
        .where(decision.c.review_id == review.c.id, review.c.athlete_id.in_(ids), review.c.as_of < as_of)
        .where(review.c.action == "deload", review.c.state == "accepted")
        .order_by(review.c.as_of)
    )
    deloads: dict[uuid.UUID, list[date]] = defaultdict(list)
    for row in accepted:
        deloads[row.athlete_id].append(date.fromisoformat(row.effect["effective_on"]))
    pains: dict[uuid.UUID, list[ev.Pain]] = defaultdict(list)
    for row in said:
        pains[row.athlete_id] += [
            ev.Pain(row.date, pain["exercise"], float(pain["level"])) for pain in row.content.get("pain", [])
        ]
    for row in before:
        pains[row.athlete_id].append(ev.Pain(row.date, row.exercise, row.pain))
    for row in sets:
        worst: dict[str, float] = {}
        for one in row.sets:
            if one.get("pain") is not None:
                worst[one["exercise"]] = max(float(one["pain"]), worst.get(one["exercise"], 0.0))
        pains[row.athlete_id] += [ev.Pain(row.date, exercise, level) for exercise, level in sorted(worst.items())]
    return Notes(
        {row.athlete_id: row for row in answers}, by_athlete(said), by_athlete(earlier),
        {who: sorted(found, key=lambda pain: (pain.on, pain.exercise, pain.level)) for who, found in pains.items()},
        by_athlete(sets), deloads, await _doubts(scope, ids, (first or as_of) - DOUBTED_SINCE, as_of),
    )  # fmt: skip


def _when_and_what(entry: Any) -> tuple[date, float, bytes]:
    """What orders sessions and notes: date, time of day if told, content; not the order in which they arrived."""
    said = {name: getattr(entry, name, None) for name in ("content", "sets", "plan_day", "skipped", "deload")}
    return entry.date, entry.at.timestamp() if entry.at else -np.inf, orjson.dumps(said, option=orjson.OPT_SORT_KEYS)


async def _doubts(scope: Scope, ids: Sequence[uuid.UUID], after: date, to: date) -> dict[uuid.UUID, list[Doubt]]:
    found: dict[uuid.UUID, list[Doubt]] = defaultdict(list)
    kinds: tuple[tuple[Literal["weigh_in", "meal"], Table], ...] = (("weigh_in", WeighIn), ("meal", Meal))
    for kind, of in kinds:
        entry = table_of(of)
        doubted = scope.select(entry.c.athlete_id, entry.c.date, entry.c.suspect, of=[of]).where(
            entry.c.athlete_id.in_(ids), entry.c.date > after, entry.c.date <= to, entry.c.suspect.is_not(None)
        )
        for row in await scope.rows(doubted):
            found[row.athlete_id].append(Doubt(row.date, kind, row.suspect["reason"]))
    return found


def evidence_of(known: Roster, found: RosterEstimates, notes: Notes, index: int) -> ev.Evidence:
    """All that the rules may look at, for one athlete of a roster on its last day."""
    athlete = known.athletes[index]
    phases, targets = known.phases.get(athlete.id, ()), known.targets.get(athlete.id, ())
    body = found.body
    at = (index, -1)
    return ev.Evidence(
        as_of=known.to,
        athlete=_athlete(athlete, known.to),
        screening=_screening(notes.screening.get(athlete.id)),
        phase=_phase_now(phases, known.to),
        past_phases=_past_phases(phases),
        targets=_targets_now(phases, targets),
        average_mass_kg=scalar_at(body.average_mass_kg, at, 4),
        rate_pct_per_week=scalar_at(body.rate_pct_per_week, at, 4),
        tissue_rate_pct_per_week=scalar_at(body.tissue_rate_pct_per_week, at, 4),
        maintenance_kcal=scalar_at(body.maintenance_kcal, at, 2),
        energy_requirement_kcal=scalar_at(body.energy_requirement_kcal, at, 2),
        body_fat_pct=scalar_at(body.body_fat_pct, at, 3),
        probability_not_in_deficit=_number(body.p_not_in_deficit[at], 4),
        probability_strength_lost=_pooled_loss(found, index),
        energy_before_cut_kcal=_energy_before_cut(phases, targets),
        log=_log(known, notes, index),
        lifts=_lifts(found, index),
        wellbeing=_wellbeing(athlete, notes, known, index),
        history=_history(known, notes, athlete, phases, targets),
    )


def outlooks(known: Roster, found: RosterEstimates, rows: Sequence[int]) -> list[ev.Outlook | None]:
    """What more data would do for maintenance, for some athletes of a roster on its last day; None before any log."""
    if not rows:
        return []
    chosen = np.array(rows)
    who = Athletes(**{field.name: getattr(known.who, field.name)[chosen] for field in fields(Athletes)})
    ahead = outlook(who, take(found.body.state, chosen), np.datetime64(known.to), OUTLOOK_DAYS)
    spreads = zip(ahead.as_so_far.tolist(), ahead.weighing_daily.tolist(), ahead.logging_daily.tolist(), strict=True)
    return [
        ev.Outlook(OUTLOOK_DAYS, *(round(sd, 1) for sd in three)) if np.isfinite(three).all() else None
        for three in spreads
    ]


def as_seen_on(known: Roster, found: RosterEstimates, notes: Notes, day: int) -> tuple[Roster, RosterEstimates, Notes]:
    """The same, as if the log ended on the day of this index; estimates must be causal ones.

    The filter's state stays that of the log's last day: no prediction may be made from it.
    """
    to = known.first + timedelta(days=day)

    def cut(part: Any) -> Any:
        if isinstance(part, np.ndarray) and part.shape[-1:] == known.log.days.shape:
            return part[..., : day + 1]
        if is_dataclass(part) and not isinstance(part, type):
            return replace(part, **{field.name: cut(getattr(part, field.name)) for field in fields(part)})
        return part

    def until(rows: Sequence[Any], name: str) -> list[Any]:
        return [row for row in rows if getattr(row, name) <= to]

    roster = replace(
        known,
        to=to,
        log=cut(known.log),
        protein_g=cut(known.protein_g),
        sessions=cut(known.sessions),
        phases={who: until(rows, "starts_on") for who, rows in known.phases.items()},
        targets={who: until(rows, "from_date") for who, rows in known.targets.items()},
        lifts={
            who: {name: until(rows, "date") for name, rows in lifts.items() if rows[0].date <= to}
            for who, lifts in known.lifts.items()
        },
        plans={who: until(rows, "from_date") for who, rows in known.plans.items()},
    )
    body = replace(cut(found.body), state=found.body.state)
    seen = replace(found, body=body, strength=cut(found.strength), main=cut(found.main))
    told = replace(
        notes,
        wellbeing={who: until(rows, "date") for who, rows in notes.wellbeing.items()},
        pains={who: until(rows, "on") for who, rows in notes.pains.items()},
        sessions={who: until(rows, "date") for who, rows in notes.sessions.items()},
        reviews={who: [row for row in rows if row.as_of < to] for who, rows in notes.reviews.items()},
        deloads={who: [on for on in days if on <= to] for who, days in notes.deloads.items()},
    )
    return roster, seen, told


def scalar_at(estimate: Estimate, at: tuple[int, ...], digits: int) -> ev.ScalarEstimate | None:
    """One element of an estimate, rounded, or None where it is not known yet."""
    values = [float(getattr(estimate, name)[at]) for name in ("mean", "sd", "lo", "hi")]
    return ev.ScalarEstimate(*(round(value, digits) for value in values)) if all(map(np.isfinite, values)) else None


def _number(value: Any, digits: int) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None


def _athlete(row: Any, as_of: date) -> ev.Athlete:
    window = row.eating_window
    return ev.Athlete(
        male=row.sex == "male",
        age_y=round((as_of - row.birth_date).days / 365.25, 3),
        height_cm=row.height_cm,
        activity_factor=row.activity_factor,
        experience=row.experience,
        goal_body_fat_pct=row.goal["body_fat_pct"] if row.goal else None,
        meals_per_day=row.meals_per_day,
        eating_window=ev.EatingWindow(window["from"], window["to"]) if window else None,
        carbohydrate_share=row.carbohydrate_share,
        food_pattern=row.food_pattern,
    )


def _screening(row: Any) -> ev.Screening | None:
    if row is None:
        return None
    answers = dict(row.answers)
    clearances = tuple(
        ev.Clearance(one["for"], date.fromisoformat(one["on"]), one["by"]) for one in answers.pop("clearances", [])
    )
    return ev.Screening(**answers, clearances=clearances)


def _phase_now(phases: Sequence[Any], as_of: date) -> ev.PhaseNow | None:
    if not phases:
        return None
    now = phases[-1]
    return ev.PhaseNow(now.kind, (as_of - now.starts_on).days + 1, now.starts_on, now.planned_end_on)


def _past_phases(phases: Sequence[Any]) -> tuple[ev.PastPhase, ...]:
    return tuple(
        ev.PastPhase(phase.kind, phase.starts_on, after.starts_on - timedelta(days=1))
        for phase, after in pairwise(phases)
    )


def _targets_now(phases: Sequence[Any], targets: Sequence[Any]) -> ev.Targets | None:
    steps = energy_steps(phases, targets)
    if not steps or steps[-1][1] is None:
        return None
    on, energy_kcal = steps[-1]
    assert energy_kcal is not None
    if not targets or targets[-1].from_date != on:
        return ev.Targets(energy_kcal, effective_on=on)
    row = targets[-1]
    window = row.eating_window
    meals = tuple(ev.Meal(meal["slot"], meal["energy_kcal"], meal["protein_g"]) for meal in row.meals or ())
    return ev.Targets(
        row.energy_kcal, row.protein_g, row.fat_g, row.carbohydrate_g, row.fibre_g, meals,
        ev.EatingWindow(window["from"], window["to"]) if window else None, on,
    )  # fmt: skip


def _energy_before_cut(phases: Sequence[Any], targets: Sequence[Any]) -> float | None:
    if not phases or phases[-1].kind != "cut":
        return None
    before = [energy for on, energy in energy_steps(phases, targets) if on < phases[-1].starts_on and energy]
    return before[-1] if before else None


def _log(known: Roster, notes: Notes, index: int) -> ev.Log:
    mass = np.isfinite(known.log.mass_kg[index])
    intake = known.log.intake_kcal[index]
    state = known.log.food_state[index]
    logged = np.isfinite(intake)
    whole = _whole_days(intake, state)
    measured = np.flatnonzero(np.isfinite(known.log.body_fat_pct[index]))
    recent = whole[-14:] & (known.log.phase_day[index][-14:] > 0) & _present_phase(known, index)[-14:]
    return ev.Log(
        weigh_ins_7_d=int(mass[-7:].sum()),
        weigh_ins_14_d=int(mass[-14:].sum()),
        weigh_ins_28_d=int(mass[-28:].sum()),
        days_since_weigh_in=_days_since(mass),
        complete_food_days_7_d=int(whole[-7:].sum()),
        complete_food_days_14_d=int(whole[-14:].sum()),
        days_since_food=_days_since(logged),
        logged_intake_kcal=_number(intake[-14:][recent].mean(), 1) if recent.any() else None,
        days_since_measurement=_days_since(np.isfinite(known.log.body_fat_pct[index])),
        body_fat_measurements=tuple(
            ev.BodyFatMeasurement(
                known.first + timedelta(days=int(day)),
                float(known.log.body_fat_pct[index, day]),
                _number(known.log.body_fat_se_pct[index, day], 3),
            )
            for day in measured
        ),
        sessions_missed_7_d=_missed_sessions(known.sessions[index], mass | logged),
        doubted_28_d=_doubted(notes.doubts.get(known.athletes[index].id, ()), known.to),
    )


def _doubted(doubts: Sequence[Doubt], to: date) -> tuple[ev.Doubted, ...]:
    counts = Counter((one.kind, one.reason) for one in doubts if to - DOUBTED_SINCE < one.date <= to)
    return tuple(
        ev.Doubted(kind, reason, count)
        for (kind, reason), count in sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    )


def _missed_sessions(sessions: Any, logged: Any) -> int | None:
    """Sessions short of the athlete's own habit (median of the four weeks before); None without a habit."""
    begun = np.flatnonzero(logged | (sessions > 0))
    if begun.size == 0 or sessions.shape[0] - begun[0] < 35:  # days of the athlete's own log, not of the batch's
        return None
    usual = int(np.median(sessions[-35:-7].reshape(4, 7).sum(axis=1)))
    return max(0, usual - int(sessions[-7:].sum())) if usual else None


def _whole_days(intake: Any, state: Any) -> Any:
    """Days that count as logged completely: declared so, fasts, and undeclared ones near the usual intake."""
    usual = np.median(intake[-28:][np.isfinite(intake[-28:])]) if np.isfinite(intake[-28:]).any() else np.inf
    undeclared = (state == FoodState.UNKNOWN) & (np.nan_to_num(intake) >= WHOLE_DAY_SHARE * usual)
    return (state == FoodState.COMPLETE) | (state == FoodState.FAST) | undeclared


def _present_phase(known: Roster, index: int) -> Any:
    """Which days belong to the phase in force on the last one."""
    day = known.log.phase_day[index]
    if day[-1] == 0:
        return np.ones(day.shape, dtype=np.bool_)
    return np.arange(day.shape[0]) > day.shape[0] - 1 - day[-1]


def _days_since(happened: Any) -> int | None:
    days = np.flatnonzero(happened)
    return int(happened.shape[0] - 1 - days[-1]) if days.size else None


def _lifts(found: RosterEstimates, index: int) -> tuple[ev.Lift, ...]:
    lifts = found.strength.lifts
    made = []
    for position, name in enumerate(found.lift_names[index]):
        at = (index, position, -1)
        maximum = scalar_at(lifts.one_rep_max_kg, at, 3)
        if maximum is not None:
            lost, rising = lifts.probability_lost[at], lifts.probability_rising[at]
            made.append(ev.Lift(name, maximum, _number(lost, 4), _number(rising, 4), bool(found.main[at])))
    return tuple(made)


def _pooled_loss(found: RosterEstimates, index: int) -> float | None:
    pooled = found.strength.pooled.probability_lost
    return _number(pooled[index, -1], 4) if pooled.shape[-1] else None


def _wellbeing(athlete: Any, notes: Notes, known: Roster, index: int) -> ev.Wellbeing:
    said = notes.wellbeing.get(athlete.id, ())
    week = [row.content for row in said if row.date > known.to - timedelta(days=7)]

    def mean(name: str) -> float | None:
        values = [content[name] for content in week if name in content]
        return round(float(sum(values)) / len(values), 3) if values else None

    return ev.Wellbeing(
        symptoms=tuple(ev.Symptom(row.date, kind) for row in said for kind in row.content.get("symptoms", ())),
        pains=tuple(notes.pains.get(athlete.id, ())),
        months_without_menstruation=_months_without(athlete, said, known, index),
        sleep_h=mean("sleep_h"),
        hunger=mean("hunger"),
        fatigue=mean("fatigue"),
    )


def _months_without(athlete: Any, said: Sequence[Any], known: Roster, index: int) -> float | None:
    """What the athlete said last, unless menstruation started since; never concluded from silence."""
    told = [row for row in said if "months_without_menstruation" in row.content]
    if athlete.sex != "female" or not told:
        return None
    started = np.flatnonzero(known.log.menstruation_started[index])
    if started.size and known.first + timedelta(days=int(started[-1])) > told[-1].date:
        return None
    months: float = told[-1].content["months_without_menstruation"] + (known.to - told[-1].date).days / 30.44
    return round(months, 2)


def _history(known: Roster, notes: Notes, athlete: Any, phases: Sequence[Any], targets: Sequence[Any]) -> ev.History:
    earlier = notes.reviews.get(athlete.id, ())
    lifted = [rows[0].date for rows in known.lifts.get(athlete.id, {}).values()]
    return ev.History(
        reviews=tuple(
            ev.PastReview(row.as_of, tuple(finding["code"] for finding in row.document["findings"]))
            for row in one_a_week(earlier, known.to)[:REVIEWS_REMEMBERED]
        ),
        last_energy_change_on=_last_change(phases, targets),
        last_deload_on=_last_deload(notes.deloads.get(athlete.id, ()), notes.sessions.get(athlete.id, ())),
        training_since=min(lifted, default=None),
    )


def one_a_week(reviews: Sequence[Any], as_of: date) -> list[Any]:
    """Of each ISO week before that of a date its latest review: a coach's looks in between confirm nothing twice."""
    weeks = {as_of.isocalendar()[:2]}
    found = []
    for row in reviews:  # newest first
        week = row.as_of.isocalendar()[:2]
        if week not in weeks:
            weeks.add(week)
            found.append(row)
    return found


def _last_deload(deloads: Sequence[date], sessions: Sequence[Any]) -> date | None:
    """When the last deload began that the coach accepted or the log shows, a week without training included."""
    days = [row.date for row in sessions]
    rests = [before + timedelta(days=1) for before, after in pairwise(days) if (after - before).days > REST_DAYS]
    return max([*deloads, *(row.date for row in sessions if row.deload), *rests], default=None)


def _last_change(phases: Sequence[Any], targets: Sequence[Any]) -> date | None:
    """When energy changed last within the phase in force; the phase's first targets are no change."""
    start = phases[-1].starts_on if phases else date.min
    steps = energy_steps(phases, targets)
    changes = [on for (_, before), (on, after) in pairwise(steps) if on > start and before != after]
    return changes[-1] if changes else None
