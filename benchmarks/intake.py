"""An intake of exposure rows: ``take_in`` against pandas, the exported pandera schema and an insert into DuckDB.

Each side runs in a process of its own, so that its peak of memory is its own. The other side does less: no keys across
rows, no parents, nothing held for a mend, nothing derived. Where it can do the same, both must accept the same rows.
"""

from __future__ import annotations

import argparse
import csv
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import date, datetime, timedelta
from pathlib import Path

KINDS = ("clean", "bad", "quoted", "ragged")
CLOCK = datetime(2026, 6, 30, 12, 0)
HEADER = (
    *("athlete", "starts_on", "ends_on", "discipline", "setting", "context"),
    *("minutes_total", "sessions_total", "climbers", "method"),
)
DISCIPLINES = ("bouldering", "lead", "speed", "board")
WRONG = ((1, "2023-02-31"), (3, "lade"), (6, "12,5"), (9, "guess"))
WEEKS = 100
SITES = (
    "site,kind,case_definition,exposure_method,pseudonym_pattern\nnorth,squad,any_complaint,logged,[A-Z]{2}[0-9]{6}\n"
)


def rows(kind: str, n: int) -> Iterator[list[str]]:
    """Yield n invented rows of a diary; of the bad and the ragged file every second one has a fault."""
    weeks = [date(2023, 1, 2) + timedelta(days=7 * week) for week in range(WEEKS)]
    spans = [(day.isoformat(), (day + timedelta(days=6)).isoformat()) for day in weeks]
    for i in range(n):
        row = [f"AB{i // WEEKS:06}", *spans[i % WEEKS], DISCIPLINES[i % 4], "indoor", "training", str(30 + i % 200)]
        row += [str(1 + i % 5), "1", "logged"]
        if kind == "bad" and i % 2:
            place, cell = WRONG[i // 2 % 4]
            row[place] = cell
        yield row[: 9 + 2 * (i // 2 % 2)] + ["1"] * (i // 2 % 2) if kind == "ragged" and i % 2 else row


def write_delivery(folder: Path, *, kind: str, n: int) -> None:
    (folder / "sites.csv").write_text(SITES, encoding="utf-8")
    people = "".join(f"AB{i:06},female,1990\n" for i in range((n + WEEKS - 1) // WEEKS))
    (folder / "athletes.csv").write_text(f"athlete,sex,birth_year\n{people}", encoding="utf-8")
    with (folder / "exposure.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, quoting=csv.QUOTE_ALL if kind == "quoted" else csv.QUOTE_MINIMAL, lineterminator="\n")
        writer.writerow(HEADER)
        writer.writerows(rows(kind, n))


def ours(folder: Path) -> int:
    from registry import take_in

    report = take_in(folder, registry=folder / "ours.duckdb", site="north", received_at=CLOCK)
    return sum(count.new for count in report.tables if count.table == "exposure")


def other(folder: Path) -> int:
    import duckdb
    import pandas as pd

    from registry.dictionary import TABLES
    from registry.dictionary.pandera_schema import faults, pandera_schema

    # Without on_bad_lines a ragged file ends in an error and nothing is taken in.
    frame = pd.read_csv(folder / "exposure.csv", dtype=str, keep_default_na=False, on_bad_lines="skip")
    schema = pandera_schema(TABLES["exposure"], received_on=CLOCK.date(), pattern="[A-Z]{2}[0-9]{6}")
    found = faults(schema, frame)
    good = frame[~frame.index.isin(found["row"].dropna())]
    with duckdb.connect(str(folder / "other.duckdb")) as connection:
        connection.register("good", good)
        connection.execute(
            "CREATE TABLE exposure AS SELECT * REPLACE (CAST(starts_on AS DATE) AS starts_on, CAST(ends_on AS DATE) "
            "AS ends_on, CAST(minutes_total AS BIGINT) AS minutes_total) FROM good"
        )
    return len(good)


SIDES: dict[str, Callable[[Path], int]] = {"ours": ours, "other": other}


def measure(side: str, folder: Path) -> None:
    """Run one side and print its time, its peak of memory and the rows that it accepted.

    Seconds on the clock, and seconds of processor time, which another busy program does not lengthen much.
    """
    started, worked = time.perf_counter(), time.process_time()
    accepted = SIDES[side](folder)
    seconds, processor = time.perf_counter() - started, time.process_time() - worked
    megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"seconds": seconds, "processor": processor, "megabytes": megabytes, "accepted": accepted}))


def run(side: str, folder: Path) -> dict[str, float]:
    command = [sys.executable, __file__, "--measure", side, "--folder", str(folder)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    said: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return said


def main(n: int) -> None:
    print(f"{n:,} rows; seconds on the clock (of processor time), peak of memory")
    print(f"{'file':8} {'ours':>26} {'other':>26} {'time ratio':>11}   accepted")
    for kind in KINDS:
        with tempfile.TemporaryDirectory() as place:
            write_delivery(Path(place), kind=kind, n=n)
            mine, theirs = run("ours", Path(place)), run("other", Path(place))
        figures = [
            f"{side['seconds']:6.1f} s ({side['processor']:5.1f}) {side['megabytes']:5.0f} MB"
            for side in (mine, theirs)
        ]
        ratio = theirs["seconds"] / mine["seconds"]
        accepted = f"{mine['accepted']:,} / {theirs['accepted']:,}"
        print(f"{kind:8} {figures[0]:>26} {figures[1]:>26} {ratio:11.1f}   {accepted}", flush=True)
        if kind != "ragged" and mine["accepted"] != theirs["accepted"]:
            sys.exit("the two do not accept the same rows")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--measure", choices=sorted(SIDES), help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.measure:
        measure(options.measure, options.folder)
    else:
        main(options.rows)
