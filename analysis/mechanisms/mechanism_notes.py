"""What the reader of a comparison of several exposures has to know, and how it would stand in a methods section."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from analysis.mechanisms.mechanism_models import Asked, Piece
from analysis.results import Note, OddsRatios
from analysis.thresholds import IMPUTATIONS


def notes_of(
    pieces: Sequence[Piece], products: Mapping[str, OddsRatios], *, strata: str | None = None
) -> tuple[Note, ...]:
    """Gather the notes of all pieces; where there are several exposures, each note names its own.

    Parameters
    ----------
    pieces
        One an exposure.
    products
        The models of products of two columns, by name.
    strata
        The column over which crude ratios are pooled.
    """
    several = len(pieces) > 1
    notes: list[Note] = []
    for piece in pieces:
        of_it = [note for result in (piece.crude, piece.model) if result is not None for note in result.notes]
        told = [*of_it, *_counted(piece, several=several)]
        notes += [Note(note.code, f"{piece.exposure}: {note.sentence}") for note in told] if several else told
    for name, model in products.items():
        notes += [Note(note.code, f"{name}: {note.sentence}") for note in model.notes]
    models = [piece.model for piece in pieces if piece.model is not None]
    if strata and any(strata not in (*model.exposures, *model.covariates) for model in models):
        sentence = (
            f"The adjusted ratios are not adjusted for '{strata}', over which others are pooled; adjust for it too."
        )
        notes.append(Note("strata_not_adjusted", sentence))
    return tuple(dict.fromkeys(notes))


def _counted(piece: Piece, *, several: bool) -> Iterator[Note]:
    """Say which rows stand behind an exposure where the result's own count does not tell it."""
    first, model = piece.first, piece.model
    if several:
        yield Note("rows_used", f"{first.n_rows_used} of {first.n_rows_in} rows{_because(first)}.")
    if piece.crude is not None and model is not None and model.n_rows_used < first.n_rows_used:
        yield Note(
            "fewer_rows_adjusted",
            f"The adjusted ratios rest on {model.n_rows_used} of the {first.n_rows_used} rows{_because(model)}.",
        )
    if piece.unadjusted is not None:
        table = piece.unadjusted.table
        alone = table[table["exposure"] == piece.exposure].drop_duplicates("level")
        ratios = ", ".join(f"{row.level} {row.estimate:.2f}" for row in alone.itertuples())
        yield Note("unadjusted", f"Without covariates the ratios within sets are: {ratios}.")


def _because(result: OddsRatios) -> str:
    reasons = "; ".join(f"{row.n} {row.reason}" for row in result.left_out.itertuples())
    return f" (left out: {reasons})" if reasons else ""


def method_of(asked: Asked, pieces: Sequence[Piece], products: Mapping[str, OddsRatios], *, imputed: bool) -> str:
    """Join the methods of all pieces, and of what was done to several exposures and to missing values."""
    parts = [result.method for piece in pieces for result in (piece.crude, piece.model) if result is not None]
    parts += [model.method for model in products.values()]
    if len(pieces) > 1:
        parts.append("Holm's and Benjamini-Hochberg p-values over all levels of all exposures, within each method.")
    if imputed:
        parts.append(
            f"Missing values: {IMPUTATIONS} tables completed by chained probit models with the outcome and an effect a "
            f"{'set' if asked.matched else 'climber'} (seed {asked.seed}), pooled by Rubin's rules with Barnard-Rubin "
            f"degrees of freedom; rows with unknown outcome stay out."
        )
    return " ".join(dict.fromkeys(parts))
