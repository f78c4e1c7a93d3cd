"""Drawing with as little ceremony as SVG allows: elements of the standard library's tree, numbers kept short."""

from __future__ import annotations

from xml.etree import ElementTree

from statecraft.report.text import unveiled

Element = ElementTree.Element
NAMESPACE = "http://www.w3.org/2000/svg"


def num(value: float) -> str:
    """``value`` with one decimal at most: a tenth of a pixel is finer than any eye."""
    return f"{round(value, 1):g}" if abs(value) < 1e5 else f"{value:.0f}"


def add(parent: Element, tag: str, text: str | None = None, **attributes: str | float | None) -> Element:
    """A new ``tag`` at the end of ``parent``. ``cls`` is ``class``, underscores are hyphens, None is left out."""
    element = ElementTree.SubElement(parent, tag)
    for key, value in attributes.items():
        if value is None:
            continue
        name = "class" if key == "cls" else key.rstrip("_").replace("_", "-")
        element.set(name, value if isinstance(value, str) else num(value))
    element.text = text
    return element


def group(parent: Element, cls: str, title: str | None = None, **attributes: str | float | None) -> Element:
    """A ``g`` of that class, with a ``title`` that readers aloud and pointers see."""
    made = add(parent, "g", None, cls=cls, **attributes)
    if title:
        add(made, "title", title)
    return made


def lines(
    parent: Element, rows: list[str], x: float, y: float, leading: float, cls: str, anchor: str | None = None
) -> Element:
    """A text of several lines, the first one's baseline at ``y``. One line is plain text; more are ``tspan`` each."""
    text = add(parent, "text", x=x, y=y, cls=cls, text_anchor=anchor)
    if len(rows) == 1:
        text.text = rows[0]
        return text
    for number, row in enumerate(rows):
        # The line's own break keeps words apart for whoever reads the text rather than looks at it.
        span = add(text, "tspan", row, x=x, dy=leading if number else None)
        span.tail = "\n" if number < len(rows) - 1 else None
    return text


def drawing(wide: float, high: float, title: str, description: str, name: str, interactive: bool = False) -> Element:
    """An empty drawing of that size in px. ``name`` is what ids start with, unique on the page it may be put into.

    ``interactive``: there will be links in it, so that it is a group of things instead of one image.
    """
    root = Element("svg")
    root.set("xmlns", NAMESPACE)
    root.set("viewBox", f"0 0 {num(wide)} {num(high)}")
    root.set("width", num(wide))
    root.set("height", num(high))
    root.set("role", "group" if interactive else "img")
    root.set("aria-labelledby", f"{name}-title {name}-desc")
    root.set("class", "drawing")
    add(root, "title", title, id=f"{name}-title")
    add(root, "desc", description, id=f"{name}-desc")
    return root


def markup(root: Element) -> str:
    """``root`` as text, without a declaration."""
    return ElementTree.tostring(root, encoding="unicode")


def document(root: Element, style: str) -> str:
    """``root`` as a file of its own, ``style`` inside it."""
    sheet = Element("style")
    sheet.text = style
    root.insert(2, sheet)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + unveiled(markup(root)) + "\n"
