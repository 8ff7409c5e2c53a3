"""Two eyes on one photo: the network made for this position, and the general pose model as a check on it.

The general model misplaces the points of this position, so its landmarks hardly move the angle; but it has met many
more rooms and people.  Where the two are further apart than both their spreads explain, one of them is wrong: the fit
then widens the band and says so.
"""

from collections.abc import Mapping
from dataclasses import replace

from vision.disagreement import LIMIT, SECOND_LOOK, mean_square
from vision.eye import EyeFinder
from vision.finders import Finders
from vision.findings import finding
from vision.landmarks import Landmark, LandmarkFinder, Landmarks, all_findings
from vision.mediapipe_finder import MediapipeFinder
from vision.photo import Photo
from vision.pose_model import PAIRS, Look, PoseModel
from vision.sides import Side
from vision.silhouette import Silhouette

ONE_LOOK = "one look of the general model"

SPREAD = {"ear": 0.08, "shoulder_joint": 0.12, "hip_joint": 0.09, "knee": 0.10, "ankle": 0.09}
"""Root mean square error, per coordinate, of one look of the general model side-on, in trunk lengths, with left and
right the way round that fits better.

Measured on the development people, rounded up, by ``python -m tests.bench.two_eyes FOLDER``.  Elbows and wrists (0.2
and 0.3) are left out: one of them is hidden behind the body.
"""

END_ON = 3.0
"""By how much that spread is larger from the foot or head end, where the model knows no such person (same command)."""

END_ON_DEG = 45.0
"""How far off side-on the camera stands from which a photo counts as taken from an end: half-way."""


class TwoEyes:
    """The network's landmarks with what the general model says beside them; may be used from several threads.

    One look of the general model at the whole photo costs little, and nothing where the network has asked for the
    outline of the person.  Only if it disagrees are ten more spent on it, since a single look may go astray.
    """

    def __init__(self, network: LandmarkFinder, general: LandmarkFinder, model: PoseModel) -> None:
        self.name = f"{network.name} beside {general.name}"
        self._network = network
        self._general = general
        self._model = model

    def find(self, photo: Photo, side: Side) -> Landmarks:
        """Return the landmarks; see :class:`LandmarkFinder`.

        Where the network finds nobody in position and the general model does, its points are given to begin a
        measurement by hand with; a finding withholds the angle.
        """
        seen = self._network.find(photo, side)
        if seen.points:
            return replace(seen, second=self._beside(seen, photo, side))
        general = self._general.find(photo, side)
        if general.points:
            return replace(general, findings=(finding("network-found-nobody"), *general.findings))
        return replace(general, findings=all_findings((seen, general)))

    def _beside(self, seen: Landmarks, photo: Photo, side: Side) -> Landmarks | None:
        look = self._model.look_at_photo(photo.pixels)
        if look is None:
            return None
        end_on = seen.camera is not None and seen.camera.off_side_deg > END_ON_DEG
        once = Landmarks(_placed(look, seen.trunk_px, end_on=end_on), ONE_LOOK)
        if (mean_square(seen, once) or 0.0) <= LIMIT:
            return once
        closer = self._general.find(photo, side)
        if closer.points:
            return Landmarks(_as_second(closer.points, end_on=end_on), closer.finder)
        return None if end_on else once  # end-on, the general model finds nobody in every second photo


def _placed(look: Look, trunk: float, *, end_on: bool) -> dict[str, Landmark]:
    return {
        f"{key}_{word}": Landmark.round_(
            float(look.points[i, 0]),
            float(look.points[i, 1]),
            spread * trunk * (END_ON if end_on else 1.0),
            bool(look.shown[i] > 0.5),
            SECOND_LOOK,
        )
        for key, spread in SPREAD.items()
        for word, i in zip(("left", "right"), PAIRS[key], strict=True)
    }


def _as_second(points: Mapping[str, Landmark], *, end_on: bool) -> dict[str, Landmark]:
    factor = END_ON**2 if end_on else 1.0
    return {
        name: Landmark(p.x, p.y, (p.cov[0] * factor, p.cov[1] * factor, p.cov[2] * factor), p.seen, SECOND_LOOK)
        for name, p in points.items()
        if name.rpartition("_")[0] in SPREAD
    }


def default_finders(finders: Finders = Finders.BOTH) -> tuple[LandmarkFinder, ...]:
    """Return the landmark finders that are used when none are named; the general model is loaded once.

    Without the general model the network reads the photo as it is, without the outline of the person.
    """
    if finders is Finders.NETWORK:
        return (EyeFinder(),)
    model = PoseModel()
    if finders is Finders.GENERAL:
        return (MediapipeFinder(model),)
    return (TwoEyes(EyeFinder(silhouette=Silhouette(model)), MediapipeFinder(model), model),)
