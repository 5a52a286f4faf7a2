"""What the types of problems mean, at the addresses that answers name."""

from typing import Any

from fastapi import APIRouter

from service.errors import NotFound, tree

router = APIRouter(tags=["service"])


@router.get("/problems/{slug}", include_in_schema=False)
async def explain(slug: str) -> dict[str, Any]:
    """What a problem type means."""
    for problem in tree():
        if problem.slug == slug:
            return {
                "type": f"/problems/{slug}",
                "title": problem.title,
                "status": problem.status,
                "about": problem.__doc__,
            }
    raise NotFound()
