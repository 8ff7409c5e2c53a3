"""Drills, sites, drawings and context hold together."""

import re
from xml.etree import ElementTree

import pytest

from app.care import drawings, population, position
from app.care.drills import BY_KEY, DRILLS, Dose, DoseError
from app.care.sources import Standing


@pytest.mark.parametrize("drill", DRILLS, ids=lambda d: d.key)
def test_every_drill_is_complete_and_drawn(drill):
    assert drill.purpose
    assert drill.set_up
    assert drill.movement
    assert drill.faults
    assert drill.sources
    root = ElementTree.fromstring(drill.drawing())  # noqa: S314 - our own text
    title = root.find("{http://www.w3.org/2000/svg}title")
    assert title is not None
    assert title.text


def test_there_is_a_drill_of_each_kind():
    assert {d.kind for d in DRILLS} == {"mobility", "control"}
    assert len(BY_KEY) == len(DRILLS)


def test_no_drill_claims_more_than_expert_opinion_for_pain():
    # Heneghan 2020: 38 exercises, level 5 evidence, no trials of prevention or rehabilitation
    assert all(d.evidence.startswith("Expert opinion") for d in DRILLS)


@pytest.mark.parametrize("field", ["sets", "repetitions", "days_a_week", "weeks"])
def test_a_dose_of_nothing_is_refused(field):
    numbers = {"sets": 2, "repetitions": 5, "hold_s": 3, "days_a_week": 5, "weeks": 4, field: 0}
    with pytest.raises(DoseError):
        Dose("left", **numbers)


def test_a_dose_reads_as_a_sentence():
    assert Dose("left", 2, 5, 4, 7, 1).words == "2 sets of 5, 4 s each, chest opens to the left; every day, for 1 week"


def test_every_pain_site_can_be_tapped_on_the_sketch_and_the_other_way_round():
    drawn = set(re.findall(r'data-site="([^"]+)"', drawings.body_sketch(())))
    assert drawn == {site.key for site in position.SITES}


def test_a_marked_site_is_hatched_and_named():
    sketch = drawings.body_sketch({"back-upper-left"})
    assert sketch.count('fill="url(#hatch)"') == 1
    assert "Pain marked: Upper back, beside the shoulder blade, left." in sketch


def test_the_suggested_order_alternates_with_three_trials_a_side():
    assert position.suggested_order("right") == ("right", "left") * 3


def test_group_means_are_the_published_ones_and_are_called_context():
    # Furness 2016 (controls 40.80, surfers 63.57); Johnson 2012 as quoted (44.76)
    assert sorted(g.mean_deg for g in population.GROUP_MEANS) == [40.80, 44.76, 63.57]
    assert all(g.source.standing is Standing.PUBLISHED for g in population.GROUP_MEANS)
    assert "not a target" in population.CONTEXT
