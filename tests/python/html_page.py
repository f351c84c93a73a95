"""A page as the tests ask about it."""

from __future__ import annotations

import re
from html.parser import HTMLParser

VOID = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Reads a page strictly: tags must nest, and everything the tests ask about is kept."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.rows: list[list[str]] = []
        self.feed(text)
        self.close()
        assert not self.open, f"never closed: {self.open}"

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in {"td", "th"}:
            self.rows[-1].append("")

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> without a start"
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" in self.open:
            return
        self.words.append(data)
        if {"td", "th"} & set(self.open):
            self.rows[-1][-1] += data

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", "".join(self.words))

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]
