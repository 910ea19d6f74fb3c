"""A real browser before a real server, on small trials."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest

from lashwave import serving
from lashwave.serving.app import make_app
from tests.pages import trials

CHROMIUM = Path(os.environ.get("LASHWAVE_CHROMIUM", "/usr/bin/chromium"))
PAGES = Path(serving.__file__).parent / "pages" / "index.html"
TOKEN = "a-token-for-tests"
FLAGS = [
    "--no-sandbox",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
]


class Server:
    """The workbench's application on a port of its own, in a thread; it can go and come back."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, 0
        self.start()

    def start(self) -> None:
        import uvicorn

        app = make_app(self.folder, TOKEN)
        config = uvicorn.Config(
            app, port=self.port, log_level="error", timeout_graceful_shutdown=1, lifespan="auto"
        )
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, daemon=True)
        self.thread.start()
        limit = time.monotonic() + 20
        while not self.server.started:
            assert time.monotonic() < limit, "the server did not start"
            time.sleep(0.02)
        self.port = self.server.servers[0].sockets[0].getsockname()[1]

    def stop(self) -> None:
        self.server.should_exit = True
        self.thread.join(timeout=10)
        assert not self.thread.is_alive()

    def address(self, place: str = "") -> str:
        return f"http://127.0.0.1:{self.port}/?token={TOKEN}#/{place}"


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Trials of every kind. Tests that write use a folder of their own."""
    parent = tmp_path_factory.mktemp("bench")
    trials.write(parent, "bench-07")
    trials.write(parent, "no-camera", cameras=False)
    trials.write(parent, "unanswered", answered=False, frames=8)
    trials.spoil(parent, "broken")
    trials.instruments_only(parent, "raw")
    (parent / "spring").mkdir()
    rows = ["throw,peak [m/s],verdict", "b,312.4567,usable", "a,98.5,with care", "c,,failed"]
    (parent / "spring" / "campaign.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return parent


@pytest.fixture(scope="session")
def server(folder: Path) -> Iterator[Server]:
    served = Server(folder)
    yield served
    served.stop()


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    if not CHROMIUM.exists():
        pytest.skip(f"no Chromium at {CHROMIUM}; install it or name it in LASHWAVE_CHROMIUM")
    if not PAGES.is_file():
        pytest.skip("the pages are not built; install the checkout to build them")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as tool:
        chromium = tool.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield chromium
        chromium.close()


class Watched:
    """A page that remembers what went wrong in it and what it asked of other machines."""

    def __init__(self, browser: Any, **options: Any) -> None:
        self.context = browser.new_context(viewport={"width": 1280, "height": 720}, **options)
        self.page = self.open()

    def open(self) -> Any:
        page = self.context.new_page()
        page.set_default_timeout(40_000)
        self.errors: list[str] = []
        self.outside: list[str] = []
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("request", self._note)
        return page

    def _note(self, request: Any) -> None:
        if not request.url.startswith(("http://127.0.0.1:", "data:", "blob:")):
            self.outside.append(request.url)

    def close(self) -> None:
        self.context.close()
        assert self.errors == []
        assert self.outside == []


@pytest.fixture
def watched(browser: Any) -> Iterator[Watched]:
    one = Watched(browser)
    yield one
    one.close()


@pytest.fixture
def page(watched: Watched) -> Any:
    return watched.page


@pytest.fixture(scope="module")
def desk(browser: Any, server: Server) -> Iterator[Any]:
    """The answered trial, opened once for all tests of a module that only look."""
    one = Watched(browser)
    show(one.page, server.address("trial/bench-07"))
    yield one.page
    one.close()


def show(page: Any, address: str) -> None:
    """Open a trial and wait until its views stand; the trial before is then gone."""
    page.goto(address)
    stands(page, unquote(address.split("#/trial/")[1].split("?")[0]))


def stands(page: Any, trial: str) -> None:
    """Wait until the views of a trial stand and have drawn a first moment."""
    until(page, f"window.lashwave?.bench?.info.id === {trial!r}")
    until(page, "window.lashwave.player.meter.summary().frames > 0")
    page.wait_for_selector("[data-view=line] canvas.sheet")


def until(page: Any, expression: str, seconds: float = 40.0) -> None:
    """Wait until an expression holds; the pages' security policy forbids the browser's own way."""
    limit = time.monotonic() + seconds
    while not page.evaluate(f"Boolean({expression})"):
        assert time.monotonic() < limit, f"still not so after {seconds:g} s: {expression}"
        page.wait_for_timeout(20)


def soon(page: Any, read: Callable[[], Any], wanted: Any, seconds: float = 40.0) -> None:
    """Wait until what is read is what is wanted: a page answers a key or a click a moment later."""
    limit = time.monotonic() + seconds
    while (found := read()) != wanted and time.monotonic() < limit:
        page.wait_for_timeout(20)
    assert found == wanted


def says(page: Any, selector: str, *words: str) -> None:
    """Wait until an element that is shown says all these words."""
    texts: list[str] = []
    limit = time.monotonic() + 40.0
    while time.monotonic() < limit:
        texts = page.locator(selector).locator("visible=true").all_inner_texts()
        if any(all(word in text for word in words) for text in texts):
            return
        page.wait_for_timeout(20)
    raise AssertionError(f"{selector} does not say {words}, but {texts}")


def settle(page: Any) -> None:
    """Two frames of the browser: what changed has been drawn."""
    page.evaluate("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))")


def bench(page: Any, expression: str) -> Any:
    """A value of the page's shared state."""
    return page.evaluate(f"(({{bench, player}}) => {expression})(window.lashwave)")
