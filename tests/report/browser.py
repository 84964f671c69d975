"""Opening a page in a real browser, off line: what it said on its console, asked for, and showed."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import tempfile
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

import pytest

CHROMIUM = shutil.which("chromium")
NEEDS_CHROMIUM = pytest.mark.skipif(CHROMIUM is None, reason="needs chromium: opens pages in a browser")

_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
    "--enable-logging=stderr",
)  # fmt: skip
_BROWSERS_OWN = "not an origin"
"""What the browser's own log names as the origin of requests that no page asked for."""


@dataclass(frozen=True)
class Opened:
    """A page after it was opened: lines on the console, addresses it asked for, and its elements as they became."""

    console: list[str]
    requests: list[str]
    html: str


def open_page(page: Path, *flags: str) -> Opened:
    """Open a page, and wait until it is loaded."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        log = Path(folder) / "net.json"
        command = [str(CHROMIUM), *_FLAGS, f"--user-data-dir={folder}/data", f"--log-net-log={log}", "--dump-dom"]
        done = subprocess.run(
            [*command, *flags, page.resolve().as_uri()], capture_output=True, text=True, timeout=120, check=True
        )
        events = json.loads(log.read_text())["events"]
    asked = [e["params"] for e in events if "initiator" in e.get("params", {}) and "url" in e["params"]]
    console = re.findall(r"CONSOLE:\d+\] (.*)", done.stderr)
    return Opened(console, [e["url"] for e in asked if e["initiator"] != _BROWSERS_OWN], done.stdout)


@dataclass
class Elements(HTMLParser):
    """The elements of a page, and the text in them."""

    tags: list[str] = field(default_factory=list)
    attributes: list[tuple[str, str]] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def elements_of(html: str) -> Elements:
    """Read a page."""
    out = Elements()
    out.feed(html)
    return out


def assert_stands_alone(html: str) -> None:
    """Assert that nothing in a page refers to anything outside it, and nothing in it can run."""
    elements = elements_of(html)
    assert not {"script", "iframe", "object", "embed", "link", "base", "img", "form"} & set(elements.tags)
    for name, value in elements.attributes:
        assert not name.startswith("on"), (name, value)
        if name in ("src", "href", "xlink:href", "action", "data", "srcset", "poster"):
            assert value.startswith("#"), (name, value)
        assert "url(" not in value.replace("url(#", ""), (name, value)
    style = re.findall(r"<style[^>]*>(.*?)</style>", html, re.DOTALL)
    assert not any("url(" in text or "@import" in text for text in style)
