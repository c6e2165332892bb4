"""Sheets of held rows: what goes out comes back, also through a real spreadsheet program, and nothing runs."""

from __future__ import annotations

import csv
import os
import shutil
import stat
import subprocess
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.errors import InputError, NotWritableError
from registry.intake.held_sheet import LEAD_COLUMNS, Group, HeldRow, read_back, write_held_sheet
from registry.intake.reading import FileForm, TextTable, read_table
from registry.intake.workbook import read_workbook
from registry.spreadsheet_text import FORMULA_STARTS, harmless, is_retyped, kept_text, read_text

BLANKS = " \t\u00a0"
DELICATE = (
    *("0008", "00", "12", "007.5", "123456789012", "2024-05-31", "31.05.2024", "1/2", "5-6", "03/04/2024", "1 1/2"),
    *(
        "3,5",
        "3.5",
        ",5",
        "1.234,5",
        "5%",
        "(5)",
        "$5",
        "5 €",
        "EUR 5",
        "1E5",
        "12e3",
        "1d",
        "2 a",
        "10:30",
        "10:30 pm",
    ),
    *("=1+1", "+41 12", "-5 weeks", "@a", "\tx", " =1+1", "＝1+1", "TRUE", "false", "WAHR", "vrai", "#N/A", "#1"),
    *(
        "1 Jan",
        "Mar 5",
        "MAR1",
        "3-März",
        "5 mai 2024",
        "2. Okt.",
        "sept2",
        "Mon 5",
        "'0008",
        "''a",
        "'",
        "٣",
        "½",
        "7a",
        "7a+",
    ),
)
PLAIN = (
    "ring",
    "a2:complete; a3:partial",
    "AB10001",
    "Ringfinger",
    "font 7b+",
    "A2 Ruptur + A3",
    "K-17",
    "12",
    "0",
    "",
    "yes",
)
TEXTS = (*DELICATE, *PLAIN)


def a_group(title: str = "cases", texts: tuple[str, ...] = TEXTS) -> Group:
    rows = [
        HeldRow(
            1000 + at, "cases.csv", at + 2, "onset: not a date; write it as 2024-05-31", {"case": text, "onset": "é"}
        )
        for at, text in enumerate(texts)
    ]
    return Group(title, ("case", "onset"), rows)


def cells_of(path: Path) -> list[str | None]:
    """Read a sheet as the intake does, and undo the apostrophes."""
    data = path.read_bytes()
    text: TextTable
    if path.suffix == ".xlsx":
        (text,) = read_workbook(data, name=path.name, form=FileForm())
    else:
        text = read_table(data, name=path.name)
    back = read_back(text.cells)
    assert back.column("held_id").to_pylist() == [str(1000 + at) for at in range(back.num_rows)]
    assert back.column("row").to_pylist() == [str(at + 2) for at in range(back.num_rows)]
    assert set(back.column("onset").to_pylist()) == {"é"}
    cells: list[str | None] = back.column("case").to_pylist()
    return cells


@pytest.mark.parametrize("text", DELICATE)
def test_what_a_spreadsheet_would_retype_or_run_gets_one_apostrophe(text: str) -> None:
    assert kept_text(text) == ("12" if text == "12" else f"'{text}")


@pytest.mark.parametrize("text", PLAIN)
def test_plain_words_stay_as_they_are(text: str) -> None:
    assert kept_text(text) == text


@given(st.text())
def test_reading_back_undoes_writing(text: str) -> None:
    written = kept_text(text)
    assert read_text(written) == text
    assert not written.lstrip(" ").startswith(FORMULA_STARTS)
    assert harmless(text) in (text, written)


@given(st.dates(), st.sampled_from(["%Y-%m-%d", "%d.%m.%Y", "%m/%d/%y", "%d %b %Y", "%B %d", "%d%b", "%H:%M", "%Y/%m"]))
def test_every_date_gets_an_apostrophe(day: object, shape: str) -> None:
    assert is_retyped(day.strftime(shape))  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", ["held.csv", "held.xlsx"])
def test_what_is_written_is_read(tmp_path: Path, name: str) -> None:
    assert write_held_sheet(tmp_path / name, [a_group()]) == [tmp_path / name]
    assert cells_of(tmp_path / name) == list(TEXTS)
    assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600


def test_a_csv_can_be_opened_by_a_spreadsheet(tmp_path: Path) -> None:
    (path,) = write_held_sheet(tmp_path / "held.csv", [a_group(texts=("0008",))])
    assert (
        path.read_bytes()
        == (
            "\ufeffheld_id,file,row,reasons,case,onset\r\n"
            "1000,cases.csv,2,onset: not a date; write it as 2024-05-31,'0008,é\r\n"
        ).encode()
    )


def test_a_workbook_is_text_with_the_reasons_beside_the_row(tmp_path: Path) -> None:
    from openpyxl import load_workbook

    (path,) = write_held_sheet(tmp_path / "held.xlsx", [a_group(texts=("=1+1", "0008"))])
    sheet = load_workbook(path)["cases"]
    assert [cell.value for cell in sheet[1]] == [*LEAD_COLUMNS, "case", "onset"]
    assert sheet.freeze_panes == "E2"
    assert sheet["D2"].alignment.wrap_text
    assert sheet["A2"].fill.fgColor.rgb != sheet["E2"].fill.fgColor.rgb
    assert {(cell.data_type, cell.number_format) for row in sheet for cell in row} <= {("s", "@"), ("inlineStr", "@")}
    assert sheet["E2"].value == "=1+1"


def test_several_groups_get_a_sheet_or_a_file_each(tmp_path: Path) -> None:
    groups = [a_group(title, ("1",)) for title in ("cases", "a/b [x] with a name that is far too long", "Cases", "?")]
    assert [path.name for path in write_held_sheet(tmp_path / "held.csv", groups)] == [
        "held-cases.csv",
        "held-a_b_x_with_a_name_that_is_far_too_long.csv",
        "held-Cases_2.csv",
        "held-rows.csv",
    ]
    (path,) = write_held_sheet(tmp_path / "held.xlsx", groups)
    texts = read_workbook(path.read_bytes(), name="held.xlsx", form=FileForm())
    assert [text.name.split("/")[1] for text in texts] == [
        "cases",
        "a_b _x_ with a name that is far",
        "Cases_2",
        "_",
    ]


@pytest.mark.parametrize("name", ["held.csv", "held.xlsx"])
def test_nothing_is_overwritten_and_nothing_half_done_is_left(tmp_path: Path, name: str) -> None:
    groups = [a_group("cases", ("1",)), a_group("findings", ("1",))]
    there = tmp_path / name.replace(".csv", "-findings.csv")
    there.write_text("mine")
    with pytest.raises(NotWritableError, match="is there already; nothing is overwritten"):
        write_held_sheet(tmp_path / name, groups)
    assert there.read_text() == "mine"
    assert list(tmp_path.iterdir()) == [there]
    with pytest.raises(NotWritableError, match="cannot be written"):
        write_held_sheet(tmp_path / "nowhere" / name, groups)


@pytest.mark.parametrize(
    ("name", "groups", "message"),
    [
        ("held.txt", [a_group()], r"written as .csv or .xlsx"),
        ("held.csv", [], "no row is held"),
        ("held.csv", [Group("cases", ("case", "Reasons"), [])], "the column 'Reasons' has the name of one that"),
    ],
)
def test_what_cannot_be_written_is_said(tmp_path: Path, name: str, groups: list[Group], message: str) -> None:
    with pytest.raises(InputError, match=message):
        write_held_sheet(tmp_path / name, groups)


def test_characters_that_a_workbook_cannot_hold_are_marked(tmp_path: Path) -> None:
    (path,) = write_held_sheet(tmp_path / "held.xlsx", [a_group(texts=("a\x07b", "'x"))])
    assert cells_of(path) == ["a\ufffdb", "'x"]


def test_reading_back_leaves_numbers_and_gaps_alone() -> None:
    table = pa.table({"a": pa.array(["'1", None, "'"], pa.string()), "line": [1, 2, 3]})
    assert read_back(table).to_pydict() == {"a": ["1", None, ""], "line": [1, 2, 3]}


def through_calc(path: Path, steps: list[str], *, language: str) -> Path:
    """Let the real program open and save a file again and again, as somebody would who only looks at it."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("the spreadsheet program soffice is not installed")
    home = path.parent / f"home-{language}"
    settings = home / "profile" / "user" / "registrymodifications.xcu"
    settings.parent.mkdir(parents=True, exist_ok=True)
    settings.write_text(
        '<?xml version="1.0" encoding="UTF-8"?><oor:items xmlns:oor="http://openoffice.org/2001/registry">'
        '<item oor:path="/org.openoffice.Setup/L10N"><prop oor:name="ooSetupSystemLocale" oor:op="fuse">'
        f"<value>{language}</value></prop></item></oor:items>"
    )
    for number, step in enumerate(steps):
        folder = path.parent / f"{language}-{number}"
        kind, _, rest = step.partition(":")
        csv_in = (
            [f"--infilter=Text - txt - csv (StarCalc):44,34,76,1,,{LANGUAGES[language]},false,true,false"]
            if path.suffix == ".csv"
            else []
        )
        run = subprocess.run(
            [program, f"-env:UserInstallation=file://{home / 'profile'}", "--headless", *csv_in, "--convert-to",
             f"{kind}:{rest}" if rest else kind, "--outdir", str(folder), str(path)],
            env={**os.environ, "HOME": str(home)}, capture_output=True, timeout=120, check=False,
        )  # fmt: skip
        path = folder / path.with_suffix(f".{kind}").name
        assert path.exists(), run.stderr.decode()
    return path


LANGUAGES = {"en-US": 1033, "de-DE": 1031, "fr-FR": 1036}
CSV_OUT = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false"
"""Commas, quotation marks, UTF-8, and cells saved as they are shown, as the program proposes it."""

WAYS = [
    pytest.param("held.csv", ["xlsx", CSV_OUT], "de-DE", id="csv-xlsx-csv-de"),
    pytest.param("held.xlsx", ["ods", "xlsx"], "en-US", marks=pytest.mark.slow, id="xlsx-ods-xlsx-en"),
    pytest.param("held.csv", ["xlsx", CSV_OUT], "en-US", marks=pytest.mark.slow, id="csv-xlsx-csv-en"),
    pytest.param("held.csv", [CSV_OUT], "fr-FR", marks=pytest.mark.slow, id="csv-csv-fr"),
    pytest.param("held.xlsx", [CSV_OUT], "de-DE", marks=pytest.mark.slow, id="xlsx-csv-de"),
    pytest.param("held.xlsx", [CSV_OUT], "en-US", marks=pytest.mark.slow, id="xlsx-csv-en"),
    pytest.param("held.xlsx", ["ods", "xlsx"], "de-DE", marks=pytest.mark.slow, id="xlsx-ods-xlsx-de"),
]


@pytest.mark.parametrize(("name", "steps", "language"), WAYS)
def test_every_cell_survives_the_spreadsheet_program(
    tmp_path: Path, name: str, steps: list[str], language: str
) -> None:
    (path,) = write_held_sheet(tmp_path / name, [a_group()])
    cells = cells_of(through_calc(path, steps, language=language))
    # Blanks around a cell say nothing to the intake; an .ods does not keep a tab at the beginning.
    assert [str(cell).strip(BLANKS) for cell in cells] == [text.strip(BLANKS) for text in TEXTS]


RETYPED = {
    "en-US": {"0008": "8", "3,5": "3,5", "31.05.2024": "31.05.2024", "05/31/2024": "2024-05-31", "1E5": "100000"},
    "de-DE": {"0008": "8", "3,5": "3.5", "31.05.2024": "2024-05-31", "05/31/2024": "05/31/2024", "1E5": "100000"},
}
"""What LibreOffice 7.4 makes of cells without an apostrophe, by language."""


@pytest.mark.slow
@pytest.mark.parametrize("language", list(RETYPED))
def test_without_the_apostrophe_the_program_changes_them(tmp_path: Path, language: str) -> None:
    """The proof that the way through the program proves something."""
    path = tmp_path / "bare.csv"
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        csv.writer(file).writerows([["case", "note"], *([text, "é"] for text in RETYPED[language])])
    (text,) = read_workbook(
        through_calc(path, ["xlsx"], language=language).read_bytes(), name="bare.xlsx", form=FileForm()
    )
    assert text.cells.column("case").to_pylist() == list(RETYPED[language].values())
