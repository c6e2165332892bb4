"""``annulary distribution``: which finger, which structure."""

from __future__ import annotations

from typing import Annotated

import typer

from reports.commands.opening import AsCsv, AsJson, Freeze, Registry, opened
from reports.commands.showing import FigureFile, listed, next_step, show

FINDINGS_COLUMNS = {"structure", "joint", "extent", "seen_by", "family"}


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
    wanted = [["digit"], ["structure"]] if alone else [listed(by or "digit")]
    with opened(registry, freeze) as view:
        results = [
            estimate(view, by=names, of="findings" if FINDINGS_COLUMNS & set(names) else "cases") for names in wanted
        ]
        show(results, view, as_json=as_json, as_csv=as_csv, figure=figure)
    next_step("annulary distribution --by structure,digit --figure fingers.svg", registry, freeze)


COMMANDS = [("distribution", distribution)]
