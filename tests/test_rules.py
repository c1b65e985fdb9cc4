"""Rules that a machine can hold: types, lint, imports, and that the documentation names what there is."""

import argparse
import re
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.bench_file import INSTRUMENT_KEYS, REFERENCE_KEYS, UNIT_KEYS
from daemon.command_line import make_parser
from daemon.commands import COMMANDS
from drivers.registry import OPTIONS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PACKAGES = ("daemon", "dashboard", "drivers", "simulated_instruments")


def run(*words):
    result = subprocess.run([sys.executable, "-m", *words], cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout + result.stderr


def test_the_types_hold():
    run("mypy")


def test_the_lint_is_clean():
    run("ruff", "check", ".")


def test_imports_point_down():
    """import-linter has no ``-m`` entry of its own."""
    code = "import sys; from importlinter.cli import lint_imports_command; sys.exit(lint_imports_command())"
    result = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout + result.stderr


def commands():
    """Every command of the command line with its parser, nested ones as ``mark point``."""

    def nested(parser, path):
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction):
                for name, inner in action.choices.items():
                    yield " ".join([*path, name]), inner
                    yield from nested(inner, [*path, name])

    return list(nested(make_parser(), []))


@pytest.mark.parametrize(("name", "parser"), commands(), ids=lambda value: value if isinstance(value, str) else "")
def test_every_command_and_option_is_in_the_readme(name, parser):
    assert f"probetrail {name.split()[0]}" in README and name.split()[-1] in README
    for action in parser._actions:
        for option in action.option_strings:
            if option.startswith("--") and option != "--help":
                assert f"`{option}" in README or f" {option}" in README, f"{name} {option}"


@pytest.mark.parametrize("key", sorted({*INSTRUMENT_KEYS, *UNIT_KEYS, *REFERENCE_KEYS}))
def test_every_bench_file_key_is_in_the_readme(key):
    assert f"`{key}`" in README


@pytest.mark.parametrize("option", sorted({name for options in OPTIONS.values() for name in options}))
def test_every_option_of_a_driver_is_in_the_readme(option):
    assert f"`{option}`" in README


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_of_the_door_is_in_the_developers_guide(command):
    row = next((line for line in DEVELOPERS.splitlines() if line.startswith(f"| `{command}` |")), "")
    assert row, command
    for field in COMMANDS[command]:
        assert f"`{field}" in row, f"{command}: {field}"


def test_no_module_is_longer_than_can_be_read_in_one_sitting():
    long = {
        str(path.relative_to(ROOT)): lines
        for package in PACKAGES
        for path in (ROOT / package).rglob("*.py")
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert not long


def test_every_lint_ignore_says_why():
    bare = re.compile(r"# (noqa|type: ignore)[^#]*$")
    for package in (*PACKAGES, "tests"):
        for path in (ROOT / package).rglob("*.py"):
            for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
                if bare.search(line) and "bare = " not in line:
                    assert "because" in line, f"{path.name}:{number}: {line.strip()}"


