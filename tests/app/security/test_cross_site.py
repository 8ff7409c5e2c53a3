"""A change asked for by another site's page is refused."""

import pytest
from starlette.datastructures import Headers

from app.security.cross_site import comes_from_elsewhere

OWN = frozenset({"kneelturn.test"})


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_fetch_metadata_of_another_site_is_refused(site):
    assert comes_from_elsewhere(Headers({"sec-fetch-site": site}), OWN)


@pytest.mark.parametrize("site", ["same-origin", "none"])
def test_fetch_metadata_of_our_own_page_is_let_through(site):
    assert not comes_from_elsewhere(Headers({"sec-fetch-site": site}), OWN)


def test_origin_decides_for_browsers_without_fetch_metadata():
    assert comes_from_elsewhere(Headers({"origin": "https://elsewhere.test"}), OWN)
    assert comes_from_elsewhere(Headers({"origin": "null"}), OWN)
    assert not comes_from_elsewhere(Headers({"origin": "https://kneelturn.test"}), OWN)


def test_a_program_without_either_header_is_let_through():
    assert not comes_from_elsewhere(Headers({}), OWN)


def test_the_running_application_refuses_in_words(client):
    answer = client.post("/rounds/new", data={}, headers={"sec-fetch-site": "cross-site"})
    assert answer.status_code == 403
    assert "another site" in answer.text
