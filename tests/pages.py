"""Read a report as a program would: its elements, its text, its tables."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser

EMPTY = {"meta", "link", "br", "img", "input", "hr"}


@dataclass
class Element:
    """One element: its name, attributes, children (elements and texts)."""

    name: str
    attributes: dict[str, str]
    children: list[Element | str] = field(default_factory=list)

    def text(self) -> str:
        """All text inside, white space joined."""
        parts = [child if isinstance(child, str) else child.text() for child in self.children]
        return re.sub(r"\s+", " ", " ".join(parts)).strip()

    def all(self, name: str | None = None, **attributes: str) -> list[Element]:
        """Every element inside with this name and these attributes (an underscore stands for a dash)."""
        wanted = {key.rstrip("_").replace("_", "-"): value for key, value in attributes.items()}
        found = []
        for child in self.children:
            if isinstance(child, Element):
                fits = name is None or child.name == name
                if fits and all(child.attributes.get(key) == value for key, value in wanted.items()):
                    found.append(child)
                found += child.all(name, **attributes)
        return found


class Reader(HTMLParser):
    """Builds the tree; complains about an element that is closed in the wrong place."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("", {})
        self.open = [self.root]

    def handle_starttag(self, tag, attrs):
        element = Element(tag, {key: value or "" for key, value in attrs})
        self.open[-1].children.append(element)
        if tag not in EMPTY:
            self.open.append(element)

    def handle_startendtag(self, tag, attrs):
        self.open[-1].children.append(Element(tag, {key: value or "" for key, value in attrs}))

    def handle_endtag(self, tag):
        assert self.open[-1].name == tag, f"</{tag}> closes <{self.open[-1].name}>"
        self.open.pop()

    def handle_data(self, data):
        self.open[-1].children.append(data)


def read_page(text: str) -> Element:
    """Return the root of a page; AssertionError when its elements do not nest."""
    reader = Reader()
    reader.feed(text)
    reader.close()
    assert reader.open == [reader.root], f"<{reader.open[-1].name}> is never closed"
    return reader.root
