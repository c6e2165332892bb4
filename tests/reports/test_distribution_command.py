"""What ``annulary distribution`` prints: marks, limits, two groups side by side, and refusals."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import typer
from typer.testing import CliRunner, Result

from analysis.shares import distribution
from analysis.standardised import compare_distributions
from registry.errors import OptionError
from reports.commands import COMMANDS
from reports.tables.building import tables_of
from reports.tables.shares import limits_table
from reports.terminal import aligned, result_text


class Invented:
    """What the command needs of an opened registry: 200 cases of 120 climbers in three seasons."""

    def __init__(self) -> None:
        random = np.random.default_rng(5)
        n = 200
        self.identity = {"name": "invented", "content_hash": None, "derivation_version": 1}
        self._cases = pd.DataFrame(
            {
                "site": random.choice(["north", "south"], n),
                "case": [f"c{i}" for i in range(n)],
                "climber": random.integers(0, 120, n).astype(str),
                "onset_day": random.integers(18_000, 19_000, n),
                "season": random.choice(["2022", "2023", "2024"], n),
                "sex": random.choice(["female", "male"], n),
                "digit": random.choice(["index", "middle", "ring"], n),
                "side": random.choice(["left", "right"], n),
                "hand_is_dominant": random.random(n) < 0.6,
                "pulley_grade": random.choice(["I", "II", "III", "IV"], n),
            }
        )
        self._findings = pd.concat([self._cases.assign(structure="a2"), self._cases.iloc[::2].assign(structure="a4")])

    def table(self, name: str) -> pd.DataFrame:
        return {"cases": self._cases, "findings": self._findings}[name]

    def base(self, name: str) -> pd.DataFrame:
        raise KeyError(name)


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    @contextmanager
    def opened(*_: object) -> Iterator[Invented]:
        yield Invented()

    monkeypatch.setattr("reports.commands.fingers.opened", opened)
    monkeypatch.delenv("ANNULARY_REGISTRY", raising=False)
    app = typer.Typer()
    app.command("distribution")(dict(COMMANDS)["distribution"])

    def invoke(*words: str) -> Result:
        return CliRunner().invoke(app, list(words), catch_exceptions=False)

    return invoke


def test_marks_stand_behind_counts() -> None:
    rows = {"digit": ["ring"] * 40 + ["middle"] * 40, "side": ["left"] * 38 + ["right"] * 42}
    printed = result_text(distribution(rows, by=["digit", "side"]))
    assert "38 +" in printed
    assert "2 -" in printed
    notes = tables_of(distribution(rows, by=["digit", "side"]))[0].notes
    assert any(note.startswith("+ or - behind a count") for note in notes)
    plain = {"digit": ["ring", "middle"] * 20, "side": ["left", "left", "right", "right"] * 10}
    assert "behind a count" not in " ".join(tables_of(distribution(plain, by=["digit", "side"]))[0].notes)


def test_the_limits_table_shows_only_limits_that_exist() -> None:
    once = pd.DataFrame({"digit": ["ring"] * 30 + ["middle"] * 30, "climber": range(60)})
    heads = [column.heading for column in limits_table(distribution(once, by="digit"), "x").columns]
    assert heads == ["Finger", "Share", "One by one", "All rows together"]
    twice = limits_table(distribution(pd.concat([once, once]), by="digit"), "x")
    assert twice.columns[-1].heading == "Bootstrap over climbers"
    ring = next(row for row in twice.rows if row[0].value == "ring")
    assert ring[2].derived_from == ("ring/n",)
    assert "to" in aligned(twice)


def test_two_groups_stand_side_by_side() -> None:
    random = np.random.default_rng(1)
    rows = {"digit": random.choice(["ring", "middle"], 80), "season": np.repeat([2024, 2025], 40)}
    main, *others = tables_of(compare_distributions(rows, by="digit", first=2024, second=2025))
    assert [column.key for column in main.columns] == [
        "digit", "first_n", "first_share", "second_n", "second_share", "difference", "standardised",
    ]  # fmt: skip
    assert main.rows[0][5].derived_from == ("middle/first_n", "middle/second_n")
    assert [table.key for table in others] == ["distribution_tests", "distribution_association"]
    assert any(note.startswith("Not listed: 3") for note in main.notes), "digits that do not occur"


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        ([], "Distribution by structure"),
        (["--by", "structure,digit"], "permutation"),
        (["--by", "pulley_grade,season"], "linear-by-linear, trend"),
        (["--by", "digit", "--limits"], "All rows together"),
        (["--dominant"], "sign test"),
        (["--by", "digit,side,sex"], "Distribution by finger and hand and sex"),
    ],
)
def test_each_option_prints_a_table(run: Callable[..., Result], words: list[str], shown: str) -> None:
    result = run(*words)
    assert result.exit_code == 0
    assert shown in result.stdout
    assert "caution: These are figures of a group" in result.stderr
    assert result.stderr.splitlines()[-1].startswith("next: annulary distribution --")


def test_two_seasons_as_text_json_csv_and_picture(run: Callable[..., Result], tmp_path: Path) -> None:
    compare = ("--compare", "season=2023,2024")
    assert "Standardised" in run(*compare).stdout
    body = json.loads(run(*compare, "--json").stdout)
    assert body["kind"] == "DistributionComparison"
    assert {"first_share", "second_share", "estimate", "standardised"} <= set(body["table"][0])
    assert body["association"][0]["measure"] == "standardised_difference"
    lines = run(*compare, "--by", "structure", "--csv").stdout.splitlines()
    assert lines[0].startswith("structure,first_n,first_of,first_share")
    picture = tmp_path / "two.svg"
    run(*compare, "--figure", str(picture))
    assert picture.stat().st_size > 5000


def test_the_next_step_names_seasons_that_exist(run: Callable[..., Result]) -> None:
    last = run("--by", "digit,side").stderr.splitlines()[-1]
    assert last == "next: annulary distribution --compare season=2023,2024"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--compare", "season=2031,2032"], r"season '2031' does not occur; there are 20\d\d \(\d+\)"),
        (["--compare", "season=2024"], "written COLUMN=FIRST,SECOND"),
        (["--compare", "season=2024,2025", "--by", "digit,side"], "goes with one column in --by"),
        (["--dominant", "--by", "digit"], "--dominant stands alone"),
        (["--dominant", "--limits"], "--limits goes with --by"),
        (["--compare", "climber=a,b"], "between 'climber' would list persons"),
    ],
)
def test_refusals_say_what_to_do(run: Callable[..., Result], words: list[str], sentence: str) -> None:
    with pytest.raises(OptionError, match=sentence):
        run(*words)
