"""Replays: what was known then, two policies on the same evidence, false alarms against what is known now."""

import itertools
from collections import Counter
from collections.abc import Mapping
from dataclasses import fields, replace
from datetime import date, timedelta
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from service import moments
from service.domain.arbiter import decide
from service.domain.policy import DEFAULT
from service.domain.records import Athletes, DailyLog
from service.evidence import Notes, evidence_of
from service.replays import RATE_ALARMS, Course, replay_roster, summary
from service.roster import Roster, estimate_roster
from tests.simulated.coached_year import CLEARED, Spreadsheet, Year, begin, roster_of

ATHLETES, WEEKS = 7, 26
EAGER = DEFAULT.changed({"energy_change_probability": 0.5, "not_in_deficit_probability": 0.5, "energy_quiet_days": 3})
POLICIES = {"default": DEFAULT, "eager": EAGER}


@pytest.fixture(scope="module")
def known() -> Roster:
    """Half a year of six simulated athletes, coached by a spreadsheet."""
    year, coach = begin(ATHLETES, seed=9), Spreadsheet()
    for _ in range(WEEKS):
        coach(year)
        year.live_a_week()
    return _roster(year)


def _roster(year: Year) -> Roster:
    world = year.simulation.world()
    who = Athletes(**{f.name: getattr(world.profile, f.name) for f in fields(Athletes)})
    log = DailyLog(**{f.name: getattr(world.log, f.name) for f in fields(DailyLog)})
    roster = roster_of(year, who, log)
    for i, athlete in enumerate(roster.athletes):
        athlete.review_weekday = moments.WEEKDAYS[i]
    return roster


def _notes(roster: Roster, reviews: Mapping[int, Any] | None = None) -> Notes:
    answers = {athlete.id: SimpleNamespace(answers=CLEARED) for athlete in roster.athletes}
    return Notes(answers, {}, reviews or {}, {}, {})


@pytest.fixture(scope="module")
def first(known: Roster) -> date:
    return known.to - timedelta(days=130)


@pytest.fixture(scope="module")
def courses(known: Roster, first: date) -> dict[str, list[Course]]:
    return replay_roster(known, _notes(known), POLICIES, first)


def test_every_athlete_has_a_week_on_each_of_their_review_days(
    known: Roster, first: date, courses: dict[str, list[Course]]
) -> None:
    for i, athlete in enumerate(known.athletes):
        days = [first + timedelta(days=n) for n in range((known.to - first).days + 1)]
        due = [day for day in days if moments.WEEKDAYS[(day + timedelta(days=1)).weekday()] == athlete.review_weekday]
        for found in courses.values():
            assert [week["as_of"] for week in found[i].weeks] == [str(day) for day in due]


def test_each_week_uses_only_what_was_known_on_its_day(known: Roster, courses: dict[str, list[Course]]) -> None:
    """The first week of each course, once more from a log that ends on that day."""
    for i, athlete in enumerate(known.athletes):
        week = courses["default"][i].weeks[0]
        then = _until(known, date.fromisoformat(week["as_of"]))
        evidence = evidence_of(then, estimate_roster(then, main_lifts_only=True), _notes(then), i)
        decision = decide(evidence, DEFAULT)
        assert [finding.code for finding in decision.findings] == week["codes"], athlete.id
        energy = {"from": decision.recommendation.energy_from_kcal, "to": decision.recommendation.energy_to_kcal}
        assert (decision.recommendation.action.value, energy) == (week["action"], week["energy_kcal"])


def _until(known: Roster, to: date) -> Roster:
    days = known.day(to) + 1
    log = DailyLog(**{f.name: getattr(known.log, f.name)[..., :days] for f in fields(DailyLog)})
    return replace(
        known,
        to=to,
        log=log,
        protein_g=known.protein_g[:, :days],
        sessions=known.sessions[:, :days],
        phases={who: [row for row in rows if row.starts_on <= to] for who, rows in known.phases.items()},
        targets={who: [row for row in rows if row.from_date <= to] for who, rows in known.targets.items()},
    )


def test_false_alarms_are_those_that_later_knowledge_puts_inside_the_band(
    known: Roster, courses: dict[str, list[Course]]
) -> None:
    later = estimate_roster(known, main_lifts_only=True, revised=True).body.tissue_rate_pct_per_week.mean
    band = {"cut": (-1.0, -0.5), "maintain": (-0.25, 0.25)}
    build = [(0.25, 1.0 if athlete.experience == "novice" else 0.5) for athlete in known.athletes]  # Iraki 2019
    seen: Counter[str] = Counter()
    for found in courses.values():
        for i, course in enumerate(found):
            alarms = [week for week in course.weeks if set(week["because"]) & set(RATE_ALARMS)]
            rates = [later[i, known.day(date.fromisoformat(week["as_of"]))] for week in alarms]
            bands = [{**band, "build": build[i]}[week["phase"]] for week in alarms]
            inside = [low <= rate <= high for (low, high), rate in zip(bands, rates, strict=True)]
            assert (course.alarms, course.false_alarms) == (len(alarms), sum(inside))
            seen["alarms"] += len(alarms)
            seen["false"] += sum(inside)
    assert seen["alarms"] > seen["false"] > 0, seen  # the test saw both kinds


def test_an_eager_policy_changes_course_more_often_and_cries_wolf_more_often(
    courses: dict[str, list[Course]],
) -> None:
    calm, eager = (summary(courses[name]) for name in POLICIES)
    assert calm["athletes"] == eager["athletes"] == ATHLETES and calm["weeks"] == eager["weeks"]
    assert eager["energy_changes"] > calm["energy_changes"]
    assert eager["rate_alarms"] > calm["rate_alarms"] and eager["false_alarms"] >= calm["false_alarms"]


def test_policies_do_not_disturb_each_other_and_stored_reviews_are_not_looked_at(
    known: Roster, first: date, courses: dict[str, list[Course]]
) -> None:
    body = {
        "findings": [{"code": "strength.lost_surely"}, {"code": "wellbeing.strain"}, {"code": "energy.at_limit"}],
        "recommendation": {"action": "hold"},
    }
    stored = {
        i: [SimpleNamespace(as_of=known.to - timedelta(days=7 * n), document=body, state="open") for n in range(1, 12)]
        for i in range(ATHLETES)
    }
    alone = replay_roster(known, _notes(known, stored), {"eager": EAGER}, first)
    assert [course.weeks for course in alone["eager"]] == [course.weeks for course in courses["eager"]]


def test_each_policy_has_its_own_margins_of_what_counts(
    known: Roster, first: date, courses: dict[str, list[Course]]
) -> None:
    """Who counts a deficit only from 15 % on sees fewer of them; the others' course stays what it was alone."""
    strict = DEFAULT.changed({"no_deficit_pct": 15.0, "strength_loss_pct": 3.0})
    both = replay_roster(known, _notes(known), {"default": DEFAULT, "strict": strict}, first)
    assert [course.weeks for course in both["default"]] == [course.weeks for course in courses["default"]]

    def told(name: str) -> int:
        return sum("rate.not_in_deficit" in week["codes"] for course in both[name] for week in course.weeks)

    assert told("strict") > told("default")


def test_reversals_and_shares_of_a_summary_by_hand() -> None:
    back_and_forth = Course(
        weeks=[{}] * 4,
        actions=Counter(hold=2, change_energy=2),
        energy_changes=[(date(2026, 1, 5), -100.0), (date(2026, 1, 26), 80.0)],
        reversals=1,
        alarms=3,
        false_alarms=1,
    )
    quiet = Course(weeks=[{}] * 4, actions=Counter(hold=4))
    assert summary([back_and_forth, quiet]) == {
        "athletes": 2,
        "weeks": 8,
        "actions": {"change_energy": 2, "hold": 6},
        "energy_changes": 2,
        "reversals_within_3_weeks": 1,
        "rate_alarms": 3,
        "false_alarms": 1,
        "false_alarm_share": 0.333,
    }
    assert summary([])["false_alarm_share"] is None


def test_a_change_that_the_policy_made_counts_as_made(courses: dict[str, list[Course]]) -> None:
    for course in [*courses["default"], *courses["eager"]]:
        made = [
            week
            for week in course.weeks
            if week["action"] == "change_energy"
            and not week["because"][0].startswith("limit.")  # these wait for nothing
        ]
        for before, after in pairwise(made):
            days = (date.fromisoformat(after["as_of"]) - date.fromisoformat(before["as_of"])).days
            assert days >= 10 or before["phase"] != after["phase"]


def test_a_reversal_is_a_change_the_other_way_within_three_weeks(courses: dict[str, list[Course]]) -> None:
    turns = 0
    for course in [*courses["default"], *courses["eager"]]:
        made = course.energy_changes
        by_hand = sum(
            np.sign(before) != np.sign(after) and (then - on).days <= 21
            for (on, before), (then, after) in itertools.pairwise(made)
        )
        assert course.reversals == by_hand
        turns += len(made)
    assert turns > 0
