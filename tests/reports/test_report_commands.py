"""The commands: defaults that are useful, output for people and programs, errors that say the mend."""

from __future__ import annotations

import csv
import io
import json
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from analysis.outcomes import read_outcome, with_outcome
from registry.errors import OptionError
from reports.commands import COMMANDS

Run = Callable[..., Any]


@pytest.fixture(scope="module")
def kept() -> list[bytes]:
    """Hold the registry's bytes: taking in takes seconds, and no command here writes to it."""
    return []


@pytest.fixture
def registry_file(
    write_delivery: Callable[..., Path],
    take_in: Callable[..., Any],
    clean: dict[str, str],
    tmp_path: Path,
    kept: list[bytes],
) -> Path:
    place = tmp_path / "registry.duckdb"
    if kept:
        place.write_bytes(kept[0])
    else:
        take_in(write_delivery(clean))
        kept.append(place.read_bytes())
    return place


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.delenv("ANNULARY_REGISTRY", raising=False)
    app = typer.Typer()
    for name, function in COMMANDS:
        app.command(name)(function)

    def invoke(*words: object) -> Any:
        return CliRunner().invoke(app, [str(word) for word in words])

    return invoke


def test_every_command_has_help_and_data_options(run: Run) -> None:
    names = ["distribution", "odds", "agreement", "return", "incidence", "season", "alike"]
    assert [name for name, _ in COMMANDS] == names
    for name, function in COMMANDS:
        shown = run(name, "--help")
        assert shown.exit_code == 0
        assert (function.__doc__ or "").split(".")[0][:30] in shown.stdout
        assert "--registry" in shown.stdout
        assert "--freeze" in shown.stdout


@pytest.mark.parametrize("name", ["distribution", "return", "incidence"])
def test_a_command_is_useful_with_nothing_but_the_registry(run: Run, registry_file: Path, name: str) -> None:
    shown = run(name, "--registry", registry_file)
    assert shown.exception is None
    assert "Unit:" in shown.stdout
    assert "caution:" not in shown.stdout
    assert "caution: These are figures of a group" in shown.stderr
    assert shown.stderr.strip().splitlines()[-1].startswith("next: annulary")


def test_json_and_csv_are_alone_on_standard_output(run: Run, registry_file: Path) -> None:
    body = json.loads(run("return", "--registry", registry_file, "--by", "none", "--json").stdout)
    assert body["milestone"] == "full"
    assert body["identity"]["name"] == "registry.duckdb"
    rows = list(csv.DictReader(io.StringIO(run("distribution", "--registry", registry_file, "--csv").stdout)))
    assert {row["digit"]: row["n"] for row in rows}["middle"] == "2"


def test_the_environment_names_the_registry(run: Run, registry_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ANNULARY_REGISTRY", str(registry_file))
    shown = run("distribution", "--by", "digit,side")
    assert shown.exception is None
    assert "Finger by hand" in shown.stdout


@pytest.mark.parametrize("ending", ["svg", "png", "pdf"])
def test_a_figure_is_written_beside_the_table(run: Run, registry_file: Path, tmp_path: Path, ending: str) -> None:
    place = tmp_path / f"fingers.{ending}"
    shown = run("distribution", "--registry", registry_file, "--figure", place)
    assert shown.exception is None
    assert place.stat().st_size > 1000
    assert str(place) in shown.stderr


@pytest.mark.parametrize(("size", "inches"), [("slide", 7.0), ("column", 3.3)])
def test_a_figure_has_the_size_that_was_asked_for(
    run: Run, registry_file: Path, tmp_path: Path, size: str, inches: float
) -> None:
    from matplotlib.image import imread

    place = tmp_path / "hands.png"
    assert run("distribution", "--registry", registry_file, "--figure", place, "--size", size).exception is None
    assert imread(place).shape[1] == pytest.approx(inches * 200, abs=1)  # 200 dots an inch


def test_findings_columns_count_structures(run: Run, registry_file: Path) -> None:
    shown = run("distribution", "--registry", registry_file, "--by", "structure")
    assert "Unit: findings" in shown.stdout
    assert "A2 pulley" in shown.stdout


def test_season_writes_its_files_and_names_the_page(run: Run, registry_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "season"
    shown = run("season", "--registry", registry_file, "--from", "2024-01-01", "--to", "2024-12-31", "--out", out)
    assert shown.exception is None
    assert shown.stdout.strip() == str(out / "season.html")
    assert "INTERNAL" in shown.stderr
    assert "INTERNAL" in (out / "season.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("distribution",), "name the data"),
        (("distribution", "--registry", "a", "--freeze", "b"), "not both"),
        (("odds", "--registry", "{file}", "--outcome", "grade"), "COLUMN=VALUE"),
        (("odds", "--registry", "{file}", "--outcome", "pulley_grad=III"), "Did you mean 'pulley_grade'"),
        (("distribution", "--registry", "{file}", "--by", "digt"), "no column 'digt'"),
        (("return", "--registry", "{file}", "--milestone", "better"), "milestone"),
        (("incidence", "--registry", "{file}", "--by", "grip"), "grip"),
        (("season", "--registry", "{file}", "--from", "1.1.2024", "--to", "2024-12-31"), "YYYY-MM-DD"),
        (("season", "--registry", "{file}", "--from", "2024-12-31", "--to", "2024-01-01"), "swap the two days"),
        (("distribution", "--registry", "{file}", "--json", "--csv"), "not both"),
        (("distribution", "--registry", "{file}", "--figure", "a.gif"), "ends otherwise"),
        (("distribution", "--registry", "{file}", "--by", "sex", "--figure", "a.svg", "--picture", "hands"), "as bars"),
        (("distribution", "--registry", "{file}", "--figure", "a.svg", "--picture", "hand"), "Did you mean 'hands'"),
        (("distribution", "--registry", "{file}", "--figure", "a.svg", "--size", "poster"), "slide, column"),
        (("distribution", "--registry", "nowhere.duckdb"), "nowhere.duckdb"),
    ],
)
def test_errors_are_ours_and_say_the_mend(run: Run, registry_file: Path, words: tuple[str, ...], message: str) -> None:
    from registry.errors import AnnularyError

    shown = run(*(word.format(file=registry_file) for word in words))
    assert isinstance(shown.exception, AnnularyError), shown.exception
    assert message in str(shown.exception)


def test_outcomes_leave_out_what_cannot_be_judged() -> None:
    from registry.door import enter

    cases = enter({"pulley_grade": ["I", "III", "not_gradable", None, "unknown"]})
    outcome = read_outcome("pulley_grade=III, IV")
    judged = with_outcome(cases, outcome).collect().to_pandas()[outcome.name].tolist()
    assert judged[:2] == [False, True]
    assert judged[2:] == [None, None, None]
    with pytest.raises(OptionError, match="COLUMN=VALUE"):
        read_outcome("pulley_grade=")


def test_the_table_is_printed_when_the_figure_cannot_be(run: Run, registry_file: Path, tmp_path: Path) -> None:
    from registry.errors import NotWritableError

    shown = run("distribution", "--registry", registry_file, "--figure", tmp_path / "nowhere" / "a.svg")
    assert isinstance(shown.exception, NotWritableError)
    assert "Unit: cases" in shown.stdout
    assert "caution:" in shown.stderr


def test_the_next_step_names_the_same_data(
    run: Run, registry_file: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    place = tmp_path / "two words.duckdb"
    place.write_bytes(registry_file.read_bytes())
    step = run("distribution", "--registry", place).stderr.strip().splitlines()[-1].removeprefix("next: annulary ")
    words = shlex.split(step)
    assert words[words.index("--registry") + 1] == str(place)
    words[words.index("--figure") + 1] = str(tmp_path / "next.svg")
    again = run(*words)
    assert again.exception is None
    assert (tmp_path / "next.svg").exists()
    monkeypatch.setenv("ANNULARY_REGISTRY", str(registry_file))
    assert "--registry" not in run("distribution").stderr


def test_an_empty_result_cannot_be_drawn() -> None:
    from analysis.shares import distribution
    from registry.errors import DataError
    from reports import draw

    with pytest.raises(DataError, match="nothing to draw: there is no row") as raised:
        draw(distribution({"digit": ["ring"][:0]}, by="digit"))
    assert raised.value.exit_code == 1
