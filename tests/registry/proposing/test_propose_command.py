"""``annulary map propose``: a file that is never overwritten, a table, and what to do next."""

from __future__ import annotations

import shutil
import tomllib
from datetime import date
from pathlib import Path

import openpyxl
import pytest
import typer
from typer.testing import CliRunner

from registry.commands.mapping_propose import PROPOSE_COMMANDS
from registry.errors import NotWritableError
from registry.proposing import propose_map

DATA = Path(__file__).parents[1] / "exports"


@pytest.fixture
def app() -> typer.Typer:
    app = typer.Typer()
    app.command("other")(lambda: None)  # with one command only, Typer would take its name for an argument
    for name, command in PROPOSE_COMMANDS:
        app.command(name)(command)
    return app


def test_the_draft_is_written_and_the_table_printed(app: typer.Typer, tmp_path: Path) -> None:
    out = tmp_path / "map.toml"
    run = CliRunner().invoke(app, ["propose", str(DATA / "harbour_cases.csv"), "--out", str(out), "--site", "harbour"])
    assert run.exit_code == 0
    assert tomllib.loads(out.read_text(encoding="utf-8"))["map"]["site"] == "harbour"
    assert "Verletzungsdatum" in run.stdout
    assert "cases.onset" in run.stdout
    check = f"annulary map check {DATA / 'harbour_cases.csv'} --map {out}"
    assert run.stderr.splitlines()[-1] == f"Wrote {out}. Answer the 1 question in the file, then: {check}"


def test_nothing_is_overwritten(app: typer.Typer, tmp_path: Path) -> None:
    out = tmp_path / "map.toml"
    out.write_text("mine")
    run = CliRunner().invoke(app, ["propose", str(DATA / "harbour_cases.csv"), "--out", str(out)])
    assert isinstance(run.exception, NotWritableError)
    assert "is there already; nothing is overwritten" in str(run.exception)
    assert out.read_text() == "mine"


def test_the_map_lies_here_under_the_files_name(
    app: typer.Typer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copy(DATA / "ridge_cases.tsv", tmp_path / "ridge.tsv")
    monkeypatch.chdir(tmp_path)
    run = CliRunner().invoke(app, ["propose", "ridge.tsv"])
    assert run.exit_code == 0
    assert (tmp_path / "ridge_map.toml").exists()
    assert "Answer the 17 questions in the file, then: annulary map check ridge.tsv" in run.stderr


def test_a_workbook_is_read_like_any_other_table(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Fallnr", "Pseudonym", "Geschlecht", "Verletzungsdatum", "Seite", "Finger", "Befund", "Abstand mm"])
    for n in range(1, 21):
        finger, finding = ("Ringfinger", "Mittelfinger")[n % 2], ("A2 Teilruptur", "A4 Zerrung")[n % 2]
        side, sex = ("links", "rechts")[n % 2], ("m", "w")[n % 3 == 0]
        sheet.append([n, f"P{n % 15:06d}", sex, date(2024, 1, n), side, finger, finding, n / 4])
    book.save(tmp_path / "book.xlsx")
    draft = propose_map(tmp_path / "book.xlsx", site="x")
    said = tomllib.loads(draft.text)
    assert draft.n_questions == 0
    assert [feeds for _, feeds, _, _ in draft.columns][3] == "cases.onset"
    assert not said.get("file", {}).keys() & {"encoding", "separator", "date_order"}
