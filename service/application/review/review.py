"""The weekly review: evidence of an athlete as of a date, the rules' decision, and the document that shows both.

`evidence_for` says what is known; the domain's `decide` does the rest.
The same inputs, policy and engine version give the same document, byte for byte.
"""

import asyncio
import hashlib
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import partial
from math import sqrt
from typing import Any

import numpy as np
import orjson
from sqlalchemy import bindparam

from service.application.evidence.athlete_evidence import scalar_at
from service.application.evidence.estimates import RosterEstimates
from service.application.evidence.gather import RosterEvidence, evidence_for
from service.application.evidence.notes import EarlierReview, Notes
from service.application.evidence.outlooks import outlooks
from service.application.evidence.policies import InForce
from service.application.evidence.roster import Roster
from service.application.training import prescriptions
from service.application.training.training_plans import days_of, gym_of
from service.domain import evidence as ev
from service.domain.estimation.estimate import predict_mass
from service.domain.normal import Z90
from service.domain.policy import Policy
from service.domain.records import Estimate
from service.domain.rules.arbiter import Decision, decide
from service.domain.rules.checkin import attention, check_in
from service.domain.rules.data_rules import maintenance_well_known
from service.domain.rules.findings import Action, Finding, Severity
from service.domain.rules.targets import fat_mass_kg
from service.store.scope import Scope, table_of
from service.store.tables import Review
from service.store.types import new_id

ENGINE_VERSION = "2"
LEAST_LEARNED = 0.1  # of the predicted standard deviation: less is no test of it


@dataclass(frozen=True)
class Result:
    """A review that was made: for whom, its document, and what the attention list sorts by."""

    athlete_id: uuid.UUID
    week: str
    as_of: date
    document: dict[str, Any]
    action: str
    severity: int
    attention: dict[str, Any] | None
    score: dict[str, Any] | None
    inputs_digest: str
    check_in: dict[str, Any]  # what a check-in of the same day finds


def iso_week(day: date) -> str:
    """The ISO 8601 week of a date, e.g. 2026-W53 for 2027-01-01."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


async def make_reviews(scope: Scope, athletes: Sequence[Any], as_of: date) -> list[Result]:
    """Review some athletes of a practice as of a local date; nothing is stored.

    Parameters
    ----------
    scope : Scope
        The practice.
    athletes : sequence of rows of `athlete`
        Whom.
    as_of : date
        The last day that counts.

    Returns
    -------
    list of Result
        In the order of the athletes.
    """
    ids = [athlete.id for athlete in athletes]
    replaced = await _out_of_date(scope, ids, as_of)
    batches = await evidence_for(scope, athletes, [as_of], estimates_on=partial(days_compared, replaced))

    def review() -> dict[uuid.UUID, Result]:
        return {result.athlete_id: result for batch in batches for result in review_roster(batch, replaced)}

    results = await asyncio.to_thread(review)
    return [results[athlete] for athlete in ids]


Replaced = Mapping[uuid.UUID, Mapping[str, Any]]  # documents by athlete


async def _out_of_date(scope: Scope, ids: Sequence[uuid.UUID], as_of: date) -> Replaced:
    """The open reviews of a day whose inputs have changed since, by athlete: a review made now replaces them."""
    review = table_of(Review)
    stale = scope.select(review.c.athlete_id, review.c.document, of=[Review]).where(
        review.c.athlete_id.in_(ids), review.c.as_of == as_of, review.c.state == "open", review.c.stale.is_(True)
    )
    return {row.athlete_id: row.document for row in await scope.rows(stale)}


def days_compared(replaced: Replaced, athlete_id: uuid.UUID, notes: Notes) -> list[date]:
    """The day whose estimates are held against those that an earlier review showed, if there is one."""
    earlier = _compared(replaced.get(athlete_id), notes.reviews)
    return [] if earlier is None else [date.fromisoformat(earlier["as_of"])]


def _compared(replaced: Mapping[str, Any] | None, reviews: Sequence[EarlierReview]) -> Mapping[str, Any] | None:
    """The review of the same day that is replaced, else the latest earlier one, of those made by this engine."""
    documents = [*([replaced] if replaced is not None else []), *(review.document for review in reviews)]
    return next((document for document in documents if document["engine_version"] == ENGINE_VERSION), None)


def review_roster(batch: RosterEvidence, replaced: Replaced | None = None) -> list[Result]:
    """Review a roster on its last day: the domain's work, without any I/O.

    `replaced` are the documents of the same day that these will replace: they say what has changed since.
    """
    roster, estimates = batch.roster, batch.estimates
    chosen = [batch.policies[athlete.id] for athlete in roster.athletes]
    notes = [batch.notes[athlete.id, roster.to] for athlete in roster.athletes]
    evidence = [batch.evidence[athlete.id, roster.to] for athlete in roster.athletes]
    unsure = [
        index for index, policy in enumerate(chosen) if not maintenance_well_known(evidence[index], policy.policy)
    ]
    for index, ahead in zip(unsure, outlooks(roster, estimates, unsure), strict=True):
        evidence[index] = replace(evidence[index], outlook=ahead)
    decisions = [decide(one, policy.policy) for one, policy in zip(evidence, chosen, strict=True)]
    intake = np.array([planned_intake_kcal(*pair) for pair in zip(evidence, decisions, strict=True)])
    next_mass = predict_mass(roster.who, estimates.body, np.datetime64(roster.to), intake)
    compared = [
        _compared((replaced or {}).get(athlete.id), notes[index].reviews)
        for index, athlete in enumerate(roster.athletes)
    ]
    return [
        _result(
            roster, estimates, notes[index], index, evidence[index], decision, next_mass, chosen[index], compared[index]
        )
        for index, decision in enumerate(decisions)
    ]


def planned_intake_kcal(evidence: ev.Evidence, decision: Decision) -> list[float]:
    """What is to be eaten on each of the next seven days, kcal, when the recommendation is followed; NaN when unknown.

    The present target until the day before the recommended phase begins, its energy from that day on; without a phase
    the recommended energy from the first day on.
    """
    asked = decision.recommendation
    now, then = (float("nan") if kcal is None else kcal for kcal in (evidence.energy_kcal, asked.energy_to_kcal))
    wait = (asked.phase.on - evidence.as_of).days - 1 if asked.phase is not None else 0
    return [now if day < wait else then for day in range(7)]


def _result(
    known: Roster, found: RosterEstimates, notes: Notes, index: int, evidence: ev.Evidence, decision: Decision,
    next_mass: Estimate, policy: InForce, compared: Mapping[str, Any] | None,
) -> Result:  # fmt: skip
    athlete = known.athletes[index]
    score = score_prediction(evidence, notes.reviews)
    changed = changed_since(known, found, index, compared)
    logged = [_inputs(known, index), _training(known, notes, athlete)]
    inputs = [ENGINE_VERSION, logged, evidence, policy, score, changed]
    digest = "sha256:" + hashlib.sha256(orjson.dumps(inputs, option=orjson.OPT_SORT_KEYS)).hexdigest()
    lifts = _prescriptions(known, notes, athlete, evidence, policy.policy, decision)
    body = decision.body()
    phase = evidence.phase
    document = {
        "week": iso_week(evidence.as_of),
        "as_of": evidence.as_of.isoformat(),
        "phase": phase
        and {
            "kind": phase.kind,
            "day": phase.day,
            "starts_on": phase.starts_on.isoformat(),
            "planned_end_on": phase.planned_end_on and phase.planned_end_on.isoformat(),
        },
        "estimates": _shown(evidence),
        "findings": body["findings"],
        "recommendation": {**body["recommendation"], "prescriptions": lifts},
        "overridden": body["overridden"],
        "prediction": _prediction(found, index, evidence, next_mass),
        "score": score,
        "changed_since": changed,
        "policy": policy.named,
        "engine_version": ENGINE_VERSION,
        "inputs_digest": digest,
    }
    severity = max((finding.severity.rank for finding in decision.findings), default=Severity.INFO.rank)
    return Result(
        athlete.id,
        iso_week(evidence.as_of),
        evidence.as_of,
        orjson.loads(orjson.dumps(document)),
        decision.recommendation.action.value,
        severity,
        attention_body(decision.findings),
        score,
        digest,
        check_in_body(evidence, policy.policy),
    )


def _prescriptions(
    known: Roster, notes: Notes, athlete: Any, evidence: ev.Evidence, policy: Policy, decision: Decision
) -> list[dict[str, Any]]:
    """What to lift in the coming week: every exercise of the plan, or the lifts trained of late."""
    plan, on = known.plan(athlete.id, evidence.as_of), evidence.as_of + timedelta(days=1)
    trainee = prescriptions.Trainee(
        sessions=notes.sessions,
        evidence=evidence,
        policy=policy,
        gate=decision.gate,
        gym=gym_of(plan),
        maxima={lift.exercise: lift.one_rep_max_kg for lift in evidence.lifts},
        deload_week=(
            prescriptions.is_deload_week(notes.deloads, on) or decision.recommendation.action is Action.DELOAD
        ),
    )
    if plan is not None:
        planned = tuple(exercise for day in days_of(plan) for exercise in day.exercises)
    else:
        planned = prescriptions.usual_lifts(notes.sessions, on)
    return [prescriptions.body(asked) for asked in prescriptions.prescriptions(planned, trainee, on)]


def _training(known: Roster, notes: Notes, athlete: Any) -> list[Any]:
    """The training inputs of a review, as they go into the digest."""
    plan = known.plan(athlete.id, known.to)
    sessions = [
        [row.date, row.sets, row.plan_day, row.deload, *(["doubted"] if row.suspect else [])] for row in notes.sessions
    ]
    return [plan and [plan.from_date, plan.days, plan.gym], sessions]


def attention_body(findings: tuple[Finding, ...], least: Severity = Severity.ADVICE) -> dict[str, Any] | None:
    """Why the findings need the coach and what to do next, as the attention list keeps it; None when they do not."""
    findings = tuple(finding for finding in findings if finding.severity.rank >= least.rank)
    wanted = attention(findings)
    if wanted is None:
        return None
    reasons = [
        {"code": finding.code, "severity": finding.severity.value, "statement": finding.statement}
        for finding in findings
    ]
    return {"next": wanted.next, "days_overdue": wanted.days_overdue, "reasons": reasons}


def check_in_body(evidence: ev.Evidence, policy: Policy) -> dict[str, Any]:
    """What the night's check-in keeps of an athlete: all that it finds is meant to be seen."""
    findings = check_in(evidence, policy)
    severity = max((finding.severity.rank for finding in findings), default=Severity.INFO.rank)
    return {"severity": severity, "attention": attention_body(findings, least=Severity.INFO)}


def _inputs(known: Roster, index: int) -> list[Any]:
    """The logged arrays of one athlete from the first logged day on, as they go into the digest."""
    log = known.log
    logged = np.flatnonzero(np.isfinite(log.mass_kg[index]) | np.isfinite(log.intake_kcal[index]))
    start = int(logged[0]) if logged.size else log.days.shape[0]
    columns = (log.mass_kg, log.intake_kcal, log.carbohydrate_g, log.food_state, log.target_kcal, log.phase_day)
    return [[None if value != value else value for value in column[index, start:].tolist()] for column in columns]


def _band(quantity: ev.ScalarEstimate | None, digits: int) -> dict[str, float] | None:
    if quantity is None:
        return None
    return {name: round(getattr(quantity, name), digits) for name in ("mean", "sd", "lo", "hi")}


def _shown(evidence: ev.Evidence) -> dict[str, Any]:
    fat_kg = fat_mass_kg(evidence)
    return {
        "average_mass_kg": _band(evidence.average_mass_kg, 2),
        "rate_pct_per_week": _band(evidence.rate_pct_per_week, 3),
        "tissue_rate_pct_per_week": _band(evidence.tissue_rate_pct_per_week, 3),
        "maintenance_kcal": _band(evidence.maintenance_kcal, 0),
        "energy_requirement_kcal": _band(evidence.energy_requirement_kcal, 0),
        "body_fat_pct": _band(evidence.body_fat_pct, 1),
        "fat_mass_kg": None if fat_kg is None else round(fat_kg, 1),
        "probability": {
            "not_in_deficit": evidence.probability_not_in_deficit,
            "strength_lost": evidence.strength_lost,
        },
        "strength": {
            lift.exercise: {
                "one_rep_max_kg": _band(lift.one_rep_max_kg, 1),
                "probability_lost": lift.probability_lost,
                "probability_rising": lift.probability_rising,
            }
            for lift in evidence.lifts
        },
    }


def _prediction(found: RosterEstimates, index: int, evidence: ev.Evidence, next_mass: Estimate) -> dict[str, Any]:
    lifts = found.strength.lifts
    strength = {
        name: _band(scalar_at(lifts.next_week_kg, (index, position, -1), 3), 1)
        for position, name in enumerate(found.lift_names[index])
    }
    return {
        "for": (evidence.as_of + timedelta(days=7)).isoformat(),
        "average_mass_kg": _band(scalar_at(next_mass, (index,), 4), 2),
        "strength": {name: band for name, band in strength.items() if band is not None},
    }


def score_prediction(evidence: ev.Evidence, earlier: Sequence[EarlierReview]) -> dict[str, Any] | None:
    """How last week's prediction for this very day came out, or None when there was none.

    For average mass and each main lift: predicted interval of the true value, what was found, and its distance from the
    prediction in standard deviations. What is found is an estimate too: it moves by what the week taught,
    √(sd² predicted − sd² found), as the estimates of any consistent filter do. `interval` is the central 90 % of that,
    where the estimate was to be found, and `inside` whether it was. A quantity about which the week taught (next to)
    nothing is not scored.
    """
    day = evidence.as_of.isoformat()
    made = next((row.document for row in earlier if row.document["prediction"]["for"] == day), None)
    if made is None:
        return None
    predicted = {"average_mass_kg": made["prediction"]["average_mass_kg"], **made["prediction"]["strength"]}
    found = {lift.exercise: lift.one_rep_max_kg for lift in evidence.lifts}
    if evidence.average_mass_kg is not None:
        found["average_mass_kg"] = evidence.average_mass_kg
    items = {}
    for name, band in predicted.items():
        if band is None or name not in found:
            continue
        learned = band["sd"] ** 2 - found[name].sd ** 2
        if learned > (LEAST_LEARNED * band["sd"]) ** 2:
            spread = sqrt(learned)
            z = (found[name].mean - band["mean"]) / spread
            interval = {"lo": round(band["mean"] - Z90 * spread, 2), "hi": round(band["mean"] + Z90 * spread, 2)}
            shown = {"predicted": band, "found": round(found[name].mean, 2), "found_sd": round(found[name].sd, 3)}
            items[name] = {**shown, "interval": interval, "z": round(z, 2), "inside": abs(z) <= Z90}
    phase = made["phase"]["kind"] if made["phase"] else None
    return {"made_as_of": made["as_of"], "phase": phase, "quantities": items} if items else None


_FOLLOWED = {  # estimates whose change is told, with the decimals that a review shows
    "average_mass_kg": 2,
    "rate_pct_per_week": 3,
    "tissue_rate_pct_per_week": 3,
    "maintenance_kcal": 0,
    "body_fat_pct": 1,
}


def changed_since(
    known: Roster, found: RosterEstimates, index: int, before: Mapping[str, Any] | None
) -> dict[str, Any] | None:
    """What entries that came late have moved: the estimates of an earlier review's day, then and now.

    By quantity (kg, %/week, kcal, %; main lifts by name, kg) what it was, is and by how much it moved. Of one engine
    version only; None when nothing moved, or nothing was reviewed before.
    """
    if before is None:
        return None
    day, shown = known.day(date.fromisoformat(before["as_of"])), before["estimates"]
    if day < 0:  # nothing is left of the log of that time
        return None
    now = {
        name: (shown[name], float(getattr(found.body, name).mean[index, found.column(day)]), digits)
        for name, digits in _FOLLOWED.items()
    }
    lifts = found.strength.lifts.one_rep_max_kg.mean
    for position, name in enumerate(found.lift_names[index]):
        lift = shown["strength"].get(name)
        now[name] = (lift and lift["one_rep_max_kg"], float(lifts[index, position, day]), 1)
    moved = {
        name: {"was": was["mean"], "is": round(mean, digits), "by": round(mean - was["mean"], digits)}
        for name, (was, mean, digits) in now.items()
        if was is not None and np.isfinite(mean) and abs(mean - was["mean"]) >= 0.75 * 10.0**-digits  # not by rounding
    }
    return {"as_of": before["as_of"], "quantities": moved} if moved else None


async def keep_reviews(scope: Scope, results: Sequence[Result], made_at: datetime, *, weekly: bool = True) -> int:
    """Store reviews; a day that has one keeps it, a week its weekly one. Open reviews of earlier days lapse.

    An open review of the day whose inputs have changed since is made anew, under its id: a coach's look by a coach's
    look or by the weekly review, whose place in the week it then takes.

    Parameters
    ----------
    scope : Scope
        The practice, on a transaction that holds the athletes.
    results : sequence of Result
        One each of some athletes.
    made_at : datetime
        When.
    weekly : bool
        Whether they are the weekly reviews of their ISO weeks, of which there is one; a coach's look at a day of the
        week does not stand in its way.

    Returns
    -------
    int
        How many were new or made anew.
    """
    review = table_of(Review)
    athletes, days = {result.athlete_id for result in results}, {result.as_of for result in results}
    columns = (review.c[name] for name in ("id", "athlete_id", "as_of", "week", "state", "stale", "revision"))
    same_days = scope.select(*columns, of=[Review]).where(review.c.athlete_id.in_(athletes), review.c.as_of.in_(days))
    there = {(row.athlete_id, row.as_of): row for row in await scope.rows(same_days)}
    new, newest = 0, []
    for result in results:
        row = {**vars(result), "id": new_id(), "state": "open", "made_at": made_at}
        row["week"] = result.week if weekly else result.as_of.isoformat()
        same_day = there.get((result.athlete_id, result.as_of))
        if same_day is None:
            kept = await scope.insert_new(Review, [row], key=("practice_id", "athlete_id", "week"))
            if not kept:
                continue
            new += kept
        elif same_day.state == "open" and same_day.stale:
            new += await _make_anew(scope, same_day, row)
        newest.append({"of_athlete": result.athlete_id, "before": result.as_of})
    if newest:
        earlier = (review.c.athlete_id == bindparam("of_athlete"), review.c.as_of < bindparam("before"))
        lapse = scope.update(Review).where(*earlier, review.c.state == "open")
        await scope.connection.execute(lapse.values(state="lapsed", revision=review.c.revision + 1), newest)
    return new


async def _make_anew(scope: Scope, old: Any, row: dict[str, Any]) -> int:
    """Put a review in the place of an open one of the same day, unless its week has its weekly review already."""
    review = table_of(Review)
    of_week = scope.select(review.c.id, of=[Review]).where(
        review.c.athlete_id == row["athlete_id"], review.c.week == row["week"], review.c.id != old.id
    )
    weekly_again = old.week != old.as_of.isoformat()
    week = old.week if weekly_again or await scope.first(of_week) is not None else row["week"]
    values = {
        name: row[name] for name in ("action", "severity", "attention", "document", "score", "inputs_digest", "made_at")
    }
    values |= {"week": week, "stale": False, "revision": old.revision + 1}
    same = (review.c.id == old.id, review.c.revision == old.revision)
    return await scope.run(scope.update(Review).where(*same).values(**values))
