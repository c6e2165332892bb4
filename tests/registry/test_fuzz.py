"""Broken files: nothing but our own errors, no value that the line did not hold, no line unaccounted for."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path

import duckdb
import pytest

from registry import take_in
from registry.dictionary import TABLES
from registry.errors import AnnularyError
from registry.intake.reading import FileForm, TextTable, read_table

CLOCK = datetime(2026, 6, 30, 12, 0)
SITES = (
    "site,kind,case_definition,exposure_method,pseudonym_pattern\n"
    "north,clinic,medical_attention,logged,[A-Z]{2}[0-9]{5}\n"
)
ATHLETES = "athlete,sex,birth_year\n" + "".join(f"AB{n},female,1990\n" for n in range(10001, 10013))
CASES = "case,athlete,onset,side,digit,onset_mode,grip,mechanism\n" + "".join(
    f"{n:04},AB100{n % 12 + 1:02},2024-0{n % 9 + 1}-11,left,{('ring', 'middle')[n % 2]},sudden,half_crimp,slow_pull\n"
    for n in range(1, 19)
)
FORMS = (
    FileForm(),
    FileForm(encoding="cp1252", separator=";", skip_lines=1, total_rows=("total",), lower_header=False),
    FileForm(encoding="latin-1", separator="\t"),
    FileForm(encoding="shift_jis", separator="|", total_rows=("summe", "total")),
    FileForm(encoding="utf-16", separator=";"),
    FileForm(separator="§"),
)
Spoil = Callable[[bytes, random.Random, bytes], bytes]


def somewhere(data: bytes, chance: random.Random) -> int:
    return chance.randrange(len(data) + 1)


def insert(piece: bytes) -> Spoil:
    def spoil(data: bytes, chance: random.Random, _: bytes) -> bytes:
        at = somewhere(data, chance)
        return data[:at] + piece + data[at:]

    return spoil


def flip_octets(data: bytes, chance: random.Random, _: bytes) -> bytes:
    octets = bytearray(data)
    for _unused in range(chance.randrange(1, 12)):
        octets[chance.randrange(len(octets))] = chance.randrange(256)
    return bytes(octets)


def glue_rows(data: bytes, chance: random.Random, _: bytes) -> bytes:
    ends = [match.start() for match in re.finditer(b"\n", data)] or [0]
    at = chance.choice(ends)
    return data[:at] + data[at + 1 :]


def shuffle_lines(data: bytes, chance: random.Random, _: bytes) -> bytes:
    lines = data.splitlines(keepends=True)
    chance.shuffle(lines)
    return b"".join(lines)


def cut(data: bytes, chance: random.Random, _: bytes) -> bytes:
    return data[: somewhere(data, chance)]


def swap_columns(data: bytes, chance: random.Random, separator: bytes) -> bytes:
    lines = [line.split(separator) for line in data.split(b"\n")]
    for line in lines[chance.randrange(2) :]:
        a, b = chance.randrange(len(line)), chance.randrange(len(line))
        line[a], line[b] = line[b], line[a]
    return b"\n".join(separator.join(line) for line in lines)


def mix_separators(data: bytes, chance: random.Random, separator: bytes) -> bytes:
    other = chance.choice([b",", b";", b"\t", b"|"])
    return b"".join(
        other if piece == separator and chance.random() < 0.1 else piece
        for piece in re.split(b"(" + re.escape(separator) + b")", data)
    )


def quote_cells(data: bytes, chance: random.Random, separator: bytes) -> bytes:
    share = chance.choice([0.1, 0.5, 1.0])

    def quote(match: re.Match[bytes]) -> bytes:
        return b'"' + match[0] + b'"' if chance.random() < share else match[0]

    return re.sub(b"[^\r\n" + re.escape(separator) + b"]+", quote, data)


def double_the_header(data: bytes, _: random.Random, separator: bytes) -> bytes:
    head, _end, rest = data.partition(b"\n")
    return head + separator + head + b"\n" + rest


def widen_the_header(data: bytes, chance: random.Random, separator: bytes) -> bytes:
    more = separator.join(b"c%d" % n for n in range(chance.choice([30, 3_000])))
    head, _, rest = data.partition(b"\n")
    return head + separator + more + b"\n" + rest


def old_macintosh(data: bytes, chance: random.Random, _: bytes) -> bytes:
    return data.replace(b"\n", b"\r") if chance.random() < 0.5 else data.replace(b"\n", b"\r", chance.randrange(9))


def mix_encodings(data: bytes, chance: random.Random, _: bytes) -> bytes:
    lines = data.split(b"\n")
    at = chance.randrange(len(lines))
    lines[at] += "ä€é".encode(chance.choice(["utf-8", "cp1252", "utf-16", "utf-8-sig"]))
    return b"\n".join(lines)


def total_row(data: bytes, chance: random.Random, separator: bytes) -> bytes:
    at = data.rfind(b"\n", 0, somewhere(data, chance)) + 1
    return data[:at] + chance.choice([b"TOTAL", b" Summe "]) + separator * chance.randrange(12) + b"\n" + data[at:]


SPOILERS: tuple[Spoil, ...] = (
    flip_octets,
    *map(
        insert, (b'"', b'""', b'"\n"', b"\n\n", b"\r", b"\r\n", b"\x00", b"\xef\xbb\xbf", b"\xff\xfe", b"\x1a", b"\x85")
    ),
    *map(insert, ("\u2028".encode(), b"'", b"\\", b"\\N", b"NA", b"\xed\xa0\x80", b"\xed\xb3\xbf", b"x" * 10_001)),
    insert(b"y" * 1_000_000),
    glue_rows,
    shuffle_lines,
    cut,
    swap_columns,
    mix_separators,
    quote_cells,
    double_the_header,
    widen_the_header,
    old_macintosh,
    mix_encodings,
    total_row,
)


def spoiled(seed: int, text: str = CASES) -> tuple[bytes, FileForm]:
    """Write the text in some form and spoil it one to four times; plain files come most often."""
    chance = random.Random(seed)
    form = chance.choice(FORMS) if chance.random() < 0.6 else FORMS[0]
    data = ("\n" * form.skip_lines + text.replace(",", form.separator)).encode(
        form.encoding if form.separator != "§" else "utf-8"
    )
    if chance.random() < 0.3:
        data = data.replace(b"\n", b"\r\n")
    for spoil in chance.choices(SPOILERS, k=chance.randrange(1, 5)):
        data = spoil(data, chance, form.separator.encode()) if data else data
    return data, form


def physical_lines(data: bytes, form: FileForm) -> list[str]:
    """Decode and cut into lines by our own means; what cannot be decoded is a mark that no cell may hold."""
    encoding = "utf-8-sig" if form.encoding == "utf-8" else form.encoding
    lines = re.split("\r\n|\r|\n", data.decode(encoding, errors="replace").removeprefix("\ufeff"))
    return lines if lines[-1] else lines[:-1]


def cells_of(line: str, separator: str) -> list[str] | None:
    """Read one line by the letter of the rules; None when it is no complete record."""
    cells, at = [], 0
    while True:
        if line[at : at + 1] == '"':
            match = re.compile('"((?:[^"]|"")*)"').match(line, at)
            if not match:
                return None
            cells.append(match[1].replace('""', '"'))
            at = match.end()
            if at < len(line) and line[at] != separator:
                return None
        else:
            end = line.find(separator, at)
            end = len(line) if end < 0 else end
            cells.append(line[at:end])
            at = end
        if at >= len(line):
            return cells
        at += 1


def check_reading(table: TextTable, data: bytes, form: FileForm) -> None:
    lines = physical_lines(data, form)
    assert table.n_accounted == table.n_lines == len(lines)
    numbers = table.cells["line"].to_pylist()
    assert numbers == sorted(set(numbers))
    assert not set(numbers) & {row.line for row in table.unreadable}
    rows = table.cells.drop_columns(["line"]).to_pylist()
    for number, row in zip(numbers, rows, strict=True):
        assert list(row.values()) == cells_of(lines[number - 1], form.separator)
        assert "\ufffd" not in "".join(row.values()) or "\ufffd".encode() in data


def run_reading(seeds: range) -> int:
    """Read spoiled files; return how many could be read."""
    n_read, said = 0, []
    for seed in seeds:
        data, form = spoiled(seed)
        try:
            table = read_table(data, name="x.csv", form=form)
        except AnnularyError as error:
            said.append(str(error))
            continue
        check_reading(table, data, form)
        n_read += 1
    assert all(sentence.startswith("x.csv") for sentence in said)
    return n_read


def received(registry: Path, table: str) -> list[tuple[int, tuple[str | None, ...]]]:
    names = ", ".join(f'r."{name}"' for name in TABLES[table].names)
    with duckdb.connect(str(registry), read_only=True) as connection:
        rows = connection.execute(
            f"SELECT a.line, {names} FROM accepted.{table} a JOIN received.{table} r USING (row_id) ORDER BY a.line"
        ).fetchall()
    return [(row[0], row[1:]) for row in rows]


def run_taking_in(seeds: Iterable[int], folder: Path) -> int:
    """Take spoiled files in; return how many rows were accepted."""
    n_accepted = 0
    for seed in seeds:
        data = spoiled_plainly(seed)
        place = folder / str(seed)
        place.mkdir()
        for name, text in (("sites", SITES), ("athletes", ATHLETES)):
            (place / f"{name}.csv").write_text(text, encoding="utf-8")
        (place / "cases.csv").write_bytes(data)
        try:
            report = take_in(place, registry=place / "r.duckdb", site="north", received_at=CLOCK)
        except AnnularyError:
            assert not (place / "r.duckdb").exists()
            continue
        n_accepted += check_taken(place / "r.duckdb", data, report.refusals == [] and report.files)
    return n_accepted


def spoiled_plainly(seed: int) -> bytes:
    return next(data for data, form in map(spoiled, range(seed * 1_000, seed * 1_000 + 999)) if form == FORMS[0])


def check_taken(registry: Path, data: bytes, files: object) -> int:
    """Compare what the registry holds with the lines of the file; return the number of accepted rows."""
    taken = received(registry, "cases")
    if not files:
        assert taken == []
        return 0
    table = read_table(data, name="cases.csv", form=FORMS[0])
    with duckdb.connect(str(registry), read_only=True) as connection:
        held = {line for (line,) in connection.execute("SELECT line FROM held WHERE file = 'cases.csv'").fetchall()}
    repeated = table.n_rows - len(taken) - len(held)
    assert 0 <= repeated <= table.n_rows - len({row[1][0] for row in taken}) - len(held)
    lines = physical_lines(data, FORMS[0])
    for number, cells in taken:
        assert number not in held
        given = dict(zip(table.header, cells_of(lines[number - 1], ",") or [], strict=True))
        assert {name: cell or "" for name, cell in zip(TABLES["cases"].names, cells, strict=True)} == {
            name: given.get(name, "") for name in TABLES["cases"].names
        }
    return len(taken)


def test_spoiled_files_are_read_honestly_or_refused() -> None:
    assert run_reading(range(300)) > 150


def test_spoiled_files_are_taken_in_honestly_or_refused(tmp_path: Path) -> None:
    assert run_taking_in([13], tmp_path) > 10


@pytest.mark.slow
def test_ten_thousand_spoiled_files_are_read_honestly_or_refused() -> None:
    assert run_reading(range(1_000, 11_000)) > 5_000


@pytest.mark.slow
def test_hundreds_of_spoiled_files_are_taken_in_honestly_or_refused(tmp_path: Path) -> None:
    assert run_taking_in(range(100, 300), tmp_path) > 500
