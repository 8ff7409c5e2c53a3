"""Column types that behave the same on SQLite and PostgreSQL."""

import secrets
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, DateTime, String
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

Json = JSON().with_variant(JSONB(), "postgresql")
Id = String(32)


def new_id() -> str:
    """Return a random 128-bit identifier, 32 hexadecimal digits."""
    return secrets.token_hex(16)


def now() -> datetime:
    """Return the present time with its zone (UTC)."""
    return datetime.now(UTC)


class UtcTime(TypeDecorator[datetime]):
    """A moment with zone; SQLite forgets zones, so they are put back on reading."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, _dialect: Dialect) -> datetime | None:
        """Refuse a moment without zone and store UTC."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without zone cannot be stored")
        return value.astimezone(UTC)

    def process_result_value(self, value: Any | None, _dialect: Dialect) -> datetime | None:  # noqa: ANN401
        """Return UTC."""
        if value is None:
            return None
        moment: datetime = value
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
