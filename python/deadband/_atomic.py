"""Files that are either the old one or the whole new one, never a part."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Yield a temporary file beside `path`; it takes that name once the block ends well.

    The folder must exist. When the block fails, the temporary file is removed and whatever stood
    at `path` stays as it was.

    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     target = Path(folder) / "note.txt"
    ...     with replacing(target) as draft:
    ...         _ = draft.write_text("whole")
    ...     target.read_text()
    'whole'
    """
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    os.close(handle)
    draft = Path(name)
    try:
        yield draft
        draft.chmod(0o666 & ~_umask())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


def _umask() -> int:
    current = os.umask(0)
    os.umask(current)
    return current
