"""Checks for every page: its HTML is complete, ids are unique, and everything it would load is listed."""

import re
from html.parser import HTMLParser

VOID = {"meta", "img", "input", "br", "hr", "link"}
LOADING = {"src", "href", "xlink:href", "srcset", "data", "action", "poster", "formaction"}


class Judge(HTMLParser):
    """Collects the open elements, all ids and everything that a page would load."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.loads: list[str] = []
        self.faults: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.handle_startendtag(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        names = [name for name, _ in attrs]
        if len(set(names)) < len(names):
            self.faults.append(f"<{tag}> has an attribute twice")
        self.ids += [value for name, value in attrs if name == "id"]
        self.loads += [value for name, value in attrs if name in LOADING]
        self.loads += re.findall(r"url\(([^)]*)\)", " ".join(value or "" for _, value in attrs))

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> closes nothing")


def judged(text: str) -> Judge:
    judge = Judge()
    judge.feed(text)
    judge.close()
    return judge
