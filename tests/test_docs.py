"""What README.md and DEVELOPERS.md tell people to type is what exists."""

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


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
