"""Screening: which questions are open, and the published logic of readiness for exercise."""

from dataclasses import replace

import pytest

from service.domain.evidence import Clearance, Screening
from service.domain.policy import DEFAULT
from service.domain.rules.findings import Severity
from service.domain.rules.gate import gate
from service.domain.rules.rulebook import RULE
from service.domain.rules.screening import answered_since, known_disease, readiness, screened, unanswered
from tests.domain.rules.on_plan import CLEAR, TODAY, ago, but, said

# Riebe and others 2015, Med Sci Sports Exerc 47:2473, doi 10.1249/MSS.0000000000000664, figure of the preparticipation
# algorithm, from memory: active, known disease, signs or symptoms, wished intensity, outcome.
RIEBE = [
    (False, False, False, "light", "ready"),
    (False, False, False, "vigorous", "ready"),
    (False, True, False, "light", "clearance"),
    (False, True, False, "vigorous", "clearance"),
    (False, False, True, "light", "clearance"),
    (False, True, True, "moderate", "clearance"),
    (True, False, False, "vigorous", "ready"),
    (True, True, False, "light", "ready"),
    (True, True, False, "moderate", "ready"),
    (True, True, False, "vigorous", "clearance_before_vigorous"),
    (True, False, True, "light", "stop"),
    (True, True, True, "vigorous", "stop"),
]


@pytest.mark.parametrize(("active", "disease", "signs", "intensity", "outcome"), RIEBE)
def test_readiness_is_judged_as_published(active, disease, signs, intensity, outcome):
    answers = Screening(
        kidney_disease=disease, regularly_active=active, signs_or_symptoms=signs, desired_intensity=intensity
    )
    assert readiness(answers) == outcome
    opened = gate(but(screening=answers), DEFAULT)
    assert opened.training_open is (outcome in ("ready", "clearance_before_vigorous"))
    assert opened.load_open is (outcome == "ready")


@pytest.mark.parametrize(
    ("answers", "known"),
    [
        ({"heart_or_metabolic_disease": True}, True),
        ({"kidney_disease": True}, True),
        ({"glucose_lowering_medication": "insulin"}, True),
        ({"glucose_lowering_medication": "sulfonylurea"}, True),
        ({"glucose_lowering_medication": "other"}, False),
        ({}, False),
    ],
)
def test_what_counts_as_a_known_disease(answers, known):
    assert known_disease(Screening(**answers)) is known


def test_what_is_not_answered_closes_nothing():
    assert readiness(Screening()) == "ready"
    assert readiness(Screening(kidney_disease=True)) == "ready"
    assert readiness(Screening(kidney_disease=True, regularly_active=True)) == "ready"


OLD = Screening(False, False, False, False, "none")  # complete before injuries, readiness and the cycle were asked


def test_an_older_screening_still_opens_a_deficit_and_names_what_is_to_be_asked():
    for male, missing in ((True, 3), (False, 4), (None, 4)):
        evidence = but(screening=OLD, athlete__male=male)
        assert screened(evidence) and gate(evidence, DEFAULT).screened and gate(evidence, DEFAULT).load_open
        found = RULE["screening.unanswered"](evidence, DEFAULT)
        assert found is not None and found.severity is Severity.INFO
        assert len(found.evidence["unanswered"]) == missing and "injuries" in said(found.statement)
    assert RULE["screening.unanswered"](but(screening=CLEAR), DEFAULT) is None


@pytest.mark.parametrize(
    ("name", "careful"), [("cycle", False), ("injury", True), ("regularly_active", True), ("signs_or_symptoms", True)]
)
def test_only_what_loads_depend_on_asks_for_care_with_load(name, careful):
    evidence = but(screening=replace(CLEAR, **{name: None}), athlete__male=False)
    found = RULE["screening.unanswered"](evidence, DEFAULT)
    assert found is not None and ("load" in said(found.statement)) is careful, said(found.statement)


def test_men_are_not_asked_about_pregnancy_and_cycle():
    answers = Screening(None, False, False, False, "none")
    assert screened(but(screening=answers, athlete__male=True))
    for male in (False, None):
        assert not screened(but(screening=answers, athlete__male=male))
        assert unanswered(answers, male)[0] == "pregnant_or_breastfeeding" and "cycle" in unanswered(answers, male)
    assert not {"pregnant_or_breastfeeding", "cycle"} & {*unanswered(Screening(), True)}


def test_the_finding_names_which_answers_are_missing():
    half = Screening(False, False, None, False, None, (), True, False, "light", "natural")
    found = RULE["screening.unanswered"](but(screening=half, athlete__male=False), DEFAULT)
    assert found is not None and found.severity is Severity.ADVICE
    assert found.evidence["unanswered"] == ["kidney_disease", "glucose_lowering_medication"]
    assert said(found.statement).startswith("Unanswered in the screening: kidney disease and glucose-lowering")


def since(first, *later):
    """Answers of screenings (days ago, what differs from a clear one), and since how many days each is as it is."""
    revisions = [(ago(days), replace(CLEAR, **answers)) for days, answers in later]
    return {name: (TODAY - on).days for name, on in answered_since(replace(CLEAR, **first), revisions)}


def test_since_when_an_answer_is_as_it_is():
    assert since({"kidney_disease": True}) == {}
    assert since({"kidney_disease": True}, (9, {"kidney_disease": True})) == {}, "as in the first screening"
    assert since({}, (9, {"kidney_disease": True}), (5, {"kidney_disease": True})) == {"kidney_disease": 9}
    assert since({"kidney_disease": None}, (9, {"kidney_disease": True})) == {"kidney_disease": 9}
    again = [(9, {"kidney_disease": True}), (5, {}), (2, {"kidney_disease": True})]
    assert since({"kidney_disease": True}, *again[1:]) == {"kidney_disease": 2}, "taken back and given again"
    assert since({}, *again) == {"kidney_disease": 2}
    drug = [{"glucose_lowering_medication": name} for name in ("sulfonylurea", "insulin")]
    assert since(drug[0], (4, drug[1])) == {"glucose_lowering_medication": 4}, "another drug is another answer"


def test_since_when_a_region_is_injured():
    assert since({"injury": ("knee",)}, (7, {"injury": ("knee", "low_back")})) == {"low_back": 7}
    healed = [(7, {"injury": ("knee", "low_back")}), (5, {"injury": ("low_back",)}), (1, {"injury": ("knee",)})]
    assert since({"injury": ("knee",)}, *healed) == {"knee": 1}
    assert since({"injury": None}, (3, {"injury": ()})) == {}


def test_of_the_cycle_only_what_explained_missing_menses_counts():
    assert since({"cycle": None}, (3, {"cycle": "natural"})) == {}
    assert since({"cycle": "hormonal_contraception"}, (3, {"cycle": "unknown"})) == {"cycle": 3}


DISEASE = {"kidney_disease": True, "regularly_active": True, "desired_intensity": "vigorous"}
ANEW = [  # answers, what is answered since ten days ago, whether a clearance for load of before opens
    ({"signs_or_symptoms": True}, "signs_or_symptoms", False),
    ({"signs_or_symptoms": True}, "regularly_active", True),
    ({"signs_or_symptoms": True, "kidney_disease": True}, "kidney_disease", False),
    (DISEASE, "kidney_disease", False),
    (DISEASE, "desired_intensity", False),
    (DISEASE, "regularly_active", True),  # active by now: less stands against load than before
    ({**DISEASE, "regularly_active": False}, "regularly_active", False),
    ({**DISEASE, "regularly_active": False}, "desired_intensity", True),
    (DISEASE, "eating_disorder_history", True),
]


@pytest.mark.parametrize(("answers", "anew", "opens"), ANEW)
def test_readiness_that_is_answered_anew_takes_a_new_clearance(answers, anew, opens):
    for on, opened in ((11, opens), (10, True), (0, True)):
        given = (Clearance("load", ago(on), "Dr Amaral"),)
        screening = replace(CLEAR, **answers, clearances=given, answered_since=((anew, ago(10)),))
        assert gate(but(screening=screening), DEFAULT).load_open is opened
