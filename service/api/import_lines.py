"""Reading import files: from NDJSON or CSV lines to the bodies of the API, with a fault for each bad line."""

import csv
from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from typing import Any, NamedTuple

import orjson
from pydantic import BaseModel, TypeAdapter, ValidationError

from service.api import meals, measurements, training_sessions, weigh_ins, wellbeing
from service.api.athletes import AthleteBody
from service.api.entries import EntryBody, EntryKind
from service.api.food_days import FoodDayBody
from service.api.http.fields import Body, Date, ShortText
from service.api.http.problems import faults_of
from service.api.import_order import MAX_LINE_BYTES, Header, Record, sheet_lines
from service.api.known_lines import known_line, reference
from service.api.phases import PhaseBody
from service.api.restrictions import RestrictionBody
from service.api.screening import ScreeningBody
from service.api.targets import TargetBody
from service.errors import Fault

ENTRY_KINDS: dict[str, EntryKind[Any, Any]] = {
    kind.name: kind for kind in (weigh_ins.KIND, meals.KIND, training_sessions.KIND, measurements.KIND, wellbeing.KIND)
}


class FoodDayLine(FoodDayBody):
    """A food day with its date."""

    date: Date


MODELS: dict[str, type[Body]] = {
    "athlete": AthleteBody,
    "screening": ScreeningBody,
    "restriction": RestrictionBody,
    "phase": PhaseBody,
    "targets": TargetBody,
    "food_day": FoodDayLine,
    **{name: kind.body for name, kind in ENTRY_KINDS.items()},
}
_NAME: TypeAdapter[str] = TypeAdapter(ShortText)


class Line(NamedTuple):
    """One good line: its number in the file, its type, whose it is (external_id), what it says."""

    number: int
    kind: str
    athlete: str
    body: Any  # of an entry `Said`, of others the body of its route


class BadLine(NamedTuple):
    """A line that cannot be kept, and why."""

    number: int
    faults: list[Fault]


def read_lines(records: Iterable[Record], header: Header | None, kind: str | None) -> list[Line | BadLine]:
    """What records of a file say; blank ones are passed over.

    Parameters
    ----------
    header : Header or None
        Of a sheet; None: the records are JSON objects, UTF-8.
    kind : str or None
        The type of lines that do not say theirs.
    """
    read: list[Line | BadLine] = []
    for record in records:
        line = _json_line(record, kind) if header is None else _sheet_line(record, header, kind)
        if line is not None:
            read.append(line)
    return read


def _json_line(record: Record, kind: str | None) -> Line | BadLine | None:
    number, raw = record.number, record.raw
    if len(raw) > MAX_LINE_BYTES:
        return _bad(number, "", "too_long", f"the line has more than {MAX_LINE_BYTES} bytes")
    known = known_line(raw, kind)
    if known is not None:
        return Line(number, *known)
    text = raw.removeprefix(b"\xef\xbb\xbf").strip() if number == 1 else raw.strip()
    if not text:
        return None
    try:
        said = orjson.loads(text)
    except orjson.JSONDecodeError as error:
        return _bad(number, "", "not_json", str(error))
    return (
        _line(number, said, kind)
        if isinstance(said, dict)
        else _bad(number, "", "not_an_object", "a line must be a JSON object")
    )


def _sheet_line(record: Record, header: Header, kind: str | None) -> Line | BadLine | None:
    number = record.number
    lines = sheet_lines(record.raw, 0, len(record.raw))
    try:
        cells = next(csv.reader(lines, delimiter=header.delimiter), [])
    except csv.Error as error:
        return _bad(number, "", "not_csv", str(error))
    if not any(cell.strip() for cell in cells):
        return None
    if len(cells) > len(header.names):
        return _bad(number, "", "too_many_columns", f"{len(cells)} cells under {len(header.names)} headers")
    said = {name: cell.strip() for name, cell in zip(header.names, cells, strict=False) if cell.strip()}
    return _line(number, _numbers(said, kind, decimal_comma=header.delimiter != ","), kind)


def _numbers(said: dict[str, Any], kind: str | None, decimal_comma: bool) -> dict[str, Any]:
    """Cells of numeric fields as numbers; what is no number stays text and is refused with its field's name."""
    numeric = _numeric_fields(str(said.get("type", kind)))
    values = dict(said)
    for name in numeric & said.keys():
        text = said[name].replace(",", ".") if decimal_comma else said[name]
        if "_" in text:
            continue  # Python reads 6_4 as 64
        try:
            number = float(text)
        except ValueError:
            continue
        values[name] = int(number) if number.is_integer() else number
    return values


@cache
def _numeric_fields(kind: str) -> frozenset[str]:
    model = MODELS.get(kind)
    properties: dict[str, Any] = model.model_json_schema()["properties"] if model else {}
    return frozenset(
        name
        for name, schema in properties.items()
        if {"number", "integer"} & {option.get("type") for option in (schema, *schema.get("anyOf", ()))}
    )


def _line(number: int, said: dict[str, Any], kind: str | None) -> Line | BadLine:
    content = dict(said)
    name = content.pop("type", kind)
    model = MODELS.get(name) if isinstance(name, str) else None
    if model is None:
        known = ", ".join(MODELS)
        return _bad(number, "/type", "unknown_type", f"a line's type must be one of {known}, not {name!r}")
    athlete = content.get("external_id", "") if name == "athlete" else content.pop("athlete", None)
    if name != "athlete":
        if not (isinstance(athlete, str) and athlete):
            return _bad(number, "/athlete", "missing", "say whose it is: the athlete's external_id")
        try:
            _NAME.validate_python(athlete)
        except ValidationError as error:
            return BadLine(number, [replace(fault, pointer="/athlete") for fault in faults_of(error.errors())])
    if name in ENTRY_KINDS and content.get("ref") is None:
        content["ref"] = reference(content)
    try:
        body: BaseModel = model.model_validate(content)
    except ValidationError as error:
        return BadLine(number, faults_of(error.errors()))
    return Line(number, str(name), str(athlete), body.said() if isinstance(body, EntryBody) else body)


def _bad(number: int, pointer: str, code: str, detail: str) -> BadLine:
    return BadLine(number, [Fault(pointer=pointer, code=code, detail=detail)])
