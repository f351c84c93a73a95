"""Frames of any library in, the plugin's expressions, and frames of the same laziness out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import polars as pl
from polars.plugins import register_plugin_function

from ._core import __file__ as _library
from ._core import check_options
from ._errors import DeadbandError, SchemaError, a

Frame: TypeAlias = pl.DataFrame | pl.LazyFrame

#: Anything that holds a table: a Polars frame, or an object with the Arrow PyCapsule interface
#: (pandas, PyArrow, DuckDB relations, ...).
FrameLike: TypeAlias = Any


class _ArrowStream:
    """A table as nothing but its stream: Polars' own way takes a column of None for text."""

    def __init__(self, table: Any) -> None:
        self._table = table

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        return self._table.__arrow_c_stream__(requested_schema)


def lazy(frame: FrameLike, table: str) -> pl.LazyFrame:
    """Any frame as a Polars LazyFrame, without copying where that can be helped.

    Examples
    --------
    >>> lazy(pl.DataFrame({"gauge_id": ["g"]}), "lags").collect_schema().names()
    ['gauge_id']
    >>> lazy(3, "lags")
    Traceback (most recent call last):
        ...
    deadband._errors.DeadbandError: table lags: an int is no table; give a frame of Polars, ...
    """
    if isinstance(frame, pl.LazyFrame):
        return frame
    if isinstance(frame, pl.DataFrame):
        return frame.lazy()
    if hasattr(frame, "__arrow_c_stream__"):
        return pl.DataFrame(_ArrowStream(frame)).lazy()
    raise DeadbandError(
        "not_a_frame",
        f"{a(frame)} is no table",
        location=f"table {table}",
        advice="give a frame of Polars, pandas, PyArrow or DuckDB",
    )


def like(result: pl.LazyFrame, given: FrameLike) -> Any:
    """`result` lazy if the frame it came from was lazy, collected otherwise.

    Examples
    --------
    >>> frame = pl.DataFrame({"x": [1]})
    >>> type(like(frame.lazy(), frame)).__name__, type(like(frame.lazy(), frame.lazy())).__name__
    ('DataFrame', 'LazyFrame')
    """
    return result if isinstance(given, pl.LazyFrame) else result.collect()


def checked(kernel: str, options: Mapping[str, Any]) -> dict[str, Any]:
    """The options of a kernel of the compiled core, or `DeadbandError` that names the bad one.

    Examples
    --------
    >>> checked("judge", {"risk": 0.1})
    {'risk': 0.1}
    >>> checked("judge", {"risk": "low"})
    Traceback (most recent call last):
        ...
    deadband._errors.DeadbandError: option risk: ...
    """
    plain = _plain(options)
    wrong = _refusal(kernel, plain)
    if wrong is None:
        return plain
    each = dict(_one_by_one(plain))
    told = any(name in wrong for name in each)
    bad = [] if told else [name for name, one in each.items() if _refusal(kernel, one)]
    where = f"option {', '.join(bad)}" if bad else ""
    raise DeadbandError("bad_option", wrong, location=where)


def _plain(options: Mapping[str, Any]) -> dict[str, Any]:
    """The options with NumPy's numbers as Python's: an expression carries no others."""
    return {
        name: _plain(value)
        if isinstance(value, Mapping)
        else value.item()
        if isinstance(value, np.generic)
        else value
        for name, value in options.items()
    }


def _refusal(kernel: str, options: Mapping[str, Any]) -> str | None:
    try:
        check_options(kernel, options)
    except (TypeError, ValueError) as error:
        return str(error)
    return None


def _one_by_one(options: Mapping[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Each option alone, under its own name; a group of options is looked into."""
    for name, value in options.items():
        if isinstance(value, Mapping):
            yield from ((inner, {name: one}) for inner, one in _one_by_one(value))
        else:
            yield name, {name: value}


def plugin(
    name: str, columns: Sequence[pl.Expr | str], options: Mapping[str, Any] | None = None
) -> pl.Expr:
    """An expression that a kernel of the compiled core computes row by row.

    A bad option raises `DeadbandError` here, before anything is collected.

    Examples
    --------
    >>> plugin("judge", ["action"], {"risk": 0.05}).meta.root_names()
    ['action']
    """
    kwargs = None if options is None else {"options": checked(name, options)}
    return register_plugin_function(
        plugin_path=Path(_library),
        function_name=name,
        args=[pl.col(column) if isinstance(column, str) else column for column in columns],
        kwargs=kwargs,
        is_elementwise=True,
    )


def need_unique(frame: pl.LazyFrame, column: str, table: str) -> None:
    """Raise `SchemaError` where an id that others refer to stands in two rows.

    Examples
    --------
    >>> need_unique(pl.LazyFrame({"gauge_id": ["a", "a"]}), "gauge_id", "gauges")
    Traceback (most recent call last):
        ...
    deadband._errors.SchemaError: table gauges, column gauge_id: a stands in more than one row; ...
    """
    twice = frame.group_by(column).len().filter(pl.col("len") > 1).sort(column).collect()
    if twice.height:
        names = ", ".join(str(name) for name in twice[column].head(5))
        raise SchemaError(
            "duplicate_id",
            f"{names} stands in more than one row",
            column=column,
            table=table,
            advice="keep one row for each",
        )
