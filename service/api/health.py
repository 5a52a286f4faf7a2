"""Liveness touches nothing; readiness asks the database and its schema."""

from fastapi import APIRouter, Request

from service.api.http.problems import documented
from service.errors import Unavailable
from service.store.migrate import is_current

router = APIRouter(tags=["service"])


@router.get("/healthz")
async def live() -> dict[str, str]:
    """The process answers."""
    return {"status": "alive"}


@router.get("/readyz", responses=documented(Unavailable))
async def ready(request: Request) -> dict[str, str]:
    """The database answers and has the schema that this version expects."""
    if not await is_current(request.app.state.database):
        raise Unavailable("the database schema is not this version's: run `steelyard migrate`")
    return {"status": "ready"}
