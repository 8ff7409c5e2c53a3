"""Words that several pages share."""

from collections.abc import Iterable

from vision.findings import Finding
from vision.sides import Side

SIDE_HEADING = {Side.START: "Start position", Side.LEFT: "Left rotation", Side.RIGHT: "Right rotation"}
SIDE_HINT = {
    Side.START: "Shoulders level, before turning.",
    Side.LEFT: "The chest opens to the person's own left; their left hand is on the low back.",
    Side.RIGHT: "The chest opens to the person's own right; their right hand is on the low back.",
}
CAMERA_HINT = {
    Side.START: "Photo from the side, phone at hip height, whole body in the picture, feet too.",
    Side.LEFT: "Stand on the person's left, where the chest opens to. Whole body in the picture, feet too.",
    Side.RIGHT: "Move over to the person's right, where the chest opens to. Whole body in the picture, feet too.",
}
STATE = {
    "waiting": "Stored, waiting to be measured",
    "measuring": "Being measured",
    "measured": "Measured",
    "not-measurable": "Cannot be measured automatically",
}
LANDMARK = {
    "acromion": "shoulder tip",
    "shoulder_joint": "shoulder joint",
    "hip_joint": "hip joint",
    "elbow": "elbow",
    "wrist": "wrist",
    "knee": "knee",
    "ankle": "ankle",
    "ear": "ear",
    "c7": "base of the neck (C7)",
    "t12": "end of the rib cage (T12)",
    "s2": "sacrum (S2)",
    "sternum": "breastbone",
    "nose": "nose",
}


def landmark_words(name: str) -> str:
    """Return a landmark's name in words, e.g. ``left shoulder tip``."""
    for side in ("left", "right"):
        if name.endswith(f"_{side}"):
            return f"{side} {LANDMARK[name.removesuffix(f'_{side}')]}"
    return LANDMARK[name]


def said_once(findings: Iterable[Finding]) -> tuple[tuple[str, str], ...]:
    """Return code and words of findings in their order; those with the same advice share it in one entry."""
    together: dict[tuple[str, str], list[str]] = {}
    for f in findings:
        together.setdefault((f.code, f.advice), []).append(f.message)
    return tuple((code, " ".join([*messages, advice])) for (code, advice), messages in together.items())
