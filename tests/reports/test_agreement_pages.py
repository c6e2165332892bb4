"""Agreement and trends as people see them: tables, picture, command."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import typer
from typer.testing import CliRunner

from analysis.agreeing import agreement
from analysis.results import Agreement
from analysis.trend import trend_test
from reports import draw
from reports.commands.agreeing import COMMANDS
from reports.terminal import result_json, result_text

READ = pd.DataFrame(
    {
        "first": ["0", "1", "2", "3", "3", "4", "not_gradable", "2", "1", "3"],
        "second": ["0", "1", "2", "3", "2", "4", "3", "2", "2", "3"],
        "third": ["0", "1", "2", "3", "3", "4", "3", "1", "1", "3"],
    }
)


@pytest.fixture(scope="module")
def two() -> Agreement:
    return agreement(READ, readers=["first", "second"], weights=("none", "linear", "quadratic"))


def test_kappa_stands_with_its_limits_and_the_counts(two: Agreement) -> None:
    text = result_text(two)
    assert "Agreement of readers beyond chance. Unit: rows." in text
    row = two.table.iloc[0]
    assert f"{row['estimate']:.2f} ({row['conf_low']:.2f} to {row['conf_high']:.2f})" in text
    assert "Grades of first (down) by those of second (across)." in text
    line = next(line for line in text.splitlines() if line.startswith("not gradable"))
    assert line.split() == ["not", "gradable", "0", "0", "0", "1", "0", "0"]
    body = json.loads(result_json(two))
    assert body["kind"] == "Agreement"
    assert sum(cell["n"] for cell in body["cells"]) == 10
    assert body["cautions"][0]["code"] == "group_figures"


def test_kappa_without_limits_is_shown_alone() -> None:
    same = agreement({"a": ["1", "2", "3"], "b": ["1", "2", "3"]}, readers=["a", "b"])
    assert " 1.00 " in result_text(same)
    none = agreement({"a": ["1", "1"], "b": ["1", "1"]}, readers=["a", "b"])
    assert "not estimable" in result_text(none)


def test_the_picture_shows_every_count_and_frames_the_same_grades(two: Agreement) -> None:
    axes = draw(two).axes[0]
    written = [text.get_text() for text in axes.texts]
    counts = [str(n) for n in two.cells["n"] if n]
    assert written[: len(counts)] == counts
    framed = [patch for patch in axes.patches if patch.get_linewidth() > 1.5]
    assert len(framed) == 6
    assert written[-1].replace("\n", " ").startswith("Rows by the grades of two readers; framed: the same grade (70")


def test_more_readers_are_drawn_as_rows_with_limits() -> None:
    three = agreement(READ, readers=["first", "second", "third"])
    axes = draw(three).axes[0]
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert labels == ["all 3 readers (Fleiss)", "first and second", "first and third", "second and third"]
    assert axes.get_xlim()[1] > 1
    assert "Each grade against all others" in result_text(three)


def test_a_trend_is_a_table_with_its_tests() -> None:
    frame = {"pulley_grade": ["I", "II", "III"] * 6, "operated": [False, False, True] * 5 + [False, True, True]}
    text = result_text(trend_test(frame, outcome="operated", ordered="pulley_grade"))
    assert "Trend of operated over pulley grade. Unit: rows." in text
    assert "Cochran-Armitage, trend" in text
    assert "departure from the trend" in text
    ordered = trend_test({"a": [1, 2, 3] * 4, "b": [1, 2, 3, 2, 3, 3] * 2}, outcome="b", ordered="a")
    assert "Mean score (95 %" in result_text(ordered)


def test_the_command_prints_table_json_and_picture(
    write_delivery: Callable[..., Path],
    take_in: Callable[..., Any],
    clean: dict[str, str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv("ANNULARY_REGISTRY", raising=False)
    grades = [
        ("0001", "a", 3),
        ("0001", "b", 3),
        ("0002", "a", 2),
        ("0002", "b", 1),
        ("0003", "a", 0),
        ("0003", "b", 0),
    ]
    clean["readings"] = "case,reader,read_on,grade\n" + "".join(
        f"{case},{reader},2024-08-01,{grade}\n" for case, reader, grade in grades
    )
    take_in(write_delivery(clean))
    app = typer.Typer()
    for name, function in COMMANDS:
        app.command(name)(function)
    asked = ["--registry", str(tmp_path / "registry.duckdb"), "--readers", "a,b", "--weights", "linear"]
    shown = CliRunner().invoke(app, [*asked, "--figure", str(tmp_path / "agreement.svg")])
    assert shown.exit_code == 0, shown.exception
    assert "weighted kappa" in shown.stdout
    assert "left out: 1 under 18" in shown.stderr
    assert "caution: These are figures of a group" in shown.stderr
    assert shown.stderr.strip().splitlines()[-1].startswith("next: annulary agreement")
    assert (tmp_path / "agreement.svg").stat().st_size > 5_000
    body = json.loads(CliRunner().invoke(app, [*asked, "--json"]).stdout)
    assert (body["readers"], body["weights"]) == (["a", "b"], "linear")
