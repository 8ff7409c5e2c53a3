"""The report: one page for the coach, the doctor or the athlete, on screen, on paper and as PDF."""

import base64
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request, Response
from markupsafe import Markup

from app.care import drawings, report_words, safety
from app.care.position import SITES, words_for
from app.care.report_words import Reader
from app.errors import InputError, NotAllowedError
from app.pages import set_up
from app.pages.decision import ChangeSince, change_since
from app.pages.rendering import PAGES, environment, render, template
from app.pages.results import points_in_force, trial_name
from app.pages.trend import chart_of, columns
from app.photos.report_pictures import report_picture
from app.photos.store import SHOWN, PhotoStore
from app.records import audit, consents, history, people, plans
from app.records.columns import now
from app.records.corrections import in_force
from app.records.history import HistoryRound
from app.records.plans import PlanRecord
from app.security.members import MemberContext, SignedIn
from app.services import services
from vision.sides import Side

router = APIRouter()


@dataclass(frozen=True, slots=True)
class ReportPicture:
    """One picture inside the report; ``address`` is a data address, so that nothing has to be fetched."""

    words: str
    address: str


@dataclass(frozen=True, slots=True)
class ReportSheet:
    """What stands on the one page."""

    reader: Reader
    title: str
    code: str
    practice: str
    made_by: str
    made_at: datetime
    current: HistoryRound
    test_words: str
    answer: str
    how_to_read: str
    set_up: tuple[str, ...]
    change: ChangeSince | None
    chart: Markup | None
    sketch: Markup | None
    sites: tuple[str, ...]
    plan: PlanRecord | None
    pictures: tuple[ReportPicture, ...]
    pictures_missing: int
    see_a_practitioner: tuple[str, ...]
    stop_rules: tuple[str, ...]
    caution: str
    demo: bool


@template("report.html")
@dataclass(frozen=True, slots=True)
class ReportPage:
    """The report on screen, with the choices above it."""

    athlete: people.AthleteRecord
    sheet: ReportSheet | None
    readers: tuple[Reader, ...]
    reader: Reader
    pictures: str
    may_share: bool
    pdf_address: str


@template("report_pdf.html")
@dataclass(frozen=True, slots=True)
class ReportDocument:
    """The report as a document of its own."""

    sheet: ReportSheet
    css: Markup
    size: str  # a class of report.css: "", "smaller" or "smallest"


@dataclass(frozen=True, slots=True)
class _Choice:
    reader: Reader
    pictures: str  # "", "blurred" or "clear"


def _pictures(store: PhotoStore, current: HistoryRound, choice: _Choice) -> tuple[tuple[ReportPicture, ...], int]:
    """Return one picture a side, and how many had to be left out because no face was found to blur."""
    made, missing = [], 0
    for side in (Side.START, Side.LEFT, Side.RIGHT):
        trial = next((t for t in current.record.of_side(side) if t.current is not None and not t.left_out), None)
        photo = next((p for p in trial.photos if p.width is not None), None) if trial else None
        data = store.get(photo.id, SHOWN) if photo else None
        if trial is None or photo is None or photo.width is None or data is None:
            continue
        points = points_in_force(photo, trial.drawn, in_force(trial.corrections)[1])
        rotation = trial.current.rotation if trial.current else None
        small = report_picture(data, points, photo.width, rotation, blur=choice.pictures == "blurred")
        if small is None:
            missing += 1
        else:
            address = "data:image/jpeg;base64," + base64.b64encode(small).decode()
            made.append(ReportPicture(trial_name(current.record.trials, trial), address))
    return tuple(made), missing


def _sheet(
    request: Request, member: MemberContext, athlete_id: str, choice: _Choice, action: str
) -> tuple[people.AthleteRecord, ReportSheet | None, bool]:
    parts = services(request)
    with parts.database.begin() as session:
        athlete = people.athlete(session, member.practice_id, athlete_id)
        found = history.measured(history.history(session, member.practice_id, athlete_id))
        given = plans.plans_of(session, member.practice_id, athlete_id)
        agreed = consents.in_force(consents.consents_of(session, member.practice_id, athlete_id))
        audit.note(
            session,
            member.practice_id,
            member.member_id,
            action,
            f"report for the {choice.reader}",
            athlete_id,
            athlete_id=athlete_id,
        )
    may_share = "sharing" in agreed or choice.reader is Reader.ATHLETE
    if not found:
        return athlete, None, may_share
    current = found[-1]
    complaint = current.visit.complaint
    pictures, missing = _pictures(parts.store, current, choice) if choice.pictures else ((), 0)
    sketch = None
    if complaint is not None and complaint.sites:
        sketch = Markup(drawings.body_sketch(complaint.sites))  # noqa: S704 - our own drawing
    sheet = ReportSheet(
        reader=choice.reader,
        title=report_words.TITLES[choice.reader],
        code=athlete.code,
        practice=member.practice_name,
        made_by=member.member_name,
        made_at=now(),
        current=current,
        test_words=report_words.test_words(choice.reader),
        answer=report_words.answer(choice.reader, current.comparison),
        how_to_read=report_words.how_to_read(choice.reader),
        set_up=set_up.in_words(current.record.setup),
        change=change_since(found[0], current) if len(found) > 1 else None,
        chart=_chart(found, given, choice.reader) if len(found) > 1 else None,
        sketch=sketch,
        sites=tuple(words_for(SITES, s) for s in complaint.sites) if complaint else (),
        plan=given[-1] if given else None,
        pictures=pictures,
        pictures_missing=missing,
        see_a_practitioner=safety.SEE_A_PRACTITIONER,
        stop_rules=safety.STOP_RULES,
        caution=safety.CAUTION,
        demo=member.demo,
    )
    return athlete, sheet, may_share


def _chart(found: list[HistoryRound], given: list[PlanRecord], reader: Reader) -> Markup | None:
    """Return the chart of the newest rounds; what was told about pain does not go to a coach."""
    placed = columns(found[-6:], given)
    return chart_of([replace(c, pain=None) for c in placed] if reader is Reader.COACH else placed)


def _choice(
    reader: Annotated[Reader, Query(alias="for")] = Reader.ATHLETE,
    pictures: Annotated[str, Query(pattern="^(|blurred|clear)$")] = "",
) -> _Choice:
    return _Choice(reader, pictures)


Chosen = Annotated[_Choice, Depends(_choice)]


@router.get("/athletes/{athlete_id}/report")
def report(request: Request, member: SignedIn, athlete_id: str, chosen: Chosen) -> Response:
    """Show the report."""
    athlete, sheet, may_share = _sheet(request, member, athlete_id, chosen, "read")
    address = f"/athletes/{athlete_id}/report.pdf?for={chosen.reader.value}&pictures={chosen.pictures}"
    page = ReportPage(athlete, sheet, tuple(Reader), chosen.reader, chosen.pictures, may_share, address)
    return render(request, page)


@router.get("/athletes/{athlete_id}/report.pdf")
def report_pdf(request: Request, member: SignedIn, athlete_id: str, chosen: Chosen) -> Response:
    """Return the report as PDF; what leaves the practice needs the athlete's consent."""
    _, sheet, may_share = _sheet(request, member, athlete_id, chosen, "took out")
    if sheet is None:
        raise InputError("Nothing was measured yet, so there is nothing to report.", "Hold a visit first.")
    if not may_share:
        raise NotAllowedError(
            "The athlete has not agreed that reports are shared.", "Ask, and tick it on the athlete's page."
        )
    name = f"report-{chosen.reader.value}-{sheet.current.record.started_at.astimezone():%Y-%m-%d}.pdf"
    return Response(
        document_pdf(sheet),
        media_type="application/pdf",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def document_pdf(sheet: ReportSheet) -> bytes:
    """Return the report as a PDF document."""
    # slow to load, and needed only here
    from weasyprint import HTML
    from weasyprint.urls import URLFetcher

    css = Markup((PAGES / "static" / "report.css").read_text())  # noqa: S704 - our own style sheet
    page = environment().get_template("report_pdf.html")
    for size in ("", "smaller", "smallest"):  # much was told, or there are pictures: it still has to be one page
        html = page.render(sheet=sheet, css=css, size=size)
        document = HTML(string=html, url_fetcher=URLFetcher(allowed_protocols=["data"])).render(pdf_tags=True)
        if len(document.pages) == 1:
            break
    pdf: bytes = document.write_pdf()
    return pdf
