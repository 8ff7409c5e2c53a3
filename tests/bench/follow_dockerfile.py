"""Follow the Dockerfile step by step in bare Debian roots, for machines without a container engine.

    sudo python3 tests/bench/follow_dockerfile.py FOLDER [--serve]

Needs root and Debian's debootstrap. Makes ``FOLDER/base`` (kept for the next time) and one root a build stage, runs
every RUN in its root by chroot, copies every COPY, and with ``--serve`` starts CMD as USER and asks HEALTHCHECK until
it answers. What this does not check: layers, the volume, published ports, an engine's own isolation, and that the
base image named in FROM equals what debootstrap makes (both are Debian's minimal package set).

Debian's mirror, the certificate authorities and the name servers are those of this machine.
"""

import json
import re
import shlex
import shutil
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
FROM_THIS_MACHINE = ("etc/resolv.conf", "etc/hosts", "etc/ssl/certs/ca-certificates.crt", "etc/apt/apt.conf.d")
SYSTEM_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"


def instructions(text: str) -> list[tuple[str, str]]:
    """Return (word, rest) of each instruction; this Dockerfile continues no line."""
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    return [(line.split(" ", 1)[0], line.split(" ", 1)[1]) for line in lines]


def new_root(base: Path, root: Path) -> None:
    unmount(root)
    shutil.rmtree(root, ignore_errors=True)
    subprocess.run(["cp", "-a", base, root], check=True)
    for name in FROM_THIS_MACHINE:
        source, target = Path("/") / name, root / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir():
            for part in source.glob("99*"):
                shutil.copy(part, target)
        elif source.exists():
            shutil.copy(source, target)
    subprocess.run(["mount", "-t", "proc", "proc", root / "proc"], check=True)


def unmount(root: Path) -> None:
    subprocess.run(["umount", root / "proc"], check=False, capture_output=True)


class Stage:
    """One build stage: its root, environment, working directory and user so far."""

    def __init__(self, root: Path) -> None:
        self.root, self.folder, self.user, self.command, self.health = root, "/", "root", [], []
        self.environment = {"PATH": SYSTEM_PATH}

    def in_root(self, command: list[str], **options: object) -> subprocess.Popen:
        user = [] if self.user == "root" else ["--userspec", f"{self.user}:{self.user}"]
        # the working directory is entered inside: chroot itself always starts at /
        entering = ["sh", "-c", f'cd {shlex.quote(self.folder)} && exec "$@"', "sh", *command]
        environment = {**self.environment, "SSL_CERT_FILE": "/etc/ssl/certs/ca-certificates.crt"}
        return subprocess.Popen(["chroot", *user, self.root, *entering], env=environment, **options)

    def run(self, command: str) -> None:
        if self.in_root(["sh", "-c", command], stdin=subprocess.DEVNULL).wait() != 0:
            sys.exit(f"failed: {command}")
        # installing ca-certificates rewrites the bundle: this machine's registries need this machine's
        shutil.copy("/etc/ssl/certs/ca-certificates.crt", self.root / "etc/ssl/certs/ca-certificates.crt")

    def copy(self, rest: str, stages: dict[str, "Stage"]) -> None:
        source_root = ROOT
        if found := re.match(r"--from=(\S+) (.*)", rest):
            source_root, rest = stages[found[1]].root, found[2]
        *sources, target = shlex.split(rest)
        for source in sources:
            to = self.root / self.folder.lstrip("/") / target if target[0] != "/" else self.root / target[1:]
            origin = source_root / source.lstrip("/")
            if origin.is_dir():
                shutil.copytree(origin, to, dirs_exist_ok=True, symlinks=True, ignore=shutil.ignore_patterns("__pyc*"))
            else:
                shutil.copy(origin, to)


def serve(stage: Stage) -> None:
    print("==", stage.command, flush=True)
    server = stage.in_root(stage.command, stdin=subprocess.DEVNULL)
    try:
        for _ in range(60):
            time.sleep(1)
            if server.poll() is not None:
                sys.exit(f"the program ended with {server.returncode}")
            if stage.in_root(stage.health, stderr=subprocess.DEVNULL).wait() == 0:
                uid = Path(f"/proc/{server.pid}").stat().st_uid
                print(f"healthy, as user id {uid}")
                return
        sys.exit("never became healthy")
    finally:
        server.terminate()
        server.wait()


def main(folder: Path, serving: bool) -> None:
    base = folder / "base"
    if not base.exists():
        subprocess.run(["debootstrap", "--variant=minbase", "bookworm", base], check=True)
    stages: dict[str, Stage] = {}
    try:
        for word, rest in instructions((ROOT / "Dockerfile").read_text(encoding="utf-8")):
            print("==", word, rest, flush=True)
            if word == "FROM":
                name = rest.partition(" AS ")[2] or "final"
                stage = stages[name] = Stage(folder / name)
                new_root(base, stage.root)
            elif word == "RUN":
                stage.run(rest)
            elif word == "COPY":
                stage.copy(rest, stages)
            elif word == "WORKDIR":
                stage.folder = rest
                (stage.root / rest[1:]).mkdir(parents=True, exist_ok=True)
            elif word == "ENV":
                for pair in shlex.split(rest):
                    key, _, value = pair.partition("=")
                    stage.environment[key] = value.replace("$PATH", stage.environment["PATH"])
            elif word == "USER":
                stage.user = rest
            elif word == "CMD":
                stage.command = json.loads(rest)
            elif word == "HEALTHCHECK":
                stage.health = json.loads(rest[rest.index("[") :])
            elif word not in ("VOLUME", "EXPOSE"):
                sys.exit(f"do not know how to follow {word}")
        if serving:
            serve(stage)
    finally:
        for made in stages.values():
            unmount(made.root)


if __name__ == "__main__":
    main(Path(sys.argv[1]), "--serve" in sys.argv[2:])
