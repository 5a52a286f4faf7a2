"""What a goal would take, as the answers of athletes show it."""

from datetime import date
from typing import Annotated

from pydantic import Field

from service.api.http.fields import Answer
from service.catalogue.sentences import render
from service.domain.rules.goal import GoalCheck


class GoalCheckAnswer(Answer):
    """What the goal would take as of today, at the policy in force, and whether it is possible as it is set.

    The earliest date is at the fastest loss that the band and the limits on energy allow, in cuts of the longest length
    with maintenance between them, from what is running on. Builds in between are not counted.
    """

    status: Annotated[
        str,
        Field(
            examples=[
                "possible", "too_soon", "date_passed", "below_floor", "too_light", "no_room", "reached", "upward",
                "referred", "unknown",
            ]
        ),
    ]  # fmt: skip
    possible: bool | None = Field(description="null where facts are `missing` or a professional has to clear a deficit")
    statement: str
    warning: str | None = Field(description="the statement where the goal is out of reach as it is set; it is kept")
    missing: list[str] = Field(description="facts without which nothing can be said", examples=[["body_fat_pct"]])
    lose_kg: float | None = Field(description="body mass to lose")
    lose_fat_kg: float | None = Field(description="how much of it is fat")
    mass_at_goal_kg: float | None
    needed_pct_per_week: float | None = Field(
        description="the rate that `by` needs in the cuts until then, of body mass; null without a date or such a cut"
    )
    fastest_pct_per_week: float | None = Field(description="the fastest rate that is allowed all the way")
    earliest_on: date | None
    earliest_from: date | None = Field(description="the earliest date were body fat at the low end of its interval")
    earliest_to: date | None = Field(description="… at the high end; null where the goal is out of reach from there")


def shown_check(check: GoalCheck, on: date) -> GoalCheckAnswer:
    """A check as it is answered on a day."""
    statement, way = render(check.statement, on=on), check.way
    needed = check.needed_pct_per_week
    return GoalCheckAnswer(
        status=check.status,
        possible=check.possible,
        statement=statement,
        warning=statement if check.possible is False else None,
        missing=list(check.missing),
        lose_kg=way and round(way.lose_kg, 2),
        lose_fat_kg=way and round(way.lose_fat_kg, 2),
        mass_at_goal_kg=way and round(way.mass_kg, 2),
        needed_pct_per_week=needed and round(needed, 3),
        fastest_pct_per_week=way and round(way.fastest_pct_per_week, 3),
        earliest_on=way and way.earliest_on,
        earliest_from=check.early_on,
        earliest_to=check.late_on,
    )
