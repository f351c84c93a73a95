"""From bytes to lines, and from a line to cells."""

from __future__ import annotations

import codecs
import csv
import re
from pathlib import Path

from .._errors import InputError

# The separators a table may have; each is tried, and only one may fit.
SEPARATORS = (",", ";", "\t", "|")

COMMENT_MARKS = ("#", "//")

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


def read_bytes(path: Path, shown: str) -> bytes:
    """The bytes of a file, or an `InputError` that says why there are none."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            "file_not_found",
            "there is no such file",
            file=shown,
            advice="check the name; it is looked up from the folder of the manifest",
        ) from None
    except (OSError, ValueError) as error:
        raise InputError(
            "unreadable_file",
            f"the file cannot be opened ({error})",
            file=shown,
            advice="check that it is a file and that you may read it",
        ) from None


def decode(data: bytes) -> str:
    r"""The text of a file, its byte-order mark taken off and its line ends made `\n`.

    A byte-order mark decides. Without one, bytes of which every other is zero are UTF-16; the rest
    is UTF-8 when it is valid UTF-8, and Windows-1252 otherwise. Only names and remarks can hold
    anything but ASCII, so no number depends on this. The zero bytes and end-of-file marks that a
    logger leaves behind when its power fails are taken off the end.

    Examples
    --------
    >>> decode(b"\xef\xbb\xbftime;draft\r\n")
    'time;draft\n'
    >>> decode("t,\u00b0C\n".encode("cp1252"))
    't,°C\n'
    """
    text = _decode(data)
    return text.rstrip("\x00\x1a").replace("\r\n", "\n").replace("\r", "\n")


def _decode(data: bytes) -> str:
    for mark, encoding in _BOMS:
        if data.startswith(mark):
            return data[len(mark) :].decode(encoding, errors="replace")
    head = data[:1000]
    half = len(head) // 2
    if half and head[1::2].count(0) > 0.9 * half:
        return data.decode("utf-16-le", errors="replace")
    if half and head[0::2].count(0) > 0.9 * half:
        return data.decode("utf-16-be", errors="replace")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def split(line: str, separator: str) -> list[str]:
    """The cells of one line, quotes taken off, blanks around them taken off.

    A line with more separators than any table has is given back as one cell.

    Examples
    --------
    >>> split('"0,5"; 12,3 ;1', ";")
    ['0,5', '12,3', '1']
    """
    if separator not in line and '"' not in line:
        return [line.strip()]
    try:
        rows = list(csv.reader([line], delimiter=separator))
    except csv.Error:
        return [line.strip()]
    return [cell.strip() for cell in rows[0]] if rows else [""]


def is_remark(line: str) -> bool:
    """Whether a line says nothing: blank, or a comment (`#` or `//` in front).

    Examples
    --------
    >>> is_remark("# started by hand"), is_remark("  "), is_remark("0.1,12.3")
    (True, True, False)
    """
    text = line.strip()
    return not text or text.startswith(COMMENT_MARKS)


def shown_separator(separator: str) -> str:
    """A separator by a name that can be read in a message.

    Examples
    --------
    >>> shown_separator(";"), shown_separator(chr(9))
    ("';'", 'tab')
    """
    return "tab" if separator == "\t" else repr(separator)


_BRACKETED = re.compile(r"\(([^()]*)\)|\[([^\[\]]*)\]|\{([^{}]*)\}")


def bracketed(name: str) -> list[str]:
    """What stands in brackets in a column name: the unit, as a rule.

    Examples
    --------
    >>> bracketed("Draft (inH2O)"), bracketed("[ms]"), bracketed("draft")
    (['inH2O'], ['ms'], [])
    """
    return ["".join(groups).strip() for groups in _BRACKETED.findall(name)]


def plain_words(name: str) -> list[str]:
    """The words of a column name in lower case, brackets and what is in them left out.

    Examples
    --------
    >>> plain_words("Differential Pressure [Pa]"), plain_words("time_s")
    (['differential', 'pressure'], ['time', 's'])
    """
    return re.findall(r"[^\W_]+", _BRACKETED.sub(" ", name).casefold())
