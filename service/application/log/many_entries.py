"""Many entries arrive at once, of a file: what is new of them is stored set by set, with all that follows from it.

What revises an entry, or is said twice, goes the one way of `entries.store_entries`; what follows from new entries is
worked out by the same roll-ups, from what is stored and what is to be stored, before anything is written: off the event
loop, and in no transaction.
"""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import repeat
from typing import Any

from service.application.log.changes import Change, EntryId
from service.application.log.days import DayKey, Days
from service.application.log.entries import History, NewEntry, store_entries
from service.application.log.food_days import Declaration, DeclaredDay, compared, put_declared
from service.application.log.refresh import ROLL_UPS, put_roll_ups
from service.application.log.rolled_up import New, RolledUp
from service.application.log.stale import mark_stale
from service.store import bulk
from service.store.scope import Scope, Table
from service.store.shared_writer import aside
from service.store.tables import Entry, Meal
from service.store.types import DeclaredFoodDay, new_digits

_SAID = ("date", "at", "note")  # by which, with its content, an entry is the same again


@dataclass(frozen=True)
class Told:
    """What a file says of one kind of entry."""

    entries: Sequence[NewEntry]  # in the file's order, each with a reference
    history: History


@dataclass(frozen=True)
class Prepared:
    """All that is to be written of what a file says, worked out from what was stored when it was read."""

    new: Mapping[Table, dict[str, list[Any]]]  # columns of new entries
    declared: Mapping[DayKey, DeclaredDay]
    roll_ups: Mapping[Table, RolledUp]
    days: Days  # of which something is new
    others: Mapping[type[Entry], Sequence[NewEntry]]  # what revises, or is said twice
    histories: Mapping[type[Entry], History]


async def prepare(
    scope: Scope, told: Mapping[type[Entry], Told], declarations: Mapping[DayKey, Declaration]
) -> Prepared:
    """Work out what is to be written of entries of several kinds and of whole days; nothing is written yet.

    Parameters
    ----------
    scope : Scope
        The practice; no transaction is needed, but see `put`.
    told : mapping
        By the table of the kind.
    declarations : mapping
        What the file says of whole days.
    """
    new: dict[Table, dict[str, list[Any]]] = {}
    others: dict[type[Entry], list[NewEntry]] = {}
    _, declared = await compared(scope, declarations) if declarations else ({}, {})
    days: dict[Table, Days] = {Meal: set(declared)} if declared else {}
    for table, said in told.items():
        first, others[table] = _first_of_each_reference(said.entries)
        entries, revising = await _unknown(scope, table, first)
        others[table] = [*revising, *others[table]]
        if entries:
            new[table] = _columns(table, entries)
            days.setdefault(table, set()).update(_days(entries))
    roll_ups = {}
    for kind, on in days.items():
        said_of_days = {key: day.state for key, day in declared.items()} if kind is Meal else {}
        roll_ups[kind] = await _rolled_up(scope, kind, on, new.get(kind), said_of_days)
    histories = {table: said.history for table, said in told.items()}
    return Prepared(new, declared, roll_ups, set().union(*days.values()), others, histories)


async def put(scope: Scope, prepared: Prepared) -> None:
    """Write what was prepared, in a transaction that holds the athletes.

    Nothing may have been stored of them since it was read (`stale.changed_meanwhile`).
    """
    if prepared.declared:
        await put_declared(scope, prepared.declared)
    instant = scope.now()
    for kind, columns in prepared.new.items():
        await bulk.insert(scope, kind, columns, {"created_at": instant, "updated_at": instant})
    await put_roll_ups(scope, prepared.roll_ups)
    await mark_stale(scope, prepared.days)
    for table, entries in prepared.others.items():
        for run in _runs(entries):
            await store_entries(scope, table, run, prepared.histories[table])


def _first_of_each_reference(entries: Sequence[NewEntry]) -> tuple[list[NewEntry], list[NewEntry]]:
    """The entries whose reference is said for the first time, and the others; the same again is left out."""
    first: dict[int, dict[str | None, NewEntry]] = defaultdict(dict)  # by whose they are: one object for each athlete
    repeated = []
    for entry in entries:
        before = first[entry.athlete_id.int].setdefault(entry.ref, entry)
        if before is not entry:
            repeated.append(entry)
    twice = {(entry.athlete_id, entry.ref) for entry in repeated}
    latest: dict[tuple[uuid.UUID, str | None], NewEntry] = {key: first[key[0].int][key[1]] for key in twice}
    others = []
    for entry in repeated:
        key = entry.athlete_id, entry.ref
        if latest[key] != entry:
            others.append(entry)
            latest[key] = entry
    return [entry for of_athlete in first.values() for entry in of_athlete.values()], others


async def _unknown(
    scope: Scope, table: type[Entry], entries: Sequence[NewEntry]
) -> tuple[list[NewEntry], list[NewEntry]]:
    """Those whose reference is new, and those that say something else than what is stored, or may do so."""
    refs: dict[str, list[str]] = defaultdict(list)
    digits = {entry.athlete_id.int: entry.athlete_id.hex for entry in entries}
    for entry in entries:
        assert entry.ref is not None
        refs[digits[entry.athlete_id.int]].append(entry.ref)
    names = (*_SAID, *(entries[0].content if entries else ()))
    known = await bulk.with_refs(scope, table, refs, names)
    if not known:
        return list(entries), []
    new: list[NewEntry] = []
    there: list[NewEntry] = []
    for entry in entries:
        (there if (digits[entry.athlete_id.int], entry.ref) in known else new).append(entry)
    same_columns = [entry for entry in there if (*_SAID, *entry.content) == names]
    revising = [entry for entry in there if (*_SAID, *entry.content) != names]
    cells = [bulk.stored_column(scope, table, name, values) for name, values in _contents(same_columns, names).items()]
    for entry, row in zip(same_columns, zip(*cells, strict=True), strict=True):
        if known[digits[entry.athlete_id.int], str(entry.ref)] != row:
            revising.append(entry)
    return new, revising


def _contents(entries: Sequence[NewEntry], names: Sequence[str]) -> dict[str, list[Any]]:
    """Columns of what the entries say, by name."""
    said = {name: [getattr(entry, name) for entry in entries] for name in _SAID if name in names}
    contents = [entry.content for entry in entries]
    return said | {name: [content[name] for content in contents] for name in names if name not in said}


def _columns(table: type[Entry], entries: Sequence[NewEntry]) -> dict[str, list[Any]]:
    """The columns of new entries as they are stored."""
    columns: dict[str, list[Any]] = {
        "id": [new_digits() for _ in entries],
        "athlete_id": [entry.athlete_id for entry in entries],
        "ref": [entry.ref for entry in entries],
        **{name: [getattr(entry, name) for entry in entries] for name in _SAID},
    }
    contents = [entry.content for entry in entries]
    for name, field in table.model_fields.items():
        if name in Entry.model_fields:
            continue
        default = None if field.is_required() else field.get_default()
        columns[name] = [content.get(name, default) for content in contents]
    return columns | {"suspect": [None] * len(entries)}


def _days(entries: Sequence[NewEntry]) -> Days:
    dates: dict[int, set[Any]] = defaultdict(set)
    athletes = {}
    for entry in entries:
        dates[entry.athlete_id.int].add(entry.date)
        athletes[entry.athlete_id.int] = entry.athlete_id
    return {(athletes[who], day) for who, on in dates.items() for day in on}


async def _rolled_up(
    scope: Scope,
    table: Table,
    days: Days,
    columns: dict[str, list[Any]] | None,
    declared: Mapping[DayKey, DeclaredFoodDay],
) -> RolledUp:
    """What the entries of the days come to; what that changes on new ones is put into their columns."""
    roll_up = ROLL_UPS[table]
    rows: list[Any] = []
    if columns is not None:
        count = len(columns["id"])
        fields = (columns.get(name) or repeat(_default(table, name), count) for name in roll_up.looked_at._fields)
        rows = list(map(roll_up.looked_at._make, zip(*fields, strict=False)))
    new = New(rows, declared)
    rolled_up = await aside(roll_up.settle, await roll_up.read(scope, days, new), days, new)
    if columns is None or not rolled_up.changes:
        return rolled_up
    place = {entry: at for at, entry in enumerate(columns["id"])}
    stored: dict[EntryId, Sequence[Change]] = {}
    for entry, changes in rolled_up.changes.items():
        if entry not in place:
            stored[entry] = changes
            continue
        for change in changes:
            for name, value in vars(change).items():
                columns[name][place[entry]] = value
    return RolledUp(stored, rolled_up.days, rolled_up.lifts, rolled_up.stale)


def _default(table: Table, name: str) -> Any:
    return table.model_fields[name].get_default()


def _runs(entries: Sequence[NewEntry]) -> list[list[NewEntry]]:
    """Runs without a repeated reference, so that a later entry of the same reference revises."""
    runs: list[dict[tuple[uuid.UUID, str | None], NewEntry]] = [{}]
    for entry in entries:
        key = entry.athlete_id, entry.ref
        if key in runs[-1]:
            runs.append({})
        runs[-1][key] = entry
    return [list(run.values()) for run in runs if run]
