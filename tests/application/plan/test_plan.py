"""Phases, targets and effects as they are put into an athlete's plan and read back, on both engines."""

import uuid
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import date, timedelta

import pytest

from service.application.plan.effects import NO_EFFECT, Effect, PhaseStart, carry_out
from service.application.plan.phases import PhasePlan, put_phase, revise_phase
from service.application.plan.targets import Composition, TargetsPlan, put_targets
from service.domain.evidence import EatingWindow, Meal
from service.errors import PreconditionFailed
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, Phase, Review, Target

DAY = date(2026, 3, 2)
WHOLE = Composition(
    150.0, 60.0, 220.0, 30.0, (Meal(1, 1000.0, 75.0), Meal(2, 1020.0, 75.0)), EatingWindow("12:00", "20:00")
)
TARGETS = TargetsPlan(DAY, 2020.0, WHOLE)


@pytest.fixture
async def scope(database: Database, practice: uuid.UUID) -> AsyncIterator[Scope]:
    """A writing transaction of the practice."""
    async with database.writing() as connection:
        yield Scope(connection, practice)


@pytest.fixture
async def athlete_id(scope: Scope) -> uuid.UUID:
    athlete = Athlete(
        practice_id=scope.practice_id, external_id="a", sex="male", birth_date=date(1990, 1, 1), height_cm=180.0
    )
    await scope.insert(Athlete, [athlete.model_dump()])
    return athlete.id


async def reviewed(scope: Scope, athlete_id: uuid.UUID, as_of: date) -> Review:
    review = Review(
        practice_id=scope.practice_id, athlete_id=athlete_id, week=str(as_of), as_of=as_of, action="hold", severity=0,
        document={}, inputs_digest="",
    )  # fmt: skip
    await scope.insert(Review, [review.model_dump()])
    return review


async def targets_of(scope: Scope, athlete_id: uuid.UUID) -> list[TargetsPlan]:
    table = table_of(Target)
    stored = scope.select(Target).where(table.c.athlete_id == athlete_id).order_by(table.c.from_date)
    return [TargetsPlan.of(targets) for targets in await scope.all(Target, stored)]


@pytest.mark.parametrize(
    "targets",
    [
        TARGETS,
        TargetsPlan(DAY, 2020.0),
        TargetsPlan(DAY, 2020.0, replace(WHOLE, meals=None, eating_window=None)),
        TargetsPlan(DAY, 2020.0, replace(WHOLE, meals=(), fibre_g=None)),
    ],
)
def test_targets_come_back_from_their_record_as_they_were(targets: TargetsPlan) -> None:
    assert TargetsPlan.read(targets.from_date, targets.document()) == targets


def test_an_effect_is_written_with_every_part_and_its_dates_as_text() -> None:
    phase = PhaseStart("maintain", DAY, DAY + timedelta(days=27))
    step = TargetsPlan(DAY + timedelta(days=7), 2400.0)
    assert PhaseStart.read(phase.document()) == phase
    assert Effect(DAY, phase, TargetsPlan(DAY, 2200.0), step).document() == {
        "effective_on": "2026-03-02",
        "phase": {"to": "maintain", "on": "2026-03-02", "planned_end_on": "2026-03-29"},
        "targets": {"energy_kcal": 2200.0},
        "next_targets": {"from_date": "2026-03-09", "energy_kcal": 2400.0},
    }
    assert Effect(DAY).document() == NO_EFFECT | {"effective_on": "2026-03-02"}


async def test_targets_of_a_day_are_put_once_and_energy_alone_leaves_the_rest(
    scope: Scope, athlete_id: uuid.UUID
) -> None:
    first = await put_targets(scope, athlete_id, TARGETS)
    assert (await put_targets(scope, athlete_id, TARGETS)).revision == first.revision == 1
    review = await reviewed(scope, athlete_id, DAY - timedelta(days=1))
    revised = await put_targets(scope, athlete_id, TargetsPlan(DAY, 1900.0), review.id)
    assert (revised.id, revised.revision, revised.review_id) == (first.id, 2, review.id)
    assert await targets_of(scope, athlete_id) == [replace(TARGETS, energy_kcal=1900.0)]
    by_hand = await put_targets(scope, athlete_id, TARGETS)  # of no review: the one that they came from stays
    assert (by_hand.revision, by_hand.review_id) == (3, review.id)
    assert await targets_of(scope, athlete_id) == [TARGETS]


async def test_a_phase_is_created_left_and_revised_and_an_older_version_of_it_changes_nothing(
    scope: Scope, athlete_id: uuid.UUID
) -> None:
    plan = PhasePlan("cut", DAY, DAY + timedelta(days=34), 2000.0, "first")
    created, outcome = await put_phase(scope, athlete_id, plan)
    assert outcome == "created" and PhasePlan.of(created) == plan
    same, outcome = await put_phase(scope, athlete_id, plan)
    assert outcome == "unchanged" and (same.id, same.revision) == (created.id, 1)
    revised, outcome = await put_phase(scope, athlete_id, replace(plan, kind="build"))
    assert outcome == "revised" and (revised.id, revised.kind, revised.revision) == (created.id, "build", 2)
    with pytest.raises(PreconditionFailed):
        await revise_phase(scope, created, plan)
    assert (await scope.all(Phase, scope.select(Phase)))[0].kind == "build"


async def test_a_decision_takes_the_place_of_a_second_step_that_an_earlier_one_planned(
    scope: Scope, athlete_id: uuid.UUID
) -> None:
    week = timedelta(days=7)
    earlier, later = [
        await reviewed(scope, athlete_id, day) for day in (DAY - timedelta(days=1), DAY + timedelta(days=2))
    ]
    half, full = TargetsPlan(DAY, 2200.0), TargetsPlan(DAY + week, 2400.0)
    await carry_out(scope, earlier, Effect(DAY, PhaseStart("maintain", DAY), half, full))
    by_hand = TargetsPlan(DAY + timedelta(days=8), 2500.0)
    await put_targets(scope, athlete_id, by_hand)
    assert [targets.energy_kcal for targets in await targets_of(scope, athlete_id)] == [2200.0, 2400.0, 2500.0]
    now = TargetsPlan(DAY + timedelta(days=3), 2300.0)
    await carry_out(scope, later, Effect(now.from_date, targets=now))
    assert [targets.energy_kcal for targets in await targets_of(scope, athlete_id)] == [2200.0, 2300.0, 2500.0]
