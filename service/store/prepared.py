"""Statements of the paths that run for every request: written once, compiled once for each dialect.

Values are given by name when one is executed, the practice by its scope alone. On PostgreSQL and on the connection of
the shared writer nothing of SQLAlchemy runs then but the column types' own conversions.
"""

from collections import namedtuple
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from sqlalchemy import JSON, BindParameter, Boolean, ColumnElement, Dialect, bindparam
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.exc import StatementError
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.visitors import InternalTraversal
from sqlalchemy.types import TypeDecorator, TypeEngine

from service.store.guard import TenantFilterMissing, unfiltered_tables
from service.store.shared_writer import Connection, DirectConnection, as_elsewhere

PRACTICE: BindParameter[Any] = bindparam("of_practice")
Values = Mapping[str, Any]
Convert = Callable[[Any], Any] | None


class PreparedStatement:
    """A statement about one practice's rows.

    Raises
    ------
    TenantFilterMissing
        If it would touch rows of every practice.
    """

    def __init__(self, statement: Any) -> None:
        missing = unfiltered_tables(statement)
        if missing:
            raise TenantFilterMissing(f"no practice_id for {', '.join(sorted(missing))} in: {statement}")
        self.statement = statement
        self._compiled: dict[str, _Compiled] = {}

    async def run(self, connection: Connection, rows: Sequence[Values]) -> Sequence[Any]:
        """Execute it for each row of values, at least one; what the last one gave, with the columns as attributes."""
        compiled = self._compiled.get(connection.dialect.name)
        if compiled is None:
            compiled = self._compiled[connection.dialect.name] = _Compiled(self.statement, connection.dialect)
        try:
            values = [compiled.values(row) for row in rows]
        except ValueError as error:
            raise StatementError(str(error), compiled.sql, None, error) from error
        with as_elsewhere(connection.dialect, compiled.sql, values):
            if isinstance(connection, DirectConnection):
                cursor = _directly(connection.raw, compiled.sql, values)
                return compiled.rows(cursor.fetchall(), cursor) if compiled.gives_rows else ()
            if connection.dialect.name == "postgresql":
                cursor = await _on_postgresql(await connection.get_raw_connection(), compiled.sql, values)
                return compiled.rows(await cursor.fetchall(), cursor) if compiled.gives_rows else ()
        result = await connection.execute(self.statement, rows[0] if len(rows) == 1 else rows)
        return result.all() if result.returns_rows else ()


def _directly(driver: Any, sql: str, values: Sequence[Any]) -> Any:
    for row in values:
        cursor = driver.execute(sql, row)
    return cursor


async def _on_postgresql(connection: Any, sql: str, values: Sequence[Any]) -> Any:
    cursor = connection.driver_connection.cursor()
    if len(values) > 1:
        await cursor.executemany(sql, values)
    else:
        await cursor.execute(sql, values[0])
    return cursor


class _Compiled:
    """A statement in a dialect, with what its values and columns are converted by."""

    def __init__(self, statement: Any, dialect: Dialect) -> None:
        compiled = statement.compile(dialect=dialect)
        if not compiled.binds.keys() & {PRACTICE.key, "practice_id"}:
            raise TenantFilterMissing(f"no practice is asked for in: {statement}")
        self.sql = str(compiled)
        self._values = {name: _Value(bind, dialect) for name, bind in compiled.binds.items()}
        self._places: Sequence[str] | None = compiled.positiontup  # where values go by place
        columns = getattr(statement, "exported_columns", ())
        self._row = namedtuple("Row", [column.key for column in columns], rename=True) if columns else tuple
        self._types = [column.type.dialect_impl(dialect) for column in columns]
        self.gives_rows = bool(self._types)
        self._dialect = dialect
        self._converted: list[tuple[int, Callable[[Any], Any]]] | None = None  # until the first rows

    def values(self, row: Values) -> Any:
        """A row of values as the driver takes them."""
        if self._places is not None:
            return [self._values[name].of(row) for name in self._places]
        return {name: value.of(row) for name, value in self._values.items()}

    def rows(self, found: Sequence[Any], cursor: Any) -> list[Any]:
        """Rows that the driver's cursor gave, with the columns as attributes."""
        if self._converted is None:
            description = cursor.description
            told = [
                of.result_processor(self._dialect, said[1]) for of, said in zip(self._types, description, strict=True)
            ]
            self._converted = [(place, convert) for place, convert in enumerate(told) if convert is not None]
        return [self._read(row, self._converted) for row in found]

    def _read(self, found: Sequence[Any], converted: Sequence[tuple[int, Callable[[Any], Any]]]) -> Any:
        values = list(found)
        for place, convert in converted:
            if values[place] is not None:
                values[place] = convert(values[place])
        return self._row._make(values)  # type: ignore[attr-defined]


class _Value:
    """A value that a statement takes, or has for itself."""

    def __init__(self, bind: BindParameter[Any], dialect: Dialect) -> None:
        self.name = bind.key
        self.convert: Convert = bind.type.dialect_impl(dialect).bind_processor(dialect)
        self.given = bind.required
        self.constant = None if self.given else self._converted(bind.effective_value)

    def of(self, row: Values) -> Any:
        return self._converted(row[self.name]) if self.given else self.constant

    def _converted(self, value: Any) -> Any:
        return value if self.convert is None else self.convert(value)


class Among(ColumnElement[bool]):
    """Whether a column holds one of the values that are given by a name, however many: `IN` with one text for all."""

    __visit_name__ = "among"
    inherit_cache = True
    _traverse_internals = [  # noqa: RUF012 - as SQLAlchemy declares it
        ("column", InternalTraversal.dp_clauseelement),
        ("values", InternalTraversal.dp_clauseelement),
    ]
    type = Boolean()

    def __init__(self, column: Any, name: str) -> None:
        self.column = column
        self.values = bindparam(name, type_=Many(column.type))

    def self_group(self, against: Any = None) -> "Among":
        """Itself: it is a condition already."""
        return self


class Many(TypeDecorator[Sequence[Any]]):
    """Values of a type: an array on PostgreSQL, a JSON text on SQLite."""

    impl = JSON
    cache_ok = True

    def __init__(self, one: TypeEngine[Any]) -> None:
        super().__init__()
        self.one = one

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """The type in the database."""
        return dialect.type_descriptor(ARRAY(self.one) if dialect.name == "postgresql" else JSON())

    def process_bind_param(self, value: Any, dialect: Dialect) -> Any:
        """Each value as the column has it."""
        if dialect.name == "postgresql":
            return list(value)
        convert = self.one.dialect_impl(dialect).bind_processor(dialect)
        return [one if convert is None else convert(one) for one in value]


@compiles(Among, "sqlite")
def _among_json(among: Among, compiler: Any, **options: Any) -> str:
    column, values = (compiler.process(part, **options) for part in (among.column, among.values))
    return f"{column} IN (SELECT value FROM json_each({values}))"


@compiles(Among)
def _among_array(among: Among, compiler: Any, **options: Any) -> str:
    column, values = (compiler.process(part, **options) for part in (among.column, among.values))
    return f"{column} = ANY({values})"
