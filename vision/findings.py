"""Findings: something the program noticed about a photo or a round, in plain words, with what to do.

The text of every finding stands here and nowhere else; other modules name a finding by its code.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class FindingText:
    """Wording of one kind of finding; ``{name}`` fields are filled from the keyword values."""

    message: str
    advice: str
    withholds: bool = False  # the angle is not given when this finding is present


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding, ready to be shown.

    Attributes
    ----------
    code
        Stable identifier, a key of :data:`TEXTS`.
    message, advice
        Plain words: what was noticed, and what to do about it.
    effect_deg
        By how many degrees it widens the 95 % band (half-width), where that was computed.
    withholds
        Whether the automatic angle is withheld because of it.

    """

    code: str
    message: str
    advice: str
    effect_deg: float | None = None
    withholds: bool = False


_TEXTS: dict[str, FindingText] = {
    # --- the file ------------------------------------------------------------------------------------------
    "photo-empty": FindingText(
        "The file is empty (0 bytes): the upload or the copy was interrupted.",
        "Send the photo again; if it stays empty on the phone, take it again.",
        withholds=True,
    ),
    "photo-too-big": FindingText(
        "The file has {megabytes} MB; at most {limit} MB are accepted.",
        "Set the phone's camera to its standard photo format (JPEG or HEIC, not RAW) and take the photo again.",
        withholds=True,
    ),
    "photo-not-a-picture": FindingText(
        "The file is not a picture.",
        "Choose a photo from the camera roll: JPEG, PNG, WebP or HEIC.",
        withholds=True,
    ),
    "photo-video": FindingText(
        "The file is a video, not a photo.",
        "Pause the video at end range, save that frame as a photo and send the photo.",
        withholds=True,
    ),
    "photo-type-unsupported": FindingText(
        "Pictures of the type {type} cannot be read.",
        "Save or export the photo as JPEG and send that.",
        withholds=True,
    ),
    "photo-too-many-pixels": FindingText(
        "The picture has {megapixels} megapixels; at most {limit} are accepted.",
        "Set the phone's camera to its standard resolution (12 megapixels are plenty) and take the photo again.",
        withholds=True,
    ),
    "photo-too-small": FindingText(
        "The picture is only {width} x {height} pixels.",
        "Send the original photo, not a preview of it: the shorter side needs at least {limit} pixels.",
        withholds=True,
    ),
    "photo-damaged": FindingText(
        "The picture file is damaged or cut short and cannot be opened.",
        "Send it again from the phone that took it; if it does not open there either, take the photo again.",
        withholds=True,
    ),
    # --- storing and measuring a photo ---------------------------------------------------------------------
    "photo-missing": FindingText(
        "The file cannot be read: {reason}.",
        "Check the path and the rights on the file.",
        withholds=True,
    ),
    # --- light, sharpness, framing -------------------------------------------------------------------------
    "photo-dark": FindingText(
        "The photo is too dark to see the person well.",
        "Switch on the lights or turn so that the window is behind the phone, and take the photo again.",
    ),
    "photo-overexposed": FindingText(
        "Large parts of the photo are burnt out to white.",
        "Turn so that no window or lamp is behind the person, and take the photo again.",
    ),
    "photo-blurred": FindingText(
        "The photo is blurred.",
        "Wipe the lens, rest the phone against something, and hold end range still while taking the photo.",
    ),
    "person-small": FindingText(
        "The person is only {pixels} pixels large in the photo.",
        "Go closer or zoom in until the person fills about half of the picture's width.",
    ),
    "cut-off": FindingText(
        "The {part} reach beyond the {edge} edge of the photo.",
        "Step back one metre or turn the phone, so that head, hips, knees and feet are all inside the picture.",
    ),
    "phone-tilted": FindingText(
        "The phone was tilted by about {degrees} degrees.",
        "Hold the phone level: line up the floor with the lower edge of the picture.",
    ),
    "photo-sideways": FindingText(
        "The picture is not upright.",
        "Turn the picture upright in the phone's photo editor and send it again.",
    ),
    # --- who is in the photo -------------------------------------------------------------------------------
    "person-not-found": FindingText(
        "No person was found in the photo.",
        "Take the photo side-on from two to three metres with the whole body in good light, or place the points "
        "by hand.",
        withholds=True,
    ),
    "not-in-position": FindingText(
        "The heel-sit kneeling position was not recognised: the person stands, sits, or is half hidden.",
        "Photograph the person side-on, kneeling with the buttocks on the heels and one forearm on the floor; or "
        "place the points by hand if they are.",
        withholds=True,
    ),
    "trunk-not-shown": FindingText(
        "Shoulders and hips are not both in the photo: only part of the body is shown.",
        "Step back one metre so that the whole body, head to feet, is in the picture.",
        withholds=True,
    ),
    "several-people": FindingText(
        "There are {count} people in the photo; the one in the kneeling position was measured.",
        "Check that the drawn lines lie on the right person; ask others to step out of the picture.",
    ),
    "left-right-settled": FindingText(
        "Left and right shoulder could hardly be told apart; the side stated with the photo settled it.",
        "Check that the drawn shoulder line starts at the right shoulder, or place the points by hand.",
    ),
    # --- left and right, repetitions -----------------------------------------------------------------------
    "opens-other-way": FindingText(
        "The photo was given as {declared} rotation, but the chest opens to the person's {other}.",
        "Left and right are the person's own. If the photo belongs to the {other} side, give it for that side.",
    ),
    "sides-exchanged": FindingText(
        "All photos show the chest opening to the other side than stated: left and right look exchanged.",
        "Left and right are the person's own. If they were exchanged, exchange them and measure again.",
    ),
    "photo-twice": FindingText(
        "This is the same photo as another one of this round.",
        "It counts twice in the mean: remove one of the two, or take the trial again.",
    ),
    "measuring-broke": FindingText(
        "Measuring this photo broke down. The photo is kept.",
        "Place the points by hand or type the angle, or take the photo again.",
        withholds=True,
    ),
    "photo-lost": FindingText(
        "The file of this photo is missing.", "Take the photo again, or type the angle.", withholds=True
    ),
    # --- the fit and the comparison ------------------------------------------------------------------------
    "fit-impossible": FindingText(
        "Too few points of the body are placed to fit the trunk.",
        "Place both shoulders and both hips by hand.",
        withholds=True,
    ),
    "angle-too-uncertain": FindingText(
        "The angle is too uncertain to be given: its standard deviation is {sd} degrees.",
        "Add a photo in line with the trunk (head end or foot end), or place the points by hand.",
        withholds=True,
    ),
    "angle-from-prior": FindingText(
        "These points say almost nothing about the angle; any value given would be the usual range of people.",
        "Take a photo in line with the trunk (head end or foot end), or place the shoulders and hips by hand.",
        withholds=True,
    ),
    "two-angles": FindingText(
        "Two angles fit this photo, about {first} and about {second} degrees; the band holds both.",
        "Add a photo in line with the trunk, from the head end or the foot end: it tells them apart.",
    ),
    "camera-on-closing-side": FindingText(
        "The phone is on the side the chest turns away from.",
        "Put the phone on the {side} side, which the chest opens to; if it must stay, move it toward the feet.",
    ),
    "camera-oblique": FindingText(
        "The photo is taken about {angle} degrees away from side-on, toward the {end}.",
        "Keep the same place for the other trials and at retest: each viewpoint has errors of its own.",
    ),
    "points-hidden": FindingText(
        "Hidden and therefore inferred: {points}.",
        "Look whether they lie right and move them only if not; a second photo from the foot end shows the hips.",
    ),
    "points-off": FindingText(
        "Probably placed wrongly and therefore hardly counted: {points}.", "Check these points and move them."
    ),
    "points-implausible": FindingText(
        "The points do not fit one body in this position.",
        "Check that they lie on the right person and place them by hand.",
        withholds=True,
    ),
    "pairs-swapped": FindingText(
        "Left and right are probably exchanged: {points}.", "Check left and right of these points."
    ),
    "finders-disagree": FindingText(
        "Two ways of finding the body place it {times} times further apart than they should: one of them is wrong. "
        "The band is widened.",
        "Look whether the drawn lines lie on the person; if not, place the points by hand, or repeat the photo in "
        "better light with nothing near the person.",
    ),
    "network-found-nobody": FindingText(
        "The position was recognised only by the rougher of two ways of finding the body, which errs by ten degrees "
        "and more: no angle is given.",
        "If the person is in the position, place the shoulders and hips by hand, or repeat the photo side-on with the "
        "whole body in good light.",
        withholds=True,
    ),
    "evidence-disagrees": FindingText(
        "The points and the picture as a whole say different angles; the band covers both.",
        "Check the points by hand, or repeat the photo.",
    ),
    "picture-set-aside": FindingText(
        "Points placed by hand lie far from where the program saw them: what it read from the picture as a whole is "
        "left out, and the band is that of the points alone.",
        "Look once more whether all four points lie right; a second photo from another place narrows the band.",
    ),
    "hips-turned": FindingText(
        "The hip line is tilted {angle} degrees against the floor: the hips are not locked.",
        "Keep the buttocks on both heels and repeat the trial.",
    ),
    "side-bend": FindingText(
        "The trunk is bent sideways by about {angle} degrees.", "Turn without leaning to the side and repeat the trial."
    ),
    "shoulder-blade-drawn-back": FindingText(
        "The shoulder line is turned about {angle} degrees further than the chest: the shoulder blade is drawn back.",
        "Turn from the chest and leave the shoulder blade where it is; keep it the same in every trial.",
    ),
    "body-implausible": FindingText(
        "The fitted body has unusual proportions: a shoulder or hip point may be misplaced.",
        "Check the shoulder and hip points by hand.",
    ),
    "breadth-unknown": FindingText(
        "In a side-on photo the angle depends on how broad the shoulders are, which is not known.",
        "A photo from the head end or the foot end does not depend on it; the difference of the sides hardly does.",
    ),
    "tape-helps-little": FindingText(
        "The tape-measured shoulder breadth helps little: a photo has no scale, and trunk length is unknown.",
        "A photo from the head end or the foot end helps more.",
    ),
    "side-not-measured": FindingText(
        "No trial of the {side} side has an angle.", "Add trials of that side, or place the points by hand."
    ),
    "fewer-than-three-trials": FindingText(
        "The {side} side has {count} of 3 trials.",
        "Further trials from the same place show how alike the turns are; a second photo of the same turn from another "
        "place, such as the foot end, makes the angle more certain.",
    ),
    "trials-left-out": FindingText(
        "{count} of the trials of the {side} side gave no angle and are left out of its mean.",
        "Open them and place the points by hand, or repeat them.",
    ),
    "error-best-case": FindingText(
        "The measurement error used, {sem} degrees, follows for this number of trials from a published best case for a "
        "contact instrument.",
        "Find your practice's own with the agreement study: it may be larger.",
    ),
}
TEXTS: Mapping[str, FindingText] = MappingProxyType(_TEXTS)


def finding(code: str, effect_deg: float | None = None, **values: object) -> Finding:
    """Make the finding ``code`` with its one wording.

    Raises
    ------
    KeyError
        If no text is written for ``code``.

    """
    text = TEXTS[code]
    return Finding(code, text.message.format(**values), text.advice.format(**values), effect_deg, text.withholds)
