"""``annulary verify`` and ``annulary withdraw``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from registry.commands.options import ByOption, RegistryOption

if TYPE_CHECKING:
    from registry.store.withdrawing import Withdrawal


def verify(
    registry: Annotated[Path, typer.Argument(help="The registry file.", metavar="REGISTRY")],
    freezes: Annotated[
        Path | None,
        typer.Option(help="Folder of freezes besides those that the registry knows of.", metavar="DIR"),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the outcome as JSON.")] = False,
) -> None:
    """Recompute every checksum of the registry and its freezes, and name what does not match."""
    from registry.console import aligned
    from registry.store.verifying import verify_registry

    outcome = verify_registry(registry, freezes=freezes)
    if as_json:
        import dataclasses
        import json

        typer.echo(json.dumps(dataclasses.asdict(outcome), indent=1, ensure_ascii=False))
    else:
        typer.echo(aligned(["looked at", "n"], [list(pair) for pair in outcome.checked]))
        if outcome.mismatches:
            rows = [[m.where, _or_blank(m.row), _or_blank(m.delivery), m.what] for m in outcome.mismatches]
            typer.echo("\n" + aligned(["where", "row", "delivery", "what does not match"], rows, width=150))
    for remark in outcome.remarks:
        typer.echo(remark, err=True)
    n = len(outcome.mismatches)
    typer.echo(
        f"{n} mismatch{'es' if n != 1 else ''}. Nothing was changed: take the latest untouched copy or freeze, and "
        "find out who or what wrote to the file."
        if n
        else "Everything matches. The checksums show damage and stray edits; against a forger, note the content hash "
        "of a freeze elsewhere.",
        err=True,
    )
    raise typer.Exit(1 if n else 0)


def withdraw(
    athlete: Annotated[str, typer.Argument(help="The climber's pseudonym, as the site gave it.", metavar="ATHLETE")],
    registry: RegistryOption,
    site: Annotated[str, typer.Option(help="Code of the site whose climber it is.", metavar="CODE")],
    because: Annotated[str | None, typer.Option(help="A word for the books; no name.", metavar="TEXT")] = None,
    freezes: Annotated[
        Path | None,
        typer.Option(help="Folder of freezes besides those that the registry knows of.", metavar="DIR"),
    ] = None,
    by: ByOption = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask for the pseudonym again.")] = False,
) -> None:
    """Honour a withdrawn consent: remove a climber from the registry file, its kept copies and its freezes."""
    from registry.errors import OptionError
    from registry.store.withdrawing import withdraw as withdraw_climber

    if not yes:
        again = typer.prompt(
            "Every row of this climber will be gone for good. Type the pseudonym again", err=True, default=""
        )
        if again.strip() != athlete:
            raise OptionError("that is not the same pseudonym. Nothing was changed.")
    outcome = withdraw_climber(registry, site=site, athlete=athlete, because=because, taken_by=by, freezes=freezes)
    _print_withdrawal(outcome)
    _say_what_stays(outcome, registry)


COMMANDS = [("verify", verify), ("withdraw", withdraw)]


def _or_blank(number: int | None) -> object:
    return "" if number is None else number


def _print_withdrawal(outcome: Withdrawal) -> None:
    from registry.console import aligned

    if outcome.rows:
        typer.echo(aligned(["table", "rows gone"], [[table, n] for table, n in outcome.rows.items()]))
    else:
        typer.echo("The registry held no row of this climber any more.")
    for copy in outcome.copies:
        typer.echo(f"removed the kept copy {copy}")
    for one in outcome.freezes:
        typer.echo(f"re-issued {one.old} as {one.new} (content hash {one.new_hash[:12]})")


def _say_what_stays(outcome: Withdrawal, registry: Path) -> None:
    for sentence in outcome.left:
        typer.echo(f"STILL TO DO  {sentence}", err=True)
    typer.echo(
        "Copies, freezes and reports that were handed out cannot be recalled, nor backups made by others: ask whoever "
        "has them. Delete the deliveries and the sheets of held rows that lie about. Totals of squads stay. Rows of "
        "this climber that are delivered later are neither taken in nor kept.\n"
        f"Next: annulary verify {registry}",
        err=True,
    )
