"""Replays: what a policy would have recommended week by week, from what was known then, against what is known now."""

import uuid
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import TypedDict

import numpy as np

from service.application import schedule
from service.application.evidence.athlete_evidence import evidence_of
from service.application.evidence.estimates import RosterEstimates, estimate_roster
from service.application.evidence.gather import Logged
from service.application.evidence.notes import NoteRows, notes_on
from service.application.evidence.roster import Roster
from service.domain import evidence as ev
from service.domain.policy import Policy
from service.domain.rules.arbiter import Decision, decide
from service.domain.rules.energy_step import rate_band_pct
from service.domain.rules.findings import Severity

RATE_ALARMS = ("loss.ceiling", "rate.too_fast", "rate.too_slow", "rate.not_in_deficit", "rate.falling", "rate.rising")
REVERSAL_WITHIN = timedelta(days=21)
REMEMBERED = 6


class ReplayedWeek(TypedDict):
    """What a policy would have recommended on one review day, and what it would have found."""

    as_of: str
    phase: str | None
    action: str
    energy_kcal: dict[str, float | None]
    because: list[str]
    codes: list[str]


class Summary(TypedDict):
    """One policy over all athletes."""

    athletes: int
    weeks: int
    actions: dict[str, int]
    energy_changes: int
    reversals_within_3_weeks: int
    rate_alarms: int
    false_alarms: int
    false_alarm_share: float | None


@dataclass
class Course:
    """What one policy would have done for one athlete; `weeks` are newest last."""

    weeks: list[ReplayedWeek] = field(default_factory=list)
    reviews: list[ev.PastReview] = field(default_factory=list)  # what each of them found
    actions: Counter[str] = field(default_factory=Counter)
    energy_changes: list[tuple[date, float]] = field(default_factory=list)
    reversals: int = 0
    alarms: int = 0
    false_alarms: int = 0


def replay(logged: Logged, policies: Mapping[str, Policy]) -> dict[str, list[Course]]:
    """Run policies over the past of some athletes, from the first to the last day that was read.

    Returns
    -------
    dict
        By policy, the course of each athlete in their order; see `replay_roster`.
    """
    courses: dict[str, dict[uuid.UUID, Course]] = {name: {} for name in policies}
    for roster in logged.rosters():
        for name, own in replay_roster(roster, logged.notes, policies, logged.first).items():
            courses[name] |= {athlete.id: course for athlete, course in zip(roster.athletes, own, strict=True)}
    return {name: [own[athlete.id] for athlete in logged.athletes] for name, own in courses.items()}


def replay_roster(
    roster: Roster, note_rows: NoteRows, policies: Mapping[str, Policy], first: date
) -> dict[str, list[Course]]:
    """Run policies over the past of a roster.

    Parameters
    ----------
    roster : Roster
        Everything dated up to the last day of the replay.
    note_rows : NoteRows
        Likewise. Of stored reviews only the deloads that were accepted are looked at: they are part of what happened.
    policies : dict
        By name; every one sees the same evidence, with its own margins of what counts as a loss or a deficit.
    first : date
        The first review day that counts.

    Returns
    -------
    dict
        By policy, the course of each athlete in the roster's order. Week by week it uses `as_known` estimates; an alarm
        about the rate is false when the `revised` rate of that day was inside the phase's band all the same.
    """
    estimates = {
        margins: _estimate(roster, policy) for margins, policy in {_margins(p): p for p in policies.values()}.items()
    }
    average_mass_kg = next(iter(estimates.values())).body.average_mass_kg.mean
    revised = estimate_roster(roster, main_lifts_only=True, revised=True)
    courses = {name: [Course() for _ in roster.athletes] for name in policies}
    for day in range(max(roster.day(first), 0), roster.log.days.shape[0]):
        when = roster.first + timedelta(days=day)
        review_weekday = schedule.WEEKDAYS[(when + timedelta(days=1)).weekday()]
        for index, athlete in enumerate(roster.athletes):
            if athlete.review_weekday != review_weekday or not np.isfinite(average_mass_kg[index, day]):
                continue
            notes = notes_on(note_rows, athlete.id, when)
            notes = replace(notes, deloads=[begun for begun in notes.deloads if begun <= when])
            evidence = {margins: evidence_of(roster, own, notes, index, when) for margins, own in estimates.items()}
            for name, policy in policies.items():
                _advance(courses[name][index], evidence[_margins(policy)], policy, revised, index, day)
    return courses


def _margins(policy: Policy) -> tuple[float, float]:
    """The thresholds that the estimators need: policies that share them share the estimates."""
    return policy.no_deficit_pct, policy.strength_loss_pct


def _estimate(roster: Roster, policy: Policy) -> RosterEstimates:
    return estimate_roster(roster, main_lifts_only=True, policies=[policy] * len(roster.athletes))


def _advance(
    course: Course, evidence: ev.Evidence, policy: Policy, revised: RosterEstimates, index: int, day: int
) -> None:
    remembered = tuple(course.reviews[: -REMEMBERED - 1 : -1])
    deloads = [
        date.fromisoformat(week["as_of"]) + timedelta(days=1) for week in course.weeks if week["action"] == "deload"
    ]
    last_deload = max(filter(None, (evidence.history.last_deload_on, *deloads[-1:])), default=None)
    changed_on = max(
        filter(None, (evidence.history.last_energy_change_on, _own_change(course, evidence))), default=None
    )
    history = replace(
        evidence.history, reviews=remembered, last_deload_on=last_deload, last_energy_change_on=changed_on
    )
    decision = decide(replace(evidence, history=history), policy, explain=False)
    recommendation = decision.recommendation
    course.actions[recommendation.action.value] += 1
    codes = [finding.code for finding in decision.findings]
    pressing = tuple(finding.code for finding in decision.findings if finding.severity is not Severity.INFO)
    course.reviews.append(ev.PastReview(evidence.as_of, tuple(codes), evidence.maintenance_kcal, pressing))
    course.weeks.append(
        ReplayedWeek(
            as_of=evidence.as_of.isoformat(),
            phase=evidence.kind,
            action=recommendation.action.value,
            energy_kcal={"from": recommendation.energy_from_kcal, "to": recommendation.energy_to_kcal},
            because=list(recommendation.because),
            codes=codes,
        )
    )
    _count_change(course, decision, evidence.as_of)
    if any(code in RATE_ALARMS for code in recommendation.because):
        course.alarms += 1
        rate = float(revised.body.tissue_rate_pct_per_week.mean[index, day])
        course.false_alarms += _in_band(rate, evidence, policy)


def _own_change(course: Course, evidence: ev.Evidence) -> date | None:
    """When the replayed policy's own last change would have begun, if in the present phase: it counts as made."""
    if not course.energy_changes or evidence.phase is None:
        return None
    began = course.energy_changes[-1][0] + timedelta(days=1)
    return began if began > evidence.phase.starts_on else None


def _count_change(course: Course, decision: Decision, as_of: date) -> None:
    before, after = decision.recommendation.energy_from_kcal, decision.recommendation.energy_to_kcal
    if decision.recommendation.action.value != "change_energy" or before is None or after is None or before == after:
        return
    change = after - before
    if course.energy_changes:
        on, last = course.energy_changes[-1]
        course.reversals += int(change * last < 0 and as_of - on <= REVERSAL_WITHIN)
    course.energy_changes.append((as_of, change))


def _in_band(rate: float, evidence: ev.Evidence, policy: Policy) -> bool:
    low, high = rate_band_pct(evidence, policy, evidence.kind or "maintain")
    return low <= rate <= high


def summary(courses: Sequence[Course]) -> Summary:
    """One policy over all athletes: weeks, actions, changes, reversals, false alarms."""
    weeks = sum(len(course.weeks) for course in courses)
    alarms = sum(course.alarms for course in courses)
    actions = sum((course.actions for course in courses), Counter[str]())
    false_alarms = sum(course.false_alarms for course in courses)
    return Summary(
        athletes=len(courses),
        weeks=weeks,
        actions=dict(sorted(actions.items())),
        energy_changes=sum(len(course.energy_changes) for course in courses),
        reversals_within_3_weeks=sum(course.reversals for course in courses),
        rate_alarms=alarms,
        false_alarms=false_alarms,
        false_alarm_share=round(false_alarms / alarms, 3) if alarms else None,
    )
