"""What README.md and DEVELOPERS.md tell people to type is what exists."""

import re
from pathlib import Path

import click
from typer.main import get_command

from app.cli import main
from app.settings import Settings

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def shell_commands(text: str) -> list[str]:
    """Lines of the fenced shell blocks."""
    blocks = re.findall(r"^```sh\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if line]


def install_lines() -> list[str]:
    return [line for line in shell_commands(README) if "apt-get install" in line]


def test_there_is_one_line_to_see_the_main_job_and_one_to_pass_the_tests():
    demo, tests = install_lines()
    assert demo.endswith("kneelturn demo")
    assert tests.endswith("pytest")


def test_continuous_integration_runs_the_documented_test_command_and_nothing_else():
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    commands = [line for line in lines if line and not line.startswith("#")]
    assert commands == ["set -euo pipefail", 'cd "$(dirname "$0")/.."', install_lines()[1]]


def test_both_lines_install_the_same_system_packages_but_for_the_tests_own():
    demo, tests = (set(re.search(r"--no-install-recommends (.*?) &&", line)[1].split()) for line in install_lines())
    assert tests - demo == {"chromium", "postgresql"}
    assert demo <= tests


def test_every_setting_stands_in_the_readme_with_its_default_and_meaning():
    for name, field in Settings.model_fields.items():
        row = next((line for line in README.splitlines() if line.startswith(f"| `KNEELTURN_{name.upper()}`")), "")
        words = {"": "empty", "True": "true", "False": "false"}
        assert f"| {words.get(str(field.default), field.default)} | {field.description} |" in row, name


def commands() -> dict[str, click.Command]:
    return get_command(main).commands


def test_every_command_and_option_stands_in_the_readme():
    missing = [name for name in commands() if f"kneelturn {name}" not in README]
    for command in commands().values():
        for option in command.params:
            missing += [word for word in option.opts if word.startswith("--") and f"`{word}" not in README]
    assert missing == []


def test_every_command_the_documents_name_exists():
    named = set(re.findall(r"kneelturn ([a-z]+)\b", README + DEVELOPERS))
    assert named - {"kneelturn"} <= set(commands())


def test_every_room_is_on_the_developers_map():
    rooms = {f"{p.name}/" for top in ("app", "vision", "tests") for p in (ROOT / top).iterdir() if is_room(p)}
    assert [room for room in sorted(rooms) if f"`{room}`" not in DEVELOPERS] == []


def test_every_module_on_the_developers_map_exists():
    modules = {p.name for top in ("app", "vision") for p in (ROOT / top).glob("*.py")}
    assert set(re.findall(r"`(\w+\.py)`", DEVELOPERS)) <= modules


def is_room(path: Path) -> bool:
    return path.is_dir() and any(path.rglob("*.py")) and path.name != "__pycache__"


def test_every_file_the_documents_name_exists():
    for text in (README, DEVELOPERS):
        named = set(re.findall(r"`((?:app|vision|tests|sample_images|\.ci)/[\w./-]+)`", text))
        assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


def test_every_link_between_the_documents_leads_somewhere():
    for text in (README, DEVELOPERS):
        targets = re.findall(r"\]\((?!https?:|#)([^)]+)\)", text)
        assert [target for target in targets if not (ROOT / target).exists()] == []
