"""The transition table: every way out of every phase, its guards, dates, and the diagram made from it."""

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.evidence import BodyFatMeasurement, PastPhase, PhaseNow, Targets
from service.domain.policy import DEFAULT
from service.domain.rules.arbiter import decide
from service.domain.rules.findings import Action
from service.domain.rules.phases import (
    TRANSITIONS,
    cuts_in_a_row,
    is_diet_break,
    last_day,
    next_kind,
    switch,
)
from service.domain.rules.rulebook import RULE
from tests.documentation import phase_diagram
from tests.domain.rules.on_plan import TODAY, ago, but, phase, q

AT_GOAL = (BodyFatMeasurement(ago(14), 12.5), BodyFatMeasurement(ago(2), 12.0))
GOAL = {"body_fat_pct": q(11.5, 1.0), "log__body_fat_measurements": AT_GOAL}
RESTED = {"tissue_rate_pct_per_week": q(0.0, 0.1), "targets": Targets(2850.0)}


def _past(*kinds, days=35):
    """Phases of equal length, the last one ending before the present one of 30 days began."""
    end, found = ago(30), []
    for kind in reversed(kinds):
        found.append(PastPhase(kind, end - timedelta(days=days - 1), end))
        end -= timedelta(days=days)
    return tuple(reversed(found))


def test_every_row_of_the_table_names_a_rule_and_has_a_last_resort():
    for row in TRANSITIONS:
        assert row.because == "safety" or row.because in RULE, row
        assert row.source != row.to and (row.guard is None) == (row.when == "")
    for source, because in {(row.source, row.because) for row in TRANSITIONS}:
        rows = [row for row in TRANSITIONS if (row.source, row.because) == (source, because)]
        assert rows[-1].guard is None, "a finding that ends a phase always leads somewhere"


def test_every_rule_that_switches_is_in_the_table():
    switching = {code for code, rule in RULE.items() if rule.action is Action.SWITCH_PHASE}
    assert switching <= {row.because for row in TRANSITIONS}


@pytest.mark.parametrize(
    ("evidence", "because", "to"),
    [
        (but(phase=phase("build", 42, 42)), "phase.planned_end", "cut"),
        (but(phase=phase("build", 42, 42), **GOAL), "phase.planned_end", "maintain"),
        (but(phase=phase("build", 42, 42), body_fat_pct=q(6.5, 1.0)), "phase.planned_end", "maintain"),
        (but(phase=phase("build", 42, 42), average_mass_kg=q(58.0, 0.3)), "phase.fat_ceiling", "maintain"),
        # no room for a real deficit above the energy floor of 1500 kcal
        (but(phase=phase("build", 42, 42), maintenance_kcal=q(1550.0, 60.0)), "phase.plateau", "maintain"),
        (but(), "goal.reached", "maintain"),
        (but(), "safety.pregnancy", "maintain"),
        (but(phase=phase("maintain", 30), **RESTED, past_phases=_past("build", "cut")), "phase.rested", "build"),
        (but(phase=phase("maintain", 30), **RESTED, past_phases=_past("cut", "build")), "phase.rested", "cut"),
        (but(phase=phase("maintain", 30), **RESTED), "phase.rested", "build"),
        # too fat to build (20 % for men, common practice): another cut, but not a third in a row without a long rest
        (
            but(phase=phase("maintain", 30), **RESTED, past_phases=_past("cut"), body_fat_pct=q(22.0, 1.0)),
            "phase.rested",
            "cut",
        ),
        (
            but(
                phase=phase("maintain", 30),
                **RESTED,
                past_phases=_past("cut", "maintain", "cut"),
                body_fat_pct=q(22.0, 1.0),
            ),
            "phase.rested",
            "build",
        ),
        (
            but(
                phase=phase("maintain", 36),
                **RESTED,
                past_phases=_past("cut", "maintain", "cut"),
                body_fat_pct=q(22.0, 1.0),
            ),
            "phase.rested",
            "cut",
        ),
        (
            but(
                phase=phase("maintain", 30),
                **RESTED,
                past_phases=_past("cut"),
                athlete__male=False,
                body_fat_pct=q(29.0, 1.0),
            ),
            "phase.rested",
            "build",
        ),
        (but(phase=phase("maintain", 14, 14), **RESTED, past_phases=_past("build", "cut")), "phase.rested", "cut"),
        (but(phase=phase("maintain", 30)), "phase.planned_end", None),
        (but(phase=None), "phase.rested", None),
    ],
)
def test_what_follows(evidence, because, to):
    assert next_kind(evidence, DEFAULT, because) == to


@pytest.mark.parametrize(
    ("day", "cuts", "fat_pct", "to"),
    [
        (28, 1, 22.0, "cut"),  # one cut behind: the next may come
        (28, 2, 19.0, "build"),  # under the ceiling of 20 %: a build
        (28, 2, 22.0, None),  # too fat to build, two cuts in a row: a longer break first
        (35, 2, 22.0, None),
        (36, 2, 22.0, "cut"),  # the longest break ends before the next review
    ],
)
def test_who_is_too_fat_to_build_waits_for_the_next_cut_at_maintenance(day, cuts, fat_pct, to):
    past = _past(*["cut", "maintain"] * (cuts - 1), "cut")
    evidence = but(phase=phase("maintain", day), **RESTED, past_phases=past, body_fat_pct=q(fat_pct, 1.0))
    decision = decide(evidence, DEFAULT)
    assert (decision.recommendation.phase and decision.recommendation.phase.to) == to
    assert ("phase.extended" in [f.code for f in decision.findings]) == (to is None)


def test_cuts_in_a_row_are_counted_since_the_last_build():
    assert cuts_in_a_row(but(past_phases=_past("cut", "build", "maintain"))) == 0
    assert cuts_in_a_row(but(past_phases=_past("build", "cut", "maintain", "cut", "maintain"))) == 2


@pytest.mark.parametrize(("planned", "yes"), [(6, False), (7, True), (14, True), (15, False), (None, False)])
def test_a_short_maintenance_after_a_cut_is_a_diet_break(planned, yes):
    evidence = but(phase=phase("maintain", 5, planned), past_phases=_past("build", "cut"))
    assert is_diet_break(evidence, DEFAULT) is yes
    assert not is_diet_break(replace(evidence, past_phases=_past("cut", "build")), DEFAULT)


@pytest.mark.parametrize(
    ("now", "day"),  # the last day, counted from the phase's first as day 1
    [
        (phase("cut", 5, 35), 35),
        (phase("cut", 5, 60), 42),
        (phase("cut", 5), 42),
        (phase("build", 5, 20), 28),
        (phase("build", 5, 60), 60),
        (phase("build", 5), None),
        (phase("maintain", 5), 28),
        (phase("maintain", 5, 21), 28),
        (phase("maintain", 5, 60), 42),
    ],
)
def test_the_last_day_is_the_planned_end_within_the_policys_lengths(now, day):
    expected = None if day is None else now.starts_on + timedelta(days=day - 1)
    assert last_day(but(phase=now), DEFAULT) == expected


@pytest.mark.parametrize(("day", "on"), [(36, 43), (39, 43), (42, 43), (50, 51)])
def test_a_switch_takes_place_on_the_day_after_the_last_one_never_in_the_past(day, on):
    now = phase("cut", day, 42)
    found = switch(but(phase=now), DEFAULT, "phase.planned_end")
    assert found is not None and (found.on - now.starts_on).days + 1 == on
    assert found.on > TODAY and (found.planned_end_on - found.on).days + 1 == DEFAULT.maintain_min_days


def test_a_year_of_switches_keeps_every_length_inside_the_policy():
    """Weekly reviews on which every switch is accepted: cut ≤ 42 days, maintenance 28–42, build ≥ 28."""
    now, past, lengths = PhaseNow("cut", 1, TODAY, None), [], []
    for week in range(1, 60):
        today = TODAY + timedelta(days=7 * week)
        now = replace(now, day=(today - now.starts_on).days + 1)
        rate = {"cut": -0.7, "build": 0.35, "maintain": 0.0}[now.kind]
        evidence = but(
            as_of=today,
            phase=now,
            past_phases=tuple(past),
            targets=Targets({"cut": 2300.0, "build": 3100.0, "maintain": 2850.0}[now.kind]),
            tissue_rate_pct_per_week=q(rate, 0.1),
        )
        to = decide(evidence, DEFAULT).recommendation.phase
        if to is not None and now.day > 0:
            past.append(PastPhase(now.kind, now.starts_on, to.on - timedelta(days=1)))
            lengths.append((now.kind, past[-1].days))
            now = PhaseNow(to.to, 0, to.on, to.planned_end_on)
    assert [kind for kind, _ in lengths][:6] == ["cut", "maintain", "build", "cut", "maintain", "build"]
    limits = {"cut": (28, 42), "maintain": (28, 42), "build": (28, 10**6)}
    assert all(limits[kind][0] <= days <= limits[kind][1] for kind, days in lengths), lengths


def test_the_diagram_shows_every_way():
    lines = phase_diagram().splitlines()[1:-1]
    assert lines[0] == "stateDiagram-v2"
    ways = {(row.source, row.to) for row in TRANSITIONS}
    assert {tuple(line.split(" : ")[0].split(" --> ")) for line in (x.strip() for x in lines[1:])} == ways
    for row in TRANSITIONS:
        line = next(x for x in lines if x.strip().startswith(f"{row.source} --> {row.to} "))
        assert row.words in line and ":" not in line.split(" : ", 1)[1]
