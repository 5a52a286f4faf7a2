"""Reading import files: from NDJSON or CSV lines to the bodies of the API, with a fault for each bad line."""

import csv
import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import IO, Any

import orjson
from pydantic import BaseModel, TypeAdapter, ValidationError

from service.api import meals, measurements, training_sessions, weigh_ins, wellbeing
from service.api.athletes import AthleteBody
from service.api.entries import EntryKind
from service.api.food_days import FoodDayBody
from service.api.http.fields import Body, Date, ShortText
from service.api.http.problems import faults_of
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
MAX_LINE_BYTES = 1_000_000
_NAME: TypeAdapter[str] = TypeAdapter(ShortText)


@dataclass(frozen=True)
class Line:
    """One good line: its number in the file, its type, whose it is (external_id), what it says."""

    number: int
    kind: str
    athlete: str
    body: Any
    said: dict[str, Any]


@dataclass(frozen=True)
class BadLine:
    """A line that cannot be kept, and why."""

    number: int
    faults: list[Fault]


def read_ndjson(file: IO[bytes], kind: str | None) -> Iterator[Line | BadLine]:
    """Lines of JSON objects; blank ones are passed over.

    Parameters
    ----------
    file : binary file
        UTF-8, with or without a byte-order mark.
    kind : str or None
        The type of lines that do not say theirs.
    """
    number = 0
    while raw := file.readline(MAX_LINE_BYTES + 1):
        number += 1
        if len(raw) > MAX_LINE_BYTES:
            yield _bad(number, "", "too_long", f"the line has more than {MAX_LINE_BYTES} bytes")
            while raw and not raw.endswith(b"\n"):
                raw = file.readline(MAX_LINE_BYTES)
            continue
        text = raw.removeprefix(b"\xef\xbb\xbf").strip() if number == 1 else raw.strip()
        if not text:
            continue
        try:
            said = orjson.loads(text)
        except orjson.JSONDecodeError as error:
            yield _bad(number, "", "not_json", str(error))
            continue
        if isinstance(said, dict):
            yield _line(number, said, kind)
        else:
            yield _bad(number, "", "not_an_object", "a line must be a JSON object")


def read_csv(path: Path, kind: str | None) -> Iterator[Line | BadLine]:
    """Lines of a spreadsheet export: comma, semicolon or tab, with a header; blank lines are passed over.

    Parameters
    ----------
    path : Path
        UTF-8, with or without a byte-order mark.
    kind : str or None
        The type of lines when there is no column `type`.
    """
    with path.open(encoding="utf-8-sig", errors="surrogateescape", newline="") as file:
        lines = iter(lambda: file.readline(MAX_LINE_BYTES), "")  # however long a line is, not all of it at once
        first = next(lines, "")
        delimiter = max(",;\t", key=first.count)
        header = [name.strip() for name in next(csv.reader([first], delimiter=delimiter), [])]
        reader = csv.reader(lines, delimiter=delimiter)
        while True:
            try:
                cells = next(reader, None)
            except csv.Error as error:
                yield _bad(reader.line_num + 1, "", "not_csv", str(error))
                continue
            if cells is None:
                return
            number = reader.line_num + 1
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) > len(header):
                yield _bad(number, "", "too_many_columns", f"{len(cells)} cells under {len(header)} headers")
                continue
            said = {name: cell.strip() for name, cell in zip(header, cells, strict=False) if cell.strip()}
            yield _line(number, _numbers(said, kind, decimal_comma=delimiter != ","), kind)


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
        content["ref"] = _reference(content)
    try:
        body: BaseModel = model.model_validate(content)
    except ValidationError as error:
        return BadLine(number, faults_of(error.errors()))
    return Line(number, str(name), str(athlete), body, content)


def _reference(content: dict[str, Any]) -> str:
    """A reference made of what the line says, so that the same line sent again is the same entry."""
    said = {name: value for name, value in content.items() if value is not None}
    return "line-" + hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()[:32]


def _bad(number: int, pointer: str, code: str, detail: str) -> BadLine:
    return BadLine(number, [Fault(pointer=pointer, code=code, detail=detail)])
