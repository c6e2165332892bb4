"""What README.md shows is what happens: the tour, the session, the notebook lines, and every command."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
import typer.main

import annulary

README = (Path(annulary.__file__).parent / "README.md").read_text(encoding="utf-8")
SESSION = re.findall(r"```console\n(.*?)```", README, re.DOTALL)
NOTEBOOK = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
COMMANDS = typer.main.get_command(annulary.application()).commands  # type: ignore[attr-defined]


def call(words: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    code = "import annulary; annulary.main()"
    return subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "COLUMNS": "100", "TERM": "dumb", "NO_COLOR": "1"},
    )


@pytest.fixture(scope="module")
def toured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("reader")
    (folder / "tests").symlink_to(Path(annulary.__file__).parent / "tests", target_is_directory=True)
    run = call(["tour"], folder)
    assert run.returncode == 0, run.stderr
    named = [folder / line.split()[0] for line in run.stdout.splitlines() if line.startswith("  ")]
    assert len(named) == 5
    assert all(path.exists() for path in named)
    return folder


def test_the_session_prints_what_the_readme_shows(toured: Path) -> None:
    steps = [step for block in SESSION for step in re.split(r"^\$ annulary ", block, flags=re.MULTILINE)[1:]]
    assert len(steps) >= 9
    for step in steps:
        command, *shown = step.rstrip("\n").splitlines()
        run = call(shlex.split(command), toured)
        assert run.returncode in (0, 1), f"{command}: {run.stderr}"
        printed = run.stdout.rstrip("\n").splitlines()
        if shown[-1] == "...":
            shown, printed = shown[:-1], printed[: len(shown) - 1]
        assert printed == shown, command


def test_the_notebook_lines_run(
    toured: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(toured)
    if not (toured / "freezes" / "season-2025").exists():
        call(["freeze", "season-2025", "--registry", "tour/federation.duckdb", "--out", "freezes"], toured)
    exec(compile(NOTEBOOK[0], "README.md", "exec"), {})
    assert "left-truncated" in capsys.readouterr().out
    assert (toured / "curves.png").stat().st_size > 10_000


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_each_command_stands_in_the_readme_and_has_help(name: str) -> None:
    assert re.search(rf"`(annulary )?{name}\b", README), f"annulary {name} is not in README.md"
    assert COMMANDS[name].help
    for parameter in COMMANDS[name].params:
        assert getattr(parameter, "help", None) or parameter.name in ("help",), f"{name} {parameter.name}"


def test_the_readme_is_short_and_states_the_job_first() -> None:
    assert len(README.splitlines()) <= 150
    first = README.split("\n\n")[1]
    for word in ("registry", "CSV", "checks", "odds ratios", "return", "1000 hours", "season report"):
        assert word in first, word
