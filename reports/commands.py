"""The commands that print estimates and write the season report."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from reports import alike_command
from reports.opening import AsCsv, AsJson, Freeze, Registry, opened

if TYPE_CHECKING:
    from analysis.results import Result
    from registry.store.view import View

FigureFile = Annotated[
    Path | None, typer.Option("--figure", help="Also draw it, to a .svg, .png or .pdf file.", show_default=False)
]
FINDINGS_COLUMNS = {"structure", "joint", "extent", "seen_by", "family"}
REFERENCES = {"grip": "open_hand", "mechanism": "slow_pull"}
"""What others are compared with unless --reference says otherwise: the gentlest of its list in common use."""


def distribution(
    registry: Registry = None,
    freeze: Freeze = None,
    by: Annotated[
        str | None,
        typer.Option(
            help="A column, or two with a comma for a cross-table (structure,digit). Without it: digit, then "
            "structure; --json, --csv and --figure then take digit.",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    figure: FigureFile = None,
) -> None:
    """Count injured fingers or structures, with shares and limits."""
    from analysis.shares import distribution as estimate

    alone = by is None and not (as_json or as_csv)
    wanted = [["digit"], ["structure"]] if alone else [_listed(by or "digit")]
    with opened(registry, freeze) as view:
        results = [
            estimate(view, by=names, of="findings" if FINDINGS_COLUMNS & set(names) else "cases") for names in wanted
        ]
        _print(results, view, as_json=as_json, as_csv=as_csv, figure=figure)
    _next("annulary distribution --by structure,digit --figure fingers.svg", registry, freeze)


def odds(  # noqa: PLR0913, PLR0917 (a command's options are its parameters)
    registry: Registry = None,
    freeze: Freeze = None,
    outcome: Annotated[
        str, typer.Option(help="COLUMN=VALUE[,VALUE]: the cases that have the outcome, against all other known ones.")
    ] = "pulley_grade=III,IV",
    exposure: Annotated[str, typer.Option(help="Column whose levels are compared.")] = "grip",
    reference: Annotated[
        str | None,
        typer.Option(
            help="Level to compare with. Default: open_hand for grip, slow_pull for mechanism, else the first.",
            show_default=False,
        ),
    ] = None,
    strata: Annotated[
        str | None, typer.Option(help="Column over which a common ratio is pooled.", show_default=False)
    ] = None,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    figure: FigureFile = None,
) -> None:
    """Compare the injured with each other: which grip or mechanism goes with which injury (adults)."""
    from analysis.odds import odds_ratios
    from analysis.sources import cases_of
    from reports.outcomes import gradual_set_apart, read_outcome, with_outcome

    asked = read_outcome(outcome)
    with opened(registry, freeze) as view:
        cases = with_outcome(gradual_set_apart(cases_of(view)), asked)
        result = odds_ratios(
            cases,
            people="adults",
            outcome=asked.name,
            exposure=exposure,
            reference=reference or REFERENCES.get(exposure),
            strata=strata,
        )
        _print([result], view, as_json=as_json, as_csv=as_csv, figure=figure)
    _next("annulary odds --exposure mechanism --figure mechanism.svg", registry, freeze)


def return_(  # noqa: PLR0913, PLR0917 (a command's options are its parameters)
    registry: Registry = None,
    freeze: Freeze = None,
    by: Annotated[str, typer.Option(help="Column that makes the groups; 'none' for one group.")] = "tier",
    milestone: Annotated[str, typer.Option(help="modified, full or previous_level climbing.")] = "full",
    sustained: Annotated[
        bool, typer.Option("--sustained", help="Count a return only if no step back follows within 28 days.")
    ] = False,
    people: Annotated[str, typer.Option(help="adults, minors or age_unknown; never pooled.")] = "adults",
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    figure: FigureFile = None,
) -> None:
    """Estimate how long until people climb again, by severity tier."""
    from analysis.returns import return_curves

    estimate: Callable[..., Result] = return_curves
    with opened(registry, freeze) as view:
        groups = None if by.lower() == "none" else by
        result = estimate(view, by=groups, milestone=milestone, sustained=sustained, people=people)
        _print([result], view, as_json=as_json, as_csv=as_csv, figure=figure)
    _next("annulary return --milestone previous_level --figure curves.svg", registry, freeze)


def incidence(
    registry: Registry = None,
    freeze: Freeze = None,
    by: Annotated[
        str | None,
        typer.Option(
            help="season, site, discipline, setting, context, sex, age_band, minor or level; several with commas.",
            show_default=False,
        ),
    ] = None,
    reference: Annotated[
        str | None, typer.Option(help="Level with which the others are compared.", show_default=False)
    ] = None,
    per: Annotated[float, typer.Option(help="State the rate per this many hours and sessions.", min=1)] = 1000,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    figure: FigureFile = None,
) -> None:
    """Estimate injuries per 1000 hours and per 1000 sessions of observed climbing."""
    from analysis.incidence import incidence_rates

    with opened(registry, freeze) as view:
        names = _listed(by) if by else None
        result = incidence_rates(view, by=names, reference=reference, per=per)
        _print([result], view, as_json=as_json, as_csv=as_csv, figure=figure)
    _next("annulary incidence --by discipline --figure rates.svg", registry, freeze)


def season(
    starts_on: Annotated[str, typer.Option("--from", help="First day, as YYYY-MM-DD.", show_default=False)],
    ends_on: Annotated[str, typer.Option("--to", help="Last day, as YYYY-MM-DD.", show_default=False)],
    registry: Registry = None,
    freeze: Freeze = None,
    out: Annotated[Path, typer.Option(help="Folder for the page, tables, figures and numbers.json.")] = Path("season"),
) -> None:
    """Write a season report: one page that prints, its tables, figures and numbers. Every page is INTERNAL."""
    from reports.season.report import season_report

    days = (_day(starts_on, "--from"), _day(ends_on, "--to"))
    with opened(registry, freeze) as view:
        written = season_report(view, starts_on=days[0], ends_on=days[1], out=out)
    typer.echo(str(written.page))
    typer.echo(
        f"Also written: {written.numbers}, {len(written.tables)} tables, {len(written.figures)} figure files.\n"
        "INTERNAL: small numbers are shown as they are. Do not pass it on.",
        err=True,
    )
    typer.echo(f"next: open {written.page} in a browser; print it from there.", err=True)


COMMANDS: list[tuple[str, Callable[..., None]]] = [
    ("distribution", distribution),
    ("odds", odds),
    ("return", return_),
    ("incidence", incidence),
    ("season", season),
    *alike_command.COMMANDS,
]


def _listed(words: str) -> list[str]:
    return [word.strip() for word in words.split(",") if word.strip()]


def _day(words: str, option: str) -> date:
    from registry.errors import OptionError

    try:
        return date.fromisoformat(words)
    except ValueError:
        raise OptionError(f"{option} takes a day as YYYY-MM-DD, for example 2025-01-31.") from None


def _print(results: list[Any], view: View, *, as_json: bool, as_csv: bool, figure: Path | None) -> None:
    from registry.errors import OptionError
    from reports import terminal

    if as_json and as_csv:
        raise OptionError("choose --json or --csv, not both.")
    first = results[0]
    if as_json:
        typer.echo(terminal.result_json(first, identity=view.identity), nl=False)
    elif as_csv:
        typer.echo(terminal.result_csv(first), nl=False)
    else:
        width = _terminal_width()
        typer.echo("\n\n".join(terminal.result_text(result, width=width) for result in results))
    for result in results:
        typer.echo("\n" + "\n".join(terminal.result_said(result)), err=True)
    cautions = dict.fromkeys(caution.sentence for result in results for caution in terminal.result_cautions(result))
    typer.echo("\n" + "\n".join(f"caution: {sentence}" for sentence in cautions), err=True)
    if figure is not None:
        _draw(first, figure)


def _draw(result: Result, place: Path) -> None:
    from reports.cautions import PICTURE_MARK
    from reports.pictures.drawing import draw
    from reports.pictures.style import marked, save

    save(marked(draw(result), PICTURE_MARK), place)
    typer.echo(f"figure: {place}", err=True)


def _terminal_width() -> int | None:
    import shutil
    import sys

    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def _next(command: str, registry: Path | None, freeze: Path | None) -> None:
    """Print a command that runs as it stands: with the data that were named on this command line."""
    import os
    import shlex

    if freeze is not None:
        command += f" --freeze {shlex.quote(str(freeze))}"
    elif registry is not None and str(registry) != os.environ.get("ANNULARY_REGISTRY"):
        command += f" --registry {shlex.quote(str(registry))}"
    typer.echo(f"next: {command}", err=True)
