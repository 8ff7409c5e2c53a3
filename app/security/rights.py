"""Roles and what each may do: one table."""

from collections.abc import Mapping
from enum import StrEnum


class Right(StrEnum):
    """Something that not everybody may do."""

    SEE_ATHLETES = "see athletes, visits and results"
    RUN_VISITS = "run visits: safety questions, photos, trials, corrections"
    PLAN_DRILLS = "give drill plans and send them"
    REPORT = "make reports and send them"
    CLEAR_FLAGS = "record that a doctor cleared a warning sign, or decide on a precaution"
    EXPORT = "take an athlete's data out"
    ERASE = "erase an athlete"
    MANAGE = "manage members, the practice and how long photos are kept; read the audit log"


_COACH = frozenset({Right.SEE_ATHLETES, Right.RUN_VISITS, Right.PLAN_DRILLS, Right.REPORT})
_CLINICIAN = _COACH | {Right.CLEAR_FLAGS, Right.EXPORT, Right.ERASE}

RIGHTS: Mapping[str, frozenset[Right]] = {
    "coach": _COACH,
    "clinician": _CLINICIAN,
    "owner": _CLINICIAN | {Right.MANAGE},
}

ROLE_WORDS: Mapping[str, str] = {
    "owner": "Owner: everything a clinician may, and members, practice, audit log",
    "clinician": "Clinician: visits, plans, reports; decides on warning signs; takes data out and erases",
    "coach": "Coach: visits, plans and reports; cannot clear warning signs, take data out or erase",
}


def may(role: str, right: Right) -> bool:
    """Return whether a member with ``role`` has ``right``; an unknown role has none."""
    return right in RIGHTS.get(role, frozenset())
