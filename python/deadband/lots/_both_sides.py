"""Lots screened on the unsafe and on the nuisance side, at one level."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from ._columns import OF_SIDE, keys_of
from ._lots import Lots
from ._shape import SHAPES
from .screening import screen
from .sensitivity import compared


@dataclass(frozen=True)
class BothSides:
    """What `distribution` and, for each side, `screen` and `sensitivity` found at which level."""

    found: Lots
    unsafe: pl.DataFrame
    nuisance: pl.DataFrame
    shapes: dict[str, pl.DataFrame]
    fraction: float
    fdr: float

    @property
    def keys(self) -> list[str]:
        """The columns that name a lot."""
        return keys_of(self.unsafe.columns, self.found.by)

    def table(self) -> pl.DataFrame:
        """The table of lots with what was said of either side, the surest unsafe one first.

        Examples
        --------
        >>> switches = pl.DataFrame({"switch_id": ["a", "b", "c", "d", "e"], "lot": ["L"] * 5})
        >>> switches = switches.with_columns(rated_pa=pl.lit(60.0), action=pl.lit("fall"))
        >>> points = switches.select("switch_id", test_id="switch_id", method=pl.lit("ramp"))
        >>> points = points.with_columns(
        ...     open_pa=pl.Series([58.0, 61.0, 59.5, 60.2, 57.1]), open_u_pa=pl.lit(0.3),
        ...     close_pa=None, close_u_pa=None,
        ... )
        >>> from deadband.lots import distribution
        >>> screened = both_sides(distribution(points, switches), fraction=0.05, fdr=0.05)
        >>> screened.table().select("lot", "rank_unsafe", "level", "fdr").row(0)
        ('L', 1, 0.05, 0.05)
        """  # fmt: skip
        table = self.found.lots
        for side, screened in (("unsafe", self.unsafe), ("nuisance", self.nuisance)):
            told = screened.select(*self.keys, pl.col(OF_SIDE).name.suffix(f"_{side}"))
            stands = self.shapes[side].group_by(self.keys).agg(_stands().alias(f"stands_{side}"))
            for one in (told, stands):
                table = table.join(one, on=self.keys, how="left", nulls_equal=True)
        return table.with_columns(level=pl.lit(self.fraction), fdr=pl.lit(self.fdr)).sort(
            "rank_unsafe"
        )

    def by_shape(self) -> pl.DataFrame:
        """What `sensitivity` found, a row a side, lot and shape."""
        return pl.concat(
            table.select(pl.lit(side).alias("side"), pl.all())
            for side, table in self.shapes.items()
        )

    def changing(self, side: str) -> pl.DataFrame:
        """The lots whose verdict on this side another shape changes, the surest first."""
        table = self.shapes[side]
        return (
            table.group_by("rank", *self.keys)
            .agg(stands=_stands(), shapes=pl.col("shape").filter(~pl.col("stands")))
            .filter(~pl.col("stands"))
            .sort("rank")
        )

    def untold(self, side: str) -> pl.DataFrame:
        """The lots with a verdict on this side that some shape leaves open."""
        table = self.shapes[side]
        return (
            table.group_by("rank", *self.keys)
            .agg(_none=pl.col("stands").is_null().all(), _some=pl.col("stands").is_null().any())
            .filter(pl.col("_some") & ~pl.col("_none"))
            .sort("rank")
        )


def _stands() -> pl.Expr:
    """Whether a verdict is the same under all shapes; null where there is none."""
    return pl.col("stands").all(ignore_nulls=False)


def both_sides(found: Lots, *, fraction: float, fdr: float) -> BothSides:
    """The lots screened on both sides; see `screen` for the options and errors.

    Each side is screened by itself: `fdr` is that of the lots called on one side.
    """
    unsafe = screen(found, fraction=fraction, side="unsafe", fdr=fdr)
    nuisance = screen(found, fraction=fraction, side="nuisance", fdr=fdr)
    moved = [found.under(shape) for shape in SHAPES]
    shapes = {
        "unsafe": compared(found, unsafe, moved, fraction=fraction, side="unsafe", fdr=fdr),
        "nuisance": compared(found, nuisance, moved, fraction=fraction, side="nuisance", fdr=fdr),
    }
    return BothSides(found, unsafe, nuisance, shapes, fraction, fdr)
