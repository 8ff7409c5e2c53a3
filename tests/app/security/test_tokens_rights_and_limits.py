"""Tokens cannot be guessed or read back, rights follow the role, tries run out."""

import pytest

from app.errors import TooManyTriesError
from app.security.rate_limit import MemoryRateLimit
from app.security.rights import RIGHTS, ROLE_WORDS, Right, may
from app.security.tokens import digest, new_token


def test_a_token_has_256_bits_and_its_digest_does_not_contain_it():
    token = new_token()
    assert len(token.secret) == 43
    assert token.secret != new_token().secret
    assert token.digest == digest(token.secret)
    assert token.secret not in token.digest


def test_a_digest_is_sha_256():
    # NIST FIPS 180-4 example: SHA-256 of "abc"
    assert digest("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_coach_cannot_clear_a_warning_sign_or_erase():
    assert may("coach", Right.RUN_VISITS)
    assert not may("coach", Right.CLEAR_FLAGS)
    assert not may("coach", Right.ERASE)


def test_only_an_owner_manages_and_an_unknown_role_may_nothing():
    assert [role for role in RIGHTS if may(role, Right.MANAGE)] == ["owner"]
    assert not may("visitor", Right.SEE_ATHLETES)
    assert set(ROLE_WORDS) == set(RIGHTS)


def test_tries_run_out_per_key():
    limit = MemoryRateLimit("3 per 15 minutes")
    for _ in range(3):
        limit.spend("a")
    limit.spend("b")
    with pytest.raises(TooManyTriesError) as refused:
        limit.spend("a")
    assert "15 minutes" in refused.value.advice or "16 minutes" in refused.value.advice
