"""Trying a map on a file, and the commands around it; nothing is written and no cell is shown that could say who."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
import typer
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from registry.commands.mapping_check import MAP_COMMANDS
from registry.errors import DeliveryError
from registry.maps.loading import load_map, read_map
from registry.proposing.previewing import Preview, preview

EXPORTS = Path(__file__).parents[1] / "exports"
APP = typer.Typer()
for command_name, function in MAP_COMMANDS:
    APP.command(command_name)(function)


def check(file: Path, column_map: Path, *, rows: int = 5) -> Preview:
    (one,) = preview(file, column_map=load_map(column_map), rows=rows)
    return one


def test_each_kind_of_fault_is_counted_under_the_sites_column() -> None:
    one = check(EXPORTS / "harbour_cases.csv", EXPORTS / "maps" / "harbour.toml")
    assert (one.n_rows, one.n_faulty_rows, one.is_clean) == (120, 3, False)
    assert [(fault.column, fault.code, fault.n, fault.rows) for fault in one.faults] == [
        ("Abstand mm", "out_of_range", 1, (42,)),
        ("Finger", "unknown_word", 1, (21,)),
        ("Verletzungsdatum", "impossible_date", 1, (9,)),
    ]
    assert "it knows: Daumen" in one.faults[1].message


def test_rows_are_shown_before_and_after_and_private_cells_are_only_measured() -> None:
    one = check(EXPORTS / "harbour_cases.csv", EXPORTS / "maps" / "harbour.toml", rows=2)
    before = {line[0]: line[1:] for line in one.before}
    assert before["column"] == ["row 2", "row 3"]
    assert before["Patient (Pseudonym)"] == ["(7 characters)"] * 2
    assert before["Jahrgang"] == ["(4 characters)"] * 2
    assert before["Abstand mm"] == ["1,3", "3,2"]
    assert set(one.after) == {"athletes", "cases", "findings", "imaging", "follow_ups"}
    findings = {line[0]: line[1:] for line in one.after["findings"]}
    assert findings["extent"] == ["strain", "complete"]
    assert findings["gap_mm"] == ["1.3", "3.2"]
    assert findings["case"] == ["(4 characters)"] * 2


def test_a_cell_with_a_fault_is_not_shown() -> None:
    one = check(EXPORTS / "harbour_cases.csv", EXPORTS / "maps" / "harbour.toml", rows=10)
    before = {line[0]: line[1:] for line in one.before}
    assert before["Verletzungsdatum"][7] == "(10 characters)"
    assert {line[0]: line[1:] for line in one.after["cases"]}["onset"][7] == "(10 characters)"


def test_a_file_that_would_be_refused_is_not_shown_at_all() -> None:
    one = check(EXPORTS / "valley_cases_wide.csv", EXPORTS / "maps" / "valley.toml")
    assert "column 'Climber'" in one.identifiers
    assert "row 7" in one.identifiers
    assert (one.before, one.after, one.is_clean) == ([], {}, False)


@pytest.fixture
def ridge(tmp_path: Path) -> Callable[..., tuple[Path, Path]]:
    """Write the ridge export without its birth date, and its map, each changed at will."""

    def write(
        *, old: str = "", new: str = "", lines: int | None = None, name: str = "ridge_cases.tsv"
    ) -> tuple[Path, Path]:
        text = (EXPORTS / "ridge_cases.tsv").read_text("utf-8").replace("12/05/1994", "2009")
        file, column_map = tmp_path / name, tmp_path / "map.toml"
        file.write_text("".join(text.splitlines(keepends=True)[:lines]), encoding="utf-8")
        map_text = (EXPORTS / "maps" / "ridge.toml").read_text("utf-8")
        assert old in map_text
        column_map.write_text(map_text.replace(old, new), encoding="utf-8")
        return file, column_map

    return write


Writer = Callable[..., tuple[Path, Path]]


def test_columns_that_do_not_meet_are_named(ridge: Writer) -> None:
    one = check(*ridge(old='"annee_naissance"', new='"annee"'))
    assert one.unused == ("4 'annee_naissance'",)
    assert one.missing == ("annee",)
    assert one.dropped == ("commentaire",)
    assert all(fault.column != "annee" for fault in one.faults)


def test_a_row_of_data_that_was_taken_for_the_header_is_not_repeated(tmp_path: Path) -> None:
    text = (EXPORTS / "maps" / "harbour.toml").read_text("utf-8").replace("[file]", "[file]\nskip_lines = 1")
    (tmp_path / "map.toml").write_text(text, encoding="utf-8")
    one = check(EXPORTS / "harbour_cases.csv", tmp_path / "map.toml")
    assert one.unused == tuple(str(place) for place in range(1, 16))
    assert (one.faults, one.before) == ((), [])


def test_a_clean_file_is_clean_and_the_way_on_is_said(ridge: Writer) -> None:
    file, column_map = ridge(lines=9)
    result = CliRunner().invoke(APP, ["check", str(file), "--map", str(column_map)])
    assert (result.exit_code, "No cell has a fault." in result.stdout) == (0, True)
    assert result.stderr.splitlines()[-1].endswith(
        f"annulary intake {file} --map {column_map} --registry FILE --site ridge"
    )
    assert "P041712" not in result.output


def test_a_map_may_be_tried_while_its_questions_are_open(ridge: Writer) -> None:
    question = (
        '[[questions]]\nid = 7\nask = "Which day is it?"\ntarget = ["file", "date_order"]\n'
        'options = ["day month year", "month day year"]\nanswer = ""\n\n[words.main]'
    )
    file, column_map = ridge(old="[words.main]", new=question, lines=9)
    result = CliRunner().invoke(APP, ["check", str(file), "--map", str(column_map)])
    assert result.exit_code == 1
    assert "question 7: Which day is it?\n  - day month year" in result.stdout
    assert result.stderr.startswith("1 question is open: write each answer into")


def test_a_fault_that_an_open_question_explains_is_not_counted(ridge: Writer) -> None:
    question = '[[questions]]\nid = 1\nask = "?"\ntarget = ["file", "date_order"]\nanswer = "{}"\n\n[words.main]'
    file, column_map = ridge(old="[words.main]", new=question.format(""), lines=9)
    file.write_text(file.read_text("utf-8").replace("2023-01-11", "11/01/2023"), encoding="utf-8")
    assert check(file, column_map).faults == ()
    column_map.write_text(column_map.read_text("utf-8").replace('answer = ""', 'answer = "year month day"'), "utf-8")
    assert [fault.code for fault in check(file, column_map).faults] == ["not_a_date"]


def test_json_says_the_same(ridge: Writer) -> None:
    file, column_map = ridge(name="other.tsv")
    result = CliRunner().invoke(APP, ["check", str(file), "--map", str(column_map), "--rows", "1", "--json"])
    (said,) = json.loads(result.stdout)
    assert (said["n_rows"], said["n_total_rows"], said["fits_name"], said["is_clean"]) == (76, 1, False, False)
    assert {fault["code"] for fault in said["faults"]} == {"unknown_word", "lists_differ"}
    assert "Rename the file" in result.stderr


def test_a_workbook_is_read_and_a_sheet_of_held_rows_is_none(ridge: Writer, tmp_path: Path) -> None:
    from openpyxl import Workbook

    file, column_map = ridge(lines=9)
    book = Workbook()
    for line in file.read_text("utf-8").splitlines():
        book.active.append(line.split("\t"))
    book.save(tmp_path / "ridge_cases.xlsx")
    one = check(tmp_path / "ridge_cases.xlsx", column_map)
    assert (one.n_rows, one.faults, one.missing) == (6, (), ())
    held = tmp_path / "held.tsv"
    held.write_text("x\n\nheld_id\tnumero\n1\t0001\n", encoding="utf-8")
    with pytest.raises(DeliveryError, match="is a sheet of held rows"):
        check(held, column_map)


def test_the_format_is_printed_whole_and_its_example_works(tmp_path: Path) -> None:
    result = CliRunner().invoke(APP, ["format"])
    assert result.exit_code == 0
    for section in ("[map]", "[site]", "[file]", "[[rows]]", "[rows.list]", "[words.", "[deidentify]", "[[questions]]"):
        assert section in result.stdout
    whole, _, reads = result.stdout.partition("AN EXAMPLE, WHOLE")[2].partition("It reads")
    example = "\n".join(line.strip() for line in whole.splitlines())
    column_map = read_map(example.encode(), name="example.toml")
    file = tmp_path / "cases.csv"
    file.write_text("\n".join(line.strip() for line in reads.strip().splitlines()) + "\n", encoding="utf-8")
    (one,) = preview(file, column_map=column_map)
    assert one.is_clean
    assert [line[1:] for line in one.after["findings"] if line[0] == "structure"] == [["a2", "a3"]]


CELLS = st.text(
    st.characters(exclude_characters=";\r\n\x00", exclude_categories=["Cs"]), max_size=12
) | st.sampled_from(
    [
        "12.01.2023",
        "A2 Ruptur + ",
        "1,5",
        "()",
        '"',
        "'",
        "a2 (",
        "0001",
        "31.12.9999",
        "99999999999999999999",
        "P051897",
    ]
)


@settings(max_examples=12)
@given(rows=st.lists(st.lists(CELLS, min_size=15, max_size=15), min_size=1, max_size=8))
def test_whatever_the_cells_hold_a_map_can_be_tried(
    rows: list[list[str]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    header = (EXPORTS / "harbour_cases.csv").read_bytes().decode("cp1252").splitlines()[0]
    lines = [";".join('"' + cell.replace('"', '""') + '"' for cell in row) for row in rows]
    file = tmp_path_factory.mktemp("any") / "harbour_cases.csv"
    file.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    text = (EXPORTS / "maps" / "harbour.toml").read_text("utf-8").replace("cp1252", "utf-8")
    (one,) = preview(file, column_map=read_map(text.encode(), name="m.toml"), rows=0)
    assert one.n_rows <= len(rows)
    assert one.n_faulty_rows <= one.n_rows
