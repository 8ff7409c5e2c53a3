"""Which ways of finding the body the running program uses is a setting."""

import numpy as np
import pytest

from app.main import create_app
from app.photos import vision_measurer
from app.settings import Settings
from tests.samples import KnowingFinder
from vision.finders import Finders
from vision.photo import Photo
from vision.sides import Side

GREY = Photo(np.full((240, 320, 3), 128, np.uint8), None, None, digest="0" * 64, media_type="image/jpeg")


@pytest.mark.parametrize("which", list(Finders))
def test_the_setting_decides_which_ways_of_finding_the_body_are_loaded(monkeypatch, tmp_path, which):
    asked = []
    monkeypatch.setattr(vision_measurer, "default_finders", lambda use: (asked.append(use), (KnowingFinder(),))[1])
    monkeypatch.setenv("KNEELTURN_FINDERS", which.value)
    app = create_app(Settings(data_folder=tmp_path))
    app.state.services.measurer.find(GREY, Side.LEFT)
    assert asked == [which]
