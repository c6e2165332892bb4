"""``annulary map propose``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def propose(
    file: Annotated[Path, typer.Argument(help="A foreign table: .csv, .tsv, .txt or .xlsx.", metavar="FILE")],
    out: Annotated[
        Path | None,
        typer.Option(
            help="Where the draft is written; nothing is overwritten.", metavar="MAP", show_default="FILE's name"
        ),
    ] = None,
    site: Annotated[str, typer.Option(help="Short code of the site that delivers the file.", metavar="CODE")] = "",
) -> None:
    """Draft a column map for a foreign table: each guess with its confidence, each doubt as a question."""
    from registry.console import aligned
    from registry.errors import NotWritableError
    from registry.proposing import propose_map

    target = out or Path(f"{file.stem}_map.toml")
    if target.exists():
        raise NotWritableError(f"{target} is there already; nothing is overwritten. Name another --out.")
    draft = propose_map(file, site=site)
    try:
        with target.open("x", encoding="utf-8") as written:
            written.write(draft.text)
    except OSError as error:
        raise NotWritableError(f"{target} cannot be written ({error.strerror}); name another --out.") from None
    rows = [
        [name, feeds or "-", "" if confidence is None else f"{confidence:.2f}", asked]
        for name, feeds, confidence, asked in draft.columns
    ]
    typer.echo(aligned(["column", "feeds", "sure", "question"], rows))
    for caution in draft.cautions:
        typer.echo(f"WARNING  {caution}", err=True)
    typer.echo(_next_step(draft.n_questions, file, target), err=True)


PROPOSE_COMMANDS = [("propose", propose)]


def _next_step(n_questions: int, file: Path, target: Path) -> str:
    check = f"annulary map check {file} --map {target}"
    if not n_questions:
        return f"Wrote {target}; no question is open. Read it through, then: {check}"
    asked = "the 1 question" if n_questions == 1 else f"the {n_questions} questions"
    return f"Wrote {target}. Answer {asked} in the file, then: {check}"
