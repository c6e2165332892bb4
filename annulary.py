"""The front door: one command line that collects each folder's commands, and the face for notebooks.

>>> import annulary
>>> "return_curves" in dir(annulary)
True
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
from datetime import date
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer

_FACE = {
    "registry": ("derived_tables", "freeze", "grade_pulleys", "open_freeze", "open_registry", "take_in"),
    "analysis": (
        "adjust_p",
        "adjusted_odds_ratios",
        "agreement",
        "compare_distributions",
        "difference",
        "distribution",
        "dominant_hand",
        "e_value",
        "event_rates",
        "exact_p",
        "incidence_rates",
        "matched_odds_ratios",
        "mechanism_odds",
        "odds_ratios",
        "pool_estimates",
        "proportion",
        "return_curves",
        "risks",
        "simultaneous_proportions",
        "survival_curves",
        "trend_test",
    ),
    "reports": ("draw", "season_report"),
    "synthetic_data": ("write_federation",),
}
_HOMES = {name: home for home, names in _FACE.items() for name in names}
__all__ = [*_HOMES, "application", "main"]  # noqa: PLE0604 (all are strings)


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'annulary' has no attribute '{name}'")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    """List the names that notebooks may use."""
    return sorted(__all__)


def application() -> typer.Typer:
    """Return the command line with every folder's commands."""
    app = typer.Typer(
        name="annulary",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        help="A registry of climbers' finger injuries. Group statistics only: not for diagnosing, treating or "
        "clearing a person to climb.",
    )
    app.command("tour")(tour)
    for room in ("registry", "reports", "synthetic_data"):
        commands = import_module(f"{room}.commands")
        for name, function in commands.COMMANDS:
            app.command(name)(function)
        for name, words, members in getattr(commands, "GROUPS", []):
            group = typer.Typer(no_args_is_help=True, help=words)
            for member, function in members:
                group.command(member)(function)
            app.add_typer(group, name=name)
    return app


def tour(
    out: Annotated[Path, typer.Option(help="Folder for the tour; must not exist yet.")] = Path("tour"),
    climbers: Annotated[int, typer.Option(help="Size of the invented federation.", min=20)] = 1000,
    seed: Annotated[int, typer.Option(help="Another seed makes another federation.", min=0)] = 20260630,
) -> None:
    """Show the whole road on an invented federation: deliveries, registry, freeze, season report."""
    from registry.errors import NotWritableError

    if out.exists():
        raise NotWritableError(f"{out} is there already; remove it, or name another folder with --out.")
    partial = out.with_name(f".{out.name}.partial")
    shutil.rmtree(partial, ignore_errors=True)
    said = _walk(partial, climbers=climbers, seed=seed)
    os.replace(partial, out)
    typer.echo(said)
    typer.echo("Everything in it is invented. Open these:")
    for place, what in (
        ("season/season.html", "the season report (in a browser)"),
        ("season/numbers.json", "every number in it, for programs"),
        ("deliveries", "what the sites sent, as CSV"),
        ("freezes/last-season", "the freeze: the data package that the report was made from"),
        ("federation.duckdb", f"the registry; try: annulary return --registry {out / 'federation.duckdb'}"),
    ):
        typer.echo(f"  {out / place}  {what}")


def _walk(folder: Path, *, climbers: int, seed: int) -> str:
    """Write deliveries, take them in, freeze and report; return what was made, in a sentence."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from registry import freeze, open_freeze, take_in
    from reports import season_report
    from synthetic_data import true_parameters, write_federation

    season, file, held = true_parameters().last_season, folder / "federation.duckdb", 0
    columns = (TextColumn("{task.description:<34}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        making = progress.add_task("inventing a federation", total=1.0)
        federation = write_federation(
            folder / "deliveries",
            climbers=climbers,
            seed=seed,
            progress=lambda share: progress.update(making, completed=share),
        )
        progress.update(making, completed=1.0)
        taking = progress.add_task("taking in", total=len(federation.sites))
        for site in federation.sites:
            progress.update(taking, description=f"taking in {site.code}")
            held += take_in(site.folder, registry=file, site=site.code).held
            progress.advance(taking)
        freezing = progress.add_task("freezing", total=1)
        frozen = freeze("last-season", registry=file, out=folder / "freezes")
        progress.advance(freezing)
        writing = progress.add_task("writing the season report", total=1)
        with open_freeze(frozen.folder) as view:
            season_report(view, starts_on=date(season, 1, 1), ends_on=date(season, 12, 31), out=folder / "season")
        progress.advance(writing)
    return f"{len(federation.sites)} sites, {frozen.rows['data/cases']} injured fingers, {held} rows held."


def main() -> None:
    """Run the command line; the one place that catches everything.

    A library's message may repeat a cell of a delivery, so an unexpected error shows its kind and its place in the
    code, never its message.
    """
    from registry.errors import AnnularyError

    # Matrices are small here: on a busy machine the threads of linear algebra cost seconds and give nothing.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    before = signal.signal(signal.SIGINT, _stop)
    try:
        application()()
    except AnnularyError as error:
        print(f"annulary: {error}", file=sys.stderr)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        sys.exit(0)
    except Exception as error:
        print(
            f"annulary: something went wrong that should have been caught ({_kind_and_place(error)}). "
            "Please report these words; nothing half done was kept.",
            file=sys.stderr,
        )
        sys.exit(2)
    finally:
        signal.signal(signal.SIGINT, before)


def _stop(*_: object) -> None:
    """Leave at once on Ctrl-C: libraries would wrap the interruption into errors of their own.

    What was being written is either whole or not there: transactions that were not committed, and folders that were
    not yet renamed, are dropped.
    """
    print("\nannulary: stopped; nothing half done was kept.", file=sys.stderr, flush=True)
    os._exit(130)


def _kind_and_place(error: Exception) -> str:
    frame = error.__traceback__
    while frame is not None and frame.tb_next is not None:
        frame = frame.tb_next
    place = "" if frame is None else f" at {Path(frame.tb_frame.f_code.co_filename).name}:{frame.tb_lineno}"
    return f"{type(error).__name__}{place}"


if __name__ == "__main__":
    main()
