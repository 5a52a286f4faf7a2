"""When an athlete's review and check-in fall due: local times of day, so that clock changes neither skip nor repeat."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Protocol, get_args
from zoneinfo import ZoneInfo

from service.store.scope import Scope
from service.store.types import Weekday

WEEKDAYS: tuple[Weekday, ...] = get_args(Weekday)
NIGHT = time(4)  # local; outside the hours in which clocks are changed


class Located(Protocol):
    """Whoever lives somewhere: an athlete."""

    @property
    def time_zone(self) -> str:
        """IANA name."""


class Scheduled(Located, Protocol):
    """Whoever is reviewed on a weekday."""

    @property
    def review_weekday(self) -> Weekday:
        """Local."""


class Planned(Scheduled, Protocol):
    """Whoever has such work ahead; None where it is due once there is a log."""

    @property
    def next_review_at(self) -> datetime | None:
        """Of the weekly review."""

    @property
    def next_check_in_at(self) -> datetime | None:
        """Of the nightly check-in."""


def instant_of(day: date, time_zone: str) -> datetime:
    """The instant (UTC) at which a local date's nightly work falls due."""
    return datetime.combine(day, NIGHT, ZoneInfo(time_zone)).astimezone(UTC)


def local_date(instant: datetime, time_zone: str) -> date:
    """The local date of an instant."""
    return instant.astimezone(ZoneInfo(time_zone)).date()


def today_of(scope: Scope, athlete: Located) -> date:
    """The date where the athlete lives, by the practice's clock."""
    return local_date(scope.now(), athlete.time_zone)


def last_review_day(athlete: Scheduled, at: datetime) -> date:
    """The latest local date on the athlete's review weekday whose review is due at an instant."""
    day = local_date(at, athlete.time_zone)
    day -= timedelta(days=(day.weekday() - WEEKDAYS.index(athlete.review_weekday)) % 7)
    return day if instant_of(day, athlete.time_zone) <= at else day - timedelta(days=7)


def next_review_at(athlete: Scheduled, after: date) -> datetime:
    """The instant of the first review day after a local date."""
    ahead = (WEEKDAYS.index(athlete.review_weekday) - after.weekday() - 1) % 7 + 1
    return instant_of(after + timedelta(days=ahead), athlete.time_zone)


def next_check_in_at(athlete: Located, at: datetime) -> datetime:
    """The instant of the first check-in after an instant."""
    day = local_date(at, athlete.time_zone)
    due = instant_of(day, athlete.time_zone)
    return due if due > at else instant_of(day + timedelta(days=1), athlete.time_zone)


def planned_by(athlete: Scheduled) -> dict[str, str]:
    """The fields of an athlete on which these instants depend."""
    return {"time_zone": athlete.time_zone, "review_weekday": athlete.review_weekday}


def replanned(athlete: Planned, at: datetime) -> dict[str, datetime]:
    """When an athlete's planned work falls due after such a field changed, by column; what is overdue stays so."""
    new = {}
    if athlete.next_review_at is not None and athlete.next_review_at > at:
        new["next_review_at"] = next_review_at(athlete, last_review_day(athlete, at))
    if athlete.next_check_in_at is not None and athlete.next_check_in_at > at:
        new["next_check_in_at"] = min(athlete.next_check_in_at, next_check_in_at(athlete, at))  # maybe within seconds
    return new


def taken_up_again(athlete: Planned, at: datetime) -> dict[str, datetime]:
    """When the work of an athlete who is active again falls due, by column: a check at once, past weeks never."""
    if athlete.next_review_at is None:
        return {"next_check_in_at": at}
    return {"next_check_in_at": at, "next_review_at": next_review_at(athlete, last_review_day(athlete, at))}
