"""Puts the program together: settings in, a web application out."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from urllib.parse import urlsplit

from fastapi import FastAPI
from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from app.api import v1
from app.pages import routers
from app.pages.problem import CROSS_SITE, Refusal, add_error_pages
from app.pages.rendering import STATIC, static_version
from app.photos import measuring, self_screens
from app.photos.fitting import fit_round_again
from app.photos.jobs import FIT_ROUND, MEASURE_PHOTO, ThreadRunner
from app.photos.measurer import Measurer
from app.photos.retention import RetentionThread
from app.photos.store import LocalFolder
from app.photos.vision_measurer import VisionMeasurer
from app.records import rounds
from app.records.database import Database
from app.security.body_limit import BodyLimit, most_bytes_by_path
from app.security.cross_site import CrossSiteGuard
from app.security.headers import SecurityHeaders
from app.services import Services
from app.settings import Settings


class _KeptStatic(StaticFiles):
    """Static files whose address changes with their content, so that browsers keep them."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return response


def create_app(settings: Settings, measurer: Measurer | None = None) -> FastAPI:
    """Return the application, its database brought up to date; measuring starts and stops with it.

    ``measurer`` is that of ``vision`` unless a test puts another in its place.
    """
    measurer = measurer or VisionMeasurer(settings.max_photo_bytes, use=settings.finders)
    database = Database(settings.database_address)
    database.migrate()
    store = LocalFolder(settings.photo_folder)

    def measure(photo_id: str) -> None:
        measuring.measure_photo(database, store, measurer, photo_id, shown_px=settings.shown_photo_px)
        finish(photo_id)

    def fit(round_id: str) -> None:
        with database.begin() as session:
            practice_id = rounds.practice_of_round(session, round_id)
        if practice_id is not None:
            fit_round_again(database, practice_id, round_id, measurer)

    def finish(photo_id: str) -> None:
        self_screens.after_measuring(database, store, measurer, photo_id, shown_px=settings.shown_photo_px)

    def give_up(kind: str, photo_id: str) -> None:
        if kind == self_screens.FINISH_PHOTO:
            self_screens.give_up_finishing(database, photo_id)
        elif kind == MEASURE_PHOTO:
            measuring.keep_unmeasured(database, runner, photo_id)

    runner = ThreadRunner(
        database,
        {MEASURE_PHOTO: measure, FIT_ROUND: fit, self_screens.FINISH_PHOTO: finish},
        threads=settings.measuring_threads,
        attempts=settings.job_attempts,
        stale_seconds=settings.job_stale_seconds,
        failed=give_up,
    )

    retention = RetentionThread(database, store)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        runner.start()
        retention.start()
        yield
        retention.stop()
        runner.stop()
        database.close()

    app = FastAPI(title="Kneelturn", lifespan=lifespan, docs_url=None, redoc_url=None, openapi_url=None)
    app.state.services = Services(settings, database, store, runner, measurer)
    for router in (*routers(), v1.router):
        app.include_router(router)
    app.mount(f"/static/{static_version()}", _KeptStatic(directory=STATIC), name="static")
    add_error_pages(app)

    public = urlsplit(settings.public_url)
    # added last, asked first
    app.add_middleware(
        BodyLimit,
        most_bytes=most_bytes_by_path(settings.max_photo_bytes, settings.max_photos_per_upload),
        refusal=lambda error: Refusal(error, app),
    )
    app.add_middleware(CrossSiteGuard, refusal=Refusal(CROSS_SITE, app), public_host=public.netloc)
    app.add_middleware(SecurityHeaders, https=public.scheme == "https")
    return app
