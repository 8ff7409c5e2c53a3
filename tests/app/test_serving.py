"""Serving: a free port is found, a port in use is said, and a first start tells its code."""

import os
import socket
import subprocess
import sys
import time
import urllib.request

import pytest

from app import serving
from app.main import create_app
from tests.app.drawn_person import DrawnPersonMeasurer
from tests.app.practice import begin_practice
from tests.samples import sample


def test_a_port_in_use_is_said_in_words():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(SystemExit, match="--port"):
            serving._listen("127.0.0.1", taken.getsockname()[1])


def test_the_address_of_a_version_6_host_is_bracketed():
    class Listening:
        def getsockname(self):
            return ("::1", 8000, 0, 0)

    assert serving._address(Listening()) == "http://[::1]:8000/"


def test_serve_prints_its_address_and_the_code_of_a_first_start(tmp_path):
    server = subprocess.Popen(
        [sys.executable, "-m", "app.cli", "serve", "--port", "0", "--data", str(tmp_path)],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        lines = [server.stdout.readline() for _ in range(3)]
        address = lines[0].split()[-1]
        assert address.startswith("http://127.0.0.1:")
        assert str(tmp_path) in lines[1]
        assert "code" in lines[2]
        with urllib.request.urlopen(address, timeout=30) as answer:  # noqa: S310 - our own server
            assert answer.status == 200
    finally:
        server.terminate()
        server.wait(timeout=60)
        server.stdout.close()


def test_a_demo_is_not_served_on_the_data_of_a_real_practice(settings, practice):
    with pytest.raises(SystemExit, match="real practice"):
        serving.serve_demo("127.0.0.1", 0, settings.data_folder, lambda *_: pytest.fail("nothing may be measured"))


def test_a_worker_measures_what_a_server_without_threads_took_in(settings, migrated):
    app = create_app(settings, DrawnPersonMeasurer())
    practice = begin_practice(app.state.services)
    round_id = practice.round("left", data=sample("person01", "left").read_bytes(), measure=False)
    worker = subprocess.Popen(
        [sys.executable, "-m", "app.cli", "worker"],
        env={**os.environ, "KNEELTURN_DATA_FOLDER": str(settings.data_folder)},
        stdout=subprocess.DEVNULL,
    )
    try:
        deadline = time.monotonic() + 240  # a worker loads the finders first
        while practice.load(round_id).trials[0].current is None:
            assert worker.poll() is None, "the worker ended"
            assert time.monotonic() < deadline, "the photo was not measured"
            time.sleep(0.1)
        assert practice.load(round_id).trials[0].current.rotation.side == "left"
    finally:
        worker.terminate()
        assert worker.wait(timeout=60) == 0
        app.state.services.database.close()
