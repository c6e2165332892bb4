"""The registry's commands: intake, held, freeze, dictionary, template. Work is imported inside the functions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    import pandas as pd

    from registry.intake.report import IntakeReport

RegistryOption = Annotated[
    Path,
    typer.Option("--registry", envvar="ANNULARY_REGISTRY", help="The registry file.", metavar="FILE"),
]
SHOWN_FINDINGS = 40


def intake(
    delivery: Annotated[
        list[Path], typer.Argument(help="A folder of CSV files, or single files, in our column names.")
    ],
    registry: RegistryOption,
    site: Annotated[str, typer.Option(help="Code of the site that delivers.", metavar="CODE")],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would happen; change nothing.")] = False,
    all_findings: Annotated[
        bool, typer.Option("--all", help=f"List every finding, not only the first {SHOWN_FINDINGS}.")
    ] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print the findings as CSV.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the outcome as JSON.")] = False,
) -> None:
    """Check a site's delivery and take it in: good rows are accepted, bad ones are held with their reasons."""
    from registry.errors import OptionError
    from registry.intake.delivery import take_in
    from registry.intake.recognising import ignored_files

    if as_csv and as_json:
        raise OptionError("choose --json or --csv, not both.")
    for name in ignored_files(delivery):
        typer.echo(f"not read (no .csv file): {name}", err=True)

    report = take_in(
        delivery,
        registry=registry,
        site=site,
        dry_run=dry_run,
        progress=lambda step: typer.echo(f"{step} ...", err=True),
    )
    if as_csv:
        typer.echo(report.findings.to_csv(index=False), nl=False)
    elif as_json:
        typer.echo(_report_json(report))
    else:
        _print_report(report, all_findings=all_findings)
    if as_csv or as_json:
        for refusal in report.refusals:
            typer.echo(f"REFUSED  {refusal.sentence}", err=True)
    typer.echo(_next_step(report, registry), err=True)
    raise typer.Exit(report.exit_code)


def held(
    registry: RegistryOption,
    site: Annotated[str | None, typer.Option(help="Only this site's rows.", metavar="CODE")] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print as CSV.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
    dismiss: Annotated[
        int | None, typer.Option(help="Close the held row of this number, which nobody can mend.", metavar="ID")
    ] = None,
    because: Annotated[str | None, typer.Option(help="Why it is dismissed.", metavar="TEXT")] = None,
) -> None:
    """List the rows that are held, with the reason and the mend for each; or dismiss one."""
    from registry.errors import OptionError
    from registry.intake.holding import dismiss as close_held
    from registry.intake.holding import held_rows

    if dismiss is not None:
        if because is None:
            raise OptionError("--dismiss ID needs --because 'why', which stays on the books.")
        close_held(registry, held_id=dismiss, because=because)

    frame = held_rows(registry, site=site)
    if as_csv:
        typer.echo(frame.to_csv(index=False), nl=False)
    elif as_json:
        typer.echo(frame.to_json(orient="records", indent=1, force_ascii=False))
    elif frame.empty:
        typer.echo("No row is held.")
    else:
        typer.echo(_findings_text(frame, lead=["held_id", "site"]))
    n = frame["held_id"].nunique()
    typer.echo(
        f"{n} row{'s' if n != 1 else ''} held. Mend them in the site's file and deliver it again; what is then right "
        "is taken in, and rows that waited for it follow by themselves. A row whose key was mended, or that nobody can "
        "mend, is closed with --dismiss ID --because TEXT."
        if n
        else "Nothing to do.",
        err=True,
    )
    raise typer.Exit(1 if n else 0)


def freeze(
    name: Annotated[str, typer.Argument(help="Name of the freeze, for example season-2025.")],
    registry: RegistryOption,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder that receives it; default: freezes beside the registry.", metavar="DIR"),
    ] = None,
) -> None:
    """Write the registry's current state as an immutable, hashed data package."""
    from registry.store.freeze import freeze as write_freeze

    frozen = write_freeze(name, registry=registry, out=out)
    from registry.console import aligned

    typer.echo(aligned(["table", "rows"], [[table, n] for table, n in frozen.rows.items()]))
    typer.echo(f"content hash {frozen.content_hash}")
    typer.echo(
        "The freeze holds pseudonymised health data. Copies that you hand out cannot be recalled.\n"
        f"Use it with --freeze {frozen.folder}",
        err=True,
    )


def dictionary(
    tables: Annotated[list[str] | None, typer.Argument(help="Tables to print; all when left away.")] = None,
) -> None:
    """Print the data dictionary: every table, field, code, unit and range."""
    from registry.dictionary.printing import printed_dictionary

    typer.echo(printed_dictionary(_known_tables(tables)))


def template(
    tables: Annotated[
        list[str] | None,
        typer.Argument(help="Tables to write; all when left away. 'sheet' is the flat sheet."),
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for the blank files.", metavar="DIR")] = Path("blank"),
) -> None:
    """Write blank CSV files with the right header for each table."""
    from registry.dictionary import SHEET, TABLES
    from registry.dictionary.printing import blank_csv
    from registry.errors import NotWritableError

    known = {SHEET.name: SHEET, **TABLES}
    chosen = _known_tables(tables) or list(known)
    taken = [name for name in chosen if (out / f"{name}.csv").exists()]
    if taken:
        raise NotWritableError(f"{out / taken[0]}.csv is there already; nothing is overwritten. Name another --out.")
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name in chosen:
            (out / f"{name}.csv").write_text(blank_csv(known[name]), encoding="utf-8", newline="")
    except OSError as error:
        raise NotWritableError(f"{out} cannot be written ({error.strerror}); name another --out.") from None
    for name in chosen:
        typer.echo(str(out / f"{name}.csv"))
    typer.echo(
        "Fill the columns that you have, remove optional ones that you lack, and deliver with annulary intake.",
        err=True,
    )


COMMANDS = [
    ("intake", intake),
    ("held", held),
    ("freeze", freeze),
    ("dictionary", dictionary),
    ("template", template),
]


def _known_tables(tables: list[str] | None) -> list[str] | None:
    from registry.dictionary import SHEET, TABLES
    from registry.errors import OptionError, suggestion

    known = [SHEET.name, *TABLES]
    for name in tables or []:
        if name not in known:
            raise OptionError(f"no table '{name}'; there are {', '.join(known)}.{suggestion(name, known)}")
    return tables or None


def _print_report(report: IntakeReport, *, all_findings: bool) -> None:
    from registry.console import aligned

    for refusal in report.refusals:
        typer.echo(f"REFUSED  {refusal.sentence}")
    if report.files:
        rows = [
            [
                file.file,
                file.table,
                file.rows,
                file.held,
                "taken in before; skipped" if file.already_taken else "",
            ]
            for file in report.files
        ]
        typer.echo(aligned(["file", "table", "rows", "held", ""], rows))
    if report.tables:
        typer.echo("")
        typer.echo(
            aligned(
                ["table", "new", "revised", "unchanged", "repeated"],
                [[count.table, count.new, count.revised, count.unchanged, count.repeated] for count in report.tables],
            )
        )
    shown = report.findings if all_findings else report.findings.head(SHOWN_FINDINGS)
    if len(shown):
        typer.echo("")
        typer.echo(_findings_text(shown, lead=[]))
    if len(shown) < len(report.findings):
        typer.echo(f"... and {len(report.findings) - len(shown)} more findings (--all lists them, --csv for a file)")


def _findings_text(frame: pd.DataFrame, *, lead: list[str]) -> str:
    from registry.console import aligned

    columns = [*lead, "file", "row", "column", "code", "message"]
    return aligned(columns, frame[columns].values.tolist(), width=150)


def _report_json(report: IntakeReport) -> str:
    import dataclasses
    import json

    said = {
        "site": report.site,
        "dry_run": report.dry_run,
        "nothing_changed": report.nothing_changed,
        "released": report.released,
        "files": [dataclasses.asdict(file) for file in report.files],
        "tables": [dataclasses.asdict(table) for table in report.tables],
        "refused": [{"file": refusal.file, "message": refusal.sentence} for refusal in report.refusals],
        "findings": report.findings.to_dict(orient="records"),
    }
    return json.dumps(said, indent=1, ensure_ascii=False)


def _next_step(report: IntakeReport, registry: Path) -> str:
    if report.nothing_changed:
        open_rows = f" Of their rows {report.held} still wait for a mend." if report.held else ""
        return (
            "Nothing changed: these files were taken in before, byte for byte; later revisions of their rows stand."
            f"{open_rows}"
        )
    lead = "Dry run: nothing was changed. " if report.dry_run else ""
    released = f"Rows held earlier and released now: {report.released}. " if report.released else ""
    if report.refusals:
        return f"{lead}{released}Mend the refused file and deliver it again."
    if report.held:
        waiting = "1 row is held and waits" if report.held == 1 else f"{report.held} rows are held and wait"
        return f"{lead}{released}{waiting} for a mend: annulary held --registry {registry}"
    return f"{lead}{released}All rows were taken in. Next: annulary distribution --registry {registry}"
