"""The review queue is ordered by what needs eyes."""

from app.care.safety import KEYS, Answer, judge
from app.remote.attention import Submitted, Weight, order_key, reasons

ALL_NO = dict.fromkeys(KEYS, Answer.NO)


def submitted(**change):
    usual = {
        "verdict": judge(ALL_NO),
        "pains": [],
        "trials_deg": [],
        "comparison": None,
        "marked": [],
        "unmeasured": [],
        "missing": [],
        "disagreements": [],
    }
    return reasons(Submitted(**{**usual, **change}))


def test_a_quiet_submission_has_no_reason():
    assert submitted(trials_deg=[("left", [44.0, 46.0, 45.0])]) == ()


def test_warning_sign_before_pain_before_disagreement_before_quality():
    ordered = sorted(
        {
            "quality": submitted(marked=["Start position"]),
            "pain": submitted(pains=[("now", 6)]),
            "quiet": submitted(),
            "sign": submitted(verdict=judge({**ALL_NO, "saddle": Answer.YES})),
            "disagree": submitted(trials_deg=[("left", [30.0, 52.0])]),
        }.items(),
        key=lambda item: order_key(item[1]),
    )
    assert [name for name, _ in ordered] == ["sign", "pain", "disagree", "quality", "quiet"]


def test_two_pressing_reasons_come_before_one():
    two = submitted(pains=[("now", 6), ("while turning to the left", 7)])
    assert order_key(two) < order_key(submitted(pains=[("now", 9)]))


def test_slight_pain_is_told_but_does_not_press():
    (only,) = submitted(pains=[("now", 2)])
    assert only.weight is Weight.NOTE
    assert "2 of 10" in only.words


def test_every_reason_is_said_in_words():
    said = " ".join(r.words for r in submitted(unmeasured=["Left rotation, photo 1 of 3"], missing=["Start position"]))
    assert "No angle: Left rotation, photo 1 of 3." in said
    assert "Not taken: Start position." in said
