"""Columns that an option names, and columns that a table has to have."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import TypeVar

import polars as pl

from ._errors import OptionError, SchemaError, check_option, listed

_F = TypeVar("_F", pl.DataFrame, pl.LazyFrame)


def check_columns(option: str, value: object, allowed: Iterable[str] | None = None) -> list[str]:
    """The columns that an option was given, as a text or as a list of texts, each once.

    `allowed` None: any.

    Examples
    --------
    >>> check_columns("by", "method", ["method", "operator_id"])
    ['method']
    >>> check_columns("by", ["method", "lot"], ["method", "operator_id"])
    Traceback (most recent call last):
        ...
    deadband._errors.OptionError: option by: 'lot' is not known; use one of method, operator_id
    """
    known = None if allowed is None else list(allowed)
    named = [value] if isinstance(value, str) else value
    words = "a column or a list of columns" + (f" of {listed(known)}" if known else "")
    if not isinstance(named, Collection) or isinstance(named, Mapping) or not named:
        raise OptionError(option, value, [words])
    for name in named:
        if not isinstance(name, str):
            raise OptionError(option, name, [words])
        if known is not None:
            check_option(option, name, known)
    return list(dict.fromkeys(named))


def need_columns(frame: _F, names: Iterable[str], table: str, advice: str) -> _F:
    """The frame, or `SchemaError` that names the first column it lacks and says what to do.

    Examples
    --------
    >>> need_columns(pl.DataFrame({"a": [1]}), ["a"], "found", "give what was found").columns
    ['a']
    >>> need_columns(pl.DataFrame({"a": [1]}), ["b"], "found", "give what was found")
    Traceback (most recent call last):
        ...
    deadband._errors.SchemaError: table found, column b: there is no such column; give what was ...
    """
    present = frame.collect_schema().names()
    for name in names:
        if name not in present:
            raise SchemaError(
                "missing_column", "there is no such column", column=name, table=table,
                present=present, advice=advice,
            )  # fmt: skip
    return frame


def need_numbers(frame: _F, names: Iterable[str], table: str, advice: str = "give numbers") -> _F:
    """The frame, or `SchemaError` that names the first of its columns that holds no numbers.

    A column of nulls may be of any number.

    Examples
    --------
    >>> need_numbers(pl.DataFrame({"a": [1]}), ["a"], "found").columns
    ['a']
    >>> need_numbers(pl.DataFrame({"a": ["1"]}), ["a"], "found")
    Traceback (most recent call last):
        ...
    deadband._errors.SchemaError: table found, column a: it is String, not a number; give numbers
    """
    schema = frame.collect_schema()
    for name in names:
        if not (schema[name].is_numeric() or schema[name] == pl.Null):
            raise SchemaError(
                "wrong_type", f"it is {schema[name]}, not a number", column=name, table=table,
                advice=advice,
            )  # fmt: skip
    return frame
