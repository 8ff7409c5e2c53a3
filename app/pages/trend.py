"""The athlete's rounds over visits: a chart, and a table with the same numbers."""

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from markupsafe import Markup

from app.pages.decision import ChangeSince, change_since, worst_pain
from app.pages.rendering import render, template
from app.pages.trend_chart import Column, trend_chart
from app.records import audit, history, people, plans
from app.records.history import HistoryRound
from app.records.plans import PlanRecord
from app.security.members import SignedIn
from app.services import services

router = APIRouter()


@template("trend.html")
@dataclass(frozen=True, slots=True)
class TrendPage:
    """The trend of one athlete; ``chart`` is None as long as nothing was measured."""

    athlete: people.AthleteRecord
    rows: tuple[tuple[HistoryRound, Column], ...]
    chart: Markup | None
    change: ChangeSince | None


def columns(found: Sequence[HistoryRound], given: Sequence[PlanRecord]) -> list[Column]:
    """Return the columns of the chart."""
    result = []
    for h in found:
        c = h.comparison
        result.append(
            Column(
                labels=(f"{h.record.started_at.astimezone():%-d %b %y}", h.name.lower()),
                left_deg=c.left_mean_deg,
                left_band_deg=c.left_band_deg,
                right_deg=c.right_mean_deg,
                right_band_deg=c.right_band_deg,
                difference_deg=c.difference_deg,
                difference_band_deg=c.difference_band_deg,
                detectable_deg=c.mdc95_deg,
                pain=worst_pain(h),
                drills=any(p.given_at < h.record.started_at for p in given),
            )
        )
    return result


def chart_of(placed: Sequence[Column]) -> Markup | None:
    """Return the chart, or None if there is nothing to show."""
    return Markup(trend_chart(placed)) if placed else None  # noqa: S704 - our own drawing, words in it are escaped


@router.get("/athletes/{athlete_id}/trend")
def trend(request: Request, member: SignedIn, athlete_id: str) -> Response:
    """Show the trend."""
    with services(request).database.begin() as session:
        athlete = people.athlete(session, member.practice_id, athlete_id)
        found = history.measured(history.history(session, member.practice_id, athlete_id))
        given = plans.plans_of(session, member.practice_id, athlete_id)
        audit.note(session, member.practice_id, member.member_id, "read", "trend", athlete_id, athlete_id=athlete_id)
    placed = columns(found, given)
    page = TrendPage(
        athlete=athlete,
        rows=tuple(zip(found, placed, strict=True)),
        chart=chart_of(placed),
        change=change_since(found[0], found[-1]) if len(found) > 1 else None,
    )
    return render(request, page)
