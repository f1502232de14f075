"""One clean SVG from what matplotlib writes, as a file of its own and as a part of the page.

Each visit's marks form one group, ``<g id="night-V03" class="visit"
data-visit="V03">`` with a title, whatever number of artists drew them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from xml.dom import minidom

FAMILY = "'DejaVu Sans', Verdana, sans-serif"
VISIT_ID = re.compile(r"^[a-z]+(?:-R\d+)?-(V\d+)$")
_FONT = re.compile(r"font-family: [^;]*;? ?")
_NUMBER = re.compile(r"-?\d+\.\d{3,}")
# What XML 1.0 does not allow, lone surrogates included; and what breaks lines or turns the direction of text,
# by which a name could change how its neighbours read (Unicode, UAX 9).
_FORBIDDEN = re.compile(
    "[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]+"
)
Node = Any  # minidom's classes say too little about their children for a type checker


@dataclass(frozen=True)
class Picture:
    """What a figure is called and how large it is.

    Attributes
    ----------
    name : str
        Of its file, made of letters, figures and dashes.
    width, height : float
        Pixels.
    title, description : str
        For those who cannot see it.
    tips : mapping
        {visit key: one line about it}.
    """

    name: str
    width: float
    height: float
    title: str
    description: str
    tips: Mapping[str, str]

    def visit_id(self, key: str) -> str:
        """Return the id of a visit's group in this figure."""
        return f"{self.name}-{key}"


def clean(text: str, most: int | None = None) -> str:
    """Return text without characters that control or turn it, cut to ``most`` characters with an ellipsis.

    Examples
    --------
    >>> clean("a long name", 7)
    'a long…'
    """
    whole = _FORBIDDEN.sub(" ", text)
    return whole if most is None or len(whole) <= most else whole[: most - 1].rstrip() + "…"


def tidied(text: str, picture: Picture) -> str:
    """Keep what draws; give every visit one titled group; drop ids that nothing points at.

    Parameters
    ----------
    text : str
        As matplotlib writes it, with visits' artists marked by gid.
    picture : Picture
    """
    document: Node = minidom.parseString(text.encode("utf-8"))
    root = document.documentElement
    for name in ("metadata", "style"):
        for node in root.getElementsByTagName(name):
            node.parentNode.removeChild(node)
    _drop_blank(root)
    _join_visits(document, root, picture)
    wanted = set(re.findall(r"(?:url\(#|xlink:href=\"#)([^\")]+)", root.toxml()))
    _shorten(root, wanted)
    for name in ("width", "height"):
        root.setAttribute(name, f"{getattr(picture, name):g}")
    root.setAttribute("font-family", FAMILY)
    root.setAttribute("stroke-linejoin", "round")
    root.setAttribute("role", "img")
    for name, words in (("desc", picture.description), ("title", picture.title)):
        root.insertBefore(_words(document, name, words), root.firstChild)
    return f"{root.toxml()}\n"


def _words(document: Node, name: str, words: str) -> Node:
    element = document.createElement(name)
    element.appendChild(document.createTextNode(clean(words)))
    return element


def _drop_blank(node: Node) -> None:
    for child in list(node.childNodes):
        blank = child.nodeType == child.TEXT_NODE and not child.data.strip()
        if blank or child.nodeType == child.COMMENT_NODE:
            node.removeChild(child)
        else:
            _drop_blank(child)


def _join_visits(document: Node, root: Node, picture: Picture) -> None:
    """Move the groups that share a visit's id into the last of them."""
    groups: dict[str, list[Node]] = {}
    for group in root.getElementsByTagName("g"):
        if VISIT_ID.match(group.getAttribute("id")):
            groups.setdefault(group.getAttribute("id"), []).append(group)
    for name, parts in groups.items():
        key = VISIT_ID.sub(r"\1", name)
        whole = document.createElement("g")
        whole.setAttribute("id", name)
        whole.setAttribute("class", "visit")
        whole.setAttribute("data-visit", key)
        whole.appendChild(_words(document, "title", picture.tips.get(key, key)))
        parts[-1].parentNode.insertBefore(whole, parts[-1])
        for part in parts:
            part.parentNode.removeChild(part)
            part.removeAttribute("id")
            whole.appendChild(part)


def _shorten(node: Node, wanted: set[str]) -> None:
    """Drop ids that nothing uses, groups that say nothing, fonts (the root names one), long numbers."""
    for child in list(node.childNodes):
        if child.nodeType == child.ELEMENT_NODE:
            _shorten(child, wanted)
    if node.hasAttribute("id") and node.getAttribute("id") not in wanted and not node.hasAttribute("class"):
        node.removeAttribute("id")
    for name in ("d", "x", "y", "transform", "width", "height"):
        if node.hasAttribute(name):
            value = _NUMBER.sub(lambda found: f"{float(found[0]):.2f}", node.getAttribute(name))
            node.setAttribute(name, " ".join(value.split()))
    if node.hasAttribute("style"):
        node.setAttribute("style", _FONT.sub("", node.getAttribute("style")))
    if node.getAttribute("transform").startswith("rotate(-0 "):
        node.removeAttribute("transform")
    if node.tagName == "g" and not node.attributes.length and node.parentNode.nodeType == node.ELEMENT_NODE:
        for child in list(node.childNodes):
            node.parentNode.insertBefore(child, node)
        node.parentNode.removeChild(node)


def inlined(svg: str, palette: Mapping[str, str], linked: bool) -> str:
    """Return a figure for the page: its colours follow the page, its width the column.

    Parameters
    ----------
    svg : str
        From :func:`tidied`.
    palette : mapping
        {name: colour}: each colour becomes ``var(--name)``.
    linked : bool
        Whether each visit is a link to its part of the run sheet, reached by the keyboard.
    """
    document: Node = minidom.parseString(svg.encode("utf-8"))
    root = document.documentElement
    words = {}
    for name in ("title", "desc"):
        node = next(child for child in root.childNodes if child.tagName == name)
        words[name] = node.firstChild.data
        root.removeChild(node)
    for name in ("width", "height", "font-family", "version"):
        if root.hasAttribute(name):
            root.removeAttribute(name)
    root.setAttribute("aria-label", f"{words['title']}. {words['desc']}")
    if linked:
        root.setAttribute("role", "group")
        _link_visits(document, root)
    variable = {colour: f"var(--{name})" for name, colour in palette.items()}
    colours = re.compile("|".join(variable))
    for node in root.getElementsByTagName("*"):
        for name in ("fill", "stroke"):
            # A variable is understood in a style everywhere, in an attribute not.
            if colours.fullmatch(node.getAttribute(name)):
                node.setAttribute("style", f"{name}: {node.getAttribute(name)}; {node.getAttribute('style')}")
                node.removeAttribute(name)
        if node.hasAttribute("style"):
            style = colours.sub(lambda found: variable[found[0]], node.getAttribute("style"))
            node.setAttribute("style", style)
    return str(root.toxml())


def _link_visits(document: Node, root: Node) -> None:
    for group in root.getElementsByTagName("g"):
        key = group.getAttribute("data-visit")
        if key:
            link = document.createElement("a")
            link.setAttribute("href", f"#visit-{key}")
            title = next(child for child in group.childNodes if child.tagName == "title")
            link.setAttribute("aria-label", title.firstChild.data)
            group.parentNode.insertBefore(link, group)
            link.appendChild(group)
