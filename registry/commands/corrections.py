"""``annulary retract``, ``annulary history`` and ``annulary deliveries``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from registry.commands.options import ByOption, RegistryOption

if TYPE_CHECKING:
    import pandas as pd

SHOWN_VANISHED = 20
CsvOption = Annotated[bool, typer.Option("--csv", help="Print as CSV.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print as JSON.")]


def retract(
    table: Annotated[str, typer.Argument(help="The row's table, for example follow_ups.")],
    key: Annotated[
        list[str],
        typer.Argument(help="The row's key, for example case=0012 seen=2024-06-10.", metavar="FIELD=VALUE..."),
    ],
    registry: RegistryOption,
    site: Annotated[str, typer.Option(help="The site whose row it is.", metavar="CODE")],
    because: Annotated[str, typer.Option(help="Why, in a few words; it stays on the books.", metavar="TEXT")],
    by: ByOption = None,
    yes: Annotated[bool, typer.Option("--yes", help="Take along what hangs on the row without asking.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would be taken back; change nothing.")] = False,
) -> None:
    """Take back a row that should never have been sent; it stays on the books and counts no longer."""
    from registry.console import aligned
    from registry.errors import DataError
    from registry.intake.retracting import retract as take_back

    named = _pairs(key)
    call = {"site": site, "table": table, "key": named, "because": because, "taken_by": by}
    planned = take_back(registry, **call, dry_run=True)  # type: ignore[arg-type]
    typer.echo(aligned(["table", "rows"], [[name, n] for name, n in planned.rows.items()]))
    along = sum(planned.along.values())
    if dry_run:
        typer.echo("Dry run: nothing was changed. Without --dry-run these rows are taken back.", err=True)
        return
    if along and not yes and not _agreed(along):
        typer.echo("Nothing was changed. With --yes they go along without a question.", err=True)
        raise typer.Exit(1)
    done = take_back(registry, **call, expected=planned.rows)  # type: ignore[arg-type]
    if done.delivery is None:
        raise DataError("nothing was taken back.")
    n = sum(done.rows.values())
    typer.echo(
        f"{n} row{'s were' if n != 1 else ' was'} taken back in delivery {done.delivery}. The same row, delivered "
        f"again, will be held: annulary held --registry {registry}",
        err=True,
    )


def history(
    case: Annotated[str, typer.Argument(help="The site's own number of the case, leading zeros included.")],
    registry: RegistryOption,
    site: Annotated[str, typer.Option(help="The site whose case it is.", metavar="CODE")],
    as_csv: CsvOption = False,
    as_json: JsonOption = False,
) -> None:
    """Tell what happened to a case: what came when, from whom, what was changed, held or taken back."""
    from registry.console import aligned
    from registry.store.history import case_history

    _one_form(as_csv=as_csv, as_json=as_json)
    frame = case_history(registry, case=case, site=site)
    if not _printed(frame, as_csv=as_csv, as_json=as_json):
        typer.echo(
            aligned(["received", "delivery", "by", "table", "key", "file", "row", "event"], _told(frame), width=150)
        )
    typer.echo(
        f"Cells are shown only where they cannot identify anyone. A row is taken back with annulary retract TABLE "
        f"FIELD=VALUE --registry {registry} --site {site} --because TEXT",
        err=True,
    )


def deliveries(
    registry: RegistryOption,
    site: Annotated[str | None, typer.Option(help="Only this site's.", metavar="CODE")] = None,
    vanished: Annotated[bool, typer.Option("--vanished", help="List the rows that snapshots lacked.")] = False,
    as_csv: CsvOption = False,
    as_json: JsonOption = False,
) -> None:
    """List what was delivered: when, by whom, which files, what of it waits, what a snapshot lacked."""
    from registry.console import aligned
    from registry.store.deliveries import delivered_files, vanished_list

    _one_form(as_csv=as_csv, as_json=as_json)
    lacking = vanished_list(registry, site=site)
    frame = lacking if vanished else delivered_files(registry, site=site)
    if not _printed(frame, as_csv=as_csv, as_json=as_json):
        if not vanished:
            headers = ["no.", "received", "site", "kind", "by", "table", "rows", "held", "file"]
            typer.echo(aligned(headers, _book(frame), width=150))
        if len(lacking):
            if not vanished:
                typer.echo()
            shown = lacking if vanished else lacking.tail(SHOWN_VANISHED)
            typer.echo(aligned(["not in", *shown.columns[1:]], shown.values.tolist(), width=150))
        elif vanished:
            typer.echo("No snapshot lacked a row.")
    typer.echo(_next(lacking, registry, all_shown=vanished), err=True)


COMMANDS = [("retract", retract), ("history", history), ("deliveries", deliveries)]


def _pairs(key: list[str]) -> dict[str, str]:
    from registry.errors import OptionError

    pairs: dict[str, str] = {}
    for part in key:
        name, equals, value = part.partition("=")
        if not equals:
            raise OptionError("a row is named by FIELD=VALUE, for example case=0012 seen=2024-06-10.")
        if name.strip() in pairs:
            raise OptionError("a part of the key was given twice; give each once.")
        pairs[name.strip()] = value
    return pairs


def _agreed(along: int) -> bool:
    hang = "1 row hangs on it and goes along" if along == 1 else f"{along} rows hang on it and go along"
    try:
        return typer.confirm(f"{hang}. Take them back?", err=True)
    except typer.Abort:  # no terminal to answer from
        return False


def _one_form(*, as_csv: bool, as_json: bool) -> None:
    from registry.errors import OptionError

    if as_csv and as_json:
        raise OptionError("choose --json or --csv, not both.")


def _printed(frame: pd.DataFrame, *, as_csv: bool, as_json: bool) -> bool:
    from registry.spreadsheet_text import safe_csv

    if as_csv:
        typer.echo(safe_csv(frame), nl=False)
    elif as_json:
        typer.echo(frame.to_json(orient="records", indent=1, force_ascii=False, date_format="iso", date_unit="s"))
    return as_csv or as_json


def _told(frame: pd.DataFrame) -> list[list[object]]:
    """Return one line an event; what a revision changed stands behind it."""
    from registry.store.history import EVENTS

    lines: list[list[object]] = []
    for row in _texts(frame):
        place = [
            _minute(row["received_at"]),
            *(row[name] for name in ("delivery", "taken_by", "table", "key", "file", "row")),
        ]
        said = EVENTS[row["event"]] + (f" ({row['codes']})" if row["codes"] else "")
        said += f", because: {row['because']}" if row["because"] else ""
        hidden = row["old"] == row["new"]
        change = f"{row['column']}: " + ("changed" if hidden else f"{row['old'] or '-'} -> {row['new'] or '-'}")
        if row["column"] and lines and lines[-1][:-1] == place and row["event"] in ("revised", "mended"):
            lines[-1][-1] = f"{lines[-1][-1]}; {change}"
        else:
            lines.append([*place, f"{said}; {change}" if row["column"] else said])
    return lines


def _book(frame: pd.DataFrame) -> list[list[object]]:
    lines: list[list[object]] = []
    for row in _texts(frame):
        kind = row["kind"]
        if row["period_from"]:
            kind += f" {row['period_from'][:10]} to {row['period_to'][:10]}"
        what = row["file"] or {"refused": "(a file that was refused whole)"}.get(row["standing"], "")
        what += _counted(row["taken_back"], " {} taken back" if kind != "withdrawal" else " {} removed") + _counted(
            row["vanished"], "; {} not in it", "earlier "
        )
        lead = [row["delivery"], _minute(row["received_at"]), row["site"], kind, row["taken_by"]]
        lines.append([*lead, row["table"], row["rows"], row["held_now"], what.strip(" ;")])
    return lines


def _counted(n: str, words: str, kind: str = "") -> str:
    return words.format(f"{n} {kind}row{'s' if n != '1' else ''}") if n not in ("", "0") else ""


def _texts(frame: pd.DataFrame) -> list[dict[str, str]]:
    text = frame.astype("object").where(frame.notna(), "").astype(str)
    return [dict(zip(text.columns, row, strict=True)) for row in text.values.tolist()]


def _minute(moment: str) -> str:
    return moment[:16]


def _next(lacking: pd.DataFrame, registry: Path, *, all_shown: bool) -> str:
    still = lacking[lacking["now"] == "kept"]
    kept = len(still.drop_duplicates(["site", "table", "file", "row", "came_in", "key"]))  # several snapshots lack it
    if not kept:
        return f"What still waits: annulary held --registry {registry}"
    cut = not all_shown and len(lacking) > SHOWN_VANISHED
    more = f" (the last {SHOWN_VANISHED} are shown; all: --vanished)" if cut else ""
    rows = "1 row that a snapshot lacked is" if kept == 1 else f"{kept} rows that a snapshot lacked are"
    return (
        f"{rows} kept all the same{more}. Ask the site; what should go is taken back with annulary retract TABLE "
        f"FIELD=VALUE --registry {registry} --site CODE --because TEXT"
    )
