"""What an athlete alone is told about a photo within seconds: good, or one thing to change.

The findings are those that every photo gets (:mod:`vision.findings`); their advice is written for whoever stands
behind the camera. Here stands what somebody does whose phone is on the floor, in words short enough to be spoken.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from vision.findings import Finding
from vision.sides import Side

# In the order in which things have to be put right: the first that applies is the one that is said.
_REMEDIES: dict[str, str] = {
    "photo-empty": "The photo did not arrive whole. Take it again.",
    "photo-damaged": "The photo did not arrive whole. Take it again.",
    "photo-lost": "The photo did not arrive whole. Take it again.",
    "photo-video": "That is a video. Choose a photo.",
    "photo-not-a-picture": "That is not a photo. Choose a photo.",
    "photo-type-unsupported": "This kind of picture cannot be read. Choose a photo that the phone's camera took.",
    "photo-too-big": "The photo file is too large. Set the phone's camera to its standard size.",
    "photo-too-many-pixels": "The photo file is too large. Set the phone's camera to its standard size.",
    "photo-too-small": "The picture is too small. Send the photo itself, not a preview of it.",
    "photo-twice": "This photo was sent before. Take a new one.",
    "photo-sideways": "Turn the phone: the picture lies on its side.",
    "photo-dark": "Too dark. Switch on the lights.",
    "photo-overexposed": "Too bright. Turn so that no window or lamp is behind you.",
    "person-not-found": "You were not found in the picture. Get your whole body inside the outline.",
    "cut-off": "Move the phone one step back: part of you is cut off.",
    "trunk-not-shown": "Move the phone one step back: shoulders and hips must both be in the picture.",
    "not-in-position": "Sit back on your heels, one forearm on the floor, the phone facing your side.",
    "several-people": "Ask the others to step out of the picture.",
    "opens-other-way": "Open your chest to your own {side}: this is the {side} photo.",
    "camera-on-closing-side": "Move the phone to your {side} side, where your chest opens to.",
    "camera-oblique": "Turn the phone so that it faces your side.",
    "phone-tilted": "Set the phone level.",
    "person-small": "Move the phone closer, until you fill the outline.",
    "photo-blurred": "The photo is blurred. Wipe the lens and hold still at the end of the turn.",
    "network-found-nobody": "Get your whole body inside the outline, the phone facing your side.",
    "finders-disagree": "Clear the floor around you and switch on the lights: something near you looks like a person.",
}
REMEDIES: Mapping[str, str] = MappingProxyType(_REMEDIES)
NOT_MEASURABLE = "This photo could not be measured. Get your whole body inside the outline and take it again."

# seen from the feet, the phone is not meant to face the side
_ONLY_SIDE_ON: Collection[str] = frozenset({"camera-on-closing-side", "camera-oblique"})


@dataclass(frozen=True, slots=True)
class Feedback:
    """What is said about one photo.

    Attributes
    ----------
    good
        Nothing has to be changed.
    remedy
        The one thing to change, in a sentence or two; empty if good.
    why
        What was noticed, empty if good.
    code
        Of the finding behind it, empty if good.

    """

    good: bool
    remedy: str = ""
    why: str = ""
    code: str = ""


GOOD = Feedback(True)


def feedback(findings: Collection[Finding], *, found: bool, side: Side, from_foot_end: bool = False) -> Feedback:
    """Return what to say about a photo.

    A photo may be good and still give no angle, because the fit finds it too uncertain: another photo of the same
    kind would not change that, so the athlete is not sent back for it.

    Parameters
    ----------
    findings
        Of the photo and of its trial.
    found
        Whether somebody in the position was found in the photo.
    side
        What the photo was meant to show.
    from_foot_end
        Whether the phone was meant to stand at the foot end.

    """
    present = {f.code: f for f in reversed(list(findings))}
    for code, words in REMEDIES.items():
        if code in present and not (from_foot_end and code in _ONLY_SIDE_ON):
            return Feedback(False, words.format(side=side.value), present[code].message, code)
    if found:
        return GOOD
    reason = next((f for f in findings if f.withholds), None)
    return Feedback(
        False, NOT_MEASURABLE, reason.message if reason else "", reason.code if reason else "not-measurable"
    )
