"""Warning signs are weighed together, and no forgotten or unsure answer counts as "no"."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.care.safety import KEYS, PRECAUTIONS, WARNING_SIGNS, Answer, Effect, Group, Tier, judge


def answers(**given_answers: str) -> dict[str, Answer]:
    return {key: Answer(given_answers.get(key, "no")) for key in KEYS}


def test_nothing_reported_lets_the_test_go_ahead():
    verdict = judge(answers())
    assert verdict.tier is Tier.CLEAR
    assert verdict.may_test
    assert not verdict.needs_clinician


@pytest.mark.parametrize("key", ["bladder_bowel", "saddle", "legs", "chest"])
def test_cord_and_heart_signs_are_an_emergency_alone(key):
    verdict = judge(answers(**{key: "yes"}))
    assert verdict.tier is Tier.EMERGENCY
    assert not verdict.may_test
    assert verdict.whom
    assert verdict.how_soon == "now"


def test_past_cancer_is_strong_alone_as_the_only_useful_single_malignancy_flag():
    # Downie 2013, BMJ 347:f7095: of the malignancy flags only a history of cancer is useful alone
    alone = {s.key: judge(answers(**{s.key: "yes"})).tier for s in WARNING_SIGNS if s.group is Group.MALIGNANCY}
    assert alone.pop("cancer") is Tier.URGENT
    assert set(alone.values()) == {Tier.WATCHFUL}


def test_one_weak_sign_is_watched_and_two_need_a_doctor_first():
    # levels of concern of Finucane 2020: few signs, watchful waiting; some, urgent referral
    assert judge(answers(weight_loss="yes")).tier is Tier.WATCHFUL
    both = judge(answers(weight_loss="yes", unremitting="yes"))
    assert both.tier is Tier.URGENT
    assert not both.may_test


def test_not_sure_about_an_emergency_sign_still_stops_the_test():
    verdict = judge(answers(saddle="unsure"))
    assert verdict.tier is Tier.URGENT
    assert not verdict.may_test


def test_a_forgotten_question_is_refused():
    given_answers = answers()
    del given_answers["fever"]
    with pytest.raises(KeyError, match="fever"):
        judge(given_answers)


def test_osteoporosis_asks_for_a_clinician_because_end_range_twist_is_risky():
    # Too Fit To Fracture recommendations, PMC5101068 table 4
    verdict = judge(answers(osteoporosis="yes"))
    assert verdict.needs_clinician
    assert verdict.may_test
    assert "clinician" in verdict.headline


def test_someone_who_cannot_kneel_is_not_tested_in_this_position():
    assert not judge(answers(kneeling="yes")).may_test


def test_every_group_of_the_published_lists_is_asked_for():
    assert {s.group for s in WARNING_SIGNS} == set(Group)
    assert {p.effect for p in PRECAUTIONS} == set(Effect)


def test_keys_are_unique():
    assert len(KEYS) == len(WARNING_SIGNS) + len(PRECAUTIONS)


@given(st.fixed_dictionaries({key: st.sampled_from(Answer) for key in KEYS}), st.sampled_from(sorted(KEYS)))
def test_reporting_more_never_lowers_the_concern(given_answers, key):
    less = judge({**given_answers, key: Answer.NO})
    more = judge({**given_answers, key: Answer.YES})
    assert more.tier >= less.tier
    assert less.may_test or not more.may_test
