"""``annulary intake``."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from registry.commands.findings_text import findings_text
from registry.commands.options import ByOption, RegistryOption
from registry.commands.progress import shown_progress

if TYPE_CHECKING:
    from registry.intake.report import IntakeReport

SHOWN_FINDINGS = 40


def intake(  # noqa: PLR0913, PLR0917 - one option each
    delivery: Annotated[
        list[Path],
        typer.Argument(help="A folder or files: CSV or XLSX in our columns, or in the site's own with --map."),
    ],
    registry: RegistryOption,
    site: Annotated[str, typer.Option(help="Code of the site that delivers.", metavar="CODE")],
    maps: Annotated[
        list[Path] | None,
        typer.Option(
            "--map", help="Column map for files in the site's own columns; may be repeated.", metavar="MAP.toml"
        ),
    ] = None,
    snapshot: Annotated[
        bool,
        typer.Option(
            "--snapshot/--increment",
            help="A snapshot holds every row of its period: vanished rows are reported. An increment adds.",
        ),
    ] = False,
    starts: Annotated[
        str | None, typer.Option("--from", help="First day that the snapshot covers.", metavar="DATE")
    ] = None,
    ends: Annotated[str | None, typer.Option("--to", help="Last day that the snapshot covers.", metavar="DATE")] = None,
    by: ByOption = None,
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
    from registry.intake.files import hidden_sheets
    from registry.intake.recognising import READ_AS_OURS, READ_WITH_A_MAP, delivered_files, ignored_files
    from registry.spreadsheet_text import safe_csv

    if as_csv and as_json:
        raise OptionError("choose --json or --csv, not both.")
    endings = READ_WITH_A_MAP if maps else READ_AS_OURS
    for name in ignored_files(delivery, endings=endings):
        typer.echo(f"not read (none of {', '.join(endings)}): {name}", err=True)

    for path in delivered_files(delivery, endings=endings):
        for name in hidden_sheets(path) if path.suffix.lower() == ".xlsx" else ():
            typer.echo(f"not read: {name}", err=True)

    with shown_progress() as progress:
        report = take_in(
            delivery,
            registry=registry,
            site=site,
            maps=maps or (),
            snapshot=snapshot,
            period=_period(starts, ends),
            taken_by=by,
            dry_run=dry_run,
            progress=progress,
        )
    if as_csv:
        typer.echo(safe_csv(report.findings), nl=False)
    elif as_json:
        typer.echo(_report_json(report))
    else:
        _print_report(report, all_findings=all_findings)
    if as_csv or as_json:
        for refusal in report.refusals:
            typer.echo(f"REFUSED  {refusal.sentence}", err=True)
    typer.echo(_next_step(report, registry), err=True)
    raise typer.Exit(report.exit_code)


COMMANDS = [("intake", intake)]


def _period(starts: str | None, ends: str | None) -> tuple[date, date] | None:
    from registry.errors import OptionError

    if starts is None and ends is None:
        return None
    if starts is None or ends is None:
        raise OptionError("a period needs both days: --from 2025-01-01 --to 2025-12-31.")
    try:
        return date.fromisoformat(starts), date.fromisoformat(ends)
    except ValueError:
        raise OptionError("a day is written as 2025-12-31; check --from and --to.") from None


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
        typer.echo(findings_text(shown, lead=[]))
    if len(shown) < len(report.findings):
        typer.echo(f"... and {len(report.findings) - len(shown)} more findings (--all lists them, --csv for a file)")


def _report_json(report: IntakeReport) -> str:
    import dataclasses
    import json

    said = {
        "site": report.site,
        "dry_run": report.dry_run,
        "nothing_changed": report.nothing_changed,
        "released": report.released,
        "vanished": report.vanished,
        "total_rows": report.total_rows,
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
    if report.vanished:
        n = sum(report.vanished.values())
        lead += (
            f"{n} earlier row{'s are' if n != 1 else ' is'} not in this snapshot; nothing was removed "
            f"(annulary deliveries --registry {registry} names them, annulary retract takes one back). "
        )
    released = f"Rows held earlier and released now: {report.released}. " if report.released else ""
    if report.refusals:
        return f"{lead}{released}Mend the refused file and deliver it again."
    if report.held:
        waiting = "1 row is held and waits" if report.held == 1 else f"{report.held} rows are held and wait"
        return f"{lead}{released}{waiting} for a mend: annulary held --registry {registry}"
    return f"{lead}{released}All rows were taken in. Next: annulary distribution --registry {registry}"
