"""Catalogues: the exercises that logs and prescriptions name."""

from typing import Annotated

from fastapi import APIRouter, Depends, Query
from pydantic import Field

from service.api.http.fields import Answer
from service.api.http.transaction import CommittedRoute
from service.auth import requires
from service.catalogue.exercises import exercises

router = APIRouter(tags=["catalogue"], route_class=CommittedRoute)


class ExerciseAnswer(Answer):
    """An exercise."""

    slug: str
    name: str
    pattern: str
    direct: tuple[str, ...]
    indirect: tuple[str, ...]
    regions: tuple[str, ...] = Field(description="of the body that it loads: left out while one of them hurts")
    regions_source: str
    equipment: tuple[str, ...]
    unilateral: bool
    counts: str = Field(description="reps, seconds or distance_m: what a set of it gives")
    body_mass_share: float
    loadability: str
    smallest_step_kg: float
    repetition_curve: str
    typical_ratio: float
    skill: int
    progressions: tuple[str, ...] = Field(description="the next harder exercises")
    regressions: tuple[str, ...] = Field(description="the next easier exercises")
    cues: tuple[str, ...]
    cautions: tuple[str, ...]
    aids: tuple[str, ...]
    grip_aid: str | None


class ExerciseList(Answer):
    """The exercises; the list is whole."""

    items: list[ExerciseAnswer]


@router.get("/exercises", dependencies=[Depends(requires("entries:read"))])
async def list_exercises(
    pattern: Annotated[str | None, Query(max_length=64)] = None,
    equipment: Annotated[str | None, Query(max_length=64, description="usable with this alone")] = None,
) -> ExerciseList:
    """The exercise catalogue, with technique cues and cautions."""
    chosen = [
        exercise
        for exercise in exercises().values()
        if pattern in (None, exercise.pattern) and (equipment is None or set(exercise.equipment) <= {equipment})
    ]
    return ExerciseList(items=[ExerciseAnswer.model_validate(vars(exercise)) for exercise in chosen])
