"""The demo: an invented practice whose angles are measured from the sample pictures at that moment.

The people in the pictures do not exist (``sample_images/README.md``); codes, practice, member, answers, complaints
and drill logs are invented. Only the angles are not: they come from measuring.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from app.care.drills import BY_KEY, Dose
from app.care.safety import KEYS, Answer
from app.photos.intake import Upload, take_in
from app.records import consents, people, plans, rounds, self_screens, visits
from app.records.columns import now
from app.samples import sample_folder
from app.services import Services
from vision.sides import Side

PRACTICE = "Larkfield Barbell and Physiotherapy (demo)"
MEMBER = "Robin Ashdown"

Told = Callable[[int, int, str], None]
"""Called before each photo is measured with: photos done, photos in all, what comes next."""

Pictures = tuple[tuple[Side, tuple[str, ...]], ...]
"""Side and files of each trial; several files are viewpoints of the same trial."""

SET_UP = {"hand": "low-back", "hips": "on-heels", "camera": "opening", "warm_up": "none", "first_side": "left"}


@dataclass(frozen=True, slots=True)
class DemoVisit:
    """One invented visit.

    Attributes
    ----------
    days_ago
        When it was held.
    pictures
        What was photographed; empty when the safety questions stopped the test.
    words, pain_now, pain_worst, sites
        The complaint.
    reported
        Safety questions answered with yes; all others with no.
    drills
        Keys of the drills given at the end, with their dose.
    done
        On how many of the following days they were noted as done.
    alone
        It is a self-screen that waits to be reviewed.

    """

    days_ago: int
    pictures: Pictures
    words: str = ""
    pain_now: int | None = None
    pain_worst: int | None = None
    sites: tuple[str, ...] = ()
    reported: tuple[str, ...] = ()
    drills: Mapping[str, Dose] = field(default_factory=dict)
    done: int = 0
    alone: bool = False


@dataclass(frozen=True, slots=True)
class DemoAthlete:
    """One invented athlete with their visits, oldest first."""

    code: str
    visits: tuple[DemoVisit, ...]


def _one_of_each(person: str) -> Pictures:
    return tuple((side, (f"{person}_{side.value}.jpg",)) for side in Side)


def _seen_twice(person: str, number: int) -> Pictures:
    """Return a round in which every trial was also seen from the head end, which narrows the band most."""
    stem = f"repeat_visits/{person}_round{number}"
    return (
        (Side.START, (f"{stem}_start_side.jpg",)),
        *(
            (side, (f"{stem}_{side.value}_side.jpg", f"{stem}_{side.value}_head.jpg"))
            for side in (Side.LEFT, Side.RIGHT)
        ),
    )


def _toward(side: str) -> dict[str, Dose]:
    return {
        "kneeling-band": Dose(side, 2, 6, 4, 5, 4),  # type: ignore[arg-type]  # left or right, below
        "active-return": Dose(side, 2, 10, 4, 4, 4),  # type: ignore[arg-type]
    }


ATHLETES: tuple[DemoAthlete, ...] = (
    DemoAthlete(
        "WREN-12",
        (
            DemoVisit(
                28,
                _seen_twice("repeat01", 1),
                "Stiff between the shoulder blades after pressing, worse when turning to the right.",
                4,
                6,
                ("back-upper-right", "back-middle-right"),
                drills=_toward("right"),
                done=16,
            ),
            DemoVisit(
                0,
                _seen_twice("repeat01", 2),
                "Better; still a pull at the end of the turn.",
                1,
                3,
                ("back-upper-right",),
            ),
        ),
    ),
    DemoAthlete(
        "HERON-01",
        (
            DemoVisit(
                0,
                _one_of_each("person01"),
                "Dull ache in the middle back after heavy pulls.",
                3,
                5,
                ("back-middle-left",),
                drills=_toward("left"),
            ),
        ),
    ),
    DemoAthlete("ALDER-02", (DemoVisit(0, _one_of_each("person02"), "No pain, wants to know.", 0, 0),)),
    DemoAthlete(
        "MERLE-03",
        (
            DemoVisit(45, _one_of_each("person03"), "Pain beside the shoulder blade.", 3, 4, ("back-upper-left",)),
            DemoVisit(
                0,
                (),
                "Pain is there all night now.",
                6,
                8,
                ("back-middle-left", "back-middle-right"),
                reported=("unremitting", "weight_loss"),
            ),
        ),
    ),
    DemoAthlete(
        "ROWAN-04",
        (DemoVisit(0, _one_of_each("person04"), "Shoulder was out of joint once.", 1, 2, reported=("shoulder",)),),
    ),
    DemoAthlete("SWIFT-05", (DemoVisit(7, _one_of_each("person05"), "Tight before rowing.", 2, 3),)),
    DemoAthlete("HAZEL-06", (DemoVisit(3, _one_of_each("person06"), "No pain.", 0, 0),)),
    DemoAthlete("FINCH-07", (DemoVisit(2, _one_of_each("person07"), "Ache after long desk days.", 5, 6, alone=True),)),
    DemoAthlete("BRIAR-08", (DemoVisit(1, _one_of_each("person08"), "No pain.", 0, 1, alone=True),)),
)


def fill(parts: Services) -> bool:
    """Make the demo practice with its rounds waiting to be measured; False if the database holds a practice already."""
    with parts.database.begin() as session:
        if people.first_member(session) is not None:
            return False
        practice = people.add_practice(session, PRACTICE, demo=True)
        member = people.add_member(session, practice.id, MEMBER, "owner")
    for athlete in ATHLETES:
        with parts.database.begin() as session:
            athlete_id = people.athlete_by_code(session, practice.id, athlete.code).id
            agreed = ("measuring", "records", "sharing")
            consents.set_consents(session, practice.id, athlete_id, agreed, member.id)
        for visit in athlete.visits:
            _hold(parts, practice.id, member.id, athlete_id, visit)
    return True


def _hold(parts: Services, practice_id: str, member_id: str, athlete_id: str, visit: DemoVisit) -> None:
    at = now() - timedelta(days=visit.days_ago)
    answers = {key: Answer.YES if key in visit.reported else Answer.NO for key in KEYS}
    asked_by = None if visit.alone else member_id
    with parts.database.begin() as session:
        submission_id = _begin_alone(session, practice_id, member_id, athlete_id, at) if visit.alone else None
        if submission_id is None:
            visit_id = rounds.add_visit(session, practice_id, athlete_id, started_at=at)
        else:
            visit_id = self_screens.submission(session, practice_id, submission_id).visit_id
        screen = visits.add_screen(session, practice_id, visit_id, answers, asked_by)
        visits.add_complaint(
            session,
            practice_id,
            visit_id,
            words=visit.words,
            pain_now=visit.pain_now,
            pain_worst=visit.pain_worst,
            sites=visit.sites,
            written_by=asked_by,
        )
        if visit.drills:
            _give(session, practice_id, member_id, athlete_id, visit, at)
        if not visit.pictures or not screen.may_test:
            return
        round_id = rounds.add_round(session, practice_id, visit_id, SET_UP, started_at=at)
    for side, files in visit.pictures:
        trial_id = None
        for name in files:
            upload = Upload((sample_folder() / name).read_bytes(), name, f"demo-{name}", side, trial_id)
            photo = take_in(parts.database, parts.store, parts.queue, practice_id, round_id, upload)
            trial_id = photo.trial_id
            if submission_id is not None:
                _note_step(parts, practice_id, submission_id, photo.id, side)
    if submission_id is not None:
        with parts.database.begin() as session:
            self_screens.send(session, practice_id, submission_id)


def _begin_alone(session: Session, practice_id: str, member_id: str, athlete_id: str, at: datetime) -> str:
    """Begin a self-screen as if through a link; nobody knows the link."""
    invitation_id, _secret = self_screens.invite(
        session, practice_id, athlete_id, member_id, purpose="follow-up", days=14, submissions=1
    )
    held = self_screens.invitations_of(session, practice_id, athlete_id)
    return self_screens.begin(session, next(i for i in held if i.id == invitation_id), begun_at=at)


def _note_step(parts: Services, practice_id: str, submission_id: str, photo_id: str, side: Side) -> None:
    with parts.database.begin() as session:
        record = self_screens.submission(session, practice_id, submission_id)
        step = "start" if side is Side.START else f"{side.value}-1"
        self_screens.add_capture(session, record, photo_id, step=step, source="camera", face="shown")


def _give(session: Session, practice_id: str, member_id: str, athlete_id: str, visit: DemoVisit, at: datetime) -> None:
    items = [(key, dose) for key, dose in visit.drills.items() if key in BY_KEY]
    plan = plans.add_plan(session, practice_id, athlete_id, items, "", member_id, given_at=at + timedelta(minutes=20))
    for day in range(visit.done):
        for key, _ in items:
            plans.note_done(session, plan, key, (at + timedelta(days=1 + day)).date(), pain=1 if day < 4 else 0)


def measure(parts: Services, told: Told) -> None:
    """Measure every waiting photo in this thread, telling how far it is."""
    total = parts.queue.open_count()
    if not total:
        return
    done = 0
    told(done, total, "loading the pose model")
    while parts.queue.run_next():
        done += 1
        told(done, total, f"photo {done + 1}" if done < total else "")
