"""The nightly check-in at its thresholds, and the order of the attention list."""

import pytest

from service.domain.evidence import Pain, SuspectEntries, Symptom, Targets, Wellbeing
from service.domain.policy import DEFAULT
from service.domain.rules import safety_rules
from service.domain.rules.checkin import HAS_NEXT, MISSING, RED_FLAGS, RULES, check_in, next_step, requests
from service.domain.rules.findings import Severity
from service.domain.rules.rulebook import judge
from tests.domain.rules.on_plan import ON_PLAN, ago, but, phase, q, said

VAGUE = {"maintenance_kcal": q(2850.0, 400.0)}
CASES = [  # the nightly rules' agreed thresholds: 3 days, 2 days, any missed session, 21 days in a cut, 7 days
    (
        "data.suspect_entries",
        lambda v: but(log__suspect_28_d=v),
        [(SuspectEntries("weigh_in", "implausible_jump", 1),)],
        [()],
    ),
    ("check_in.no_weigh_in", lambda v: but(log__days_since_weigh_in=v), [3, 10, None], [2, 0]),
    ("check_in.no_food", lambda v: but(**VAGUE, log__days_since_food=v), [2, 10, None], [1, 0]),
    ("check_in.no_food", lambda v: but(log__days_since_food=2, log__complete_food_days_7_d=v), [0], [1, 6]),
    ("check_in.missed_sessions", lambda v: but(log__sessions_missed_7_d=v), [1, 3], [0, None]),
    ("check_in.old_measurement", lambda v: but(log__days_since_measurement=v), [22, None], [21, 0]),
    ("check_in.no_targets", lambda v: but(targets=v), [None], [Targets(2300.0)]),
    ("check_in.phase_ending", lambda v: but(phase=phase("cut", 20, v)), [27, 20, 15], [28, None]),
]


@pytest.mark.parametrize(
    ("code", "make", "value", "fires"),
    [
        pytest.param(code, make, value, fires, id=f"{code}-{i}-{fires}-{value}")
        for i, (code, make, on, off) in enumerate(CASES)
        for fires, values in ((True, on), (False, off))
        for value in values
    ],
)
def test_threshold(code, make, value, fires):
    assert (code in [f.code for f in check_in(make(value), DEFAULT)]) is fires


def test_every_rule_has_a_case_and_says_what_to_do_next():
    assert {rule.code for rule in RULES} == {code for code, *_ in CASES}
    for rule in (*RED_FLAGS, *RULES):
        refers = rule.code.startswith("safety.") and rule.severity is Severity.STOP
        assert rule.code in HAS_NEXT or refers, rule.code


def test_nothing_to_say_on_plan():
    assert check_in(ON_PLAN, DEFAULT) == () and requests(ON_PLAN, DEFAULT) == ()


@pytest.mark.parametrize(
    ("evidence", "code", "severity"),
    [
        (but(wellbeing=Wellbeing(symptoms=(Symptom(ago(0), "chest_pain"),))), "safety.symptoms", Severity.STOP),
        (but(wellbeing=Wellbeing(symptoms=(Symptom(ago(0), "dizziness"),))), "safety.symptom_noted", Severity.WARNING),
        (
            but(wellbeing=Wellbeing(pains=(Pain(ago(0), "pull-up", 5), Pain(ago(3), "pull-up", 8)))),
            "safety.pain",
            Severity.STOP,
        ),
        (but(tissue_rate_pct_per_week=q(-1.7, 0.1)), "loss.ceiling", Severity.STOP),
        (but(log__logged_intake_kcal=1100.0, body_fat_pct=q(50.0, 2.0)), "safety.eats_below_floor", Severity.WARNING),
    ],
)
def test_red_flags_are_seen_the_same_night(evidence, code, severity):
    assert (code, severity) in [(found.code, found.severity) for found in check_in(evidence, DEFAULT)]
    assert next_step(code) is not None


def test_chest_pain_is_nothing_that_waits_for_a_referral():
    """Common practice, no source: medical help the same day, no training until then."""
    assert said(next_step("safety.symptoms")) == "No training: get the athlete medical help today."


def test_of_who_was_taken_on_today_nothing_is_missing_yet():
    """What is on its way is not asked for; what stops stops all the same."""
    nothing = but(
        log__days_since_weigh_in=None, log__days_since_food=None, log__days_since_measurement=None, **VAGUE,
        wellbeing=Wellbeing(symptoms=(Symptom(ago(0), "fainting"),)),
    )  # fmt: skip
    later, today = ({f.code for f in check_in(nothing, DEFAULT, first_day=new)} for new in (False, True))
    assert later - today == {"check_in.no_weigh_in", "check_in.no_food", "check_in.old_measurement"} <= MISSING
    assert "safety.symptoms" in today


def test_a_request_holds_until_it_is_answered():
    assert requests(but(log__weigh_ins_14_d=3), DEFAULT) == ("data.few_weigh_ins",)
    assert requests(but(log__weigh_ins_14_d=4), DEFAULT) == ()
    assert requests(but(screening=None), DEFAULT) == ("screening.unanswered",)


def test_measurements_follow_the_plans_rhythm():
    """Every four weeks, every three in a cut, which is short: common practice, no source."""
    for kind, most in (("build", 28), ("maintain", 28), ("cut", 21)):
        asked = [
            "check_in.old_measurement"
            in [f.code for f in check_in(but(phase=phase(kind, 20, 60), log__days_since_measurement=days), DEFAULT)]
            for days in (most, most + 1)
        ]
        assert asked == [False, True], kind


def test_a_phase_that_should_have_ended_is_overdue():
    (finding,) = check_in(but(phase=phase("build", 50, 45)), DEFAULT)
    assert (
        said(finding.statement).startswith("The build was due to end 5 days ago")
        and finding.evidence["days_overdue"] == 5
    )


def test_maintenance_that_a_review_lets_go_on_is_not_called_overdue():
    """What the night says of the phase's end is what the review says: stay, the trend is not stable yet."""
    moving = {"tissue_rate_pct_per_week": q(-0.4, 0.15), "targets": Targets(2850.0), "phase": phase("maintain", 35, 28)}
    assert "phase.extended" in [f.code for f in judge(but(**moving), DEFAULT)]
    assert "check_in.phase_ending" not in [f.code for f in check_in(but(**moving), DEFAULT)]
    calm = moving | {"tissue_rate_pct_per_week": q(0.0, 0.1)}
    (found,) = [f for f in check_in(but(**calm), DEFAULT) if f.code == "check_in.phase_ending"]
    assert said(found.statement).startswith("Maintenance was due to end 7 days ago")


def test_a_cut_ends_with_the_longest_cut_whatever_was_planned():
    (found,) = check_in(but(phase=phase("cut", 40, 60)), DEFAULT)
    assert said(found.statement).endswith(f", in {DEFAULT.cut_max_days - 40} days.")


def test_a_medication_that_only_needs_a_word_with_the_prescriber_refers_nobody():
    other = but(screening__glucose_lowering_medication="other")
    found = [f for f in judge(other, DEFAULT) if f.code == "safety.other_glucose_medication"]
    assert len(found) == 1
    seen = said(next_step("safety.other_glucose_medication"))
    assert "prescriber" in seen and "no deficit" not in seen


def test_only_what_closes_the_gate_falls_back_to_a_referral():
    """Every other safety rule has a next thing of its own, so that nothing is forbidden that is not."""
    for rule in safety_rules.RULES:
        assert rule.code in HAS_NEXT or (rule.code.startswith("safety.") and rule.severity is Severity.STOP), rule.code


def test_doubted_entries_come_before_no_weigh_in():
    doubted = (SuspectEntries("weigh_in", "pounds_for_kilograms", 12), SuspectEntries("meal", "slipped_decimal", 1))
    found = check_in(but(log__suspect_28_d=doubted, log__days_since_weigh_in=None), DEFAULT)
    assert [finding.code for finding in found][:2] == ["data.suspect_entries", "check_in.no_weigh_in"]
    assert said(found[0].statement) == (
        "12 weigh-ins look like pounds and 1 meal looks like a slipped decimal (last 28 days):"
        " please confirm or correct."
    )
    assert found[0].evidence["suspect_28_d"] == 13
    assert said(next_step("data.suspect_entries")) == "Confirm or correct the suspect entries."
