"""The end of a run about lots in plain text."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from ._console import grid, shown, without_columns, wrapped
from .lots._both_sides import BothSides
from .report._lot_tables import ranked
from .report._lot_words import SIDES, evidence, outcome
from .report._words import CAUTION_LINE

_NAMED: Final = 20
_LEFT_OUT: Final = ("Mean", "Chance", "p")


def text_of_lots(screened: BothSides, *, out: Path, page: Path | None) -> str:
    """What the command prints when it is done: the outcome, the lots by side, where it all is.

    Parameters
    ----------
    screened
        The lots of both sides.
    out
        The folder of results.
    page
        The page, if one was written.
    """
    parts = ["\n".join(wrapped(sentence, indent="") for sentence in outcome(screened))]
    for side, where in SIDES.items():
        part = _side(screened, side, where)
        parts += [part] if part else []
    where_to = [f"Tables: {shown(str(out))} (Parquet and CSV)"]
    if page is not None:
        where_to.append(f"Page:   {shown(str(page))}")
    return "\n\n".join([*parts, "\n".join(where_to), wrapped(CAUTION_LINE, indent="")])


def _side(screened: BothSides, side: str, where: str) -> str:
    table = ranked(screened, side, _NAMED)
    if not table.rows:
        return ""
    left = table.total - len(table.rows)
    more = [f"  and {left:,} more in {table.file}.csv"] if left else []
    lines = [f"{where.capitalize()}, the {side} side:", grid(without_columns(table, *_LEFT_OUT))]
    return "\n".join([*lines, *more, *map(wrapped, evidence(screened, side, _NAMED))])
