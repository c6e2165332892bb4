"""From an identified export to a delivery. Every person and number is invented."""

from __future__ import annotations

import hashlib
import hmac
import re
from pathlib import Path

import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from registry import open_registry, take_in
from registry.commands.privacy import COMMANDS
from registry.errors import DeliveryError, IdentifierError, InputError, NotWritableError
from registry.maps.loading import load_map
from registry.privacy.deidentifying import Deidentified, birth_year, deidentify
from registry.privacy.keyed import Shape, normalised, pseudonym_of, read_key, shape_of, write_key

KEY = bytes(range(32))
MAP = """
[map]
format = 1
site = "harbour"
match = "export*"
[site]
kind = "clinic"
case_definition = "medical_attention"
exposure_method = "none"
pseudonym_pattern = "P[0-9]{12}"
[file]
encoding = "cp1252"
separator = ";"
date_order = "day month year"
skip_lines = 1
total_rows = ["Summe"]
drop = ["Name", "Bemerkung"]
[[rows]]
table = "athletes"
[rows.fields]
athlete = "Climber"
sex = { column = "Geschlecht", words = "sex" }
birth_year = "Jahrgang"
[[rows]]
table = "cases"
[rows.fields]
case = "Fallnr"
athlete = "Climber"
onset = "Verletzt am"
side = { column = "Seite", words = "side" }
digit = { column = "Finger", words = "finger" }
onset_mode = { constant = "unknown" }
[words.sex]
w = "female"
m = "male"
[words.side]
links = "left"
rechts = "right"
[words.finger]
Ringfinger = "ring"
Mittelfinger = "middle"
[deidentify]
patient_number = "Pat.-Nr."
pseudonym = "Climber"
birth_date = "Geburtsdatum"
birth_year = "Jahrgang"
"""
EXPORT = (
    "Klinik am See\r\n"
    "Fallnr;Pat.-Nr.;Name;Geburtsdatum;Geschlecht;Verletzt am;Seite;Finger;Bemerkung\r\n"
    "0001;004711;Quendelhofer, Anna;12.05.1994;w;01.03.2024;links;Ringfinger;kam mit der Mutter\r\n"
    "0002;0815;Würzig Jo;3.11.1980;m;02.03.2024;rechts;Mittelfinger;\r\n"
    "0003;4711;Quendelhofer, Anna;12.05.1994;w;09.09.2024;rechts;Ringfinger;ruft zurück\r\n"
    "Summe;3;;;;;;;\r\n"
)


@pytest.fixture
def made(tmp_path: Path):  # type: ignore[no-untyped-def]
    (tmp_path / "harbour.toml").write_text(MAP, encoding="utf-8")

    def make(export: str = EXPORT, name: str = "export.csv", key: bytes = KEY, map_text: str = MAP) -> Deidentified:
        (tmp_path / "harbour.toml").write_text(map_text, encoding="utf-8")
        (tmp_path / name).write_bytes(export.encode("cp1252"))
        return deidentify(tmp_path / name, column_map=load_map(tmp_path / "harbour.toml"), key=key)

    return make


def test_the_delivery_holds_pseudonyms_and_years_and_nothing_else_of_a_person(made) -> None:  # type: ignore[no-untyped-def]
    result = made()
    text = result.path.read_bytes().decode("cp1252")
    lines = text.split("\r\n")
    assert lines[1] == "Fallnr;Climber;Jahrgang;Geschlecht;Verletzt am;Seite;Finger"
    number = hmac.new(KEY, b"annulary pseudonym 1\x004711", hashlib.sha256).digest()
    pseudonym = f"P{int.from_bytes(number, 'big') % 10**12:012d}"
    assert lines[2] == f"0001;{pseudonym};1994;w;01.03.2024;links;Ringfinger"
    assert lines[4].startswith(f"0003;{pseudonym};1994;")
    assert (result.rows, result.people) == (3, 2)
    assert result.left_out == ("Pat.-Nr.", "Name", "Geburtsdatum", "Bemerkung")
    for gone in ("4711", "0815", "Quendel", "Würzig", "12.05.1994", "Mutter", "Summe"):
        assert gone not in text
    assert result.path.stat().st_mode & 0o077 == 0


def test_the_same_map_takes_the_delivery_in(made, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    result = made()
    report = take_in(result.path, registry=tmp_path / "r.duckdb", site="harbour", maps=tmp_path / "harbour.toml")
    assert report.refusals == []
    assert report.held == 0
    with open_registry(tmp_path / "r.duckdb") as view:
        cases = view.base("cases").collect().to_native().to_pylist()
        births = view.base("athletes").collect().to_native()["birth_year"].to_pylist()
    assert len(cases) == 3
    assert len({case["athlete"] for case in cases}) == 2
    assert sorted(births) == [1980, 1994]


def test_an_identified_export_itself_is_refused(made, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    made()
    with pytest.raises(DeliveryError, match="neither uses nor drops column"):
        take_in(tmp_path / "export.csv", registry=tmp_path / "r.duckdb", site="harbour", maps=tmp_path / "harbour.toml")


def test_the_same_export_gives_the_same_bytes_and_a_later_one_the_same_people(made) -> None:  # type: ignore[no-untyped-def]
    first, second = made(), made(name="export2.csv")
    assert first.path.read_bytes() == second.path.read_bytes()
    later = made(EXPORT.replace("004711", " 04711 ").replace("0001;", "0009;"), name="export3.csv")
    climbers = [re.findall(r"P[0-9]{12}", one.path.read_text("cp1252")) for one in (first, later)]
    assert climbers[0] == climbers[1]
    other = made(name="export4.csv", key=bytes(range(1, 33)))
    assert not set(climbers[0]) & set(re.findall(r"P[0-9]{12}", other.path.read_text("cp1252")))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("004711", "", r"1 row \(row 3\) without a patient number"),
        ("0815", "Würzig", r"1 row \(row 4\) with something that is no patient number"),
        ("0815", "jo@post.example", "no patient number"),
        ("12.05.1994", "31.02.1994", r"'Geburtsdatum' 2 rows \(row 3, 5\) with something that is no date"),
        ("3.11.1980", "11/23/1980", "no date in the map's order"),
        ("Pat.-Nr.", "Patient", "has no column 'Pat.-Nr.'"),
        ("Finger;", "Hand;", "lacks 'Finger'"),
        (";m;", ";m;m;", "cannot be laid under the header"),
    ],
)
def test_what_cannot_be_done_is_said_by_row_and_nothing_is_written(
    made, tmp_path: Path, old: str, new: str, words: str
) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(DeliveryError, match=words) as refusal:
        made(EXPORT.replace(old, new))
    assert not (tmp_path / "export_deidentified.csv").exists()
    assert "Würzig" not in str(refusal.value)
    assert "4711" not in str(refusal.value)
    assert "31.02" not in str(refusal.value)


def test_an_identifier_in_a_column_that_is_kept_is_refused(made, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(IdentifierError, match=r"column 'Fallnr' holds a name in 1 row \(row 4\)") as refusal:
        made(EXPORT.replace("0002;", "Jo Würzig;"))
    assert "rzig" not in str(refusal.value)
    assert not (tmp_path / "export_deidentified.csv").exists()


def test_two_people_never_share_a_pseudonym_unnoticed(made) -> None:  # type: ignore[no-untyped-def]
    many = "".join(f"{i:04d};{i + 1};;1990;w;01.03.2024;links;Ringfinger;\r\n" for i in range(40))
    export = "".join(EXPORT.splitlines(keepends=True)[:2]) + many
    with pytest.raises(DeliveryError, match="two people would get the same pseudonym"):
        made(export, map_text=MAP.replace("{12}", "{2}"))


def test_a_map_that_lets_the_number_through_is_refused(made) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match="lets the patient number"):
        made(map_text=MAP.replace('case = "Fallnr"', 'case = "Pat.-Nr."'))
    with pytest.raises(InputError, match=r"has no \[deidentify\]"):
        made(map_text=MAP[: MAP.index("[deidentify]")])


def test_nothing_is_overwritten(made) -> None:  # type: ignore[no-untyped-def]
    before = made().path.read_bytes()
    with pytest.raises(NotWritableError, match="nothing is overwritten"):
        made(key=bytes(range(5, 37)))
    assert made(name="export9.csv").path.read_bytes() == before


def test_a_key_is_its_owners_only_and_never_overwritten(tmp_path: Path) -> None:
    path = write_key(tmp_path / "new.key")
    assert path.stat().st_mode & 0o077 == 0
    assert len(read_key(path)) == 32
    assert read_key(path) != read_key(write_key(tmp_path / "other.key"))
    with pytest.raises(NotWritableError, match="never overwritten"):
        write_key(path)
    path.chmod(0o644)
    with pytest.raises(InputError, match="others may read the key"):
        read_key(path)


@pytest.mark.parametrize(
    ("text", "words"),
    [("ab" * 16, "too short"), ("00" * 32, "not random"), ("password " * 9, "holds no key"), ("", "too short")],
)
def test_a_bad_key_is_refused_and_not_repeated(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "bad.key"
    path.write_text(text, encoding="ascii")
    path.chmod(0o600)
    with pytest.raises(InputError, match=words) as refusal:
        read_key(path)
    assert not text or text not in str(refusal.value)


def test_the_pseudonym_is_hmac_sha_256() -> None:
    # Computed with the standard library's hmac: the construction is what is checked.
    digest = hmac.new(KEY, b"annulary pseudonym 1\x00a-12", hashlib.sha256).digest()
    assert (
        pseudonym_of(" A-12", key=KEY, shape=shape_of("P[0-9]{4}")) == f"P{int.from_bytes(digest, 'big') % 10**4:04d}"
    )


@given(
    st.from_regex(r"[0-9A-Za-z/-]{1,12}", fullmatch=True),
    st.sampled_from(["P[0-9]{6}", "[A-Z]{2}-[0-9A-F]{10}", r"S\d{9}"]),
)
def test_a_pseudonym_matches_its_pattern_however_the_number_is_typed(number: str, pattern: str) -> None:
    shape = shape_of(pattern)
    made = pseudonym_of(number, key=KEY, shape=shape)
    assert re.fullmatch(pattern, made)
    assert made == pseudonym_of(f" {number.lower()}\u00a0", key=KEY, shape=shape)
    assert normalised(normalised(number)) == normalised(number)


@given(st.integers(0, 25**3 * 10 - 1))
def test_a_shape_writes_every_number_once(number: int) -> None:
    shape = Shape(("ABCDEFGHIJKLMNOPQRSTUVWXY", "ABCDEFGHIJKLMNOPQRSTUVWXY", "ABCDEFGHIJKLMNOPQRSTUVWXY", "0123456789"))
    written = shape.written(number)
    back = 0
    for sign, alphabet in zip(written, shape.alphabets, strict=True):
        back = back * len(alphabet) + alphabet.index(sign)
    assert back == number


@pytest.mark.parametrize("pattern", ["P[0-9]+", "P|Q", "P[0-9]{4,6}", "P.*", "[^a]{3}"])
def test_a_pattern_without_a_fixed_shape_is_refused(pattern: str) -> None:
    with pytest.raises(InputError, match="pseudonyms cannot be made"):
        shape_of(pattern)


@given(st.dates(), st.sampled_from(["day month year", "month day year", "year month day"]))
def test_the_year_of_a_birth_date(day, order: str) -> None:  # type: ignore[no-untyped-def]
    parts = {"day": f"{day.day:02d}", "month": f"{day.month:02d}", "year": f"{day.year:04d}"}
    assert birth_year("/".join(parts[name] for name in order.split()), order=order) == str(day.year)
    assert birth_year(day.isoformat(), order=order) == str(day.year)


def test_the_commands(made, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    made(name="export0.csv")
    run, shell = CliRunner(), typer.Typer()
    for name, command in COMMANDS:
        shell.command(name)(command)
    key, export = tmp_path / "site.key", tmp_path / "export.csv"
    export.write_bytes(EXPORT.encode("cp1252"))
    said = run.invoke(shell, ["key", str(key)])
    assert said.exit_code == 0
    assert key.read_text("ascii").strip() not in said.output
    said = run.invoke(shell, ["deidentify", str(export), "--map", str(tmp_path / "harbour.toml"), "--key", str(key)])
    assert said.exit_code == 0, said.output
    assert "pseudonymised health data, not anonymous" in said.stderr
    assert "4711" not in said.output
    assert "uendel" not in said.output
