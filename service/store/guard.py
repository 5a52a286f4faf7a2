"""A check that no statement reads or changes a practice's rows without naming the practice (on in every test)."""

from typing import Any

from sqlalchemy import Column, Engine, Table, event
from sqlalchemy.sql import visitors
from sqlalchemy.sql.dml import Delete, Insert, Update
from sqlalchemy.sql.elements import BinaryExpression
from sqlalchemy.sql.selectable import Select

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
    """Names of a practice's tables that the statement (with its sub-queries) uses without equating practice_id."""
    used: set[str] = set()
    named: set[str] = set()
    for part in visitors.iterate(statement):
        if isinstance(part, Select):
            used |= {table.name for source in part.get_final_froms() for table in _tables(source)}
        elif isinstance(part, Update | Delete):
            used |= {table.name for table in _tables(part.table)}
        elif isinstance(part, BinaryExpression):
            named |= {
                side.table.name
                for side in (part.left, part.right)
                if isinstance(side, Column) and side.name == "practice_id" and isinstance(side.table, Table)
            }
    if isinstance(statement, Insert):
        return set()
    return used - named


def _tables(source: Any) -> list[Table]:
    return [part for part in visitors.iterate(source) if isinstance(part, Table) and "practice_id" in part.c]
