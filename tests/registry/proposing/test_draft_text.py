"""The draft as written: TOML of the map's shape, a confidence at each guess, and nobody's cells."""

from __future__ import annotations

import csv
import io
import random
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from registry.errors import DeliveryError
from registry.proposing import propose_map


def test_the_draft_is_toml_of_the_maps_shape(invented: Any) -> None:
    said = tomllib.loads(invented.draft.text)
    assert said["map"]["site"] == "invented"
    assert [rule["table"] for rule in said["rows"]][:2] == ["athletes", "cases"]
    for rule in said["rows"]:
        for source in rule["fields"].values():
            if isinstance(source, dict) and "words" in source:
                assert source["words"] == "rays" or source["words"] in said["words"]
    for number, question in enumerate(said["questions"], start=1):
        assert question["id"] == number
        assert question["answer"] == ""
        assert question["target"][0] in ("file", "rows", "words", "drop")
        assert question["options"] or question["target"][0] == "rows"


def test_every_column_is_fed_dropped_or_asked_about(invented: Any) -> None:
    draft = invented.draft
    assert all(feeds or question for _, feeds, _, question in draft.columns)
    expected = [re.sub(r"\d+", "{n}", header) for header in invented.holds]
    assert [name for name, *_ in draft.columns] == list(dict.fromkeys(expected))


def test_guesses_carry_their_confidence(example: Any) -> None:
    text = example("harbour_cases.csv").text
    assert 'onset = "Verletzungsdatum"  # sure 0.97' in text
    assert re.search(r'^encoding = "cp1252"  # sure 0\.\d\d$', text, re.MULTILINE)
    assert re.search(r'^Ringfinger = "ring"  # sure 0\.\d\d$', text, re.MULTILINE)


def test_rules_of_the_german_export(example: Any) -> None:
    said = tomllib.loads(example("harbour_cases.csv").text)
    assert said["file"] == {
        "encoding": "cp1252", "separator": ";", "date_order": "day month year", "decimal_mark": ",",
    }  # fmt: skip
    rules = {rule["table"]: rule for rule in said["rows"]}
    assert list(rules) == ["athletes", "cases", "findings", "imaging", "follow_ups"]
    assert rules["findings"]["list"] == {
        "column": "Befund", "separators": ["+"], "shape": "structure extent", "structures": "structure",
        "extents": "extent",
    }  # fmt: skip
    assert rules["findings"]["fields"]["gap_mm"] == {"column": "Abstand mm", "of": "first"}
    assert rules["imaging"]["when"] == "Sono am"
    assert rules["follow_ups"]["fields"] == {
        "case": "Fallnr",
        "seen": "letzter Kontakt",
        "status": {"constant": "full_climbing", "when": "volle Belastung ab", "otherwise": "not_yet_full"},
        "since": "volle Belastung ab",
    }
    assert said["words"]["activity"]["Hangboard"] == "hangboard"
    assert said["words"]["mechanism"]["Hangboard"] == ""


def test_rules_of_the_wide_export(example: Any) -> None:
    said = tomllib.loads(example("valley_cases_wide.csv").text)
    rules = {rule["table"]: rule for rule in said["rows"]}
    assert rules["cases"]["fields"]["digit"] == {"column": "Ray", "words": "rays"}
    assert rules["findings"]["list"]["shape"] == "structure (extent)"
    assert rules["findings"]["list"]["separators"] == [","]
    assert rules["follow_ups"]["each"] == [1, 2, 3]
    assert rules["follow_ups"]["fields"]["seen"] == "FU{n} date"


def test_no_cell_of_a_person_stands_in_the_draft(invented: Any) -> None:
    draft = invented.draft
    shown = draft.text + repr(draft)
    encoding = invented.convention.encoding
    lines = invented.path.read_bytes().decode(encoding).splitlines()[len(invented.convention.before) :]
    rows = list(csv.DictReader(io.StringIO("\n".join(lines)), delimiter=invented.convention.separator))
    secret = {"athlete", "name", "mail", "birth date", "free text", "onset", "case"}
    cells = {row[name] for row in rows for name, what in invented.holds.items() if what in secret and row.get(name)} - {
        "TOTAL"
    }
    assert len(cells) > 50
    assert not [cell for cell in cells if cell in shown]


def test_a_stray_name_among_code_words_is_not_copied(tmp_path: Path) -> None:
    file = tmp_path / "stray.csv"
    rows = [
        f"{n},{('ring', 'middle', 'Quendel Hofer', 'index')[n % 4]},{'Hofer' if n == 3 else 'left'}" for n in range(20)
    ]
    file.write_text("\n".join(["Case ID,Finger,Hand", *rows]))
    draft = propose_map(file, site="x")
    assert "Hofer" not in draft.text + repr(draft)
    assert any("Column 'Finger': 5 cells hold a word" in caution for caution in draft.cautions)
    assert any("Column 'Hand': 1 cell holds a word" in caution for caution in draft.cautions)


def test_identifying_columns_are_named_and_asked_about(every_invented: Any) -> None:
    draft = every_invented["english"].draft
    said = " ".join(draft.cautions)
    assert "'Date of birth' may hold a birth date" in said
    assert "'Contact' may hold a direct identifier" in said  # by its cells: e-mail addresses
    assert "# WARNING: Column 'Date of birth'" in draft.text
    drops = {
        question["target"][1] for question in tomllib.loads(draft.text)["questions"] if question["target"][0] == "drop"
    }
    assert {"Date of birth", "Contact"} <= drops


def test_ambiguous_dates_leave_the_order_open(every_invented: Any) -> None:
    said = tomllib.loads(every_invented["english"].draft.text)
    assert "date_order" not in said["file"]
    assert said["questions"][0]["target"] == ["file", "date_order"]


def test_empty_and_binary_files_are_refused_in_words(tmp_path: Path) -> None:
    empty = tmp_path / "empty.csv"
    empty.write_bytes(b" \n")
    with pytest.raises(DeliveryError, match="is empty; there is nothing to propose"):
        propose_map(empty)
    disguised = tmp_path / "book.csv"
    disguised.write_bytes(b"PK\x03\x04rest")
    with pytest.raises(DeliveryError, match="workbook by its content"):
        propose_map(disguised)


def test_a_rule_on_doubtful_columns_waits_behind_marks(example: Any) -> None:
    text = example("ridge_cases.tsv").text
    assert "follow_ups" not in {rule["table"] for rule in tomllib.loads(text)["rows"]}
    _, _, rest = text.partition("# Doubtful, so not in force")
    doubtful, _, _ = rest.partition("\n\n")
    lines = [line.removeprefix("# ") for line in doubtful.splitlines()[1:]]
    [rule] = tomllib.loads("\n".join(lines))["rows"]
    assert rule["fields"]["since"] == "reprise_complete"
    assert rule["fields"]["seen"] == rule["when"] == "dernier_contact"


def test_numbered_structures_take_only_what_is_numbered_with_them(tmp_path: Path) -> None:
    file = tmp_path / "numbered.csv"
    rows = [f"{n},{('A2', 'A4')[n % 2]},{('strain', 'complete')[n % 2]},,,{n % 7}.5" for n in range(1, 30)]
    file.write_text("\n".join(["Case ID,Structure 1,Severity 1,Structure 2,Severity 2,Gap mm", *rows]))
    draft = propose_map(file, site="x")
    [rule] = [rule for rule in tomllib.loads(draft.text)["rows"] if rule["table"] == "findings"]
    assert rule["each"] == [1, 2]
    assert rule["fields"] == {
        "case": "Case ID",
        "structure": {"column": "Structure {n}", "words": "structure"},
        "extent": {"column": "Severity {n}", "words": "extent"},
    }
    [drop] = [question for question in tomllib.loads(draft.text)["questions"] if question["target"][0] == "drop"]
    assert drop["target"] == ["drop", "Gap mm"]


def test_stray_identifiers_are_counted_and_never_shown(example: Any) -> None:
    wide, long = example("valley_cases_wide.csv"), example("ridge_cases.tsv")
    assert "Column 'Climber': 1 cell holds an e-mail address." in " ".join(wide.cautions)
    assert "@" not in wide.text + repr(wide)
    assert "Column 'annee_naissance': 1 cell holds a full date" in " ".join(long.cautions)
    assert "12/05/1994" not in long.text + repr(long)


def test_a_word_for_the_greater_needs_the_lesser_beside_it(tmp_path: Path) -> None:
    file = tmp_path / "crimps.csv"
    for other, asked in (("half crimp", False), ("open hand", True)):
        file.write_text("\n".join(["Case ID,Grip", *(f"{n},{('crimp', other, 'pinch')[n % 3]}" for n in range(30))]))
        said = tomllib.loads(propose_map(file, site="x").text)
        targets = [tuple(question["target"]) for question in said.get("questions", [])]
        assert (("words", "grip", "crimp") in targets) is asked
        assert ("crimp" in said["words"]["grip"]) is not asked


def test_numbered_lists_make_a_rule_each(tmp_path: Path) -> None:
    file = tmp_path / "numbered.csv"
    rows = [f"{n},{('A2', 'A4')[n % 2]} ({('strain', 'partial')[n % 2]}),a3 (partial)" for n in range(1, 30)]
    file.write_text("\n".join(["Case ID,Finding 1,Finding 2", *rows]))
    rules = [rule for rule in tomllib.loads(propose_map(file, site="x").text)["rows"] if rule["table"] == "findings"]
    assert [rule["list"]["column"] for rule in rules] == ["Finding 1", "Finding 2"]


def test_a_header_cannot_write_into_the_map(tmp_path: Path) -> None:
    file = tmp_path / "hostile.csv"
    header = 'Case ID,"Name\n[site]\nkind = ""clinic""","a \x7f \x01 ""quoted"" \\ column"'
    file.write_text("\n".join([header, *(f"{n},Quendel Hofer{n},x{n}" for n in range(30))]))
    draft = propose_map(file, site="x")
    said = tomllib.loads(draft.text)
    assert "kind" not in said["site"]
    assert {question["target"][1] for question in said["questions"] if question["target"][0] == "drop"} == {
        'Name [site] kind = "clinic"',
        'a \x7f \x01 "quoted" \\ column',
    }


@pytest.mark.parametrize("seed", range(30))
def test_a_damaged_file_gives_a_draft_or_a_reason(seed: int, tmp_path: Path) -> None:
    draw = random.Random(seed)
    names = ("harbour_cases.csv", "valley_cases_wide.csv", "ridge_cases.tsv")
    damaged = bytearray(
        (Path(__file__).parents[1] / "exports" / draw.choice(names)).read_bytes()[: draw.choice((60, 400, 2500))]
    )
    for _ in range(draw.randint(1, 10)):
        place = draw.randrange(len(damaged))
        damaged[place:place] = draw.choice(
            (b'"', b"\x00", b"\r", b"\x7f", b"{n}", b"\xff\xfe", b"\\", draw.randbytes(4))
        )
    file = tmp_path / "damaged.csv"
    file.write_bytes(damaged)
    try:
        draft = propose_map(file, site="x")
    except DeliveryError:
        return
    assert tomllib.loads(draft.text)["map"]["site"] == "x"
