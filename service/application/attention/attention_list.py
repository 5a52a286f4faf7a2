"""Who needs the coach: open recommendations to decide, findings of the latest check, work that failed; in order.

One athlete, one voice: what a review of this week says, the check leaves to it; what entries have answered since is
not asked again; what comes next follows the recommendation, unless something stops it.
"""

import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, Literal, NamedTuple, cast

from sqlalchemy import case, collate, func, literal_column, or_, tuple_

from service.application.schedule import today_of
from service.catalogue.sentences import render
from service.domain.rules.checkin import LEFT_TO_REVIEWS, NO_TARGETS, RED_FLAGS, REQUESTS, next_step, phase_ending
from service.domain.rules.findings import Action, Severity
from service.domain.rules.rulebook import RULES
from service.domain.rules.screening import UNSCREENED
from service.domain.sentence import Sentence, say
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, CheckIn, JobFailure, Review, Target

_ATHLETE, _REVIEW = table_of(Athlete), table_of(Review)
_CHECK_IN, _FAILURE, _TARGET = table_of(CheckIn), table_of(JobFailure), table_of(Target)

WEEK = timedelta(days=7)
SPARE = 50  # candidates beside those that are asked for: some may come later than they seemed to, or not at all
MORE = 4  # times as many are looked at next, where these were not enough
_OPEN = _REVIEW.c.state == literal_column("'open'")  # not a parameter: SQLite then knows that the index is of these
_DECIDE = {  # actions with a decision of their own to take
    "change_energy": say("decide.change_energy"),
    "switch_phase": say("decide.switch_phase"),
    "deload": say("decide.deload"),
}
FAILED = {"weekly_review": "job.weekly_review", "check_in": "job.check_in"}  # the sentence, by job
_REQUESTS = frozenset(rule.code for rule in REQUESTS)
_ASKS = frozenset(rule.code for rule in RULES if rule.action is Action.COLLECT_DATA) | {UNSCREENED}
_FLAGS = frozenset(rule.code for rule in RED_FLAGS)
_OF_SEVERITY = tuple(Severity)  # by rank
_RANK = {severity.value: severity.rank for severity in Severity}
_INFO, _STOP = Severity.INFO.rank, Severity.STOP.rank
Source = Literal["review", "check_in", "job"]
Order = tuple[int, int, str]  # of the list: how grave and how overdue, negative, and the athlete's name in the practice


class Reason(NamedTuple):
    """One thing that needs the coach, and who found it."""

    source: Source
    code: str
    severity: str
    statement: str

    @property
    def rank(self) -> int:
        """Of its severity."""
        return _RANK[self.severity]

    @property
    def next(self) -> str:
        """What to do about it."""
        step = say("job.retried") if self.source == "job" else next_step(self.code)
        return self.statement if step is None else render(step)


class AthleteToSee(NamedTuple):
    """One athlete who needs the coach: why, gravest first, and what there is to decide."""

    athlete_id: uuid.UUID
    external_id: str
    name: str | None
    rank: int
    days_overdue: int
    review_id: uuid.UUID | None
    action: str | None
    decision: Sentence | None  # what there is to decide
    reasons: Sequence[Reason]

    @property
    def severity(self) -> Severity:
        """The gravest severity."""
        return _OF_SEVERITY[self.rank]

    @property
    def next(self) -> str:
        """The one thing to do next: what stops something goes before the recommendation, that before all others."""
        stops = bool(self.reasons) and self.reasons[0].rank == _STOP
        if self.reasons and (stops or self.decision is None):
            return self.reasons[0].next
        return render(self.decision or say("decide.open"))

    def order(self) -> Order:
        """Gravest first, then most overdue; the athlete's name in the practice makes it one order."""
        return -self.rank, -self.days_overdue, self.external_id


class _Candidate(NamedTuple):
    """An athlete who may need the coach, with the foremost place on the list that what is stored allows."""

    id: uuid.UUID
    external_id: str
    name: str | None
    time_zone: str
    rank: int
    overdue: int

    def foremost(self) -> Order:
        """No later than where the athlete stands, if at all: what is answered meanwhile is not looked at yet."""
        return -self.rank, -self.overdue, self.external_id


async def attention_list(
    scope: Scope, only: uuid.UUID | None = None, after: Order | None = None, most: int | None = None
) -> list[AthleteToSee]:
    """Active athletes of a practice (or one) who need the coach, in order.

    The database sorts by the gravest and the most overdue that is stored of each, which what was answered since can
    only lessen: so a part of them, from the first on, is looked at in full until nobody else can come before the last.

    Parameters
    ----------
    scope : Scope
        The practice.
    only : UUID
        Of this athlete alone.
    after : Order
        Those who come after this place.
    most : int
        No more than so many; all by default.
    """
    found: list[AthleteToSee] = []
    last: Order | None = None
    count = None if most is None else most + SPARE
    while True:
        some = await _candidates(scope, only, last, count)
        needs = await _needs(scope, some)
        seen = (needs[one.id].to_see(one.id, one.external_id, one.name) for one in some)
        found += [athlete for athlete in seen if athlete is not None and (after is None or athlete.order() > after)]
        if most is None or count is None or len(some) < count:
            break
        last, count = some[-1].foremost(), MORE * count
        if sum(athlete.order() <= last for athlete in found) >= most:
            break
    return sorted(found, key=AthleteToSee.order)[:most]


async def _candidates(
    scope: Scope, only: uuid.UUID | None, after: Order | None, most: int | None
) -> Sequence[_Candidate]:
    """In the order of their foremost places."""
    sqlite = scope.connection.dialect.name == "sqlite"
    greatest, name = func.max if sqlite else func.greatest, collate(_ATHLETE.c.external_id, "BINARY" if sqlite else "C")
    unanswered = (
        scope.select(
            _REVIEW.c.athlete_id,
            func.max(_REVIEW.c.severity).label("severity"),
            func.max(_REVIEW.c.attention["days_overdue"].as_integer()).label("overdue"),
            of=[Review],
        )
        .where(_OPEN)
        .group_by(_REVIEW.c.athlete_id)
        .subquery()
    )
    failed = scope.select(_FAILURE.c.athlete_id, of=[JobFailure]).distinct().subquery()
    checked = (
        scope.select(
            _CHECK_IN.c.athlete_id,
            _CHECK_IN.c.severity,
            _CHECK_IN.c.attention["days_overdue"].as_integer().label("overdue"),
            of=[CheckIn],
        )
        .where(_CHECK_IN.c.attention.is_not(None))
        .subquery()
    )
    of_failure = case((failed.c.athlete_id.is_not(None), _RANK["warning"]), else_=_INFO)
    rank = greatest(func.coalesce(checked.c.severity, _INFO), func.coalesce(unanswered.c.severity, _INFO), of_failure)
    overdue = greatest(func.coalesce(checked.c.overdue, 0), func.coalesce(unanswered.c.overdue, 0))
    place = (-rank, -overdue, name)
    sources = table_of(Athlete)
    for source in (checked, unanswered, failed):
        sources = sources.outerjoin(source, source.c.athlete_id == _ATHLETE.c.id)
    listed = scope.select(
        *(_ATHLETE.c[column] for column in ("id", "external_id", "name", "time_zone")),
        rank.label("rank"), overdue.label("overdue"),
        of=[Athlete],
    ).select_from(sources).where(
        _ATHLETE.c.status == "active", or_(rank > _INFO, unanswered.c.athlete_id.is_not(None))
    )  # fmt: skip
    if only is not None:
        listed = listed.where(_ATHLETE.c.id == only)
    if after is not None:
        listed = listed.where(tuple_(*place) > tuple_(*after))
    return [_Candidate._make(row) for row in await scope.rows(listed.order_by(*place).limit(most))]


async def _needs(scope: Scope, some: Sequence[_Candidate]) -> dict[uuid.UUID, "_Needs"]:
    """All that is known of some athletes, from all sources."""
    needs = {one.id: _Needs(today_of(scope, one)) for one in some}
    ids = list(needs)
    for failure in await scope.all(JobFailure, scope.select(JobFailure).where(_FAILURE.c.athlete_id.in_(ids))):
        needs[failure.athlete_id].failures.append(failure)
    checks = scope.select(*(_CHECK_IN.c[name] for name in _Check._fields), of=[CheckIn])
    for check in cast(Sequence[_Check], await scope.rows(checks.where(_CHECK_IN.c.athlete_id.in_(ids)))):
        needs[check.athlete_id].check = check
    reviews = scope.select(*(_REVIEW.c[name] for name in _OpenReview._fields), of=[Review])
    unanswered = reviews.where(_OPEN, _REVIEW.c.athlete_id.in_(ids)).order_by(_REVIEW.c.as_of)
    for review in cast(Sequence[_OpenReview], await scope.rows(unanswered)):
        needs[review.athlete_id].review = review  # the latest: beside it the coach may have looked at the past
    for athlete_id in await _accepted_this_week(scope, needs):
        needs[athlete_id].accepted = True
    for athlete_id in await _targets_begin(scope, needs):
        needs[athlete_id].targets_begin = True
    return needs


async def _accepted_this_week(scope: Scope, needs: Mapping[uuid.UUID, "_Needs"]) -> Collection[uuid.UUID]:
    """Of those whose check speaks of what is left to reviews, those whose review of the week was accepted."""
    checked = {who: own.check.date for who, own in needs.items() if own.check and own.speaks_for_reviews}
    if not checked:
        return ()
    accepted = scope.select(_REVIEW.c.athlete_id, _REVIEW.c.as_of, of=[Review]).where(
        _REVIEW.c.athlete_id.in_(checked),
        _REVIEW.c.as_of > min(checked.values()) - WEEK,
        _REVIEW.c.state.in_(("accepted", "amended")),
        _REVIEW.c.stale.is_(False),
    )
    return {row.athlete_id for row in await scope.rows(accepted) if row.as_of > checked[row.athlete_id] - WEEK}


async def _targets_begin(scope: Scope, needs: Mapping[uuid.UUID, "_Needs"]) -> Collection[uuid.UUID]:
    """Of those whose check misses targets, those who have some by now, maybe from tomorrow on."""
    without = {who: own.check.date for who, own in needs.items() if own.check and own.misses_targets}
    if not without:
        return ()
    planned = scope.select(_TARGET.c.athlete_id, _TARGET.c.from_date, of=[Target]).where(
        _TARGET.c.athlete_id.in_(without), _TARGET.c.from_date >= min(without.values())
    )
    return {row.athlete_id for row in await scope.rows(planned) if row.from_date >= without[row.athlete_id]}


class _Check(NamedTuple):
    """What the latest check of an athlete keeps for this list."""

    athlete_id: uuid.UUID
    date: date
    made_at: datetime
    attention: Mapping[str, Any] | None
    holding: Sequence[str] | None


class _OpenReview(NamedTuple):
    """What an open review keeps for this list."""

    id: uuid.UUID
    athlete_id: uuid.UUID
    as_of: date
    made_at: datetime
    severity: int
    action: str
    attention: Mapping[str, Any] | None
    stale: bool


@dataclass
class _Needs:
    """What is known of one athlete who may need the coach, from all sources; `today`, where the athlete lives."""

    today: date
    failures: list[JobFailure] = field(default_factory=list)
    check: _Check | None = None
    review: _OpenReview | None = None  # the latest that is open
    accepted: bool = False  # the review of this week was, and nothing has changed under it since
    targets_begin: bool = False  # today or later

    def to_see(self, athlete_id: uuid.UUID, external_id: str, name: str | None) -> AthleteToSee | None:
        """As an item of the list; None where nothing presses: what only informs puts nobody there."""
        asked, checked, stale = self._of_review(), self._of_check(), self.review is not None and self.review.stale
        if stale:  # the check says it anew
            asked = [reason for reason in asked if reason.code not in {other.code for other in checked}]
        else:
            checked = [reason for reason in checked if reason.code not in {other.code for other in asked}]
        reasons = sorted([*asked, *checked, *map(_failed, self.failures)], key=lambda reason: -reason.rank)
        decides = self._decides(asked)
        rank = max((reason.rank for reason in reasons), default=self.review.severity if self.review else _INFO)
        if not decides and (not reasons or rank == _INFO):
            return None
        review = self.review if self.review is not None and (decides or asked) else None
        return AthleteToSee(
            athlete_id,
            external_id,
            name,
            rank,
            self._days_overdue(asked, checked),
            None if review is None else review.id,
            None if review is None or stale else review.action,
            self._decision(asked) if decides else None,
            reasons,
        )

    @property
    def speaks_for_reviews(self) -> bool:
        """Whether the check says anything that it leaves to a review of the week, if there is one."""
        return self.check is not None and any(map(_left_to_reviews, self._reasons("check_in", self.check.attention)))

    @property
    def misses_targets(self) -> bool:
        """Whether the check found a phase without targets."""
        reasons = () if self.check is None else self._reasons("check_in", self.check.attention)
        return any(reason.code == NO_TARGETS for reason in reasons)

    def _of_check(self) -> list[Reason]:
        """What the check says, less what a review of the week has said or not found, and what is set by now."""
        if self.check is None:
            return []
        reasons, review = self._reasons("check_in", self.check.attention), self.review
        reviewed = review is not None and not review.stale and review.as_of > self.check.date - WEEK
        spoken = reviewed or self.accepted
        reasons = [reason for reason in reasons if not (self.targets_begin and reason.code == NO_TARGETS)]
        return [reason for reason in reasons if not (spoken and _left_to_reviews(reason))]

    def _of_review(self) -> list[Reason]:
        """What the open review says, less what a later check does not find any more.

        That are the requests that were answered; of a review that entries have overtaken red flags too.
        """
        review, check = self.review, self.check
        if review is None:
            return []
        reasons = self._reasons("review", review.attention)
        if check is None or check.holding is None or check.made_at < review.made_at:
            return reasons
        gone = (_REQUESTS | _FLAGS if review.stale else _REQUESTS) - set(check.holding)
        return [reason for reason in reasons if reason.code not in gone]

    def _decides(self, asked: Sequence[Reason]) -> bool:
        """Whether the open review leaves something to decide; a request for data that was answered does not."""
        if self.review is None or self.review.action == "hold":
            return False
        return self.review.action != "collect_data" or self.review.attention is None or bool(asked)

    def _decision(self, asked: Sequence[Reason]) -> Sentence | None:
        """What there is to decide, in words; None where the gravest reason says it."""
        assert self.review is not None
        action = self.review.action
        if self.review.stale:
            return say("decide.again")
        if action == "collect_data":
            return next((next_step(reason.code) for reason in asked if reason.code in _ASKS), None)
        return _DECIDE.get(action)

    def _reasons(self, source: Source, attention: Mapping[str, Any] | None) -> list[Reason]:
        kept = () if attention is None else attention["reasons"]
        return [Reason(source, one["code"], one["severity"], _statement(one, self.today)) for one in kept]

    def _days_overdue(self, asked: Sequence[Reason], checked: Sequence[Reason]) -> int:
        """How long the most overdue of what presses has been due; what only informs presses nobody."""
        sources = ((asked, self.review), (checked, self.check))
        return max(
            (
                source.attention["days_overdue"]
                for reasons, source in sources
                if source is not None and source.attention is not None and any(r.rank > _INFO for r in reasons)
            ),
            default=0,
        )


def _statement(reason: Mapping[str, Any], today: date) -> str:
    """What a reason says: as it was found, but how soon a phase ends as it is read today."""
    if "last_day" not in reason:
        return cast(str, reason["statement"])
    return render(phase_ending(reason["phase"], date.fromisoformat(reason["last_day"]), today), on=today)


def _left_to_reviews(reason: Reason) -> bool:
    """Whether a check leaves this to a review: limits that follow from maintenance, and what only informs."""
    return reason.code in LEFT_TO_REVIEWS or (reason.code in _FLAGS and reason.rank == _INFO)


def _failed(failure: JobFailure) -> Reason:
    """Work of an athlete that could not be done."""
    statement = render(say(FAILED[failure.job], attempts=failure.attempts))
    return Reason("job", f"job.{failure.job}", Severity.WARNING.value, statement)
