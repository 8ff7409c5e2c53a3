"""The demo: an invented practice whose angles are measured from the sample pictures at that moment.

The people in the pictures do not exist (``sample_images/README.md``); codes, practice and member are invented.
"""

from collections.abc import Callable
from dataclasses import dataclass

from app.photos.intake import Upload, take_in
from app.records import people, rounds
from app.samples import sample_folder
from app.services import Services
from vision.sides import Side

PRACTICE = "Larkfield Barbell and Physiotherapy (demo)"
MEMBER = "Robin Ashdown"

Told = Callable[[int, int, str], None]
"""Called before each photo is measured with: photos done, photos in all, what comes next."""


@dataclass(frozen=True, slots=True)
class _Case:
    code: str
    person: str


# one round of one sample person each; code names of an invented lifting club
CASES = tuple(
    _Case(f"{code}-{number:02}", f"person{number:02}")
    for number, code in enumerate(("HERON", "ALDER", "MERLE", "ROWAN", "SWIFT", "HAZEL", "FINCH", "BRIAR"), 1)
)


def fill(parts: Services) -> bool:
    """Make the demo practice with its rounds waiting to be measured; False if the database holds a practice already."""
    with parts.database.begin() as session:
        if people.first_member(session) is not None:
            return False
        practice = people.add_practice(session, PRACTICE, demo=True)
        people.add_member(session, practice.id, MEMBER, "owner")
    for case in CASES:
        with parts.database.begin() as session:
            athlete = people.athlete_by_code(session, practice.id, case.code)
            visit_id = rounds.add_visit(session, practice.id, athlete.id)
            round_id = rounds.add_round(session, practice.id, visit_id)
        for side in Side:
            name = f"{case.person}_{side.value}.jpg"
            upload = Upload((sample_folder() / name).read_bytes(), name, f"demo-{name}", side)
            take_in(
                parts.database,
                parts.store,
                parts.queue,
                practice.id,
                round_id,
                upload,
                max_bytes=parts.settings.max_photo_bytes,
            )
    return True


def measure(parts: Services, told: Told) -> None:
    """Measure every waiting photo in this thread, telling how far it is."""
    total = parts.queue.open_count()
    done = 0
    told(done, total, "loading the pose model")
    while parts.queue.run_next():
        done += 1
        told(done, total, f"photo {done + 1}" if done < total else "")
