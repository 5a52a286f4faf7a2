"""What to lift next: one prescription per exercise, with its reason.

Rules in their order, the first that speaks decides: bad form stops the lift; a lift without history starts from the
estimate or is found out; a pause of two weeks, or a stop for pain that is over, returns lighter; a deload that is due;
in a cut loads are held and sets go before load; two misses back off; all work sets at the top of the range earn the
next load; else the load stays and repetitions grow. What hurts is stopped or held by the safety gate, before which each
prescription is put. Double progression and back-off are common practice, no source; the step of 2–10 % is the ACSM's
position stand 2009 (doi 10.1249/MSS.0b013e3181915670). Thresholds come from the policy, loads from the gym: a
prescription is always one of the loads that exist, never a jump above the policy's, and never more than the upper bound
of the estimated maximum allows.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import ceil

from service.domain.policy import DEFAULT, Policy
from service.domain.sentence import Sentence, say
from service.domain.strength.repetitions import load_for
from service.domain.strength.sets import TYPICAL_MASS_KG
from service.domain.training.care import care_reasons
from service.domain.training.exercise import Count, Exercise
from service.domain.training.loads import assistable, nearest_load
from service.domain.training.prescription import LiftSession, Prescription, Scheme, Situation

PAUSE_DAYS = 14  # off a lift from which it starts lower (common practice, no source)
PAUSE_CUTS = ((56, 20.0), (28, 15.0), (PAUSE_DAYS, 10.0))  # days off, per cent of load taken away (likewise)
DELOAD_LOAD_PCT = 10.0  # per cent of the load taken off in a deload; sets are halved (common practice, no source)
DELOAD_RIR = 2  # repetitions left in reserve beyond those asked, in a deload (common practice, no source)
CUT_SETS = 2.0 / 3.0  # share of the planned sets kept in a cut at least (common practice, no source)
EASY_RIR = 2  # repetitions in reserve beyond those asked, in every set, that earn the largest step (judgement)
COUNT_STEP: Mapping[Count, int] = {
    "reps": 2,
    "seconds": 5,
    "distance_m": 5,
}  # more of it, without more load (judgement)
MOST_EXTRA: Mapping[Count, int] = {"reps": 10, "seconds": 30, "distance_m": 20}  # beyond the range (judgement)
TOO_HEAVY = say("lift.too_heavy")
MOST_BY_ESTIMATE = say("lift.most_by_estimate")
START_MARGIN = 0.95  # share of the load that the estimate would allow, when a lift begins (judgement)


@dataclass(frozen=True)
class _Case:
    """All that the rules look at."""

    exercise: Exercise
    scheme: Scheme
    history: tuple[LiftSession, ...]  # oldest first
    now: Situation
    loads: tuple[float, ...]
    policy: Policy

    @cached_property
    def trained(self) -> tuple[LiftSession, ...]:
        """Sessions that count for progress: no deloads, and with a completed set."""
        return tuple(s for s in self.history if not s.deload and s.counts and max(s.counts) > 0)

    @cached_property
    def last(self) -> LiftSession:
        return self.trained[-1]

    @cached_property
    def body_kg(self) -> float:
        """The part of the body that is lifted."""
        return self.exercise.body_mass_share * (self.now.body_mass_kg or TYPICAL_MASS_KG)

    @cached_property
    def most_kg(self) -> float:
        """The heaviest load that is not a jump beyond the policy's from the last one."""
        system = self.body_kg + self.last.external_kg
        return system * (1.0 + self.policy.load_step_max_pct / 100.0) - self.body_kg + 1e-9

    @cached_property
    def held_kg(self) -> float:
        """The last load, or the nearest this gym can make without a jump."""
        return nearest_load([load for load in self.loads if load <= self.most_kg], self.last.external_kg)

    def lighter(self, least_pct: float, most_pct: float) -> float:
        """A load lower by the least share that exists within the bounds; else the nearest below, if any exists."""
        system = self.body_kg + self.last.external_kg
        high = system * (1.0 - least_pct / 100.0) - self.body_kg + 1e-9
        low = system * (1.0 - most_pct / 100.0) - self.body_kg - 1e-9
        below = [load for load in self.loads if load <= high]
        inside = [load for load in below if load >= low]
        return max(inside or below, default=self.loads[0])

    def missed(self, session: LiftSession) -> bool:
        """Below the range on average of its work sets."""
        return sum(session.counts) / len(session.counts) < self.scheme.least

    def at_top(self, session: LiftSession) -> bool:
        """Every planned set reached the top of the range, with the reserve that was asked for."""
        short = len(session.counts) < self.scheme.sets or min(session.counts) < self.scheme.most
        return not (short or any(rir is not None and rir < self.scheme.rir - 1 for rir in session.rir))

    def earned(self) -> bool:
        """At the top in the last session; with care, in the last few at the present load."""
        sessions = self.trained[-(self.policy.care_sessions_at_top if self.now.care else 1) :]
        same_load = all(abs(session.external_kg - self.last.external_kg) < 1e-6 for session in sessions)
        enough = len(sessions) >= self.policy.care_sessions_at_top or not self.now.care
        return enough and same_load and all(map(self.at_top, sessions))

    def misses(self) -> int:
        """Misses in a row at the present load, latest first."""
        count = 0
        for session in reversed(self.trained):
            if not self.missed(session) or abs(session.external_kg - self.last.external_kg) > 1e-6:
                break
            count += 1
        return count


def prescribe(
    exercise: Exercise,
    scheme: Scheme,
    history: Sequence[LiftSession],
    now: Situation,
    loads: Sequence[float],
    policy: Policy = DEFAULT,
) -> Prescription:
    """The next prescription of a lift.

    Parameters
    ----------
    exercise : Exercise
        The lift.
    scheme : Scheme
        What the plan asks of it.
    history : sequence of LiftSession
        Its sessions in any order; those after `now.on` are ignored.
    now : Situation
        Where the athlete stands.
    loads : sequence of float
        What the gym can load, external kg (see `loads.available_loads`); without any, no load is given.
    policy : Policy
        The thresholds.
    """
    past = tuple(sorted((s for s in history if s.on <= now.on), key=lambda s: s.on))
    case = _Case(exercise, scheme, past, now, tuple(sorted(loads)), policy)
    for rule in _RULES:
        prescription = rule(case)
        if prescription is not None:
            return _within_estimate(case, prescription)
    return _within_estimate(case, _answer(case, "hold", case.held_kg, *_hold_reason(case)))


def _within_estimate(case: _Case, prescription: Prescription) -> Prescription:
    """No load that even the upper bound of the maximum would not allow for the fewest repetitions asked."""
    maximum, wanted, exercise = case.now.one_rep_max_kg, prescription.external_kg, case.exercise
    needs_mass = exercise.body_mass_share > 0.0 and case.now.body_mass_kg is None
    if maximum is None or wanted is None or needs_mass:
        return prescription
    most = (
        float(load_for(maximum.hi, prescription.least + prescription.rir, exercise.repetition_curve))
        - case.body_kg
        + 1e-9
    )
    if wanted <= most:
        return prescription
    possible = [load for load in case.loads if load <= most]
    if not possible:
        return _answer(case, "find", None, TOO_HEAVY)
    rule = "hold" if prescription.rule in ("add_load", "add_reps") else prescription.rule
    less = _answer(case, rule, possible[-1], *_lighter_reason(prescription))
    return replace(
        less,
        sets=prescription.sets,
        least=prescription.least,
        most=prescription.most,
        rir=prescription.rir,
    )


_KEEPS_OR_GROWS = ("cut_hold", "hold", "add_load", "add_reps")  # rules whose own reason a lower load would contradict


def _lighter_reason(asked: Prescription) -> tuple[Sentence, ...]:
    """Why less is lifted than a rule asked for: one thing, not that beside what the rule said of the load."""
    if asked.rule == "cut_sets":
        return (say("lift.cut_sets_lighter"),)
    kept = [why for why in asked.why if why.id == "lift.care" or asked.rule not in _KEEPS_OR_GROWS]
    return (*kept, MOST_BY_ESTIMATE)


def _stop(case: _Case) -> Prescription | None:
    if not case.now.form_note:
        return None
    why = (say("lift.form"),)
    return Prescription(case.exercise.slug, 0, 0, 0, case.scheme.rir, None, None, None, "stop", why)


def _start(case: _Case) -> Prescription | None:
    if case.trained:
        return None
    maximum = case.now.one_rep_max_kg
    needs_mass = case.exercise.body_mass_share > 0.0 and case.now.body_mass_kg is None
    more_rir, careful = case.policy.care_rir_more if case.now.care else 0, _care(case)
    if maximum is None or needs_mass:
        if case.exercise.body_mass_share > 0.0 and not assistable(case.exercise) and 0.0 in case.loads:
            return _answer(case, "start", 0.0, say("lift.first_time_body_weight"), *careful, more_rir=more_rir)
        return _answer(case, "find", None, say("lift.first_time_without_estimate"), *careful, more_rir=more_rir)
    reps = case.scheme.most + case.scheme.rir + more_rir
    margin = case.policy.care_first_load_pct / 100.0 if case.now.care else START_MARGIN
    wish = margin * float(load_for(maximum.lo, reps, case.exercise.repetition_curve)) - case.body_kg
    possible = [load for load in case.loads if load <= wish]
    if not possible:
        return _answer(case, "find", None, TOO_HEAVY)
    return _answer(case, "start", possible[-1], say("lift.first_time"), *careful, more_rir=more_rir)


def _no_load(case: _Case) -> Prescription | None:
    if not case.loads:
        return _answer(case, "find", None, say("lift.no_load_here"))
    if not case.trained or case.loads[0] <= case.most_kg:
        return None
    return _answer(case, "find", None, TOO_HEAVY)


def _return(case: _Case) -> Prescription | None:
    off = (case.now.on - case.history[-1].on).days
    for days, pct in PAUSE_CUTS:
        if off >= days:
            kg = case.lighter(pct, pct + 5.0)
            why = say("lift.return", days=off, lighter_pct=pct)
            return _answer(case, "return", kg, why, sets=max(case.scheme.sets - 1, 1))
    if case.now.stopped_until is not None and case.last.on <= case.now.stopped_until:
        pct = case.policy.pain_return_pct
        why = say("lift.return_from_pain", on=case.now.stopped_until, lighter_pct=pct)
        return _answer(case, "return", case.lighter(pct, pct + 5.0), why, sets=max(case.scheme.sets - 1, 1))
    return None


def _deload(case: _Case) -> Prescription | None:
    if not case.now.deload:
        return None
    kg = case.lighter(DELOAD_LOAD_PCT, DELOAD_LOAD_PCT + 5.0)
    why = say("lift.deload", lighter_pct=DELOAD_LOAD_PCT)
    return _answer(case, "deload", kg, why, sets=ceil(case.scheme.sets / 2), more_rir=DELOAD_RIR)


def _cut(case: _Case) -> Prescription | None:
    if case.now.phase != "cut":
        return None
    fewest = ceil(case.scheme.sets * CUT_SETS)
    done = len(case.last.counts)
    if not case.missed(case.last):
        sets = min(max(done, fewest), case.scheme.sets)
        return _answer(case, "cut_hold", case.held_kg, say("lift.cut_hold"), sets=sets)
    if case.misses() >= case.policy.load_misses and done <= fewest:
        return None
    return _answer(
        case, "cut_sets", case.held_kg, say("lift.cut_sets"), sets=max(min(done, case.scheme.sets) - 1, fewest)
    )


def _back_off(case: _Case) -> Prescription | None:
    misses, policy = case.misses(), case.policy
    if misses < policy.load_misses:
        return None
    kg = case.lighter(policy.load_back_off_min_pct, policy.load_back_off_max_pct)
    if kg >= case.last.external_kg:
        return _answer(case, "hold", case.held_kg, say("lift.no_lighter_load"))
    why = say("lift.back_off", sessions=misses, amount=_amount(case, case.scheme.least))
    sets = ceil(case.scheme.sets * CUT_SETS) if case.now.phase == "cut" else None
    return _answer(case, "back_off", kg, why, sets=sets)


def _add_load(case: _Case) -> Prescription | None:
    last, scheme, policy = case.last, case.scheme, case.policy
    if not case.earned():
        return None
    if _grows_by_count(case):
        return _add_count(case, _reached(case))
    system = case.body_kg + last.external_kg
    low = system * (1.0 + policy.load_step_min_pct / 100.0) - case.body_kg - 1e-9
    inside = [load for load in case.loads if low <= load <= case.most_kg and load > last.external_kg]
    if inside:
        easy = (
            not case.now.care
            and len(last.rir) > 0
            and all(rir is not None and rir >= scheme.rir + EASY_RIR for rir in last.rir)
        )
        kg = inside[-1] if easy else inside[0]
        return _answer(case, "add_load", kg, _step_reason(case, kg, easy))
    return _add_count(case, say("lift.no_load_within", most_pct=policy.load_step_max_pct), say("lift.micro_plates"))


_COUNT_RULE: Mapping[Count, str] = {"reps": "add_reps", "seconds": "add_time", "distance_m": "add_distance"}


def _grows_by_count(case: _Case) -> bool:
    """A hold with body weight alone grows by time, until it is long enough for a harder one."""
    return case.exercise.counts == "seconds" and case.exercise.body_mass_share > 0.0 and case.last.external_kg == 0.0


def _more(case: _Case) -> int:
    counts = case.exercise.counts
    return min(int(min(case.last.counts)) - case.scheme.most + COUNT_STEP[counts], MOST_EXTRA[counts])


def _add_count(case: _Case, reached: Sentence, besides: Sentence | None = None) -> Prescription:
    counts = case.exercise.counts
    if case.exercise.progressions and _more(case) == MOST_EXTRA[counts]:
        besides = say("lift.harder_form")
    why = say(f"lift.{_COUNT_RULE[counts]}", reached=reached, besides=besides)
    return _answer(case, _COUNT_RULE[counts], case.held_kg, why, more=_more(case))


_RULES: tuple[Callable[[_Case], Prescription | None], ...] = (
    _stop,
    _no_load,
    _start,
    _return,
    _deload,
    _cut,
    _back_off,
    _add_load,
)


def _reached(case: _Case) -> Sentence:
    return say("lift.reached", sets=case.scheme.sets, amount=_amount(case, case.scheme.most))


def _step_reason(case: _Case, kg: float, easy: bool) -> Sentence:
    before, reached = case.last.external_kg, _reached(case)
    if before < 0.0 <= kg:
        return say("lift.beyond_body_weight" if kg > 0.0 else "lift.to_body_weight", reached=reached)
    if before == 0.0 and case.exercise.body_mass_share > 0.0:
        return say("lift.add_weight", reached=reached)
    step_pct = 100.0 * (kg - before) / (case.body_kg + before)
    return say("lift.largest_step" if easy else "lift.smallest_step", reached=reached, step_pct=step_pct)


def _hold_reason(case: _Case) -> tuple[Sentence, ...]:
    if case.missed(case.last):
        return (say("lift.missed_once", amount=_amount(case, case.scheme.least)),)
    if case.at_top(case.last):
        return (say("lift.once_more"), *_care(case))
    return (say(f"lift.hold.{case.exercise.counts}", amount=case.scheme.most),)


def _amount(case: _Case, count: int) -> Sentence:
    """A count in words: 8 repetitions, 40 s, 30 m."""
    return say(f"amount.{case.exercise.counts}", count=count)


def _care(case: _Case) -> tuple[Sentence, ...]:
    if not case.now.care:
        return ()
    return (say("lift.care", reasons=care_reasons(case.now.care, case.policy)),)


def _answer(
    case: _Case,
    rule: str,
    external_kg: float | None,
    *why: Sentence,
    sets: int | None = None,
    more_rir: int = 0,
    more: int = 0,
) -> Prescription:
    scheme, hangs = case.scheme, case.exercise.body_mass_share > 0.0
    plain_kg = None if hangs else external_kg
    hung_kg = external_kg if hangs else None
    return Prescription(
        exercise=case.exercise.slug,
        sets=scheme.sets if sets is None else sets,
        least=scheme.least + more,
        most=scheme.most + more,
        rir=scheme.rir + more_rir,
        load_kg=plain_kg,
        added_kg=hung_kg if hung_kg is not None and hung_kg >= 0.0 else None,
        assistance_kg=-hung_kg if hung_kg is not None and hung_kg < 0.0 else None,
        rule=rule,
        why=why,
    )
