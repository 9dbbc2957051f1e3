"""From a picture as matplotlib writes it to one that lives in a page: own ids, the page's colours, links."""

from __future__ import annotations

import re
from xml.etree import ElementTree

INK, MUTED, PAPER, LINE, BAND = "#000001", "#000002", "#000003", "#000004", "#000005"
FLOOR, GAS, GAP, TANK, TRIP = "#000006", "#000007", "#000008", "#000009", "#00000a"
"""Stand-ins for colours of the page."""
NAMES = {
    INK: "ink",
    MUTED: "muted",
    PAPER: "paper",
    LINE: "line",
    BAND: "band",
    FLOOR: "floor",
    GAS: "gas",
    GAP: "gap",
    TANK: "tank",
    TRIP: "trip",
}
SVG, XLINK = "http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"
NUMBER = re.compile(r"-?\d+\.\d+")
POINTED = re.compile(r"#([\w.-]+)")
FAMILY = re.compile(r"font-family:[^;]*;?\s*")
CURVED = re.compile("[CQ]")
EVENT = re.compile(r"event-(\d+)")
FONT = re.compile(r"font:\s*[^;]*?([\d.]+)px[^;]*;?")


def inline(text: str, name: str) -> str:
    """The ``<svg>`` alone: ids prefixed by ``name``, coordinates to a tenth of a point, colours by name.

    A group called ``event-N`` becomes a link to ``#event-N`` of the page. The picture is a group of links
    to a screen reader; whoever places it says in words what it shows.
    """
    root = ElementTree.fromstring(text)  # noqa: S314 - written by matplotlib a moment ago
    for child in [child for child in root if child.tag.endswith("metadata")]:
        root.remove(child)
    for parent in list(root.iter()):
        for place, child in enumerate(list(parent)):
            event = EVENT.fullmatch(child.get("id", ""))
            if event:
                parent[place] = _link(child, event[1])
    for one in root.iter():
        _rename(one, name)
    pointed = set(POINTED.findall(" ".join(value for one in root.iter() for value in one.attrib.values())))
    for one in root.iter():
        if one.get("id") not in pointed:
            one.attrib.pop("id", None)
    root.attrib.pop("version", None)
    root.set("role", "group")
    root.set("class", "chart")
    for size in ("width", "height"):
        root.attrib.pop(size, None)
    ElementTree.register_namespace("", SVG)
    written = ElementTree.tostring(root, encoding="unicode")
    return re.sub(r">\s+<", "><", written)


def _link(mark: ElementTree.Element, number: str) -> ElementTree.Element:
    link = ElementTree.Element(f"{{{SVG}}}a", {"href": f"#event-{number}", "aria-label": f"Event {number}"})
    mark.attrib.pop("id")
    link.append(mark)
    return link


def _rename(one: ElementTree.Element, name: str) -> None:
    for key, value in list(one.attrib.items()):
        if key == "transform" and value.startswith("rotate(-0 "):
            del one.attrib[key]
        elif key == "id":
            one.set(key, f"{name}-{value}")
        elif key == f"{{{XLINK}}}href":
            del one.attrib[key]
            one.set("href", value.replace("#", f"#{name}-", 1))
        elif key in ("clip-path", "style", "fill", "stroke"):
            one.set(key, _colours(value.replace("url(#", f"url(#{name}-")))
        elif key in ("d", "x", "y", "transform"):
            short = " ".join(NUMBER.sub(_short, value).split())
            # After a move every further pair is a line; curves need their letters.
            one.set(key, short if key != "d" or CURVED.search(short) else short.replace(" L ", " "))


def _colours(style: str) -> str:
    for color, word in NAMES.items():
        style = style.replace(color, f"var(--{word})")
    # The page's own letters; only size and weight are the picture's.
    style = FAMILY.sub("", style)
    return FONT.sub(_font, style)


def _font(found: re.Match[str]) -> str:
    bold = "font-weight: bold; " if "700" in found[0] or "bold" in found[0] else ""
    return f"{bold}font-size: {found[1]}px;"


def _short(found: re.Match[str]) -> str:
    return f"{float(found[0]):.1f}".removesuffix(".0")
