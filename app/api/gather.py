"""Collects everything about one athlete from the records into :mod:`app.api.content`."""

from sqlalchemy.orm import Session

from app.api.content import (
    AskedContent,
    AthleteContent,
    ClearanceContent,
    ConsentContent,
    CorrectionContent,
    DifferenceContent,
    DoneContent,
    DrillContent,
    RoundContent,
    SideContent,
    SideWord,
    ToldContent,
    TrialContent,
    VisitContent,
)
from app.care import position
from app.care.position import words_for
from app.photos.store import ORIGINAL, PhotoStore
from app.records import consents, people, plans, rounds, self_screens, visits
from app.records.comparisons import compared
from app.records.people import PracticeRecord
from app.records.rounds import RoundRecord, TrialRecord
from app.records.visits import ScreenRecord, VisitRecord
from vision.compare import SideMean

FORMER = "a former member"


def athlete_content(session: Session, practice_id: str, athlete_id: str) -> AthleteContent:
    """Return the athlete whole, self-screens that wait for acceptance too.

    Raises
    ------
    NotFoundError
        If the practice has no such athlete.

    """
    practice = people.practice(session, practice_id)
    athlete = people.athlete(session, practice_id, athlete_id)
    names = people.member_names(session, practice_id)
    return AthleteContent(
        id=athlete.id,
        code=athlete.code,
        practice=practice.name,
        breadth_mm=athlete.breadth_mm,
        created_at=athlete.created_at,
        visits=tuple(
            _visit(session, practice, visit, names) for visit in visits.visits_of(session, practice_id, athlete_id)
        ),
        drills=tuple(
            DrillContent(
                name=item.drill.name,
                dose=item.dose.words,
                given_at=plan.given_at,
                done_on=tuple(d.day.isoformat() for d in plan.done if d.drill == item.drill.key),
                done=tuple(DoneContent(d.day.isoformat(), d.pain) for d in plan.done if d.drill == item.drill.key),
                note=plan.note,
            )
            for plan in plans.plans_of(session, practice_id, athlete_id)
            for item in plan.items
        ),
        consents=tuple(
            ConsentContent(
                purpose=c.purpose,
                given_at=c.given_at,
                withdrawn_at=c.withdrawn_at,
                by=names.get(c.written_by, FORMER) if c.written_by else "",
            )
            for c in consents.consents_of(session, practice_id, athlete_id)
        ),
    )


def _visit(session: Session, practice: PracticeRecord, visit: VisitRecord, names: dict[str, str]) -> VisitContent:
    told, screen = visit.complaint, visit.screen
    submission_id = self_screens.submission_of_visit(session, practice.id, visit.id)
    sent = self_screens.submission(session, practice.id, submission_id) if submission_id else None
    return VisitContent(
        id=visit.id,
        kind=visit.kind,
        started_at=visit.started_at,
        accepted=visit.counts,
        complaint=told.words if told else "",
        pain_now=told.pain_now if told else None,
        pain_worst=told.pain_worst if told else None,
        pain_sites=told.sites if told else (),
        safety=screen.verdict.headline if screen else "not asked",
        safety_answers={key: answer.value for key, answer in screen.answers.items()} if screen else {},
        rounds=tuple(
            _round(rounds.load_round(session, practice.id, round_id), practice, names) for round_id in visit.round_ids
        ),
        asked=tuple(_asked(s, names) for s in visits.screens_of(session, visit.id)),
        told=tuple(
            ToldContent(c.told_at, c.words, c.pain_now, c.pain_worst, c.sites)
            for c in visits.complaints_of(session, visit.id)
        ),
        decision=sent.decision if sent else None,
        decision_note=sent.note if sent else "",
    )


def _asked(screen: ScreenRecord, names: dict[str, str]) -> AskedContent:
    decided = screen.clearance
    return AskedContent(
        asked_at=screen.asked_at,
        safety=screen.verdict.headline,
        answers={key: answer.value for key, answer in screen.answers.items()},
        clearance=None
        if decided is None
        else ClearanceContent(decided.reason, decided.made_at, names.get(decided.made_by or "", FORMER)),
    )


def _round(record: RoundRecord, practice: PracticeRecord, names: dict[str, str]) -> RoundContent:
    c = compared(record, practice)
    difference = None
    if c.difference_deg is not None and c.difference_band_deg is not None and c.sem_deg is not None:
        difference = DifferenceContent(
            left_minus_right_deg=round(c.difference_deg, 2),
            band_low_deg=round(c.difference_band_deg[0], 2),
            band_high_deg=round(c.difference_band_deg[1], 2),
            decision=c.decision_words,
            sem_deg=round(c.sem_deg, 2),
            sem_origin=c.sem_origin,
        )
    fits = [t.current for t in record.trials if t.current is not None]
    return RoundContent(
        id=record.id,
        number=record.number,
        started_at=record.started_at,
        software=fits[-1].software if fits else "nothing measured",
        setup={key: str(value) for key, value in record.setup.items()},
        trials=tuple(_trial(t, names) for t in record.trials),
        sides=tuple(_side(word, mean) for word, mean in _means(c.left, c.right) if mean is not None),
        difference=difference,
    )


def _means(left: SideMean | None, right: SideMean | None) -> tuple[tuple[SideWord, SideMean | None], ...]:
    return (("left", left), ("right", right))


def _side(word: SideWord, mean: SideMean) -> SideContent:
    low, high = mean.band_deg
    return SideContent(word, round(mean.mean_deg, 2), round(low, 2), round(high, 2), len(mean.trials_deg))


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def _trial(trial: TrialRecord, names: dict[str, str]) -> TrialContent:
    rotation = trial.current.rotation if trial.current else None
    automatic = trial.automatic.rotation if trial.automatic else None
    band = (rotation.band_deg if rotation is not None else None) or (None, None)
    findings = [f.message for p in trial.photos if p.measurement for f in p.measurement.landmarks.findings]
    findings += [f.message for f in rotation.findings] if rotation is not None else []  # why none is given, too
    return TrialContent(
        id=trial.id,
        number=trial.number,
        side=trial.side.value,
        rotation_deg=_rounded(rotation.magnitude_deg if rotation is not None else None),
        band_low_deg=_rounded(band[0]),
        band_high_deg=_rounded(band[1]),
        automatic_deg=_rounded(automatic.magnitude_deg if automatic is not None else None),
        origin=rotation.origin if rotation is not None else None,
        left_out=trial.left_out,
        pain=trial.pain,
        end_feel=words_for(position.END_FEELS, trial.end_feel) if trial.end_feel else None,
        faults=tuple(words_for(position.FAULTS, key) for key in trial.faults),
        findings=tuple(dict.fromkeys(findings)),
        photo_ids=tuple(p.id for p in trial.photos),
        corrections=tuple(
            CorrectionContent(
                id=c.id,
                kind=c.kind,
                made_at=c.made_at,
                by=names.get(c.member_id or "", FORMER),
                reason=c.reason,
                angle_deg=c.angle_deg,
                moved_landmarks=tuple(c.moved),
                blind=c.blind,
                reverted_at=c.reverted_at,
            )
            for c in trial.corrections
        ),
    )


_ENDINGS = {"image/jpeg": "jpg", "image/png": "png", "image/webp": "webp", "image/heic": "heic", "image/heif": "heif"}


def photo_files(
    session: Session, store: PhotoStore, practice_id: str, content: AthleteContent
) -> list[tuple[str, bytes]]:
    """Return name and bytes of each photo as received; erased ones are missing."""
    result = []
    for visit in content.visits:
        for round_ in visit.rounds:
            for trial in rounds.load_round(session, practice_id, round_.id).trials:
                for photo in trial.photos:
                    data = store.get(photo.id, ORIGINAL)
                    if data is not None:
                        result.append((f"{photo.id}.{_ENDINGS.get(photo.media_type or '', 'bin')}", data))
    return result
