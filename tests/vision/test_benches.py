"""The commands that print the documents' figures start, and the people they make up are what they say."""

import importlib
import re
from pathlib import Path

import numpy as np
import pytest

from tests.bench import fit_bench
from tests.bench.phantom import LETTERS, OUR_NAMES, SIDES, phantom_name
from vision import torso
from vision.fit import ANGLE_EVIDENCE_WEIGHT
from vision.landmark_names import NAMES

ROOT = Path(__file__).parents[2]
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "vision" / "eye" / "card.md"]
NAMED = sorted({m for d in DOCUMENTS for m in re.findall(r"tests\.bench\.(\w+)", d.read_text(encoding="utf-8"))})


@pytest.mark.parametrize("name", NAMED)
def test_every_bench_that_the_documents_name_can_be_started(name):
    assert callable(importlib.import_module(f"tests.bench.{name}").main)


def test_people_drawn_from_the_model_s_own_priors_are_fitted_as_well_as_its_bound_says():
    shots = list(fit_bench.people_of_the_model(4))
    assert {frozenset(s.points) for s in shots} == {frozenset(torso.NAMES)}
    outcomes = fit_bench.run(shots, fit_bench.Placer("exact"), joint=False, weight=ANGLE_EVIDENCE_WEIGHT)
    single = [o for o in outcomes if len(o.shots) == 1]
    assert len(single) == len(shots)
    z = np.array([o.error / o.bound_sd_deg for o in single])
    assert 0.3 < np.sqrt(np.mean(z**2)) < 1.5  # 1 in the mean of many


def test_names_of_the_phantom_tool_go_there_and_back():
    assert [OUR_NAMES[phantom_name(n)] for n in NAMES] == list(NAMES)
    assert {"acromion_L", "C7", "T12", "S2", "nose"} <= set(OUR_NAMES)
    assert all(SIDES[LETTERS[side]] is side for side in LETTERS)
