"""One athlete whose work fails stops nobody else, is shown to the coach, and is tried again."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import pytest

from service.jobs import check_in, weekly_review
from service.store.tables import CheckIn, JobFailure
from service.store.types import now
from tests.jobs.conftest import Practice, athlete, phase, utc

MONDAY = utc(2026, 3, 16, 6)


class Broken:
    """Makes a job's computation fail for one athlete while `broken` is set, whoever is computed with them."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, module: Any, name: str, external_id: str) -> None:
        self.broken = True
        whole = getattr(module, name)

        async def compute(groups: Sequence[Any], as_of: Any) -> Any:
            if self.broken and any(athlete.external_id == external_id for _, own in groups for athlete in own):
                raise ArithmeticError(f"cannot compute {external_id}")
            return await whole(groups, as_of)

        monkeypatch.setattr(module, name, compute)


async def take_in(practice: Practice, count: int) -> list[str]:
    names = [f"a{number:02d}" for number in range(count)]
    await practice.take_in([*map(athlete, names), *(phase(name, date(2026, 3, 1)) for name in names)])
    return names


async def test_the_others_are_reviewed_and_the_culprit_is_noted(
    practice: Practice, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = await take_in(practice, 9)
    Broken(monkeypatch, weekly_review, "make_reviews_across", "a04")
    result = await practice.tick(MONDAY)
    assert (result.reviews.done, result.reviews.failed, result.check_ins.done) == (8, 1, 9)
    assert [name for name in names if not await practice.reviews(name)] == ["a04"]
    reason = next(r for r in (await practice.attention())["a04"].reasons if r.code == "job.weekly_review")
    assert reason.statement == "The weekly review of this athlete failed (1 time so far)."
    (failure,) = await practice.rows(JobFailure)
    assert failure.error == "ArithmeticError: cannot compute a04"  # for whoever runs the service, not for the coach
    assert (reason.severity, reason.source) == ("warning", "job")
    others = [item for name, item in (await practice.attention()).items() if name != "a04"]
    assert not any(reason.source == "job" for item in others for reason in item.reasons)


async def test_failed_work_is_tried_again_and_its_note_goes_when_it_succeeds(
    practice: Practice, monkeypatch: pytest.MonkeyPatch
) -> None:
    await take_in(practice, 3)
    trouble = Broken(monkeypatch, weekly_review, "make_reviews_across", "a01")
    await practice.tick(MONDAY)
    assert (await practice.tick(MONDAY)).reviews.failed == 0  # not at once
    claimed_until = (await practice.athlete("a01")).review_claimed_until
    assert timedelta(minutes=30) < claimed_until - now() <= timedelta(hours=1)
    await practice.put("a01", review_claimed_until=now() - timedelta(minutes=1))
    assert (await practice.tick(MONDAY + timedelta(hours=1))).reviews.failed == 1
    (failure,) = await practice.rows(JobFailure)
    assert (failure.job, failure.attempts) == ("weekly_review", 2)
    trouble.broken = False
    await practice.put("a01", review_claimed_until=now() - timedelta(minutes=1))
    # Two days later: the review is still of the day on which it fell due.
    assert (await practice.tick(MONDAY + timedelta(days=2))).reviews.done == 1
    assert [row.as_of for row in await practice.reviews("a01")] == [date(2026, 3, 15)]
    assert await practice.rows(JobFailure) == []
    assert "job.weekly_review" not in {reason.code for reason in (await practice.attention())["a01"].reasons}


async def test_a_failing_check_in_stops_neither_other_check_ins_nor_reviews(
    practice: Practice, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = await take_in(practice, 4)
    await practice.put("a02", next_review_at=utc(2026, 12, 1))  # a review would have done the check-in too
    Broken(monkeypatch, check_in, "evidence_across", "a02")
    result = await practice.tick(MONDAY)
    assert (result.check_ins.done, result.check_ins.failed, result.reviews.done) == (3, 1, 3)
    assert len(await practice.rows(CheckIn)) == len(names) - 1
    assert "job.check_in" in {reason.code for reason in (await practice.attention())["a02"].reasons}


async def test_what_cannot_be_stored_fails_alone_too(practice: Practice, monkeypatch: pytest.MonkeyPatch) -> None:
    """The failure strikes inside the transaction that keeps results: nothing of it stays half done."""
    await take_in(practice, 5)
    whole = weekly_review.keep_reviews

    async def keep(scope: Any, results: Sequence[Any], at: Any, **more: Any) -> int:
        kept = await whole(scope, results, at, **more)
        if any(result.athlete_id == culprit.id for result in results):
            raise OSError("no space left on device")
        return kept

    culprit = await practice.athlete("a03")
    monkeypatch.setattr(weekly_review, "keep_reviews", keep)
    result = await practice.tick(MONDAY)
    assert (result.reviews.done, result.reviews.failed) == (4, 1)
    assert await practice.reviews("a03") == []
    assert all([len(await practice.reviews(name)) == 1 for name in ("a00", "a01", "a02", "a04")])
