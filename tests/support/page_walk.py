"""Goes through a page as a browser reads it: which elements it has, and where its links lead."""

from __future__ import annotations

import html.parser
import re
import unicodedata
from dataclasses import dataclass, field

TAGS = frozenset(
    [
        "html",
        "head",
        "meta",
        "title",
        "link",
        "body",
        "a",
        "header",
        "main",
        "nav",
        "form",
        "button",
        "p",
        "span",
        "h1",
        "h2",
        "h3",
        "div",
        "section",
        "dl",
        "dt",
        "dd",
        "table",
        "caption",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "code",
        "ul",
        "li",
        "label",
        "input",
        "select",
        "option",
        "pre",
        "img",
        "details",
        "summary",
        "b",
        "strong",
        "time",
        "svg",
        "line",
        "path",
        "circle",
        "polyline",
        "text",
        "figure",
        "figcaption",
        "meter",
    ]
)
"""Elements of our templates."""
ATTRIBUTES = re.compile(
    r"lang|charset|name|content|rel|href|class|id|method|action|aria-[a-z]+|role|tabindex|scope|"
    r"data-of|value|maxlength|selected|open|src|alt|datetime|viewbox|x|y|x1|x2|y1|y2|cx|cy|r|d|"
    r"points|text-anchor|min|max|type"
)
ADDRESS = re.compile(r"[/#][A-Za-z0-9/._~%?&=#-]*")


@dataclass
class Read(html.parser.HTMLParser):
    """One page, read."""

    links: list[str] = field(default_factory=list)
    pictures: list[str] = field(default_factory=list)
    words: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in TAGS, f"<{tag}> is none of ours"
        for name, value in attrs:
            assert ATTRIBUTES.fullmatch(name), f"{name} of <{tag}> is none of ours"
            check_visible(value or "")
            if name in {"href", "src", "action"}:
                assert ADDRESS.fullmatch(value or ""), f"{name}={value!r} leads elsewhere"
            if name == "href" and tag == "a":
                self.links.append(value or "")
            if name == "src":
                self.pictures.append(value or "")

    def handle_data(self, data: str) -> None:
        check_visible(data.replace("\n", "").replace("\t", ""))
        self.words.append(data)

    def handle_comment(self, data: str) -> None:
        raise AssertionError(f"a comment: {data!r}")


def check_visible(text: str) -> None:
    """Check that nothing in a text steers a screen, or turns what stands beside it."""
    for character in text:
        assert unicodedata.category(character) not in {"Cc", "Cf", "Cs", "Zl", "Zp"}, repr(text)
        assert unicodedata.bidirectional(character) not in {"R", "AL", "AN"}, repr(text)


def read(text: str) -> Read:
    """Read a page."""
    found = Read()
    found.feed(text)
    found.close()
    return found
