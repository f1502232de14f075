"""One clean SVG from what matplotlib writes, as a file of its own and as a part of the page.

Each visit's marks form one group, ``<g id="night-V03" class="visit"
data-visit="V03">`` with a title, whatever number of artists drew them. What two
visits share is a group of its own: ``<g id="night-V03-V04" data-visit="V03 V04">``.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element

FAMILY = "'DejaVu Sans', Verdana, sans-serif"
VISIT_ID = re.compile(r"^[a-z]+(?:-R\d+)?-(V\d+(?:-V\d+)?)$")
# Names stand in the tree as they are written, so that no prefix has to be agreed upon with the library.
_PREFIX = {"{http://www.w3.org/2000/svg}": "", "{http://www.w3.org/1999/xlink}": "xlink:"}
_SPACES = {"xmlns": "http://www.w3.org/2000/svg", "xmlns:xlink": "http://www.w3.org/1999/xlink"}
_FONT = re.compile(r"font-family: [^;]*;? ?")
_NUMBER = re.compile(r"-?\d+\.\d{3,}")
# What XML 1.0 does not allow, lone surrogates included; and what breaks lines or turns the direction of text,
# by which a name could change how its neighbours read (Unicode, UAX 9).
_FORBIDDEN = re.compile(
    "[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]+"
)


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

    def visit_id(self, *keys: str) -> str:
        """Return the id of a visit's group in this figure, or of what two visits share."""
        return "-".join((self.name, *keys))


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
    root = _read(text)
    for holder in list(root.iter()):
        for child in [child for child in holder if child.tag in ("metadata", "style")]:
            holder.remove(child)
    _join_visits(root, picture)
    written = ElementTree.tostring(root, encoding="unicode")
    wanted = set(re.findall(r"(?:url\(#|xlink:href=\"#)([^\")]+)", written))
    root[:] = _shortened(root, wanted)
    for name in ("width", "height"):
        root.set(name, f"{getattr(picture, name):g}")
    root.attrib.pop("id", None)
    root.set("font-family", FAMILY)
    root.set("stroke-linejoin", "round")
    root.set("role", "img")
    root[:0] = [_words("title", picture.title), _words("desc", picture.description)]
    return f"{ElementTree.tostring(root, encoding='unicode')}\n"


def _read(text: str) -> Element:
    """The tree of an SVG, its names as they are written, blanks between elements left out."""
    root = ElementTree.fromstring(text)
    for node in root.iter():
        node.tag = _as_written(node.tag)
        if any("{" in name for name in node.attrib):
            node.attrib = {_as_written(name): value for name, value in node.attrib.items()}
        node.tail = None
        if node.text is not None and not node.text.strip():
            node.text = None
    root.attrib = {**_SPACES, **root.attrib}
    return root


def _as_written(name: str) -> str:
    for space, prefix in _PREFIX.items():
        name = name.replace(space, prefix)
    return name


def _words(name: str, words: str) -> Element:
    element = Element(name)
    element.text = clean(words)
    return element


def _join_visits(root: Element, picture: Picture) -> None:
    """Move the groups that share a visit's id into the place of the last of them.

    What two visits share comes behind the group of the earlier one, whose ground would hide it.
    """
    parts: dict[str, list[tuple[Element, Element]]] = {}
    for holder in root.iter():
        for child in holder:
            if child.tag == "g" and VISIT_ID.match(child.get("id", "")):
                parts.setdefault(child.attrib.pop("id"), []).append((holder, child))
    placed: dict[str, tuple[Element, Element]] = {}
    for name in sorted(parts, key=lambda name: len(_keys(name))):
        keys = _keys(name)
        whole = Element("g", {"id": name, "class": "visit", "data-visit": " ".join(keys)})
        whole.append(_words("title", _tip(keys, picture)))
        holder, last = placed.get(keys[0], parts[name][-1])
        holder.insert(list(holder).index(last) + 1, whole)
        for before, part in parts[name]:
            before.remove(part)
            whole.append(part)
        placed.setdefault(keys[0], (holder, whole))


def _keys(name: str) -> list[str]:
    return VISIT_ID.sub(r"\1", name).split("-")


def _tip(keys: Sequence[str], picture: Picture) -> str:
    if len(keys) == 1:
        return picture.tips.get(keys[0], keys[0])
    return f"One exposure for two visits: it closes {keys[0]} and opens {keys[1]}"


def _shortened(node: Element, wanted: set[str]) -> list[Element]:
    """Children without ids that nothing uses, groups that say nothing, fonts, long numbers."""
    kept = []
    for child in node:
        child[:] = _shortened(child, wanted)
        own = child.attrib
        if own.get("id") not in wanted and "class" not in own:
            own.pop("id", None)
        for name in ("d", "x", "y", "transform", "width", "height"):
            if name in own:
                value = _NUMBER.sub(lambda found: f"{float(found[0]):.2f}", own[name])
                own[name] = " ".join(value.split())
        if "style" in own:
            own["style"] = _FONT.sub("", own["style"])
        if own.get("transform", "").startswith("rotate(-0 "):
            del own["transform"]
        kept += list(child) if child.tag == "g" and not own else [child]
    return kept


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
    root = _read(svg)
    words = {}
    for name in ("title", "desc"):
        node = next(child for child in root if child.tag == name)
        words[name] = node.text or ""
        root.remove(node)
    for name in ("width", "height", "font-family", "version"):
        root.attrib.pop(name, None)
    root.set("aria-label", f"{words['title']}. {words['desc']}")
    if linked:
        root.set("role", "group")
        _link_visits(root)
    variable = {colour: f"var(--{name})" for name, colour in palette.items()}
    colours = re.compile("|".join(variable))
    for node in root.iter():
        own = node.attrib
        for name in ("fill", "stroke"):
            # A variable is understood in a style everywhere, in an attribute not.
            if colours.fullmatch(own.get(name, "")):
                own["style"] = f"{name}: {own.pop(name)}; {own.get('style', '')}"
        if "style" in own:
            own["style"] = colours.sub(lambda found: variable[found[0]], own["style"])
    return ElementTree.tostring(root, encoding="unicode")


def _link_visits(root: Element) -> None:
    """Make a link of each visit's group; what two visits share lights both up and leads nowhere."""
    for holder in list(root.iter()):
        for place, group in enumerate(holder):
            key = group.get("data-visit", "") if group.tag == "g" else ""
            if key and " " not in key:
                title = next(child for child in group if child.tag == "title")
                link = Element("a", {"href": f"#visit-{key}", "aria-label": title.text or ""})
                link.append(group)
                holder[place] = link
