"""Everything about one athlete in one ZIP file."""

import io
import json
import zipfile
from collections.abc import Iterable
from dataclasses import asdict
from datetime import datetime

from app.api import fhir
from app.api.content import AthleteContent
from app.api.tables import trials_csv

_READ_ME = """What Kneelturn keeps about athlete {code}, taken out at {at}.

athlete.json      everything, with units in the names; angles are degrees in the side's own direction
trials.csv        one line a trial, for a spreadsheet
fhir-bundle.json  FHIR R4 bundle with a local code system
photos/           the photos as received, place of taking removed; the name is the photo's id in athlete.json

The program measures and informs; a licensed practitioner decides.
"""


def athlete_zip(athlete: AthleteContent, photos: Iterable[tuple[str, bytes]], made_at: datetime) -> bytes:
    """Return the ZIP file.

    Parameters
    ----------
    athlete
        What to write.
    photos
        File name (photo id with its ending) and bytes of each photo.
    made_at
        When it was taken out.

    """
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("README.txt", _READ_ME.format(code=athlete.code, at=made_at.isoformat(timespec="seconds")))
        file.writestr("athlete.json", json.dumps(asdict(athlete), indent=1, default=_plain, ensure_ascii=False))
        file.writestr("trials.csv", trials_csv([athlete]))
        file.writestr("fhir-bundle.json", json.dumps(fhir.bundle(athlete, made_at), indent=1, ensure_ascii=False))
        for name, data in photos:
            file.writestr(zipfile.ZipInfo(f"photos/{name}", made_at.timetuple()[:6]), data)
    return out.getvalue()


def _plain(value: object) -> str:
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(type(value).__name__)
