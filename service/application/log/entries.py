"""An entry arrives: stored, or a revision of what its reference names; what it replaces is kept, the roll-ups follow.

`store_entries` is the one way in, for single entries, arrays and imports alike. A revision is replaced once: of two
writers that read the same one, the second meets the first one's row in the history (`IntegrityError`).
"""

import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import cache
from typing import Any, Literal, NamedTuple

from service.application.log.changes import Changes, Verdict
from service.application.log.refresh import refresh
from service.application.log.stale import mark_stale
from service.store.prepared import Among, PreparedStatement
from service.store.scope import Scope, of_practice, table_of
from service.store.tables import Entry, EntryRevision, Json
from service.store.types import ReplacedBy, new_id


class NewEntry(NamedTuple):
    """What is said of one entry: `content` are the columns of its kind that follow from it."""

    athlete_id: uuid.UUID
    date: date
    at: datetime | None
    ref: str | None
    note: str | None
    content: Mapping[str, Any]


@dataclass(frozen=True)
class LoggedEntry:
    """A stored entry of any kind: `content` are the columns of its kind."""

    id: uuid.UUID
    athlete_id: uuid.UUID
    date: date
    at: datetime | None
    ref: str | None
    note: str | None
    suspect: Json | None
    confirmed: bool
    revision: int
    created_at: datetime
    updated_at: datetime
    content: Mapping[str, Any]

    def columns(self) -> dict[str, Any]:
        """As the columns of its table."""
        return {**{name: getattr(self, name) for name in _SHARED}, **self.content}

    def says(self, new: NewEntry) -> bool:
        """Whether this is what is said anew, note included."""
        return self.note == new.note and self.measures(new)

    def measures(self, new: NewEntry) -> bool:
        """Whether this differs from what is said anew in note or reference at most."""
        same_content = all(self.content[name] == value for name, value in new.content.items())
        return (self.date, self.at) == (new.date, new.at) and same_content

    def revised(self, new: NewEntry, at: datetime, confirmed: bool = False) -> "LoggedEntry":
        """The next revision, as said anew; confirmed it stays where it measures the same, or becomes so."""
        return replace(
            self,
            date=new.date,
            at=new.at,
            ref=new.ref,
            note=new.note,
            content={**self.content, **new.content},
            suspect=None if confirmed else self.suspect,
            confirmed=confirmed or (self.confirmed and self.measures(new)),
            revision=self.revision + 1,
            updated_at=at,
        )

    def with_changes(self, changes: Changes) -> "LoggedEntry":
        """With what the roll-ups changed on it."""
        entry = self
        for change in changes.get(self.id, ()):
            if isinstance(change, Verdict):
                entry = replace(entry, suspect=change.suspect)
            else:
                entry = replace(entry, content={**entry.content, **vars(change)})
        return entry


_SHARED = tuple(name for name in LoggedEntry.__dataclass_fields__ if name != "content")


@dataclass(frozen=True)
class StoredEntry:
    """What became of one entry."""

    entry: LoggedEntry
    outcome: Literal["created", "revised", "unchanged"]


@dataclass(frozen=True)
class History:
    """How the history tells what was replaced: by whose key, and an entry as a document."""

    key_id: uuid.UUID | None
    tell: Callable[[LoggedEntry], Json]


async def store_entries(
    scope: Scope, table: type[Entry], entries: Sequence[NewEntry], history: History
) -> list[StoredEntry]:
    """Store entries of one kind, keep what they replace, and bring the roll-ups up to date.

    Parameters
    ----------
    scope : Scope
        The practice, on the transaction of the write.
    table : table class
        Of their kind.
    entries : sequence of NewEntry
        References must be unique per athlete within the sequence.
    history : History
        Who says so.

    Returns
    -------
    list of StoredEntry
        In the order given.
    """
    known = await _known_refs(scope, table, entries)
    instant = scope.now()
    stored = [_stored(known.get((new.athlete_id, new.ref)), new, instant) for new in entries]
    revised = [item.entry for item in stored if item.outcome == "revised"]
    replaced = [known[entry.athlete_id, entry.ref] for entry in revised]
    await scope.insert(table, [item.entry.columns() for item in stored if item.outcome == "created"])
    await _keep_replaced(scope, table, replaced, "change", history)
    for entry in revised:
        await _overwrite(scope, table, entry)
    touched = [item.entry for item in stored if item.outcome != "unchanged"] + replaced
    changes = await _follow_up(scope, table, touched, added=not revised)
    return [replace(item, entry=item.entry.with_changes(changes)) for item in stored]


def _stored(old: LoggedEntry | None, new: NewEntry, at: datetime) -> StoredEntry:
    if old is None:
        created = LoggedEntry(
            id=new_id(), suspect=None, confirmed=False, revision=1, created_at=at, updated_at=at, **new._asdict()
        )
        return StoredEntry(created, "created")
    if old.says(new):
        return StoredEntry(old, "unchanged")
    return StoredEntry(old.revised(new, at), "revised")


async def change_entry(
    scope: Scope, table: type[Entry], old: LoggedEntry, new: NewEntry, history: History, *, confirmed: bool
) -> LoggedEntry:
    """Store what is said anew of an entry; `confirmed`: that it is meant as it stands, however odd."""
    entry = old.revised(new, scope.now(), confirmed)
    await _keep_replaced(scope, table, [old], "change", history)
    await _overwrite(scope, table, entry)
    return entry.with_changes(await _follow_up(scope, table, [old, entry]))


async def delete_entry(scope: Scope, table: type[Entry], old: LoggedEntry, history: History) -> None:
    """Take an entry out of the log; the history keeps it."""
    await _keep_replaced(scope, table, [old], "delete", history)
    await scope.run(scope.delete(table).where(table_of(table).c.id == old.id))
    await _follow_up(scope, table, [old])


async def find_entry(
    scope: Scope, table: type[Entry], athlete_id: uuid.UUID, entry_id: uuid.UUID
) -> LoggedEntry | None:
    """An entry of an athlete, or None."""
    columns = table_of(table).c
    wanted = scope.select(table).where(columns.athlete_id == athlete_id, columns.id == entry_id)
    row = await scope.one(table, wanted)
    return None if row is None else _logged(table, row)


async def ref_is_taken(scope: Scope, table: type[Entry], athlete_id: uuid.UUID, ref: str) -> bool:
    """Whether an entry of this kind of the athlete has the reference."""
    return bool(await _with_refs(scope, table, {athlete_id}, [ref]))


async def _known_refs(
    scope: Scope, table: type[Entry], entries: Sequence[NewEntry]
) -> dict[tuple[uuid.UUID, str | None], LoggedEntry]:
    """By athlete and reference; what comes without a reference is always new."""
    refs = [new.ref for new in entries if new.ref is not None]
    rows = await _with_refs(scope, table, {new.athlete_id for new in entries}, refs) if refs else ()
    return {(row.athlete_id, row.ref): _logged(table, row) for row in rows}


@cache
def _by_ref(table: type[Entry]) -> PreparedStatement:
    columns = table_of(table).c
    return PreparedStatement(
        of_practice(table).where(Among(columns.athlete_id, "athletes"), Among(columns.ref, "refs"))
    )


async def _with_refs(
    scope: Scope, table: type[Entry], athletes: set[uuid.UUID], refs: Sequence[str]
) -> Sequence[Entry]:
    return await scope.fetch(_by_ref(table), athletes=athletes, refs=refs)


def _logged(table: type[Entry], row: Entry) -> LoggedEntry:
    content = {name: getattr(row, name) for name in table.model_fields if name not in Entry.model_fields}
    return LoggedEntry(**{name: getattr(row, name) for name in _SHARED}, content=content)


async def _keep_replaced(
    scope: Scope, table: type[Entry], entries: Iterable[LoggedEntry], why: ReplacedBy, history: History
) -> None:
    rows = [
        {
            "athlete_id": entry.athlete_id,
            "entry_id": entry.id,
            "revision": entry.revision,
            "kind": table.kind,
            "content": history.tell(entry),
            "replaced_by": why,
            "key_id": history.key_id,
        }
        for entry in entries
    ]
    await scope.insert(EntryRevision, rows)


async def _overwrite(scope: Scope, table: type[Entry], entry: LoggedEntry) -> None:
    values = {name: value for name, value in entry.columns().items() if name not in ("id", "athlete_id")}
    await scope.run(scope.update(table).where(table_of(table).c.id == entry.id).values(**values))


async def _follow_up(
    scope: Scope, table: type[Entry], touched: Sequence[LoggedEntry], *, added: bool = False
) -> Changes:
    """Roll-ups, verdicts and stale marks; what they changed on the entries themselves. `added`: all of it is new."""
    days = {(entry.athlete_id, entry.date) for entry in touched}
    changes = await refresh(scope, table, days, added=added)
    await mark_stale(scope, days)
    return changes
