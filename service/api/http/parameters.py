"""Query parameters that a route does not have are refused: a filter that is ignored answers with everything."""

from collections.abc import Iterator

from fastapi import Request
from fastapi.dependencies.models import Dependant

from service.errors import Fault, Invalid


async def refuse_unknown(request: Request) -> None:
    """Refuse what the route does not declare; `dry_run` is part of every write.

    Raises
    ------
    Invalid
        Naming every unknown parameter.
    """
    if not request.query_params:
        return
    known = set(_declared(request.scope["route"].dependant))
    if request.method != "GET":
        known.add("dry_run")
    unknown = [name for name in request.query_params if name not in known]
    if unknown:
        has = f"this has: {', '.join(sorted(known))}" if known else "this has none"
        faults = [
            Fault(pointer=name, code="unknown_parameter", detail=f"{name} is no parameter; {has}") for name in unknown
        ]
        raise Invalid(faults[0].detail, faults)


def _declared(dependant: Dependant) -> Iterator[str]:
    for field in dependant.query_params:
        yield field.alias
    for inner in dependant.dependencies:
        yield from _declared(inner)
