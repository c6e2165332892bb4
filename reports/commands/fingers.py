"""``annulary distribution``: which finger, which structure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from reports.commands.opening import AsCsv, AsJson, Freeze, Registry, opened
from reports.commands.showing import FigureFile, listed, next_step, show

if TYPE_CHECKING:
    from registry.store.view import View

FINDINGS_COLUMNS = {"structure", "joint", "extent", "seen_by", "family"}


def distribution(  # noqa: PLR0913, PLR0917 (a command's options are its parameters)
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
    compare: Annotated[
        str | None,
        typer.Option(
            help="COLUMN=FIRST,SECOND: two seasons or sites side by side, for example season=2024,2025.",
            show_default=False,
        ),
    ] = None,
    dominant: Annotated[
        bool, typer.Option("--dominant", help="Dominant against other hand: sign test, one case a climber.")
    ] = False,
    limits: Annotated[
        bool, typer.Option("--limits", help="Also print limits that hold for all rows together, and bootstrap limits.")
    ] = False,
    picture: Annotated[
        str | None,
        typer.Option(help="With --figure: hands, bars or heat, instead of the usual picture.", show_default=False),
    ] = None,
    size: Annotated[
        str | None,
        typer.Option(help="With --figure: slide, or column for a printed column.", show_default=False),
    ] = None,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    figure: FigureFile = None,
) -> None:
    """Count injured fingers or structures, with shares and limits."""
    _refuse_mixtures(by, compare, dominant=dominant, limits=limits)
    alone = by is None and not (as_json or as_csv)
    with opened(registry, freeze) as view:
        results = _compared(view, by, compare) if compare else _dominant(view) if dominant else _shares(view, by, alone)
        show(results, view, as_json=as_json, as_csv=as_csv, figure=figure, picture=picture, size=size)
        if limits and not (as_json or as_csv):
            _print_limits(results)
        following = _next(view, compare, by)
    next_step(following, registry, freeze)


def _refuse_mixtures(by: str | None, compare: str | None, *, dominant: bool, limits: bool) -> None:
    from registry.errors import OptionError

    if dominant and (by or compare):
        raise OptionError("--dominant stands alone: it compares the two hands; leave out --by and --compare.")
    if limits and (dominant or compare):
        raise OptionError("--limits goes with --by; a comparison prints its only limits anyway.")


def _shares(view: View, by: str | None, alone: bool) -> list[Any]:
    from analysis.shares import distribution as estimate

    wanted = [["digit"], ["structure"]] if alone else [listed(by or "digit")]
    return [estimate(view, by=names, of=_of(names)) for names in wanted]


def _compared(view: View, by: str | None, compare: str) -> list[Any]:
    from analysis.standardised import compare_distributions
    from registry.errors import OptionError

    between, _, words = compare.partition("=")
    groups, columns = listed(words), listed(by or "digit")
    if not between.strip() or len(groups) != 2:
        raise OptionError("--compare is written COLUMN=FIRST,SECOND, for example season=2024,2025.")
    if len(columns) != 1:
        raise OptionError(f"--compare goes with one column in --by; '{by}' names {len(columns)}.")
    first, second = groups
    result = compare_distributions(
        view, by=columns[0], between=between.strip(), first=first, second=second, of=_of([*columns, between.strip()])
    )
    return [result]


def _dominant(view: View) -> list[Any]:
    from analysis.dominance import dominant_hand

    return [dominant_hand(view)]


def _of(columns: list[str]) -> Any:
    return "findings" if FINDINGS_COLUMNS & set(columns) else "cases"


def _print_limits(results: list[Any]) -> None:
    from reports.tables.shares import limits_table
    from reports.terminal import aligned

    typer.echo("\n" + "\n\n".join(aligned(limits_table(result, "distribution")) for result in results))


def _next(view: View, compare: str | None, by: str | None) -> str:
    """Name a step that these data allow."""
    from analysis.tallies import counts_by_cell

    if not compare and by and "," in by:
        seasons = [str(season) for season in counts_by_cell(view.table("cases"), "season")["season"] if season]
        if len(seasons) > 1:
            return f"annulary distribution --compare season={','.join(seasons[-2:])}"
    return "annulary distribution --by structure,digit --figure fingers.svg"


COMMANDS = [("distribution", distribution)]
