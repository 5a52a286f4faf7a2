"""Rules name the thresholds they read, no more and no fewer: what each judgement reads is recorded, over many cases.

A threshold that is read and not named would decide unseen; one that is named and never read would be a lie the other
way. A rule that reads a threshold only in a case that is not here makes `unread` of it: add the case to its table.
"""

from collections.abc import Callable
from dataclasses import fields, replace
from functools import cache

import pytest

from service.domain.evidence import BodyFatMeasurement, Clearance, Evidence, Pain, PastPhase, Symptom, moved
from service.domain.policy import DEFAULT, Policy
from service.domain.rules.rule import Rule
from service.domain.rules.rulebook import EVERY_RULE, RULE, judge
from tests.domain.rules import test_arbiter, test_checkin, test_gate, test_rules
from tests.domain.rules.on_plan import CLEAR, ON_PLAN, TODAY, ago, q

NAMES = frozenset(f.name for f in fields(Policy))


def recording(names: set[str]) -> Policy:
    """The service's own policy, which adds to `names` each threshold that is read from it."""

    class Recording(Policy):
        def __getattribute__(self, name: str) -> object:
            if name in NAMES:
                names.add(name)
            return super().__getattribute__(name)

    return Recording()


def _with(evidence: Evidence, part: str, **changes: object) -> Evidence:
    return replace(evidence, **{part: replace(getattr(evidence, part), **changes)})


def _in(kind: str) -> Callable[[Evidence], Evidence]:
    return lambda e: replace(e, phase=replace(e.phase or ON_PLAN.phase, kind=kind))


TWO_CUTS = (
    PastPhase("cut", ago(300), ago(260)),
    PastPhase("maintain", ago(259), ago(220)),
    PastPhase("cut", ago(219), ago(180)),
)
CLEARED = (Clearance("deficit", TODAY, "Dr Amaral"), Clearance("load", TODAY, "Dr Amaral"))
CIRCUMSTANCES: tuple[Callable[[Evidence], Evidence], ...] = (  # what a case may meet beside what it is about
    lambda e: e,
    _in("cut"),
    _in("build"),
    _in("maintain"),
    lambda e: _with(e, "athlete", male=None),
    lambda e: replace(e, maintenance_kcal=None),
    lambda e: replace(e, targets=None),
    lambda e: replace(e, probability_strength_lost=0.9),
    lambda e: replace(e, past_phases=TWO_CUTS, body_fat_pct=q(32.0, 1.0)),
    lambda e: replace(
        _with(e, "log", body_fat_measurements=(BodyFatMeasurement(ago(3), 6.0), BodyFatMeasurement(ago(1), 6.0))),
        past_phases=TWO_CUTS,
        body_fat_pct=q(32.0, 1.0),
    ),
    lambda e: _with(e, "wellbeing", hunger=5.0, fatigue=5.0, sleep_h=5.0),
    lambda e: _with(e, "wellbeing", pains=tuple(Pain(ago(days), "pull-up", 6.0) for days in (3, 1))),
)


def _another(evidence: Evidence) -> Evidence:
    """A woman, new to training, with a symptom of late and all clearances, in the same case."""
    athlete = replace(evidence.athlete, male=False, experience="novice")
    wellbeing = replace(evidence.wellbeing, symptoms=(*evidence.wellbeing.symptoms, Symptom(ago(2), "dizziness")))
    screening = replace(evidence.screening or CLEAR, clearances=CLEARED)
    return replace(evidence, athlete=athlete, wellbeing=wellbeing, screening=screening)


@cache
def cases() -> tuple[Evidence, ...]:
    """All rules' cases, the scripted and the referred athletes; where their findings go away."""
    tables = (*test_rules.CASES, *test_checkin.CASES)
    known = [make(value) for _, make, on, off in tables for value in (*on, *off)]
    known += [row[1] for row in test_arbiter.SCRIPTED]
    known += [onto(ON_PLAN) for onto, _ in test_gate.LISTED.values()]
    known += [onto(ON_PLAN) for onto in test_gate.LOADS_ONLY.values()]
    known += [there for evidence in known if (there := _past_all_moves(evidence)) != evidence]
    return tuple(dict.fromkeys(known))


@cache
def evidences() -> tuple[Evidence, ...]:
    """All cases under circumstances."""
    met = [circumstance(evidence) for evidence in cases() for circumstance in CIRCUMSTANCES]
    return tuple(dict.fromkeys([*met, *map(_another, met)]))


def _past_all_moves(evidence: Evidence) -> Evidence:
    """Where the counterfactual search looks: every finding's moves made."""
    for move in (move for finding in judge(evidence, DEFAULT) for move in finding.moves):
        evidence = moved(evidence, move.path, move.past)
    return evidence


@cache
def read_by(judgement: Callable[[Evidence, Policy], object]) -> frozenset[str]:
    """The thresholds that a judgement reads over all the evidence. Its finding, which shows them, is not made."""
    names: set[str] = set()
    policy = recording(names)
    for evidence in evidences():
        judgement(evidence, policy)
    return frozenset(names)


def faults(rule: Rule) -> dict[str, frozenset[str]]:
    """What a rule reads and does not name, and what it names and never reads; empty when there is neither."""
    read, named = read_by(rule.judge), frozenset(rule.thresholds)
    return {what: names for what, names in (("unnamed", read - named), ("unread", named - read)) if names}


@pytest.mark.parametrize("rule", EVERY_RULE, ids=lambda rule: rule.code)
def test_a_rule_names_the_thresholds_it_reads_and_no_other(rule):
    assert faults(rule) == {}
    assert len(set(rule.thresholds)) == len(rule.thresholds)


@pytest.mark.parametrize("rule", EVERY_RULE, ids=lambda rule: rule.code)
def test_a_wrong_list_is_noticed(rule):
    for name in rule.thresholds:
        shorter = replace(rule, thresholds=tuple(other for other in rule.thresholds if other != name))
        assert faults(shorter) == {"unnamed": {name}}
    for name in NAMES - set(rule.thresholds):
        assert faults(replace(rule, thresholds=(*rule.thresholds, name))) == {"unread": {name}}


def test_what_is_read_is_read_of_the_policy_only_where_the_rule_looks():
    """The recorder itself: a judgement that reads one field, all fields, or none."""
    assert read_by(lambda e, policy: policy.bmi_floor) == {"bmi_floor"}
    assert read_by(lambda e, policy: policy.values()) == NAMES
    assert read_by(lambda e, policy: policy.changed) == frozenset()


def test_a_finding_shows_the_values_and_sources_of_what_its_rule_names():
    strict = DEFAULT.changed({"build_novice_factor": 1.5})
    found = RULE["rate.too_fast"](test_rules.but(**test_rules.BUILD, tissue_rate_pct_per_week=q(1.4, 0.15)), strict)
    assert found is not None and found.evidence["thresholds"]["build_novice_factor"] == 1.5
    assert list(found.evidence["thresholds"]) == list(RULE["rate.too_fast"].thresholds)
    assert "Iraki 2019" in found.source
