"""A page from its template, in the frame that all pages share, and how it gets onto the disk."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from .. import _core
from .._atomic import replacing
from ._words import CAUTIONS

if TYPE_CHECKING:
    import jinja2

_FOLDER: Final = Path(__file__).parent


def environment() -> jinja2.Environment:
    """The templates, every text in them escaped.

    Raises
    ------
    ImportError
        Jinja2 or matplotlib is not installed.
    """
    try:
        import jinja2
        import matplotlib  # noqa: F401
    except ImportError as error:
        raise ImportError(f'the page needs {error.name}: pip install "deadband[report]"') from error
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def frame(title: str, created: datetime | None) -> dict[str, Any]:
    """What every page bears: title, version, date and time, cautions."""
    moment = datetime.now().astimezone() if created is None else created
    return {
        "title": title,
        "version": _core.__version__,
        "created": f"{moment:%Y-%m-%d %H:%M %Z}".strip(),
        "cautions": CAUTIONS,
    }


def put(page: str, path: str | Path) -> Path:
    """Write the page to `path`, whole or not at all."""
    target = Path(path)
    with replacing(target) as draft:
        draft.write_text(page, encoding="utf-8", newline="\n")
    return target
