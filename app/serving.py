"""Starts the server, for a practice or for the demo, and says where it is to be found."""

import asyncio
import signal
import socket
import tempfile
from collections.abc import Callable
from pathlib import Path

import uvicorn
from fastapi import FastAPI
from rich.console import Console

from app import demo
from app.main import create_app
from app.records import people
from app.security import first_run
from app.services import Services
from app.settings import Settings


def serve(settings: Settings) -> None:
    """Serve the pages of a practice until interrupted."""
    app = create_app(settings)
    parts: Services = app.state.services
    console = Console(highlight=False)
    with parts.database.begin() as session:
        empty = people.first_member(session) is None
    listening = _listen(settings.host, settings.port)
    console.print(f"Kneelturn serves {settings.public_url or _address(listening)}", soft_wrap=True)
    console.print(f"Data: {settings.data_folder.resolve()}", soft_wrap=True)
    if empty and not settings.demo:
        console.print(f"No member yet. Open the page and use this code: {first_run.code(settings.data_folder)}")
    _run(app, listening)


def work(settings: Settings) -> None:
    """Measure waiting photos until interrupted, without serving pages."""
    app = create_app(settings.model_copy(update={"measuring_threads": max(settings.measuring_threads, 1)}))
    Console(highlight=False).print(f"Measuring what arrives in {settings.data_folder.resolve()}", soft_wrap=True)
    asyncio.run(_until_stopped(app))


async def _until_stopped(app: FastAPI) -> None:
    stopped = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stopped.set)
    async with app.router.lifespan_context(app):
        await stopped.wait()


def serve_demo(host: str, port: int, data: Path | None, told: demo.Told) -> Callable[[], None]:
    """Make the demo, measure its pictures, and return the function that serves it until interrupted."""
    temporary = tempfile.TemporaryDirectory(prefix="kneelturn-demo-") if data is None else None
    folder = Path(temporary.name) if temporary is not None else data
    assert folder is not None  # noqa: S101 - one of the two is given
    settings = Settings(data_folder=folder, host=host, port=port, demo=True, database_url="", public_url="")
    listening = _listen(host, port)  # a port in use is found out before anything is measured
    app = create_app(settings)
    parts: Services = app.state.services
    with parts.database.begin() as session:
        real = people.first_member(session, demo=False) is not None
    if real:
        listening.close()
        raise SystemExit(
            f"{folder} holds a real practice, and a demo signs every visitor in. Choose another folder with --data, "
            "or serve this one with: kneelturn serve"
        )
    new = demo.fill(parts)
    demo.measure(parts, told)

    def run() -> None:
        console = Console(highlight=False)
        when = "just now" if new else "when this folder was first used"
        console.print(f"{demo.PRACTICE}: everything in it is invented, the angles were measured {when}.")
        console.print(f"Open {_address(listening)}  (stop with Ctrl+C)", soft_wrap=True)
        try:
            _run(app, listening)
        finally:
            if temporary is not None:
                temporary.cleanup()

    return run


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(128)  # whoever opens the printed address at once waits instead of being refused
    except OSError as error:
        listening.close()
        raise SystemExit(
            f"Port {port} of {host} cannot be used ({error.strerror}). Choose another with --port."
        ) from None
    return listening


def _address(listening: socket.socket) -> str:
    host, port = listening.getsockname()[:2]
    return f"http://{f'[{host}]' if ':' in host else host}:{port}/"


def _run(app: FastAPI, listening: socket.socket) -> None:
    # proxies may say how they were reached, so that links and cookies are made for that
    uvicorn.Server(uvicorn.Config(app, log_level="warning", proxy_headers=True, server_header=False)).run([listening])
