"""A page in Debian's Chromium: what it asks for, what it says, and who can use it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, ConsoleMessage, Page

NARROW = 380
"""Width of a small telephone, CSS pixels."""

_NAMES = ("chromium", "chromium-browser", "google-chrome")
MISSING = (
    "{what} is missing, so that no page can be looked at in a real browser. Install it "
    "(`{remedy}`), or leave these tests out with -m 'not slow'."
)
# No name is looked up, so that nothing can leave; and nothing of the browser's own is asked for.
_ALONE = (
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
_OPEN_ALL = "document.querySelectorAll('details').forEach(part => { part.open = true; })"


@dataclass(frozen=True)
class Visit:
    """A page that is open, with what it has said and asked for so far."""

    page: Page
    address: str
    messages: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def hear(self, message: ConsoleMessage) -> None:
        """Keep what the console says, and once more what it says is an error."""
        self.messages.append(message.text)
        if message.type == "error":
            self.errors.append(message.text)

    def hear_uncaught(self, error: Exception) -> None:
        """Keep an error that no script caught."""
        self.messages.append(str(error))
        self.errors.append(str(error))


@contextmanager
def chromium(*allowed: str) -> Iterator[Browser]:
    """Start the browser; it reaches no host but those allowed.

    The driver is imported here: it comes with an extra that the tests of every day do without.
    """
    found = next((path for name in _NAMES if (path := shutil.which(name))), None)
    if found is None:
        pytest.fail(MISSING.format(what="Chromium", remedy="apt-get install chromium"))
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        pytest.fail(MISSING.format(what="playwright", remedy="pip install -e '.[browser]'"))
    alone = [_ALONE[0] + "".join(f", EXCLUDE {host}" for host in allowed), *_ALONE[1:]]
    with sync_playwright() as driver:
        # Its own sandbox needs rights that root in a container does not have.
        browser = driver.chromium.launch(
            executable_path=found, chromium_sandbox=False, args=list(alone)
        )
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def visit(
    browser: Browser, address: Path | str, *, width: int = 1280, dark: bool = False
) -> Iterator[Visit]:
    """Open a page, with everything on it unfolded."""
    target = address.resolve().as_uri() if isinstance(address, Path) else address
    context = browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme="dark" if dark else "light"
    )
    context.set_default_timeout(120_000)
    try:
        page = context.new_page()
        opened = Visit(page, target)
        # The driver marks the methods that it is given, which a frozen object does not allow.
        page.on("console", lambda message: opened.hear(message))
        page.on("pageerror", lambda error: opened.hear_uncaught(error))
        page.on("request", lambda request: opened.requests.append(request.url))
        page.goto(target)
        page.evaluate(_OPEN_ALL)
        yield opened
    finally:
        context.close()


def disturbances(opened: Visit) -> list[str]:
    """Messages on the console, requests for anything but the page, images that do not show."""
    asked = [url for url in opened.requests if url != opened.address]
    broken = opened.page.evaluate(
        "[...document.images].filter(image => !(image.complete && image.naturalWidth > 0))"
        ".map(image => image.alt)"
    )
    return [
        *(f"says: {message}" for message in opened.messages),
        *(f"asks for: {url}" for url in asked if not url.startswith("data:")),
        *(f"shows no image: {alt}" for alt in broken),
    ]


def barriers(opened: Visit) -> list[str]:
    """What axe-core finds that keeps people out, of any impact."""
    from axe_playwright_python.sync_playwright import Axe

    found: list[dict[str, Any]] = Axe().run(opened.page).response["violations"]
    return [
        f"{rule['impact']}: {rule['id']}: {node['html'][:200]}"
        for rule in found
        for node in rule["nodes"]
    ]


def too_wide(opened: Visit) -> list[str]:
    """What is cut off or makes the page scroll sideways, but for what scrolls by itself."""
    found: list[str] = opened.page.evaluate(
        """() => {
            const scrolls = part => part.closest('.st-scroll') !== null;
            const wide = [...document.body.querySelectorAll('*')].filter(
                part => !scrolls(part) && part.getBoundingClientRect().right > innerWidth + 0.5);
            const page = document.documentElement.scrollWidth;
            return [
                ...(page > innerWidth ? [`the page is ${page} wide`] : []),
                ...wide.map(part => `too wide: ${part.outerHTML.slice(0, 200)}`),
            ];
        }"""
    )
    return found
