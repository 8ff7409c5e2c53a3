"""What a user installs holds everything that the program needs at run time."""

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def wheel_names(tmp_path_factory) -> set[str]:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    (wheel,) = folder.glob("*.whl")
    return set(zipfile.ZipFile(wheel).namelist())


@pytest.mark.parametrize("package", ["app", "vision"])
def test_the_wheel_holds_every_file_of_the_packages(wheel_names: set[str], package: str):
    files = (p for p in (ROOT / package).rglob("*") if p.is_file() and "__pycache__" not in p.parts)
    missing = sorted({str(p.relative_to(ROOT)) for p in files} - wheel_names)
    assert missing == []


def test_the_wheel_holds_the_sample_images_the_licence_and_the_command(wheel_names: set[str]):
    samples = {str(Path("app") / p.relative_to(ROOT)) for p in (ROOT / "sample_images").rglob("*.jpg")}
    assert samples <= wheel_names
    assert any(name.endswith(".dist-info/licenses/LICENSE") for name in wheel_names)
    assert any(name.endswith(".dist-info/entry_points.txt") for name in wheel_names)


def test_the_wheel_holds_no_tests_and_no_private_data(wheel_names: set[str]):
    assert {name.partition("/")[0] for name in wheel_names if ".dist-info" not in name} == {"app", "vision"}
