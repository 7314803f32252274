"""A strict reading of the report's HTML: every tag closed in order, nothing but what a plain page needs."""

from __future__ import annotations

from html.parser import HTMLParser

VOID = {"meta", "link"}
PLAIN = {
    "html", "head", "title", "style", "body", "h1", "h2", "h3", "h4", "p", "b", "del", "code", "span", "div", "a", "ul",
    "li", "table", "thead", "tbody", "tr", "th", "td", "details", "summary", "figure", "figcaption",
}  # fmt: skip
DRAWN = {"svg", "text", "path", "rect", "circle"}
ATTRIBUTES = {
    "lang", "charset", "http-equiv", "content", "name", "rel", "href", "class", "id", "viewbox", "role", "aria-label",
    "aria-hidden", "x", "y", "width", "height", "d", "cx", "cy", "r",
}  # fmt: skip


class Page(HTMLParser):
    """What stands on a page. Raises AssertionError for a tag that is not closed in order, or not expected."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[str] = []
        self.text: list[str] = []
        self.struck: list[str] = []
        self.links: list[str] = []
        self.ids: list[str] = []
        self.tables: list[list[list[str]]] = []
        assert text.startswith("<!DOCTYPE html>")
        self.feed(text)
        self.close()
        assert self.open == []
        assert len(self.ids) == len(set(self.ids))
        assert all(link == "data:," or link[1:] in self.ids for link in self.links)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in VOID | PLAIN | DRAWN, tag
        assert {name for name, _ in attrs} <= ATTRIBUTES, attrs
        self.tags.append(tag)
        for name, value in attrs:
            if name == "href":
                assert value is not None and (value == "data:," or value.startswith("#"))
                self.links.append(value)
            if name == "id":
                self.ids.append(str(value))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in DRAWN, tag
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open.pop() == tag, tag

    def handle_data(self, data: str) -> None:
        if "style" in self.open:
            return
        self.text.append(data)
        if "del" in self.open:
            self.struck.append(data)
        if "td" in self.open or "th" in self.open:
            self.tables[-1][-1][-1] += data

    def handle_comment(self, data: str) -> None:
        raise AssertionError(f"a comment: {data}")

    def unknown_decl(self, data: str) -> None:
        raise AssertionError(data)

    def handle_pi(self, data: str) -> None:
        raise AssertionError(data)

    @property
    def words(self) -> str:
        return "".join(self.text)

    def table(self, *head: str) -> list[list[str]]:
        """The rows of the first table whose head begins so."""
        return next(t[1:] for t in self.tables if t[0][: len(head)] == list(head))
