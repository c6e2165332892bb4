"""The front door: every mistake gets a sentence and the right exit code, and no traceback reaches anyone."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import annulary


def call(words: list[str], monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr(sys, "argv", ["annulary", *words])
    with pytest.raises(SystemExit) as stop:
        annulary.main()
    code = stop.value.code
    return code if isinstance(code, int) else int(code is not None)


MISTAKES = [
    (["intake", "{none}", "--registry", "{new}", "--site", "north"], "there is nothing at"),
    (["intake", "{folder}", "--registry", "{new}", "--site", "north"], "holds no .csv or .xlsx file"),
    (["intake", "{delivery}", "--registry", "{text}", "--site", "north"], "is not a registry"),
    (["intake", "{delivery}", "--registry", "{none}/r.duckdb", "--site", "north"], "does not exist; make it first"),
    (["intake", "{delivery}", "--registry", "{new}", "--site", " "], "site's code is empty"),
    (["held", "--registry", "{none}"], "there is no registry at"),
    (["freeze", "a b", "--registry", "{registry}"], "a freeze's name may hold"),
    (["dictionary", "casez"], "Did you mean 'cases'"),
    (["template", "casez"], "Did you mean 'cases'"),
    (["distribution"], "--registry"),
    (["distribution", "--registry", "{registry}", "--by", "digitt"], "Did you mean 'digit'"),
    (["distribution", "--registry", "{registry}", "--figure", "a.xyz"], "xyz"),
    (["distribution", "--freeze", "{folder}"], "it is not a freeze"),
    (["odds", "--registry", "{registry}", "--outcome", "pulley_grade"], "COLUMN=VALUE"),
    (["odds", "--registry", "{registry}", "--exposure", "gripp"], "Did you mean 'grip'"),
    (["return", "--registry", "{registry}", "--milestone", "fulll"], "full"),
    (["return", "--registry", "{registry}", "--by", "tierr"], "Did you mean 'tier'"),
    (["incidence", "--registry", "{registry}", "--by", "grip"], "grip"),
    (["season", "--registry", "{registry}", "--from", "2024", "--to", "2024-12-31", "--out", "{new}"], "YYYY-MM-DD"),
    (["season", "--registry", "{registry}", "--from", "2024-12-31", "--to", "2024-01-01", "--out", "{new}"], "before"),
    (["tour", "--out", "{folder}"], "is there already"),
]


@pytest.mark.parametrize(("words", "said"), MISTAKES, ids=[" ".join(words[:2]) for words, _ in MISTAKES])
def test_a_mistake_gets_a_sentence(
    words: list[str],
    said: str,
    clean_registry: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    places = {
        "none": tmp_path / "none",
        "new": tmp_path / "new.duckdb",
        "folder": tmp_path / "folder",
        "delivery": clean_registry.parent,
        "text": tmp_path / "text.duckdb",
        "registry": clean_registry,
    }
    places["folder"].mkdir()
    places["text"].write_text("name\nand more words than a header\n", encoding="utf-8")
    before = clean_registry.read_bytes()
    code = call([word.format(**places) for word in words], monkeypatch)
    shown = capsys.readouterr()
    assert code in (1, 2)
    assert said in " ".join((shown.err + shown.out).split())
    assert "Traceback" not in shown.err
    assert not places["new"].exists()
    assert clean_registry.read_bytes() == before


def test_exit_codes_say_whether_the_data_have_findings(
    write_delivery: Callable[..., Path],
    clean: dict[str, str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    registry = str(tmp_path / "r.duckdb")
    assert call(["intake", str(write_delivery(clean)), "--registry", registry, "--site", "north"], monkeypatch) == 0
    clean["cases"] = clean["cases"].replace("2024-03-01", "2024-02-30")
    second = str(write_delivery(clean, name="second"))
    assert call(["intake", second, "--registry", registry, "--site", "north"], monkeypatch) == 1
    assert "2024-02-30" not in capsys.readouterr().out
    assert call(["held", "--registry", registry], monkeypatch) == 1


def test_an_unforeseen_error_shows_its_kind_and_place_but_not_its_message(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken() -> None:
        raise KeyError("Frida Example, born 1990-05-17")

    monkeypatch.setattr(annulary, "application", broken)
    with pytest.raises(SystemExit, match="2"):
        annulary.main()
    said = capsys.readouterr().err
    assert "KeyError at " in said
    assert "Frida" not in said


def test_a_closed_pipe_is_no_error() -> None:
    command = f"{sys.executable} -c 'import annulary; annulary.main()' dictionary | head -1"
    run = subprocess.run(command, shell=True, capture_output=True, text=True, check=False)
    assert run.stdout.startswith("# Data dictionary")
    assert "Traceback" not in run.stderr
