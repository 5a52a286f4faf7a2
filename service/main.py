"""The application: routers, error handlers, and what runs while it lives."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version

from fastapi import Depends, FastAPI

from service.api import (
    adherence,
    athletes,
    attention,
    calibration,
    catalogue,
    day_targets,
    estimates,
    food_days,
    food_preferences,
    foods,
    health,
    imports,
    keys,
    meals,
    measurements,
    menus,
    phases,
    policies,
    practice,
    prescriptions,
    problems,
    restrictions,
    reviews,
    sandbox,
    screening,
    targets,
    training_plans,
    training_sessions,
    weigh_ins,
    wellbeing,
)
from service.api.http.docs import mount_docs
from service.api.http.head import AnswersHead
from service.api.http.parameters import refuse_unknown
from service.api.http.problems import ALWAYS, documented, handle_problems
from service.api.http.schema import publish_schema
from service.auth import KeyRing
from service.jobs.clock import Clock
from service.settings import Settings, from_environment
from service.store.engine import Database

DESCRIPTION = """
Steelyard weighs an athlete's logs and gives the coach one recommendation a week, with its evidence.

**Caution.** It does not diagnose and does not replace a physician, dietitian or physiotherapist. Screening answers,
symptoms and limits stop recommendations and refer the athlete to licensed professionals; local rules of practice come
first. The coach decides, and answers for the decision.
"""


def create_app(settings: Settings | None = None, with_clock: bool = False) -> FastAPI:
    """Build the service.

    Parameters
    ----------
    settings : Settings
        Read from the environment when not given.
    with_clock : bool
        Whether this process also runs the jobs that fall due. One process at most, with the embedded database.
    """
    settings = settings or from_environment()

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        app.state.settings = settings
        app.state.database = Database(settings.database_url, settings.check_tenant_filter)
        app.state.keys = KeyRing(app.state.database)
        app.state.imports = set()
        app.state.background = set()
        clock = Clock(app.state.database) if with_clock else None
        if clock:
            clock.start()
        yield
        await imports.finish_imports(app)
        await policies.finish_background(app)
        if clock:
            await clock.stop()
        await app.state.database.close()

    app = FastAPI(
        title="Steelyard",
        version=version("steelyard"),
        description=DESCRIPTION,
        lifespan=life,
        docs_url=None,
        redoc_url=None,
        generate_unique_id_function=lambda route: route.name,
    )
    for resource in (
        practice, keys, sandbox, athletes, screening, restrictions, phases, targets, training_plans, prescriptions,
        weigh_ins, meals, food_days, training_sessions, measurements, wellbeing,
        estimates, reviews, attention, calibration, policies, catalogue, imports,
        foods, food_preferences, day_targets, menus, adherence,
    ):  # fmt: skip
        app.include_router(
            resource.router, prefix="/v1", responses=documented(*ALWAYS), dependencies=[Depends(refuse_unknown)]
        )
    app.include_router(health.router)
    app.include_router(problems.router)
    handle_problems(app)
    publish_schema(app)
    mount_docs(app)
    app.add_middleware(AnswersHead)
    return app
