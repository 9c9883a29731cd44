"""A headless browser for looking at pages, and what it noticed."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib.resources import files
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserType, Page, sync_playwright

# The first draws as the others do with little more than half the work, but makes no mouse of a finger.
SHELL, WHOLE = ("chromium-headless-shell",), ("chromium", "chromium-browser", "google-chrome")
ARGUMENTS = ["--no-sandbox", "--headless", "--disable-gpu", "--disable-background-networking"]
DESK = {"width": 1280, "height": 800}
PHONE = {"width": 390, "height": 844}


def launched(kind: BrowserType, *names: str) -> Browser:
    """A running headless Chromium, the first of these programs that is there."""
    program = next((found for name in names if (found := shutil.which(name))), None)
    if program is None:
        pytest.fail("These tests look at pages in Chromium, and none is installed: apt-get install chromium")
    return kind.launch(executable_path=program, args=ARGUMENTS)


@contextmanager
def browser() -> Iterator[Browser]:
    """A running headless Chromium."""
    with sync_playwright() as play, launched(play.chromium, *SHELL, *WHOLE) as running:
        yield running


def troubles_of(page: Page) -> list[str]:
    """What goes wrong in a page from now on: complaints in its console, errors, dialogs (which are dismissed)."""
    found: list[str] = []
    page.on("console", lambda m: found.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: found.append(str(e)))
    page.on("dialog", lambda d: (found.append(f"dialog: {d.message}"), d.dismiss()))
    return found


class Look:
    """A page opened from a file, with console messages, errors, dialogs and requests as they came."""

    def __init__(self, running: Browser, path: Path, size: dict[str, int] = DESK, **context):
        self.context = running.new_context(viewport=size, accept_downloads=True, **context)
        self.page: Page = self.context.new_page()
        self.page.set_default_timeout(20_000)
        self.troubles = troubles_of(self.page)
        self.requests: list[str] = []
        self.page.on("request", lambda r: self.requests.append(r.url))
        self.address = path.resolve().as_uri()
        self.page.goto(self.address)
        self.page.wait_for_selector("html[data-done]", timeout=60_000)

    def __enter__(self) -> Look:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()

    @property
    def outside(self) -> list[str]:
        """Requests for anything but the page itself and pictures it made."""
        return [url for url in self.requests if url != self.address and not url.startswith(("data:", "blob:"))]

    def box(self, selector: str) -> list[dict[str, float]]:
        """Boxes of all elements of a selector, relative to the top of the unscrolled page."""
        return self.page.evaluate(
            "s => [...document.querySelectorAll(s)].map(e => {const r = e.getBoundingClientRect();"
            "return {top: r.top + scrollY, bottom: r.bottom + scrollY, left: r.left, right: r.right,"
            " width: r.width, height: r.height};})",
            selector,
        )


@cache
def _axe() -> str:
    """axe-core (MPL-2.0), as a package for tests brings it."""
    return (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")


def findings_of_axe(page: Page, *rules: str) -> list[str]:
    """What axe-core calls serious or critical in a page as it is now, a line each: rule, place, reason; of some rules only,
    or of all."""
    # Not by a script in the page, which the pages' own policy forbids.
    page.evaluate(f"() => {{ if (!window.axe) {{ {_axe()} }} }}")
    options = {"resultTypes": ["violations"], "iframes": False} | ({"runOnly": rules} if rules else {})
    found = page.evaluate("options => axe.run(document, options)", options)
    return [
        f"{rule['id']}: {node['html'][:160]}: {node['failureSummary']}"
        for rule in found["violations"]
        if rule["impact"] in ("serious", "critical")
        for node in rule["nodes"]
    ]
