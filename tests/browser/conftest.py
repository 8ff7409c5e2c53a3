"""Real Chromium against a real server on this computer.

Measuring is done by the drawn-person measurer of the page tests: these tests are about pages, not about angles.
"""

import shutil
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect, sync_playwright

from app.main import create_app
from app.settings import Settings
from tests.app.drawn_person import DrawnPersonMeasurer
from tests.app.practice import Practice, begin_practice

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENT_MS = 30_000  # a busy machine is slow, not wrong
expect.set_options(timeout=PATIENT_MS)
PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True, "device_scale_factor": 2}
DESK = {"viewport": {"width": 1280, "height": 900}}


def pytest_collection_modifyitems(items):
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)


@dataclass
class Site:
    """A server with a practice in it."""

    address: str
    practice: Practice


@pytest.fixture(scope="session")
def chromium():
    if not CHROMIUM.exists():
        pytest.skip("Debian's package chromium is not installed")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def site(tmp_path, migrated):
    shutil.copy(migrated, tmp_path / migrated.name)
    app = create_app(Settings(data_folder=tmp_path, measuring_threads=1), DrawnPersonMeasurer())
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_level="error"))
    thread = threading.Thread(target=server.run)
    thread.start()
    while not server.started:
        time.sleep(0.02)
        assert thread.is_alive()
    port = server.servers[0].sockets[0].getsockname()[1]
    yield Site(f"http://127.0.0.1:{port}", begin_practice(app.state.services))
    server.should_exit = True
    thread.join()


@pytest.fixture
def open_page(chromium, site):
    """Open a page as a signed-in member; any error in the browser's console fails the test."""
    contexts, problems = [], []

    def open_(path="/", **kind):
        context = chromium.new_context(**{**PHONE, **kind}, base_url=site.address, reduced_motion="reduce")
        context.set_default_timeout(PATIENT_MS)
        name, value = site.practice.session_cookie()
        context.add_cookies([{"name": name, "value": value, "url": site.address}])
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: problems.append(str(error)))
        page.on(
            "console",
            lambda m: problems.append(m.text) if m.type == "error" and "Failed to load" not in m.text else None,
        )
        page.goto(path)
        return page

    yield open_
    for context in contexts:
        context.close()
    assert problems == []


@pytest.fixture
def phone(open_page):
    return open_page()


def serious_findings(page):
    """What axe-core calls serious or critical, with the elements concerned."""
    found = Axe().run(page).response["violations"]
    return [
        (v["id"], v["help"], [n["target"] for n in v["nodes"]]) for v in found if v["impact"] in ("serious", "critical")
    ]
