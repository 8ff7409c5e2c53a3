"""Rules that the whole project keeps: layers, lint, types."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


def imported_packages(source: Path) -> set[str]:
    """Top-level names that a file imports, wherever in the file the import stands."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name.partition(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names.add((node.module or "").partition(".")[0])
    return names


@pytest.mark.parametrize(
    ("package", "forbidden"),
    [
        # measuring knows nothing of the web, the database or the settings
        ("vision", {"app", "fastapi", "starlette", "sqlalchemy", "alembic", "jinja2", "pydantic", "pydantic_settings"}),
        ("app", {"tests"}),
        ("vision", {"tests"}),
    ],
)
def test_a_package_does_not_import_what_lies_above_it(package: str, forbidden: set[str]):
    offenders = {
        str(source.relative_to(ROOT)): sorted(found)
        for source in (ROOT / package).rglob("*.py")
        if (found := imported_packages(source) & forbidden)
    }
    assert offenders == {}


def test_the_import_rule_sees_imports_inside_functions(tmp_path: Path):
    source = tmp_path / "sly.py"
    source.write_text("def f():\n    from app.records import people\n    return people\n")
    assert imported_packages(source) == {"app"}


@pytest.mark.parametrize(
    "command",
    [("ruff", "check", "."), ("ruff", "format", "--check", "."), ("mypy",)],
    ids=["lint", "format", "types"],
)
def test_the_code_passes_the_checker(command: tuple[str, ...]):
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
