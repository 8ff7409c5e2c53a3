"""Passwords are kept as Argon2id and never compared in a way that tells who is a member."""

import pytest

from app.errors import InputError
from app.security import passwords


def test_the_right_password_fits_and_another_does_not():
    stored = passwords.hash_password("three calm herons walk")
    assert stored.startswith("$argon2id$")
    assert passwords.password_fits(stored, "three calm herons walk")
    assert not passwords.password_fits(stored, "three calm herons run")


def test_nobody_has_any_password():
    assert not passwords.password_fits(None, "no member has this password, and no password matches it")


def test_the_same_password_is_stored_differently_each_time():
    assert passwords.hash_password("three calm herons walk") != passwords.hash_password("three calm herons walk")


@pytest.mark.parametrize("weak", ["short", "aaaaaaaaaaaaaaaa", "x" * 201])
def test_a_weak_or_endless_password_is_refused_with_advice(weak):
    with pytest.raises(InputError) as refused:
        passwords.hash_password(weak)
    assert refused.value.advice


def test_settings_meet_the_second_option_of_rfc_9106():
    # RFC 9106 section 4: t=3, p=4, m=2^16 KiB for memory-constrained machines
    assert "m=65536,t=3,p=4" in passwords.hash_password("three calm herons walk")


def test_a_hash_made_with_weaker_settings_is_made_again():
    weak = "$argon2id$v=19$m=8,t=1,p=1$c29tZXNhbHRzb21lc2FsdA$Yz3F1kS6cH1VhXTIeQwhTw"
    assert passwords.should_hash_again(weak)
    assert not passwords.should_hash_again(passwords.hash_password("three calm herons walk"))
