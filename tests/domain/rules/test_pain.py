"""Pain and restrictions: what stops, what holds, what refers, and when it is over. Common practice, no source."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.catalogue.exercises import exercises
from service.domain.evidence import Clearance, Pain, Restriction, Wellbeing
from service.domain.policy import DEFAULT
from service.domain.rules.arbiter import decide
from service.domain.rules.findings import Action, Severity
from service.domain.rules.gate import gate
from service.domain.rules.pain import loads, sore_places
from service.domain.rules.rulebook import RULE
from tests.domain.rules.on_plan import CLEAR, TODAY, ago, but, said

CATALOGUE = exercises()


def hurt(*notes, trained=()):
    """Pain as (days ago, where, level): a lift by its slug, else a region; `trained`, days ago with a session."""
    pains = tuple(
        Pain(ago(days), where, level) if where in CATALOGUE else Pain(ago(days), None, level, where)
        for days, where, level in notes
    )
    days = tuple(sorted(ago(day) for day in trained))
    return but(wellbeing=Wellbeing(pains=pains, trained_on=days))


def cleared(evidence, on):
    return replace(evidence, screening=replace(CLEAR, clearances=(Clearance("load", on, "Dr Amaral"),)))


REFERRED = [  # notes, what is referred: 5/10 or more on two days within 28, in one lift or one region
    ([(0, "pull-up", 5), (7, "pull-up", 5)], {"pull-up"}),
    ([(0, "pull-up", 4.9), (7, "pull-up", 5)], set()),
    ([(0, "pull-up", 9)], set()),
    ([(0, "pull-up", 5), (0, "pull-up", 9)], set()),  # two sets of one day are one day
    ([(0, "pull-up", 5), (7, "barbell-row", 5)], set()),
    ([(0, "pull-up", 5), (27, "pull-up", 5)], {"pull-up"}),
    ([(0, "pull-up", 5), (28, "pull-up", 5)], set()),
    ([(100, "pull-up", 6), (105, "pull-up", 6)], {"pull-up"}),  # until cleared, however long ago
    ([(1, "pull-up", 6), (2, "pull-up", 6), (1, "barbell-row", 8), (3, "barbell-row", 5)], {"barbell-row", "pull-up"}),
    ([(-1, "pull-up", 6), (2, "pull-up", 6)], set()),  # not yet known on the review date
    ([(0, "knee", 5), (9, "knee", 6)], {"knee"}),
    ([(0, "knee", 5), (9, "hip", 6)], set()),
]


@pytest.mark.parametrize(("notes", "referred"), REFERRED)
def test_pain_that_comes_again_is_referred(notes, referred):
    evidence = hurt(*notes, trained=range(1, 90, 3))
    places = {s.place.exercise or s.place.region for s in sore_places(evidence, DEFAULT) if s.code == "safety.pain"}
    assert places == referred and gate(evidence, DEFAULT).deficit_open
    assert (decide(evidence, DEFAULT).recommendation.action is Action.REFER) is bool(referred)
    if referred:
        assert not gate(cleared(evidence, TODAY), DEFAULT).sore


SINGLE = [  # level, what becomes of the lift
    (10, "stop"), (7, "stop"), (6.9, "hold"), (4, "hold"), (3.9, None), (0, None),
]  # fmt: skip


@pytest.mark.parametrize(("level", "limit"), SINGLE)
@pytest.mark.parametrize("where", ["barbell-row", "low_back"])
def test_one_report_stops_or_holds_at_once(where, level, limit):
    opened = gate(hurt((0, where, level)), DEFAULT)
    assert opened.limits(CATALOGUE).get("barbell-row") == limit
    assert opened.closed_exercises == (("barbell-row",) if (where, limit) == ("barbell-row", "stop") else ())
    assert opened.held_exercises == (("barbell-row",) if (where, limit) == ("barbell-row", "hold") else ())
    assert opened.sore_regions == (("low_back",) if where == "low_back" and limit else ())
    codes = {f.code: f.severity for f in decide(hurt((0, where, level)), DEFAULT).findings if "pain" in f.code}
    wanted = {"stop": ("safety.pain_stopped", Severity.STOP), "hold": ("safety.pain_held", Severity.WARNING)}
    assert codes == dict([wanted[limit]] if limit else [])
    assert opened.deficit_open and opened.load_open and opened.training_open


QUIET = [  # the latest note of more than 2/10, sessions days ago, whether the stop of ten days ago is over
    ((10, 8), (9, 3), True),
    ((10, 8), (3,), False),  # one session is not enough
    ((10, 8), (10, 3), False),  # the session that hurt is none of the two
    ((10, 8), (), False),
    ((7, 3), (6, 2), True),
    ((6, 3), (5, 2), False),  # six days
    ((10, 8), (9, 0), True),  # today's counts
]


@pytest.mark.parametrize(("last", "trained", "over"), QUIET)
@pytest.mark.parametrize("where", ["back-squat", "knee"])
def test_a_single_stop_ends_after_seven_days_and_two_sessions_without_pain(where, last, trained, over):
    days, level = last
    evidence = hurt((10, where, 8), (days, where, level), (1, where, 2), trained=trained)
    assert (gate(evidence, DEFAULT).limits(CATALOGUE).get("back-squat") is None) is over
    until = gate(evidence, DEFAULT).stopped_until(CATALOGUE["back-squat"])
    assert until == (ago(10) if over else None), "it comes back lighter"


@pytest.mark.parametrize(("on", "over"), [(5, True), (3, True), (6, False)])
def test_a_single_stop_ends_with_a_clearance_since(on, over):
    assert bool(gate(cleared(hurt((5, "back-squat", 8)), ago(on)), DEFAULT).sore) is not over


def test_a_new_twinge_does_not_bring_back_a_stop_that_had_ended():
    evidence = hurt((60, "back-squat", 9), (1, "back-squat", 3), trained=(55, 50, 40, 1))
    assert not gate(evidence, DEFAULT).sore
    again = hurt((60, "back-squat", 9), (57, "back-squat", 3), (1, "back-squat", 3), trained=(58, 56, 1))
    assert gate(again, DEFAULT).closed_exercises == ("back-squat",), "it never was quiet"


def test_a_sore_region_touches_what_loads_it_and_what_lies_beside_it():
    limits = gate(hurt((0, "low_back", 8)), DEFAULT).limits(CATALOGUE)
    assert {"romanian-deadlift", "back-squat", "barbell-row", "pendlay-row"} <= {
        n for n, x in limits.items() if x == "stop"
    }
    assert not {"leg-curl", "pull-up", "chest-supported-dumbbell-row"} & limits.keys()
    assert loads(CATALOGUE["romanian-deadlift"], "groin") and loads(CATALOGUE["standing-calf-raise"], "calf")
    assert not loads(CATALOGUE["lat-pulldown"], "foot")


def test_nobody_said_where_a_row_hurts():
    opened = gate(hurt((0, "barbell-row", 8)), DEFAULT)
    limits = opened.limits(CATALOGUE)
    assert limits["barbell-row"] == "stop" and limits["pendlay-row"] == "hold", "another of the movement is held"
    assert "romanian-deadlift" not in limits and "pull-up" not in limits
    instead = set(CATALOGUE) - opened.to_avoid(CATALOGUE["barbell-row"], CATALOGUE)
    assert instead and all(CATALOGUE[name].pattern != "horizontal_pull" for name in instead)
    assert all("low_back" not in CATALOGUE[name].regions for name in instead)


def test_a_row_that_hurts_in_the_low_back_may_be_another_row():
    evidence = but(wellbeing=Wellbeing(pains=(Pain(TODAY, "barbell-row", 8.0, "low_back"),)))
    instead = set(CATALOGUE) - gate(evidence, DEFAULT).to_avoid(CATALOGUE["barbell-row"], CATALOGUE)
    assert "chest-supported-dumbbell-row" in instead and not {"pendlay-row", "seated-cable-row"} & instead


RESTRICTIONS = [  # level, since (days ago), cleared (days ago), what becomes of the squat
    (7, 30, None, "stop"), (10, 400, None, "stop"), (6, 30, None, "hold"), (4, 0, None, "hold"), (3, 30, None, None),
    (8, -1, None, None), (8, 30, 0, None), (8, 30, 5, None), (8, 30, -1, "stop"),
]  # fmt: skip


@pytest.mark.parametrize(("level", "since", "over", "limit"), RESTRICTIONS)
def test_a_restriction_is_in_force_until_it_is_cleared(level, since, over, limit):
    entry = Restriction("knee", ago(since), float(level), None if over is None else ago(over))
    evidence = but(restrictions=(entry,))
    opened = gate(evidence, DEFAULT)
    assert opened.limits(CATALOGUE).get("back-squat") == limit
    assert "pull-up" not in opened.limits(CATALOGUE) and opened.deficit_open and opened.load_open
    finding = RULE["safety.restricted"](evidence, DEFAULT)
    assert (finding is not None) is (limit is not None)
    assert finding is None or "knee" in said(finding.statement)
    if over in (0, 5):
        assert opened.stopped_until(CATALOGUE["back-squat"]) == ago(over)


def test_a_general_clearance_for_load_does_not_clear_a_restriction_but_an_injury_of_the_screening():
    restricted = cleared(but(restrictions=(Restriction("knee", ago(30), 8.0),)), TODAY)
    assert gate(restricted, DEFAULT).sore_regions == ("knee",)
    injured = but(screening=replace(CLEAR, injury=("knee",)))
    assert gate(injured, DEFAULT).limits(CATALOGUE)["leg-extension"] == "stop"
    found = RULE["safety.restricted"](injured, DEFAULT)
    assert found is not None and found.severity is Severity.ADVICE
    both = replace(injured, screening=replace(injured.screening, clearances=restricted.screening.clearances))
    assert not gate(both, DEFAULT).sore


def test_a_region_injured_later_takes_a_clearance_of_that_day_or_later():
    anew = replace(CLEAR, injury=("knee", "low_back"), answered_since=(("low_back", ago(10)),))
    for on, sore in ((200, ("low_back",)), (11, ("low_back",)), (10, ())):
        evidence = but(screening=replace(anew, clearances=(Clearance("load", ago(on), "Dr Amaral"),)))
        assert gate(evidence, DEFAULT).sore_regions == sore
        found = RULE["safety.restricted"](evidence, DEFAULT)
        assert (found is not None) is bool(sore)
        assert found is None or "dated 19 February" in said(*found.conditions)
    both = gate(but(screening=replace(anew, clearances=(Clearance("deficit", TODAY, "Dr Amaral"),))), DEFAULT)
    assert both.sore_regions == ("knee", "low_back"), "for load, not for a deficit"


# --- properties: more pain never opens ---------------------------------------------------------------------------

LIFTS, REGIONS = ("back-squat", "barbell-row", "bench-press"), ("knee", "low_back", "shoulder")
notes = st.tuples(st.integers(0, 60), st.sampled_from([*LIFTS, *REGIONS]), st.integers(0, 10))
reports = st.lists(notes, max_size=8)
sessions = st.lists(st.integers(0, 60), max_size=12)
clearances = st.none() | st.integers(0, 60)
_RANK = {None: 0, "hold": 1, "stop": 2}


def _limits(said_of_pain, trained, clearance):
    evidence = hurt(*said_of_pain, trained=set(trained))
    evidence = evidence if clearance is None else cleared(evidence, ago(clearance))
    limits = gate(evidence, DEFAULT).limits(CATALOGUE)
    return {name: _RANK[limits.get(name)] for name in CATALOGUE}


@settings(max_examples=150, deadline=None, derandomize=True)
@given(reports, notes, sessions, clearances)
def test_another_report_never_opens_a_lift(before, another, trained, clearance):
    less, more = _limits(before, trained, clearance), _limits([*before, another], trained, clearance)
    assert all(less[name] <= more[name] for name in CATALOGUE)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(reports.filter(len), st.data(), sessions, clearances)
def test_a_higher_level_never_opens_a_lift(before, data, trained, clearance):
    which = data.draw(st.integers(0, len(before) - 1))
    days, where, level = before[which]
    worse = [*before[:which], (days, where, data.draw(st.integers(level, 10))), *before[which + 1 :]]
    less, more = _limits(before, trained, clearance), _limits(worse, trained, clearance)
    assert all(less[name] <= more[name] for name in CATALOGUE)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(reports, sessions, st.sampled_from(REGIONS), st.integers(0, 9))
def test_a_graver_restriction_never_opens_a_lift(before, trained, region, level):
    evidence = hurt(*before, trained=set(trained))

    def ranks(of_level):
        entry = Restriction(region, TODAY - timedelta(days=3), float(of_level))
        limits = gate(replace(evidence, restrictions=(entry,)), DEFAULT).limits(CATALOGUE)
        return [_RANK[limits.get(name)] for name in CATALOGUE]

    assert all(less <= more for less, more in zip(ranks(level), ranks(level + 1), strict=True))
