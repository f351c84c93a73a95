"""What can be wrong with the input, said so that the user can mend it.

Every error carries `kind` (a fixed code), `message` (what is wrong), `location` (where) and
`advice` (what to do). All of them are `ValueError`s, and all survive pickling, so that an error
raised in a worker process arrives whole.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from numbers import Integral, Real
from typing import Any, TypeVar, cast

import numpy as np

_E = TypeVar("_E", bound="DeadbandError")


def _rebuild(cls: type[_E], args: tuple[Any, ...], state: dict[str, Any]) -> _E:
    error = cls.__new__(cls, *args)
    error.__dict__.update(state)
    return error


def listed(names: Iterable[str]) -> str:
    """Names in one line, in the order given; `none` when there are none.

    Examples
    --------
    >>> listed(["Pa", "hPa"])
    'Pa, hPa'
    >>> listed([])
    'none'
    """
    return ", ".join(names) or "none"


def a(thing: object) -> str:
    """The kind of a thing with its article.

    Examples
    --------
    >>> a(3.0), a(3)
    ('a float', 'an int')
    """
    kind = type(thing).__name__
    return f"{'an' if kind[0] in 'AEIOUaeiou' else 'a'} {kind}"


class DeadbandError(ValueError):
    """The base of every error raised on purpose.

    Parameters
    ----------
    kind
        A fixed code, safe to branch on.
    message
        What is wrong.
    location
        Where, empty when it is the call as a whole.
    advice
        What to do about it.

    Examples
    --------
    >>> error = DeadbandError("too_short", "3 readings", location="row 7", advice="log for longer")
    >>> print(error)
    row 7: 3 readings; log for longer
    >>> error.kind
    'too_short'
    """

    kind: str
    message: str
    location: str
    advice: str

    def __init__(self, kind: str, message: str, *, location: str = "", advice: str = "") -> None:
        super().__init__(message)
        self.kind = kind
        self.message = message
        self.location = location
        self.advice = advice

    def __str__(self) -> str:
        text = f"{self.location}: {self.message}" if self.location else self.message
        return f"{text}; {self.advice}" if self.advice else text

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuild, (type(self), self.args, dict(self.__dict__))


class SchemaError(DeadbandError):
    """A table lacks a column it needs, or a column has a type that cannot be used.

    Parameters
    ----------
    kind
        `missing_column`, `misspelt_column`, `wrong_type`, `conflicting_columns`,
        `duplicate_column` or `duplicate_id`.
    message
        What is wrong.
    column
        The column at fault.
    table
        The table, by its name in the documentation (`tests`, `switches`, ...).
    present
        The columns that were found; None where they do not matter.
    file
        The file the table came from, if it came from one.
    advice
        What to do about it.

    Examples
    --------
    >>> error = SchemaError(
    ...     "missing_column",
    ...     "there is no such column",
    ...     column="rated_pa",
    ...     table="switches",
    ...     present=["switch_id"],
    ...     advice="add it",
    ... )
    >>> print(error)
    table switches, column rated_pa: there is no such column; add it (columns found: switch_id)
    >>> error.column
    'rated_pa'
    """

    def __init__(
        self,
        kind: str,
        message: str,
        *,
        column: str,
        table: str,
        present: Iterable[str] | None = None,
        file: str | None = None,
        advice: str = "",
    ) -> None:
        self.column = column
        self.table = table
        self.present = list(present or ())
        self.file = file
        place = f"{file}, table {table}" if file else f"table {table}"
        found = "" if present is None else f"(columns found: {listed(self.present)})"
        super().__init__(
            kind,
            message,
            location=f"{place}, column {column}",
            advice=" ".join(filter(None, [advice, found])),
        )


class InputError(DeadbandError):
    """A file, a row or a cell cannot be used.

    Parameters
    ----------
    kind
        A fixed code.
    message
        What is wrong.
    file
        The file at fault.
    line
        The line in that file, the first being 1, header lines included.
    column
        The column at fault.
    advice
        What to do about it.

    Examples
    --------
    >>> error = InputError(
    ...     "unknown_unit",
    ...     "the unit is 'inch'",
    ...     file="tests.csv",
    ...     line=4,
    ...     column="unit",
    ...     advice="use one of Pa, hPa",
    ... )
    >>> print(error)
    tests.csv, line 4, column unit: the unit is 'inch'; use one of Pa, hPa
    >>> error.file, error.line, error.column
    ('tests.csv', 4, 'unit')
    """

    def __init__(
        self,
        kind: str,
        message: str,
        *,
        file: str | None = None,
        line: int | None = None,
        column: str | None = None,
        advice: str = "",
    ) -> None:
        self.file = file
        self.line = line
        self.column = column
        parts = [file] if file else []
        if line is not None:
            parts.append(f"line {line}")
        if column is not None:
            parts.append(f"column {column}")
        super().__init__(kind, message, location=", ".join(parts), advice=advice)


class OptionError(DeadbandError):
    """An option was given a value it does not know.

    Parameters
    ----------
    option
        The option's name.
    value
        What it was given.
    allowed
        What it takes.

    Examples
    --------
    >>> print(OptionError("depression", "minus", ["positive", "negative"]))
    option depression: 'minus' is not known; use one of positive, negative
    """

    def __init__(self, option: str, value: object, allowed: Iterable[str]) -> None:
        self.option = option
        self.value = value
        self.allowed = list(allowed)
        # One thing allowed is said in words, several are names to choose from.
        several = len(self.allowed) > 1
        super().__init__(
            "unknown_option",
            f"{value!r} is not known" if several else f"{value!r} cannot be",
            location=f"option {option}",
            advice=f"{'use one of' if several else 'give'} {listed(self.allowed)}",
        )


def check_option(option: str, value: str, allowed: Iterable[str]) -> None:
    """Raise `OptionError` unless `value` is one of `allowed`.

    Examples
    --------
    >>> check_option("depression", "negative", ["positive", "negative"])
    """
    allowed = list(allowed)
    if value not in allowed:
        raise OptionError(option, value, allowed)


def check_number(option: str, value: object, allowed: str = "a number") -> float:
    """The number that an option was given, or `OptionError`.

    Examples
    --------
    >>> check_number("u_pa", 1)
    1.0
    >>> check_number("u_pa", "1")
    Traceback (most recent call last):
        ...
    deadband._errors.OptionError: option u_pa: '1' cannot be; give a number
    """
    # A truth value is a number to Python, and a slip here.
    if isinstance(value, bool) or not isinstance(value, Real):
        raise OptionError(option, value, [allowed])
    return float(cast("float", value))


def check_count(option: str, value: object, least: int) -> int:
    """The whole number that an option was given, `least` or more, or `OptionError`.

    Examples
    --------
    >>> check_count("most", 5, 2)
    5
    >>> check_count("most", 5.5, 2)
    Traceback (most recent call last):
        ...
    deadband._errors.OptionError: option most: 5.5 cannot be; give a whole number from 2 on
    """
    if isinstance(value, bool) or not isinstance(value, Integral) or value < least:
        raise OptionError(option, value, [f"a whole number from {least} on"])
    return int(value)


def check_share(option: str, value: object, below: float = 1.0) -> float:
    """The probability that an option was given, above 0 and below `below`, or `OptionError`.

    Examples
    --------
    >>> check_share("confidence", 0.95)
    0.95
    >>> check_share("confidence", 95)
    Traceback (most recent call last):
        ...
    deadband._errors.OptionError: option confidence: 95 cannot be; give a number above 0 and below 1
    """
    allowed = f"a number above 0 and below {below:g}"
    number = check_number(option, value, allowed)
    if not 0.0 < number < below:
        raise OptionError(option, value, [allowed])
    return number


def check_pair(option: str, value: object, names: str) -> tuple[float, float]:
    """The two numbers that an option was given, or `OptionError`.

    Examples
    --------
    >>> check_pair("limits", (54, 66), "(lower, upper)")
    (54.0, 66.0)
    >>> check_pair("limits", 54.0, "(lower, upper)")
    Traceback (most recent call last):
        ...
    deadband._errors.OptionError: option limits: 54.0 cannot be; give (lower, upper)
    """
    if isinstance(value, str) or not isinstance(value, Collection) or len(value) != 2:
        raise OptionError(option, value, [names])
    first, second = value
    return check_number(option, first), check_number(option, second)


def check_list(option: str, value: object, example: str) -> None:
    """Raise `OptionError` unless `value` is a collection, which a single text is not.

    Examples
    --------
    >>> check_list("effects", ["lot"], '["lot"]')
    >>> check_list("effects", "lot", '["lot"]')
    Traceback (most recent call last):
        ...
    deadband._errors.OptionError: option effects: 'lot' cannot be; give a list such as ["lot"]
    """
    if isinstance(value, str) or not isinstance(value, Collection):
        raise OptionError(option, value, [f"a list such as {example}"])


def check_flag(option: str, value: object) -> bool:
    """The truth value that an option was given, or `OptionError`.

    Examples
    --------
    >>> check_flag("restart", True)
    True
    >>> check_flag("restart", "x")
    Traceback (most recent call last):
        ...
    deadband._errors.OptionError: option restart: 'x' is not known; use one of True, False
    """
    if not isinstance(value, (bool, np.bool_)):
        raise OptionError(option, value, ["True", "False"])
    return bool(value)


class RecordingError(DeadbandError):
    """A recording that cannot be worked on; `kind` is the status code it would have in a table.

    Examples
    --------
    >>> from deadband import fit_trace
    >>> try:
    ...     fit_trace([0.0, 1.0], [5.0, 6.0], [0, 1], unit="Pa")
    ... except RecordingError as error:
    ...     print(error.kind)
    too_few_samples
    """


def refusal(error: ValueError, advice: Mapping[str, str] | None = None) -> DeadbandError:
    """The error of the package for one of the compiled core.

    Parameters
    ----------
    error
        what the core raised.
    advice
        what to do about each kind, where what the core says is meant for a recording.

    Examples
    --------
    >>> error = ValueError("3 switches found, 5 needed; log faster", "too_few_samples")
    >>> refusal(error).kind
    'too_few_samples'
    >>> print(refusal(error, {"too_few_samples": "test more switches"}))
    3 switches found, 5 needed; test more switches
    """
    if len(error.args) != 2:
        return DeadbandError("bad_option", str(error))
    message, status = error.args
    if advice is None or status not in advice:
        return RecordingError(status, message)
    return RecordingError(status, message.partition("; ")[0], advice=advice[status])
