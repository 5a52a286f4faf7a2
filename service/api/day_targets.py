"""What a day is to come to: targets of a request or those in force, behind the safety gate; the training-day split."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Annotated

from fastapi import APIRouter, Depends
from pydantic import Field

from service.api.athletes import AthletePath
from service.api.http.fields import Answer, Body, Number
from service.api.http.problems import documented
from service.api.http.transaction import Here, ReadingRoute
from service.api.targets import MealTarget
from service.application.evidence.gather import evidence_on
from service.application.plan import targets as plan
from service.application.schedule import WEEKDAYS, today_of
from service.auth import requires
from service.catalogue.sentences import render
from service.domain import evidence as ev
from service.domain.nutrition.day_split import split_targets
from service.domain.policy import Policy
from service.domain.rules.arbiter import decide
from service.domain.rules.gate import gate
from service.domain.rules.menu_safety import Refusal, missing_facts, refusals
from service.domain.rules.targets import energy_floor_kcal, macro_targets
from service.domain.sentence import say
from service.errors import Fault, Invalid, NotFound
from service.store.scope import Scope
from service.store.tables import Athlete
from service.store.types import Weekday

SPLIT_PCT = 20.0  # common practice, no source
Grams = Annotated[Number, Field(ge=0, le=2000)]


router = APIRouter(tags=["foods"], route_class=ReadingRoute)


class MenuTargets(Body):
    """What a day is to come to; what is not said is not limited."""

    energy_kcal: Annotated[Number, Field(ge=500, le=10000)]
    protein_g: Grams | None = None
    fat_g: Grams | None = None
    carbohydrate_g: Grams | None = None
    fibre_g: Grams | None = None
    meals: Annotated[list[MealTarget], Field(max_length=6)] | None = None


class SplitBody(Body):
    """Targets to split, by default those in force, and how."""

    training_days: Annotated[list[Weekday], Field(min_length=1, max_length=7)]
    split_pct: Annotated[Number, Field(ge=0, le=40)] = SPLIT_PCT
    targets: MenuTargets | None = None


class MealShare(Answer):
    """One meal's share of a day."""

    slot: int
    energy_kcal: float
    protein_g: float


class DayTargets(Answer):
    """What a day is to come to; null is not limited."""

    energy_kcal: float
    protein_g: float | None
    fat_g: float | None
    carbohydrate_g: float | None
    fibre_g: float | None
    meals: list[MealShare]


class SplitAnswer(Answer):
    """What to eat on either kind of day; the week's energy is that of seven days of the targets."""

    training_day: DayTargets
    rest_day: DayTargets
    training_days: list[str]
    week_energy_kcal: float


@router.post(
    "/athletes/{athlete_id}/targets/split",
    dependencies=[Depends(requires("coaching:read"))],
    responses=documented(NotFound),
)
async def split(athlete: AthletePath, body: SplitBody, scope: Here) -> SplitAnswer:
    """Training-day and rest-day targets with the weekly total kept; nothing is stored."""
    on = today_of(scope, athlete)
    evidence, policy = await evidence_on(scope, athlete, on)
    targets = (await targets_on(scope, athlete, (evidence, policy), body.targets, [on]))[0]
    refuse(refusals(evidence, policy, targets))
    days = [day for day in WEEKDAYS if day in body.training_days]
    made = split_targets(targets, len(days), body.split_pct, energy_floor_kcal(evidence, policy))
    week = len(days) * made.training_day.energy_kcal + (7 - len(days)) * made.rest_day.energy_kcal
    return SplitAnswer(
        training_day=DayTargets.model_validate(made.training_day),
        rest_day=DayTargets.model_validate(made.rest_day),
        training_days=days,
        week_energy_kcal=week,
    )


def refuse(reasons: Sequence[Refusal]) -> None:
    """Answer with a referral where safety forbids a menu."""
    if reasons:
        faults = [Fault(pointer="/targets", code=reason.code, detail=render(reason.statement)) for reason in reasons]
        codes = {reason.code for reason in reasons}
        too_low = "energy_floor" if "safety.energy_floor" in codes else "deficit_limit"
        only_too_low = codes <= {"safety.energy_floor", "limit.deficit"}
        raise Invalid(faults[0].detail, faults, code=too_low if only_too_low else "referral")


async def targets_on(
    scope: Scope, athlete: Athlete, known: tuple[ev.Evidence, Policy], given: MenuTargets | None, days: Sequence[date]
) -> list[ev.Targets]:
    """The targets of each day: those of the request, else those in force then.

    Parameters: `known`, what the rules know of the athlete on the first day or today, and the policy in force.
    """
    if given is not None:
        return [_given(given)] * len(days)
    targets = []
    for day, in_force in zip(days, await plan.targets_on(scope, athlete.id, known[0], days), strict=True):
        if in_force is None:
            raise _no_targets(*known, day, await plan.targets_begin(scope, athlete.id, day))
        targets.append(_with_macronutrients(in_force, *known))
    return targets


def _with_macronutrients(targets: ev.Targets, evidence: ev.Evidence, policy: Policy) -> ev.Targets:
    """Targets of energy alone, as a phase has them, with the macronutrients that the policy gives to that energy."""
    if (targets.protein_g, targets.fat_g, targets.carbohydrate_g) != (None, None, None):
        return targets
    kidney = gate(evidence, policy).kidney_closed
    whole = macro_targets(evidence, policy, evidence.kind, targets.energy_kcal, window=False, kidney=kidney)
    return targets if whole is None else replace(whole, effective_on=targets.effective_on)


def _no_targets(evidence: ev.Evidence, policy: Policy, day: date, begin_on: date | None) -> Invalid:
    """That nothing is to be eaten yet, and why: they begin later, facts are missing, or a review waits."""
    if begin_on is not None:
        detail = render(say("menu.targets_begin", on=day, begin_on=begin_on), on=day)
        return Invalid(detail, [Fault("/targets", "missing", detail)])
    missing = missing_facts(evidence)
    needed = [fact for fact in missing if fact != "activity_factor"]
    energy_kcal = None if needed else decide(evidence, policy, explain=False).recommendation.energy_to_kcal
    sentence = say("menu.no_targets", on=day)
    if not needed:
        sentence = say("menu.held_back", on=day)
    if energy_kcal is not None:
        sentence = say("menu.not_accepted", on=day, energy_kcal=energy_kcal)
    detail = render(sentence, on=day)
    unknown = [
        Fault(
            f"/athlete/{fact}",
            "missing",
            render(say("menu.missing_fact", fact=fact) if fact in needed else say("menu.no_activity_factor")),
        )
        for fact in missing
    ]
    return Invalid(detail, [Fault("/targets", "missing", detail), *unknown])


def _given(body: MenuTargets) -> ev.Targets:
    meals = tuple(ev.Meal(meal.slot, meal.energy_kcal, meal.protein_g) for meal in body.meals or ())
    return ev.Targets(**body.model_dump(exclude={"meals"}), meals=meals)
