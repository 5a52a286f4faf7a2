"""The findings about pain and restrictions: what is referred, stopped, held, and until when."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from service.domain.evidence import Evidence, Pain
from service.domain.policy import Policy
from service.domain.rules.findings import Action, Severity, Stage, Verdict
from service.domain.rules.pain import HELD, REFERRED, RESTRICTED, STOPPED, Sore, held, referred, restricted, stopped
from service.domain.rules.rule import Rule
from service.domain.sentence import Sentence, say


def _referred(evidence: Evidence, policy: Policy) -> Verdict | None:
    sore = referred(evidence, policy)
    if not sore:
        return None
    need = say("once.cleared", scopes=("load",), dated=say("once.dated", since=_last(sore)))
    return Verdict(say("safety.pain", places=_places(sore)), _notes(sore), (), need)


def _stopped(evidence: Evidence, policy: Policy) -> Verdict | None:
    sore = stopped(evidence, policy)
    if not sore:
        return None
    return Verdict(say("safety.pain_stopped", places=_places(sore)), _notes(sore), (), _quiet(sore, policy))


def _held(evidence: Evidence, policy: Policy) -> Verdict | None:
    sore = held(evidence, policy)
    if not sore:
        return None
    return Verdict(say("safety.pain_held", places=_places(sore)), _notes(sore), (), _quiet(sore, policy))


def _restricted(evidence: Evidence, policy: Policy) -> Verdict | None:
    sore = restricted(evidence, policy)
    if not sore:
        return None
    injured = tuple(s.place.region for s in sore if s.since is None and s.place.region is not None)
    named_on = evidence.screening.since(*injured) if evidence.screening else None
    parts = [
        say(f"safety.restricted.{limit}", regions=regions)
        for limit in ("stop", "hold")
        if (regions := tuple(dict.fromkeys(s.place.region for s in sore if s.limit == limit and s.since)))
    ]
    if injured:
        parts.append(say("safety.restricted.injury", regions=injured))
    needs = [say("once.restrictions_are_cleared")] if any(s.since for s in sore) else []
    needs += (
        [say("once.cleared", scopes=("load",), dated=named_on and say("once.dated", since=named_on))] if injured else []
    )
    facts = {"regions": {str(s.place.region): s.limit for s in sore}}
    statement = say("safety.restrictions", parts=tuple(parts))
    condition = say("once.both", conditions=tuple(needs))
    return Verdict(statement, facts, (), condition, Severity.ADVICE if injured else None)


def _quiet(sore: Sequence[Sore], policy: Policy) -> Sentence:
    """What ends a single stop or a hold."""
    return say(
        "once.pain_is_quiet",
        level=policy.pain_calm_level,
        days=policy.pain_calm_days,
        sessions=policy.pain_calm_sessions,
        since=_last(sore),
    )


def _last(sore: Sequence[Sore]) -> date:
    return max(pain.on for s in sore for pain in s.pains)


def _places(sore: Sequence[Sore]) -> tuple[Sentence, ...]:
    return tuple(_place(s) for s in sore)


def _place(sore: Sore) -> Sentence:
    pains = tuple(_noted(pain) for pain in sore.pains)
    if sore.place.exercise is not None:
        return say("safety.pains_of_lift", exercise=sore.place.exercise, pains=pains)
    return say("safety.pains_of_region", region=sore.place.region, pains=pains)


def _noted(pain: Pain) -> Sentence:
    return say("safety.pain_noted", level=pain.level, on=pain.on)


def _notes(sore: Sequence[Sore]) -> dict[str, Any]:
    """The reports that count, by lift and by region."""
    by_lift = {s.place.exercise: _levels(s) for s in sore if s.place.exercise is not None}
    by_region = {s.place.region: _levels(s) for s in sore if s.place.region is not None}
    return {name: notes for name, notes in (("exercises", by_lift), ("regions", by_region)) if notes}


def _levels(sore: Sore) -> list[dict[str, Any]]:
    return [{"on": str(pain.on), "level": pain.level} for pain in sore.pains]


RULES: tuple[Rule, ...] = (
    Rule("safety.pain", Stage.SAFETY, Severity.STOP, Action.REFER, REFERRED, _referred),
    Rule("safety.pain_stopped", Stage.SAFETY, Severity.STOP, None, STOPPED, _stopped),
    Rule("safety.pain_held", Stage.SAFETY, Severity.WARNING, None, HELD, _held),
    Rule("safety.restricted", Stage.SAFETY, Severity.INFO, None, RESTRICTED, _restricted),
)
