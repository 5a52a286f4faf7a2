"""The catalogue of sentences: what the code says stands in it and nothing else does, and every sentence reads well."""

import ast
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path
from string import Formatter
from typing import NamedTuple

import pytest

from service.application.attention.attention_list import FAILED
from service.catalogue.exercises import exercises
from service.catalogue.sentences import catalogue, question, render, words
from service.domain.evidence import Evidence, Outlook, Pain, SuspectEntries, Targets, Wellbeing
from service.domain.nutrition.logging_need import logging_need
from service.domain.policy import DEFAULT
from service.domain.rules.amendments import Change, check_change, check_training
from service.domain.rules.arbiter import decide
from service.domain.rules.checkin import HAS_NEXT, check_in, next_step
from service.domain.rules.findings import Finding
from service.domain.rules.menu_safety import cautions, refusals
from service.domain.rules.plan_sense import check_energy
from service.domain.rules.rulebook import EVERY_RULE
from service.domain.sentence import Sentence, Value, say
from tests.domain.rules.on_plan import CLEAR, TODAY, ago, but, phase, q, said
from tests.domain.rules.test_thresholds import cases

SERVICE = Path(__file__).parents[2] / "service"
CHANGES = (
    Change(2140.0),
    Change(1450.0),
    Change(2600.0),
    Change(phase="cut"),
    Change(2100.0, "cut"),
    Change(3100.0, "build"),
    Change(2000.0, "build"),
    Change(3400.0, "maintain"),
    Change(2850.0, "maintain", window=True),
    Change(phase="cut", planned_end_on=date(2026, 6, 1)),
)
LONG = 320  # characters: a sentence with its caution and its water; most are half as long


def fields(sentence_id: str) -> dict[str, str]:
    """The values of a sentence with how they are written."""
    return {name: how or "" for _, name, how, _ in Formatter().parse(catalogue()[sentence_id]) if name is not None}


class Call(NamedTuple):
    """A call of `say`: where, which ids it names or may put together, the values (None where not all stand there)."""

    place: str
    literal: bool
    ids: tuple[str, ...]
    names: frozenset[str] | None


@cache
def calls() -> tuple[Call, ...]:
    """Every call of `say` in the service whose id can be read."""
    found = []
    for path in SERVICE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "say":
                keywords = [keyword.arg for keyword in node.keywords]
                names = None if None in keywords else frozenset(name for name in keywords if name)
                place = f"{path.relative_to(SERVICE)}:{node.lineno}"
                found.append(Call(place, not isinstance(node.args[0], ast.JoinedStr), _ids(node.args[0]), names))
    return tuple(found)


def _ids(asked: ast.expr) -> tuple[str, ...]:
    """The ids that an expression names; of an f-string, those of the catalogue that fit it."""
    if isinstance(asked, ast.JoinedStr):
        parts = [re.escape(str(part.value)) if isinstance(part, ast.Constant) else ".+" for part in asked.values]
        return tuple(name for name in catalogue() if re.fullmatch("".join(parts), name))
    literals = (node.value for node in ast.walk(asked) if isinstance(node, ast.Constant))
    return tuple(value for value in literals if isinstance(value, str))


def written(call: Call) -> set[str]:
    """Those of a call's ids whose values are the ones that it hands over."""
    return {name for name in call.ids if name in catalogue() and call.names in (None, frozenset(fields(name)))}


def within(value: Value) -> Iterator[Sentence]:
    """A sentence and all sentences that stand in it."""
    for part in value if isinstance(value, tuple) else (value,):
        if isinstance(part, Sentence):
            yield part
            for _, inner in part.values:
                yield from within(inner)


def of_finding(finding: Finding) -> Iterator[Sentence]:
    yield finding.statement
    if finding.would_change is not None:
        yield finding.would_change


def of_evidence(evidence: Evidence) -> Iterator[Sentence]:
    """Everything that the rules say of an athlete on a day, and about changes that a coach might ask for."""
    decision, night = decide(evidence, DEFAULT), check_in(evidence, DEFAULT)
    findings = [*decision.findings, *night, *check_training(evidence, DEFAULT, [exercises()["pull-up"]])]
    for change in CHANGES:
        findings += check_change(evidence, DEFAULT, change) + check_energy(evidence, DEFAULT, change)
    for finding in findings:
        yield from of_finding(finding)
    yield from decision.recommendation.would_change_if
    yield from (weaker.why for weaker in decision.overridden)
    yield from (step for finding in (*night, *decision.findings) if (step := next_step(finding.code)))
    targets = Targets(evidence.energy_kcal or 2000.0, 150.0)
    yield from (refusal.statement for refusal in refusals(evidence, DEFAULT, targets))
    yield from cautions(evidence, DEFAULT, targets)
    for spread_kcal in (90.0, 400.0):
        yield from logging_need(evidence, DEFAULT, spread_kcal).statement


SPECIAL = (  # what the rules' own cases leave out
    but(
        log__suspect_28_d=(
            SuspectEntries("weigh_in", "pounds_for_kilograms", 12),
            SuspectEntries("weigh_in", "kilograms_for_pounds", 1),
            SuspectEntries("weigh_in", "slipped_decimal", 1),
            SuspectEntries("weigh_in", "implausible_jump", 2),
            SuspectEntries("weigh_in", "implausible_value", 1),
            SuspectEntries("meal", "unknown_food", 3),
        )
    ),
    but(maintenance_kcal=q(2850.0, 250.0), outlook=Outlook(14, 220.0, 160.0, 210.0, 158.0), log__weigh_ins_14_d=2),
    but(maintenance_kcal=q(2850.0, 250.0), outlook=Outlook(14, 220.0, 215.0, 160.0, 158.0), log__weigh_ins_14_d=2),
    but(maintenance_kcal=q(2850.0, 250.0), outlook=Outlook(14, 220.0, 215.0, 212.0, 158.0), log__weigh_ins_14_d=2),
    but(maintenance_kcal=q(2850.0, 250.0), log__weigh_ins_14_d=6),
    but(maintenance_kcal=q(2850.0, 500.0), targets=None, log__weigh_ins_14_d=2),
    but(maintenance_kcal=q(2850.0, 500.0), targets=None, log__weigh_ins_14_d=1, athlete__activity_factor=1.6),
    but(
        tissue_rate_pct_per_week=q(-0.05, 0.2),
        targets=Targets(1810.0),
        maintenance_kcal=q(2400.0, 90.0),
        energy_requirement_kcal=q(2700.0, 150.0),
        body_fat_pct=q(32.0, 1.0),
        log__logged_intake_kcal=1810.0,
    ),
    but(
        tissue_rate_pct_per_week=q(-0.2, 0.2),
        phase=phase("build", 20, 40),
        targets=Targets(3300.0),
        average_mass_kg=q(73.9, 0.3),
    ),
    but(
        tissue_rate_pct_per_week=None,
        rate_pct_per_week=q(0.35, 0.1),
        phase=phase("build", 20, 40),
        targets=Targets(3500.0),
    ),
    but(
        tissue_rate_pct_per_week=None,
        rate_pct_per_week=q(0.35, 0.1),
        phase=phase("build", 20, 40),
        targets=Targets(3100.0),
    ),
    *(
        but(
            screening=replace(CLEAR, kidney_disease=True, regularly_active=active, desired_intensity=wanted),
        )
        for active, wanted in ((False, "moderate"), (True, "vigorous"))
    ),
    but(average_mass_kg=q(58.0, 0.3), wellbeing=Wellbeing(pains=tuple(Pain(ago(on), "pull-up", 6.0) for on in (3, 1)))),
)


@cache
def whole() -> tuple[Sentence, ...]:
    """Whatever is said as a sentence of its own, over the cases of all rules."""
    return tuple(dict.fromkeys(sentence for evidence in (*cases(), *SPECIAL) for sentence in of_evidence(evidence)))


def test_every_sentence_of_the_code_stands_in_the_catalogue_with_its_values():
    """All ids that a call names; of an id that is put together at least one (`once` and `next` name any)."""
    assert [call for call in calls() if call.literal and set(call.ids) != written(call)] == []
    assert [call for call in calls() if not call.literal and not written(call)] == []


def test_what_the_rules_say_hands_over_every_value_that_is_written_and_no_other():
    for sentence in dict.fromkeys(part for spoken in whole() for part in within(spoken)):
        assert dict(sentence.values).keys() == fields(sentence.id).keys(), sentence.id


def test_every_sentence_of_the_catalogue_is_said():
    """By a rule in one of its cases, or, of what is not the rules', by a call."""
    used = {s.id for sentence in whole() for s in within(sentence)} | set(FAILED.values())
    for call in calls():
        used |= written(call) if call.literal or not call.place.startswith("domain/rules/") else set()
    used |= {f"question.{rule.code}" for rule in EVERY_RULE} | {f"next.{code}" for code in HAS_NEXT}
    assert sorted(catalogue().keys() - used) == []


def test_every_rule_asks_a_question():
    assert {name.removeprefix("question.") for name in catalogue() if name.startswith("question.")} == {
        rule.code for rule in EVERY_RULE
    }
    assert all(question(rule.code).endswith("?") for rule in EVERY_RULE)


def reads_well(text: str) -> str | None:
    """What is wrong with a text, None when nothing is."""
    faults = {
        "a value is missing": r"[{}#]|\bNone\b|\bnan\b|\binf\b",
        "spaces": r"  | $|^ | [.,;:?]",
        "a date of a machine": r"\d{4}-\d\d",
        "a word of the program": r"\w_\w|\bband\b|with probability|\bjudged anew\b|\blogged-scale\b|from memory",
        "a hyphen for a minus": r"(?<![\w–])-\d",
        "a count that does not agree": r"\b1 (days|weeks|months|sessions|meals|weigh-ins|times|signs|reviews)\b",
        "an exercise by its slug": rf"\b({'|'.join(slug for slug in exercises() if slug.count('-') > 1)})\b",
    }
    return next((fault for fault, pattern in faults.items() if re.search(pattern, text)), None)


def test_whatever_the_rules_say_reads_as_a_sentence():
    for sentence in whole():
        text = said(sentence)
        assert reads_well(text) is None, (reads_well(text), text)
        assert text.endswith((".", "?")) and (text[0].isupper() or text[0].isdigit()), text
        assert len(text) <= LONG, text


SAMPLES: dict[str, tuple[Value, ...]] = {
    "0": (7.0, 2350.4),
    "1": (12.34,),
    "2": (-0.964, 0.0),
    "0+": (2104.2,),
    "1+": (11.96,),
    "1-": (12.04,),
    "2+": (1.384,),
    "2-": (1.386,),
    "chance": (0.57, 0.999, 0.001),
    "trend": (-0.96, 0.4, 0.001),
    "date": (date(2026, 3, 12),),
    "exercise": ("romanian-deadlift", ("romanian-deadlift", "pull-up")),
    "question": ("phase.fat_ceiling",),
    "text": ("Maren",),
    "in_turn": ((say("phase.none"), say("goal.unset")),),
}


def samples(how: str) -> tuple[Value, ...]:
    """Values to try where a value is written so."""
    if "|" in how:
        return (1, 3)
    return SAMPLES.get(how) or tuple(words(how)) or (say("sign.hunger", value=4.2),)


@pytest.mark.parametrize("sentence_id", catalogue())
def test_every_sentence_is_rendered_with_sample_values(sentence_id):
    written = {name: samples(how) for name, how in fields(sentence_id).items()}
    for turn in range(max(map(len, written.values()), default=1)):
        values = {name: several[turn % len(several)] for name, several in written.items()}
        text = render(say(sentence_id, **values), on=TODAY)
        assert text and reads_well(text.strip(" ,;:.")) is None, (reads_well(text), text)


def test_values_are_written_as_people_write_them():
    assert render(say("check_in.no_weigh_in", days=1)) == "No weigh-in for 1 day."
    assert render(say("check_in.no_weigh_in", days=12)) == "No weigh-in for 12 days."
    assert (
        render(say("energy.unset", phase="cut", energy_kcal=2104.6, lo=1899.7, hi=2310.2, rests_on=None))
        == "The cut has no energy target: 2105 kcal fits (90 %: 1900 to 2310)."
    )
    away = [date(2026, 3, 12), date(2025, 12, 31), date(2025, 6, 1), date(2027, 1, 1)]
    assert [render(say("listed.symptoms", symptom="chest_pain", on=on), on=TODAY) for on in away] == [
        "Chest pain on 12 March",
        "Chest pain on 31 December",
        "Chest pain on 1 June 2025",
        "Chest pain on 1 January 2027",
    ]
    assert (
        render(say("strength.lifts_down", lifts=("romanian-deadlift", "pull-up"))) == ": Romanian deadlift and Pull-up"
    )
    runs = [render(say("rate.runs", phase="maintain", rate=rate, lo=-1.2, hi=-0.7)) for rate in (-0.96, 0.0, 0.4)]
    assert runs[0] == "Weight is falling 0.96 % a week during maintenance (−1.20 to −0.70)"
    assert "is steady during" in runs[1] and "is rising 0.40 % a week" in runs[2]


def test_what_is_missing_is_an_error_and_no_hole_in_a_sentence():
    with pytest.raises(LookupError):
        render(say("no.such_sentence"))
    with pytest.raises(LookupError):
        render(say("check_in.no_weigh_in"))
    with pytest.raises(LookupError):
        render(say("limit.energy_floor", energy_kcal=None, floor_kcal=1500.0))
    with pytest.raises(LookupError):
        render(say("rate.runs", phase="bulk", rate=0.4, lo=0.1, hi=0.7))


BINDING = {  # examples of what a coach is to read, from the issue that asked for the catalogue
    say("advice.goes_away", conditions=(say("once.targets.energy_kcal.at_least", value=2104.6),)): (
        "This goes away once the target is 2105 kcal or more."
    ),
    say("strength.plateau", best="romanian-deadlift", probability=0.42): (
        "No main lift is clearly improving (best: Romanian deadlift, 42 %)."
    ),
    say("data.few_weigh_ins", some=say("data.only_weigh_ins", count=1), least=4, narrowing=None): (
        "Only 1 weigh-in in 14 days; at least 4 are needed."
    ),
    say("question.phase.fat_ceiling"): "Is body fat above the build ceiling?",
}


@pytest.mark.parametrize("sentence", BINDING, ids=lambda sentence: sentence.id)
def test_the_examples_stand_as_they_were_asked_for(sentence):
    assert render(sentence, on=TODAY) == BINDING[sentence]
