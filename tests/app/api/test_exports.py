"""Exports say the same as the records, in formats that others define."""

import csv
import io
import json
import zipfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.api import fhir
from app.api.archive import athlete_zip
from app.api.content import (
    AthleteContent,
    CorrectionContent,
    DifferenceContent,
    RoundContent,
    SideContent,
    TrialContent,
    VisitContent,
)
from app.api.tables import HEADINGS, safe_cell, trials_csv

AT = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
SCHEMA = json.loads((Path(__file__).parent / "fhir_r4_schema.json").read_text())


def trial(number, side, rotation_deg, **changes):
    base = TrialContent(
        id=f"{number:032x}",
        number=number,
        side=side,
        rotation_deg=rotation_deg,
        band_low_deg=None if rotation_deg is None else rotation_deg - 5,
        band_high_deg=None if rotation_deg is None else rotation_deg + 5,
        automatic_deg=rotation_deg,
        origin="automatic",
        left_out=False,
        pain=None,
        end_feel=None,
        faults=(),
        findings=(),
        photo_ids=(f"{number + 100:032x}",),
        corrections=(),
    )
    return replace(base, **changes)


def athlete():
    correction = CorrectionContent("c" * 32, "typed", AT, "M. Invented", "feet cut off", 48.0, (), False, None)
    trials = (
        trial(1, "start", 1.0),
        trial(2, "left", 51.0, pain=2, faults=("side-bend",)),
        trial(3, "right", 48.0, origin="typed", automatic_deg=40.0, corrections=(correction,)),
        trial(4, "right", None, origin=None, band_low_deg=None),
    )
    round_ = RoundContent(
        "a" * 32,
        1,
        AT,
        "0.1.0",
        {"hand": "low-back"},
        trials,
        (SideContent("left", 51.0, 46.0, 56.0, 1), SideContent("right", 48.0, 43.0, 53.0, 1)),
        DifferenceContent(3.0, -4.0, 10.0, "no difference shown", 2.5, "bands of the photos"),
    )
    visit = VisitContent(
        "b" * 32, "visit", AT, True, "=1+1", 3, 6, ("back-upper-left",), "Nothing reported.", {"fever": "no"}, (round_,)
    )
    return AthleteContent("d" * 32, "K-07", "Invented practice", 380.0, AT, (visit,), ())


def resources(kind):
    return [e["resource"] for e in fhir.bundle(athlete(), AT)["entry"] if e["resource"]["resourceType"] == kind]


def test_the_bundle_follows_the_fhir_r4_schema():
    # FHIR R4 JSON schema, hl7.org/fhir/R4; see strip_fhir_schema.py
    bundle = json.loads(json.dumps(fhir.bundle(athlete(), AT)))
    jsonschema.Draft6Validator(SCHEMA).validate(bundle)


def test_the_schema_check_notices_an_element_that_r4_does_not_have():
    bundle = json.loads(json.dumps(fhir.bundle(athlete(), AT)))
    observation = next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Observation")
    observation["bodyStructure"] = {"reference": "x"}  # R5 only
    assert not jsonschema.Draft6Validator(SCHEMA).is_valid(bundle)


def test_each_observation_has_what_r4_requires():
    # FHIR R4 Observation: status 1..1, code 1..1; the JSON schema cannot require a primitive
    for observation in resources("Observation"):
        assert observation["status"] in ("final", "amended")
        assert observation["code"]["coding"][0]["code"] in fhir.CODES
        assert observation["valueQuantity"]["system"] == "http://unitsofmeasure.org"
        assert observation["valueQuantity"]["code"] == "deg"


def test_a_typed_angle_amends_its_side_and_leaves_a_provenance():
    by_code = {o["code"]["coding"][0]["code"]: o for o in resources("Observation")}
    assert by_code["rotation-left"]["status"] == "final"
    assert by_code["rotation-right"]["status"] == "amended"
    (provenance,) = resources("Provenance")
    assert provenance["target"] == [{"reference": f"urn:uuid:{by_code['rotation-right']['id']}"}]
    assert provenance["agent"][0]["who"]["display"] == "M. Invented"


def test_a_self_screen_that_nobody_accepted_is_preliminary():
    # FHIR R4, observation-status: preliminary, "subject to verification"
    whole = athlete()
    waiting = replace(whole, visits=(replace(whole.visits[0], kind="self-screen", accepted=False),))
    entries = [e["resource"] for e in fhir.bundle(waiting, AT)["entry"]]
    assert {r["status"] for r in entries if r["resourceType"] == "Observation"} == {"preliminary"}
    rows = csv.DictReader(io.StringIO(trials_csv([waiting]).decode("utf-8-sig")))
    assert {r["visit_accepted"] for r in rows} == {"no"}


def test_a_blind_reading_is_no_change_of_what_was_measured():
    whole = athlete()
    (visit,) = whole.visits
    (round_,) = visit.rounds
    blind = CorrectionContent("e" * 32, "moved", AT, "M. Invented", "", None, ("acromion_left",), True, None)
    trials = tuple(replace(t, corrections=(*t.corrections, blind)) if t.side == "left" else t for t in round_.trials)
    read = replace(whole, visits=(replace(visit, rounds=(replace(round_, trials=trials),)),))
    kinds = [e["resource"]["resourceType"] for e in fhir.bundle(read, AT)["entry"]]
    assert kinds.count("Provenance") == 1
    rows = list(csv.DictReader(io.StringIO(trials_csv([read]).decode("utf-8-sig"))))
    assert [r["corrections"] for r in rows] == ["0", "0", "1", "0"]


def test_the_difference_is_derived_from_both_sides():
    by_code = {o["code"]["coding"][0]["code"]: o for o in resources("Observation")}
    derived = {r["reference"] for r in by_code["rotation-difference"]["derivedFrom"]}
    assert derived == {f"urn:uuid:{by_code[f'rotation-{side}']['id']}" for side in ("left", "right")}


def test_every_reference_in_the_bundle_leads_somewhere():
    bundle = fhir.bundle(athlete(), AT)
    known = {e["fullUrl"] for e in bundle["entry"]}
    text = json.dumps(bundle)
    assert {part.split('"')[0] for part in text.split('"reference": "')[1:]} <= known


def test_only_codes_of_our_own_system_and_ucum_are_used():
    text = json.dumps(fhir.bundle(athlete(), AT))
    systems = {part.split('"')[0] for part in text.split('"system": "')[1:]}
    assert systems == {fhir.CODE_SYSTEM, "http://unitsofmeasure.org", "urn:kneelturn:athlete"}


def test_the_table_has_a_line_a_trial_and_units_in_its_headings():
    rows = list(csv.DictReader(io.StringIO(trials_csv([athlete()]).decode("utf-8-sig"))))
    assert [r["side"] for r in rows] == ["start", "left", "right", "right"]
    assert rows[1]["rotation_deg"] == "51"
    assert rows[2]["automatic_rotation_deg"] == "40"
    assert rows[3]["rotation_deg"] == ""
    assert all(h.endswith("_deg") for h in HEADINGS if "rotation" in h or "band" in h)


@pytest.mark.parametrize("nasty", ["=1+1", "+1", "-1", "@sum", "\t=1"])
def test_words_that_a_spreadsheet_would_run_are_disarmed(nasty):
    # OWASP, CSV injection: these are the leading characters that start a formula
    assert safe_cell(nasty).startswith("'")


def test_a_negative_number_stays_a_number():
    assert safe_cell(-3.5) == "-3.5"
    assert safe_cell(0.0) == "0"


@given(st.text(max_size=30))
def test_any_words_come_back_from_the_table(words):
    named = replace(athlete(), code=words)
    text = trials_csv([named]).decode("utf-8-sig")
    first = next(iter(csv.DictReader(io.StringIO(text, newline=""))))["athlete"]
    assert first.removeprefix("'") == words.removeprefix("'")


def test_the_archive_holds_everything_once():
    archive = zipfile.ZipFile(io.BytesIO(athlete_zip(athlete(), [("x.jpg", b"picture")], AT)))
    assert archive.testzip() is None
    assert archive.namelist() == ["README.txt", "athlete.json", "trials.csv", "fhir-bundle.json", "photos/x.jpg"]
    whole = json.loads(archive.read("athlete.json"))
    assert whole["visits"][0]["rounds"][0]["trials"][2]["corrections"][0]["reason"] == "feet cut off"
    assert archive.read("photos/x.jpg") == b"picture"
