"""What the tutorial shows is what happens: its lines run, and print what stands below them."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

import annulary

TUTORIAL = (Path(annulary.__file__).parent / "analysis" / "tutorial.md").read_text(encoding="utf-8")
STEPS = re.findall(r"```python\n(.*?)```(?:\n+```text\n(.*?)```)?", TUTORIAL, re.DOTALL)


def test_the_tutorial_prints_what_it_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    assert len(STEPS) == 8
    for lines, shown in STEPS:
        exec(compile(lines, "tutorial.md", "exec"), names)
        printed = "\n".join(line.rstrip() for line in capsys.readouterr().out.splitlines())
        assert printed == shown.rstrip("\n")
    assert (tmp_path / "grip.svg").stat().st_size > 10_000


def test_the_tutorial_is_short() -> None:
    assert len(TUTORIAL.splitlines()) < 120
    assert max(map(len, TUTORIAL.splitlines())) <= 160
