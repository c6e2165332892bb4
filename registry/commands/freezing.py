"""``annulary freeze``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from registry.commands.options import RegistryOption


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


COMMANDS = [("freeze", freeze)]
