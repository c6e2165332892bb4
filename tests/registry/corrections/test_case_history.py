"""What happened to a case is told whole, oldest first, with values only where they identify nobody."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import cast

import pytest
import typer
from typer.testing import CliRunner

from registry.commands.corrections import COMMANDS
from registry.errors import InputError
from registry.intake.holding import dismiss, held_rows
from registry.intake.report import IntakeReport
from registry.intake.retracting import retract
from registry.store.history import HISTORY_COLUMNS, NOT_SHOWN, case_history

Write = Callable[..., Path]
Take = Callable[..., IntakeReport]
REVISED = (
    "case,athlete,onset,first_seen,side,digit,onset_mode,grip,mechanism\n"
    "0001,AB10002,2024-03-01,2024-03-06,left,ring,sudden,,foot_slip\n"
)
SPOILED = "case,structure,joint,extent,seen_by,found_on\n0001,a3,,torn,mri,2024-03-09\n0002,a3,,torn,mri,2024-05-09\n"


MADE: dict[str, bytes] = {}
"""The registry that every test begins with, made once."""


@pytest.fixture
def registry(write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path) -> Path:
    """A case that came in, was revised, got a finding that was held and dismissed, and lost a contact."""
    path = tmp_path / "registry.duckdb"
    if "registry" in MADE:
        path.write_bytes(MADE["registry"])
        return path
    take_in(write_delivery(clean), taken_by="qk")
    take_in(write_delivery({"cases": REVISED}, name="b"), received_at=datetime(2026, 7, 2, 8, 30), taken_by="vm")
    take_in(write_delivery({"findings": SPOILED}, name="c"), received_at=datetime(2026, 7, 3, 8, 0))
    frame = held_rows(path)
    number = int(frame.loc[frame["row"] == 2, "held_id"].iloc[0])
    dismiss(path, held_id=number, because="no such picture", taken_by="vm")
    key = {"case": "0001", "seen": "2024-06-10"}
    retract(path, site="north", table="follow_ups", key=key, because="another climber's", taken_by="vm")
    MADE["registry"] = path.read_bytes()
    return path


def run(*words: str, answer: str | None = None) -> tuple[int, str, str]:
    app = typer.Typer()
    for name, function in COMMANDS:
        app.command(name)(cast("Callable[..., None]", function))
    done = CliRunner().invoke(app, list(words), input=answer)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, done.stdout, done.stderr


def test_every_step_is_told_once(registry: Path) -> None:
    frame = case_history(registry, case="0001", site="north")
    assert tuple(frame.columns) == HISTORY_COLUMNS
    told = frame[["delivery", "kind", "taken_by", "event", "table", "file", "row", "column", "old", "new"]]
    told = told.astype("object").where(told.notna(), "")
    assert told.values.tolist() == [
        [1, "increment", "qk", "new", "cases", "cases.csv", 2, "", "", ""],
        [1, "increment", "qk", "new", "findings", "findings.csv", 2, "", "", ""],
        [1, "increment", "qk", "new", "follow_ups", "follow_ups.csv", 2, "", "", ""],
        [1, "increment", "qk", "new", "follow_ups", "follow_ups.csv", 3, "", "", ""],
        [2, "increment", "vm", "revised", "cases", "cases.csv", 2, "athlete", NOT_SHOWN, NOT_SHOWN],
        [2, "increment", "vm", "revised", "cases", "cases.csv", 2, "first_seen", "2024-03-05", "2024-03-06"],
        [2, "increment", "vm", "revised", "cases", "cases.csv", 2, "grip", "full_crimp", ""],
        [3, "increment", "", "held", "findings", "findings.csv", 2, "", "", ""],
        [4, "decision", "vm", "dismissed", "findings", "findings.csv", 2, "", "", ""],
        [5, "retraction", "vm", "retracted", "follow_ups", "follow_ups.csv", 3, "", "", ""],
    ]
    assert frame["because"].tolist()[-2:] == ["no such picture", "another climber's"]
    assert frame["codes"].tolist()[-3] == "unknown_code"
    assert frame["key"].tolist()[-1] == "seen=2024-06-10"
    assert str(frame["received_at"][4]) == "2026-07-02 08:30:00"


def test_a_case_that_was_taken_back_keeps_its_history(registry: Path, write_delivery: Write, take_in: Take) -> None:
    retract(registry, site="north", table="cases", key={"case": "0001"}, because="entered twice")
    frame = case_history(registry, case="0001", site="north")
    last = frame.tail(3)[["event", "table", "because"]].values.tolist()
    assert last == [
        ["retracted", "cases", "entered twice"],
        ["retracted_along", "findings", "entered twice"],
        ["retracted_along", "follow_ups", "entered twice"],
    ]
    other = REVISED.replace("2024-03-06", "2024-03-07").replace("AB10002", "AB10001")
    take_in(write_delivery({"cases": other}, name="d"))
    assert case_history(registry, case="0001", site="north")["event"].tolist()[-1] == "again"


def test_a_case_that_is_only_held_has_a_history(registry: Path, write_delivery: Write, take_in: Take) -> None:
    other = REVISED.replace("0001", "0077").replace("ring", "little")
    take_in(write_delivery({"cases": other.replace("left", "lft")}, name="d"))
    frame = case_history(registry, case="0077", site="north")
    assert frame[["event", "table", "codes"]].values.tolist() == [["held", "cases", "unknown_code"]]
    take_in(write_delivery({"cases": other}, name="e"))
    assert case_history(registry, case="0077", site="north")["event"].tolist() == ["held", "new", "replaced"]


def test_a_structure_that_a_sheet_no_longer_names_is_told(registry: Path, write_delivery: Write, take_in: Take) -> None:
    sheet = (
        "case,athlete,sex,birth_year,onset,side,digit,onset_mode,structures,status,status_on\n"
        "0044,AB10002,male,1985,2024-09-01,right,ring,sudden,a2:complete;a3:partial,off_climbing,2024-09-20\n"
    )
    take_in(write_delivery({"sheet": sheet}, name="d"))
    take_in(write_delivery({"sheet": sheet.replace(";a3:partial", "")}, name="e"))
    frame = case_history(registry, case="0044", site="north")
    assert frame["event"].tolist() == ["new", "new", "new", "new", "closed"]
    assert frame["key"].tolist()[-1] == "structure=a3 seen_by=unknown found_on=2024-09-01"


def test_no_such_case_and_no_such_site(registry: Path) -> None:
    with pytest.raises(InputError, match=r"delivered no case of that number\. Leading zeros"):
        case_history(registry, case="1", site="north")
    with pytest.raises(InputError, match=r"no site 'nroth'.*Did you mean 'north'"):
        case_history(registry, case="0001", site="nroth")


def test_the_history_as_a_person_and_as_a_program_reads_it(registry: Path) -> None:
    call = ("history", "0001", "--registry", str(registry), "--site", "north")
    code, out, err = run(*call)
    assert code == 0
    assert "athlete: changed; first_seen: 2024-03-05 -> 2024-03-06; grip: full_crimp -> -" in " ".join(out.split())
    assert "AB1000" not in out + err
    assert "annulary retract" in err
    code, out, _ = run(*call, "--json")
    assert code == 0
    assert [row["event"] for row in json.loads(out)][-1] == "retracted"
    code, out, _ = run(*call, "--csv")
    assert out.splitlines()[0] == ",".join(HISTORY_COLUMNS)
    with pytest.raises(InputError, match="--json or --csv"):
        run(*call, "--csv", "--json")


def test_the_book_of_deliveries(registry: Path, write_delivery: Write, take_in: Take, clean: dict[str, str]) -> None:
    lacking = clean["follow_ups"].replace("0003,2024-07-09,off_climbing,\n", "")
    take_in(write_delivery({"follow_ups": lacking}, name="s"), snapshot=True)
    code, out, err = run("deliveries", "--registry", str(registry), "--site", "north")
    assert code == 0
    book = {" ".join(line.split()) for line in out.splitlines()}
    assert "1 2026-06-30 12:00 north increment qk cases 3 0 cases.csv" in book
    assert "3 2026-07-03 08:00 north increment findings 2 1 findings.csv" in book
    assert any(line.startswith("5 20") and line.endswith("retraction vm 1 row taken back") for line in book)
    assert any("snapshot follow_ups 4" in line and line.endswith("1 earlier row not in it") for line in book)
    assert "6 north follow_ups follow_ups.csv 6 1 seen=2024-07-09 kept" in book
    assert "1 row that a snapshot lacked is kept all the same" in err
    code, out, _ = run("deliveries", "--registry", str(registry), "--vanished", "--json")
    assert [(row["table"], row["row"], row["now"]) for row in json.loads(out)] == [("follow_ups", 6, "kept")]
    code, out, _ = run("deliveries", "--registry", str(registry), "--csv")
    assert out.splitlines()[0].startswith("delivery,site,received_at,kind,period_from")


def test_taking_back_asks_before_others_go_along(registry: Path) -> None:
    call = ("retract", "cases", "case=0002", "--registry", str(registry), "--site", "north", "--because", "twice")
    code, out, err = run(*call, answer="n\n")
    assert code == 1
    assert "Nothing was changed" in err
    assert [line.split() for line in out.splitlines()[2:5]] == [["cases", "1"], ["findings", "1"], ["follow_ups", "2"]]
    code, _, err = run(*call)  # nobody there to answer
    assert code == 1
    code, _, err = run(*call, "--dry-run")
    assert code == 0
    assert "Dry run" in err
    code, _, err = run(*call, "--yes")
    assert code == 0
    assert "4 rows were taken back in delivery 6" in err
    for words, said in (
        (["case"], "FIELD=VALUE"),
        (["case=1", "case=2"], "given twice"),
        (["number=1"], "no part of the key"),
        (["case=0002"], "taken back already, in delivery 6"),
    ):
        with pytest.raises(InputError, match=said):
            run("retract", "cases", *words, *call[3:])
