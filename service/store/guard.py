"""A check that no statement reads or changes a practice's rows without naming the practice (on in every test)."""

import re
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Alias, Column, Engine, Table, event
from sqlalchemy.sql import operators
from sqlalchemy.sql.dml import Delete, Update
from sqlalchemy.sql.elements import BinaryExpression, BooleanClauseList, Grouping, TextClause
from sqlalchemy.sql.selectable import Join, Select
from sqlmodel import SQLModel

CROSS_PRACTICE = "cross_practice"  # execution option: the reason why a statement looks across practices


class TenantFilterMissing(AssertionError):
    """A statement would touch rows of every practice."""


def refuse_unfiltered_statements(engine: Engine) -> None:
    """Make the engine raise TenantFilterMissing for statements that the one tenant filter did not pass.

    A statement that must look across practices (the clock, the key look-up) says why in the execution option
    `cross_practice`.
    """

    @event.listens_for(engine, "before_execute")
    def _check(_connection: Any, statement: Any, _many: Any, _params: Any, options: Any) -> None:
        if not options.get(CROSS_PRACTICE):
            missing = unfiltered_tables(statement)
            if missing:
                raise TenantFilterMissing(f"no practice_id for {', '.join(sorted(missing))} in: {statement}")


def unfiltered_tables(statement: Any) -> set[str]:
    """Names of a practice's tables that the statement, or a query inside it, reads or changes across practices.

    Each query must equate `practice_id` of each of its tables with a value, or with that of a table for which it does,
    in a condition that always holds: not one side of an OR, and not in a query further out. Text is not understood,
    so it may not speak of a practice's tables at all.
    """
    if isinstance(statement, TextClause):
        owned = {name for name, table in SQLModel.metadata.tables.items() if "practice_id" in table.c}
        return owned & set(re.findall(r"\w+", statement.text))
    return _missing(statement, frozenset())


def _missing(part: Any, around: frozenset[str]) -> set[str]:
    """The unfiltered tables of one query and of those inside it; `around`: what the queries further out read from."""
    found: set[str] = set()
    if isinstance(part, Select | Update | Delete):
        sources: list[Any] = list(part.get_final_froms()) if isinstance(part, Select) else [part.table]
        tables = {table for source in sources for table in _tables(source)}
        names = {str(table.name) for table in tables}
        own = names - around or names  # SQLAlchemy correlates only where something is left to select from
        conditions = [part.whereclause, *(on for source in sources for on in _on_clauses(source))]
        found = own - _filtered([term for condition in conditions for term in _terms(condition)], around - own)
        found = {_table_name(table) for table in tables if table.name in found}
        around |= names
    for child in part.get_children():
        found |= _missing(child, around)
    return found


def _tables(source: Any) -> Iterator[Any]:
    """Tables (or their aliases) of a practice that a FROM names itself."""
    if isinstance(source, Join):
        yield from _tables(source.left)
        yield from _tables(source.right)
    elif isinstance(source.element if isinstance(source, Alias) else source, Table) and "practice_id" in source.c:
        yield source


def _table_name(table: Any) -> str:
    named: Any = table.element if isinstance(table, Alias) else table
    return str(named.name)


def _on_clauses(source: Any) -> Iterator[Any]:
    if isinstance(source, Join):
        yield source.onclause
        yield from _on_clauses(source.left)
        yield from _on_clauses(source.right)


def _terms(condition: Any) -> Iterator[Any]:
    """The terms that must all hold."""
    if isinstance(condition, Grouping):
        yield from _terms(condition.element)
    elif isinstance(condition, BooleanClauseList) and condition.operator is operators.and_:
        for clause in condition.clauses:
            yield from _terms(clause)
    elif condition is not None:
        yield condition


def _filtered(terms: list[Any], around: frozenset[str]) -> set[str]:
    """Tables whose practice_id is equated with a value, or with that of another such table."""
    filtered = set(around)
    links: list[list[str]] = []
    for term in terms:
        if isinstance(term, BinaryExpression) and term.operator is operators.eq:
            sides = (term.left, term.right)
            columns: list[Any] = [side for side in sides if isinstance(side, Column) and side.name == "practice_id"]
            named = [column.table.name for column in columns]
            if len(named) == 2:
                links.append(named)
            elif not all(isinstance(side, Column) for side in sides):
                filtered.update(named)
    for _ in links:
        for pair in links:
            if filtered & set(pair):
                filtered.update(pair)
    return filtered
