"""HTML and SVG as text, with everything escaped that is not markup of ours.

:class:`Html` is text that is markup already; any other string becomes text of the page, whatever it holds: names of
lamps and words of devices come from outside.
"""

import html
from collections.abc import Iterable

from .typography import unbroken


class Html(str):
    """Text that is markup already."""

    __slots__ = ()


Child = str | None


def tag(name: str, *children: Child, **attributes: str | float | None) -> Html:
    """An element.

    Args:
        name: Of the element.
        children: Html is put in as it is, other text is escaped, None is left out.
        attributes: ``class_`` and ``for_`` lose the underscore, other underscores become hyphens; None is left out.
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{html.escape(_plain(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    inner = "".join(escaped(child) for child in children if child is not None)
    return Html(f"<{name}{written}>{inner}</{name}>")


def escaped(text: str) -> Html:
    """Text as markup, its figures kept with their units."""
    return text if isinstance(text, Html) else Html(html.escape(unbroken(text), quote=False))


def joined(parts: Iterable[str], between: str = "") -> Html:
    """Parts one after another."""
    return Html(escaped(between).join(escaped(part) for part in parts))


def table(head: Iterable[str], rows: Iterable[Iterable[str]], *, class_: str | None = None) -> Html:
    """A table with a head that is repeated on every printed page; the first cell of a row names the row."""
    lines = []
    for first, *rest in rows:
        lines.append(tag("tr", tag("th", first, scope="row"), *(tag("td", cell) for cell in rest)))
    return tag(
        "table",
        tag("thead", tag("tr", *(tag("th", cell, scope="col") for cell in head))),
        tag("tbody", *lines),
        class_=class_,
    )


def pairs(rows: Iterable[tuple[str, str]]) -> Html:
    """Names and values."""
    return tag("dl", *(tag("div", tag("dt", name), tag("dd", value)) for name, value in rows))


def _plain(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:.2f}".rstrip("0").rstrip(".")
