"""What a running program consists of, handed to every request."""

from dataclasses import dataclass, field

from starlette.requests import Request

from app.photos.jobs import JobQueue
from app.photos.measurer import Measurer
from app.photos.store import PhotoStore
from app.records.database import Database
from app.security.rate_limit import MemoryRateLimit, RateLimit
from app.settings import Settings


@dataclass(frozen=True, slots=True)
class Services:
    """The parts of the program; tests put others in their place."""

    settings: Settings
    database: Database
    store: PhotoStore
    queue: JobQueue
    measurer: Measurer
    # sign-ins tried, per address and per account
    sign_in_limit: RateLimit = field(default_factory=lambda: MemoryRateLimit("20 per 15 minutes"))
    # links opened without sign-in, per address
    link_limit: RateLimit = field(default_factory=lambda: MemoryRateLimit("120 per 15 minutes"))
    # requests of one self-screen: its page asks again while photos are being measured
    self_screen_limit: RateLimit = field(default_factory=lambda: MemoryRateLimit("1200 per 15 minutes"))


def services(request: Request) -> Services:
    """Return the services of the application that serves ``request``."""
    found: Services = request.app.state.services
    return found
