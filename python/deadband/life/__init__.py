"""Life data: when switches fail, which lots fail sooner, and how many will."""

from ._table import lives

__all__ = ["lives"]
