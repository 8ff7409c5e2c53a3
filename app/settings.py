"""Every setting of the program, read from the environment (``KNEELTURN_...``) or given in code."""

from pathlib import Path

from pydantic import Field
from pydantic_settings import BaseSettings, SettingsConfigDict

from vision.finders import Finders


class Settings(BaseSettings):
    """Settings; each has a default that suits one practice on one computer."""

    model_config = SettingsConfigDict(env_prefix="KNEELTURN_", extra="ignore", frozen=True)

    data_folder: Path = Field(
        default=Path("data"), description="Folder of the embedded database and the photos; made if it does not exist."
    )
    database_url: str = Field(
        default="",
        description="SQLAlchemy address of the database, e.g. postgresql+psycopg://user@host/name. "
        "Empty: an SQLite file in the data folder.",
    )
    host: str = Field(default="127.0.0.1", description="Address the server listens on.")
    port: int = Field(default=8000, ge=0, le=65535, description="Port the server listens on; 0 picks a free one.")
    public_url: str = Field(
        default="",
        description="Address under which people reach the server, e.g. https://rotation.example.org. "
        "Used for links that leave the server; https here makes cookies secure-only.",
    )
    max_photo_bytes: int = Field(
        default=40_000_000,
        gt=0,
        description="Largest photo file accepted, bytes (a 12-megapixel HEIC has about 3 million).",
    )
    max_photos_per_upload: int = Field(default=12, gt=0, description="Most photos accepted in one form.")
    shown_photo_px: int = Field(
        default=1600,
        ge=400,
        description="Longer edge of the copy of a photo that pages show, pixels. Measuring uses all pixels.",
    )
    measuring_threads: int = Field(
        default=1,
        ge=0,
        description="Threads that measure photos in this process; 0 leaves measuring to kneelturn worker.",
    )
    finders: Finders = Field(
        default=Finders.BOTH,
        description="Which ways of finding the body are used: both (the network made for this position, checked by the "
        "general pose model), network, or general.",
    )
    job_stale_seconds: float = Field(
        default=60.0, gt=0, description="A running job without a sign of life for this long is taken up again."
    )
    job_attempts: int = Field(default=3, gt=0, description="How often a measuring job is tried before it is given up.")
    demo: bool = Field(
        default=False,
        description="Marks every page as demo and signs visitors in by itself. Never with real people's data.",
    )

    @property
    def database_address(self) -> str:
        """Return the address of the database actually used."""
        return self.database_url or f"sqlite:///{self.data_folder.resolve() / 'kneelturn.sqlite3'}"

    @property
    def photo_folder(self) -> Path:
        """Return the folder of the photo store."""
        return self.data_folder / "photos"
