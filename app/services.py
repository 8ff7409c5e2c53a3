"""What a running program consists of, handed to every request."""

from dataclasses import dataclass

from starlette.requests import Request

from app.photos.jobs import JobQueue
from app.photos.measurer import Measurer
from app.photos.store import PhotoStore
from app.records.database import Database
from app.settings import Settings


@dataclass(frozen=True, slots=True)
class Services:
    """The parts of the program; tests put others in their place."""

    settings: Settings
    database: Database
    store: PhotoStore
    queue: JobQueue
    measurer: Measurer


def services(request: Request) -> Services:
    """Return the services of the application that serves ``request``."""
    found: Services = request.app.state.services
    return found
