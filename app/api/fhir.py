"""One athlete as a FHIR R4 bundle.

Per side and round one Observation (mean of the trials, UCUM ``deg``, trials as components), a difference
Observation derived from the two, the program as Device, and a Provenance for every correction. No standard
code for trunk rotation in this position could be verified in LOINC or SNOMED CT, so codes come from a local
code system, which the bundle carries along. Elements used are those of R4 (hl7.org/fhir/R4).
"""

import uuid
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

from app.api.content import AthleteContent, CorrectionContent, RoundContent, SideContent, TrialContent

Resource = dict[str, Any]

CODE_SYSTEM = "urn:kneelturn:codes"
UCUM = "http://unitsofmeasure.org"

CODES: dict[str, str] = {
    "rotation-left": "Rotation of the shoulder line against the pelvis to the left, heel-sit kneeling position",
    "rotation-right": "Rotation of the shoulder line against the pelvis to the right, heel-sit kneeling position",
    "rotation-difference": "Rotation to the left minus rotation to the right, heel-sit kneeling position",
    "trial": "One trial",
    "band-low": "Lower end of the 95 % band",
    "band-high": "Upper end of the 95 % band",
    "pain": "Pain during the trial, 0 to 10",
    "photo-torso-fit": "Torso model fitted to landmarks on photos, mean of the trials",
    "left-minus-right": "Difference of the means of both sides",
}


def bundle(athlete: AthleteContent, made_at: datetime) -> Resource:
    """Return the bundle (type ``collection``) as plain data, ready for JSON."""
    patient = _resource("Patient", athlete.id, identifier=[{"system": "urn:kneelturn:athlete", "value": athlete.code}])
    entries = [patient, _code_system()]
    devices: dict[str, Resource] = {}
    for visit in athlete.visits:
        for round_ in visit.rounds:
            device = devices.setdefault(round_.software, _device(round_.software))
            entries.extend(_round(round_, patient, device, reviewed=visit.accepted))
    entries.extend(devices.values())
    return {
        "resourceType": "Bundle",
        "id": str(uuid.uuid4()),
        "type": "collection",
        "timestamp": _instant(made_at),
        "entry": [{"fullUrl": _url(r), "resource": r} for r in entries],
    }


def _resource(kind: str, key: str, **content: Any) -> Resource:  # noqa: ANN401 - FHIR content is any JSON
    try:
        identity = uuid.UUID(hex=key)
    except ValueError:
        identity = uuid.uuid5(uuid.NAMESPACE_URL, f"{CODE_SYSTEM}:{kind}:{key}")
    return {"resourceType": kind, "id": str(identity), **content}


def _url(resource: Resource) -> str:
    return f"urn:uuid:{resource['id']}"


def _reference(resource: Resource) -> dict[str, str]:
    return {"reference": _url(resource)}


def _instant(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _code(key: str) -> dict[str, Any]:
    return {"coding": [{"system": CODE_SYSTEM, "code": key, "display": CODES[key]}], "text": CODES[key]}


def _degrees(value: float) -> dict[str, Any]:
    return {"value": round(value, 1), "unit": "degree", "system": UCUM, "code": "deg"}


def _code_system() -> Resource:
    return _resource(
        "CodeSystem",
        "codes",
        url=CODE_SYSTEM,
        name="KneelturnCodes",
        status="active",
        content="complete",
        concept=[{"code": key, "display": words} for key, words in CODES.items()],
    )


def _device(software: str) -> Resource:
    return _resource(
        "Device",
        software,
        deviceName=[{"name": "Kneelturn", "type": "model-name"}],
        version=[{"value": software}],
    )


def _round(round_: RoundContent, patient: Resource, device: Resource, *, reviewed: bool) -> list[Resource]:
    common = {
        "subject": _reference(patient),
        "effectiveDateTime": _instant(round_.started_at),
        "device": _reference(device),
    }
    result: list[Resource] = []
    observations: dict[str, Resource] = {}
    for side in round_.sides:
        trials = [t for t in round_.trials if t.side == side.side]
        observation = _side(round_, side, trials, common, reviewed=reviewed)
        observations[side.side] = observation
        result.append(observation)
        result.extend(_provenance(c, observation) for t in trials for c in t.corrections if not c.blind)
    d = round_.difference
    if d is not None:
        result.append(
            _resource(
                "Observation",
                f"{round_.id}:difference",
                status=_status([t for t in round_.trials if t.side != "start"], reviewed=reviewed),
                code=_code("rotation-difference"),
                method=_code("left-minus-right"),
                valueQuantity=_degrees(d.left_minus_right_deg),
                component=_band(d.band_low_deg, d.band_high_deg),
                derivedFrom=[_reference(o) for o in observations.values()],
                note=[{"text": f"{d.decision}. Standard error of measurement {d.sem_deg:.1f} deg: {d.sem_origin}."}],
                **common,
            )
        )
    return result


def _status(trials: Iterable[TrialContent], *, reviewed: bool) -> str:
    if not reviewed:
        return "preliminary"  # R4: "subject to verification", as a self-screen is that no member has accepted
    return "amended" if any(t.origin in ("moved", "typed") for t in trials) else "final"


def _band(low_deg: float, high_deg: float) -> list[Resource]:
    return [
        {"code": _code("band-low"), "valueQuantity": _degrees(low_deg)},
        {"code": _code("band-high"), "valueQuantity": _degrees(high_deg)},
    ]


def _side(
    round_: RoundContent, side: SideContent, trials: list[TrialContent], common: Resource, *, reviewed: bool
) -> Resource:
    components = _band(side.band_low_deg, side.band_high_deg)
    notes = []
    for trial in trials:
        if trial.rotation_deg is not None and not trial.left_out:
            components.append({"code": _code("trial"), "valueQuantity": _degrees(trial.rotation_deg)})
        if trial.pain is not None:
            components.append({"code": _code("pain"), "valueInteger": trial.pain})
        seen = ", ".join((*trial.faults, *((trial.end_feel,) if trial.end_feel else ())))
        if seen:
            notes.append({"text": f"Trial {trial.number}: {seen}."})
    observation = _resource(
        "Observation",
        f"{round_.id}:{side.side}",
        status=_status(trials, reviewed=reviewed),
        code=_code(f"rotation-{side.side}"),
        method=_code("photo-torso-fit"),
        valueQuantity=_degrees(side.mean_deg),
        component=components,
        **common,
    )
    if notes:
        observation["note"] = notes
    return observation


def _provenance(correction: CorrectionContent, target: Resource) -> Resource:
    words = {"moved": "Landmarks moved by hand", "typed": "Angle typed by hand"}[correction.kind]
    if correction.reverted_at is not None:
        words += ", taken back later"
    return _resource(
        "Provenance",
        correction.id,
        target=[_reference(target)],
        occurredDateTime=_instant(correction.made_at),
        recorded=_instant(correction.made_at),
        activity={"text": words},
        reason=[{"text": correction.reason or "not stated"}],
        agent=[{"who": {"display": correction.by or "not stated"}}],
    )
