"""What is drawn, pixel by pixel and word by word, against what is worked out here."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from tests.pages import trials
from tests.pages.conftest import Server, Watched, bench, says, settle, show, until
from tests.report import invented

GREEN = np.array([0x73, 0x9E, 0x00])
"""Of a marker that was seen, blue first."""
HALF_VIEW = 0.3
"""Half the upright angle of view of the 3-D view [rad]."""


def pixels(eye: dict[str, Any], place: np.ndarray, width: float, height: float) -> np.ndarray:
    """Where places (N, 3) [m] stand on a sheet (N, 2) [px], for an eye that circles a middle."""
    ca, sa = np.cos(eye["azimuth"]), np.sin(eye["azimuth"])
    ce, se = np.cos(eye["elevation"]), np.sin(eye["elevation"])
    ahead = np.array([-ce * ca, -ce * sa, -se])
    right, up = np.array([-sa, ca, 0.0]), np.array([-se * ca, -se * sa, ce])
    away = place - (np.array(eye["middle"]) - eye["distance"] * ahead)
    unit = 0.5 * height / (np.tan(HALF_VIEW) * (away @ ahead))
    return np.stack([0.5 * width + unit * (away @ right), 0.5 * height - unit * (away @ up)], -1)


def green_about(picture: np.ndarray, at: np.ndarray, reach: int = 5) -> np.ndarray:
    """The middle [px] of what is green within reach; nan where nothing is."""
    x, y = np.round(at).astype(int)
    near = picture[y - reach : y + reach + 1, x - reach : x + reach + 1].astype(int)
    rows, columns = np.nonzero(np.abs(near - GREEN).max(axis=-1) < 12)
    if not rows.size:
        return np.full(2, np.nan)
    return np.array([x - reach + columns.mean() + 0.5, y - reach + rows.mean() + 0.5])


def test_every_marker_is_drawn_at_its_pixel(desk: Any) -> None:
    """The eye is the page's, all that follows from it is worked out here."""
    t = 0.1
    bench(desk, f"(bench.window.value = bench.whole, bench.select(null), bench.goTo({t}))")
    settle(desk)
    desk.get_by_role("button", name="Fit the line").click()
    settle(desk)
    eye = desk.evaluate(
        "(({azimuth, elevation, distance, middle}) => "
        "({azimuth, elevation, distance, middle: Array.from(middle)}))(window.lashwave.scene.orbit)"
    )
    labels = bench(desk, "bench.sightings.labels")
    station = [bench(desk, f"bench.info.markers.stations[{name!r}]") for name in labels]
    on_line = [i for i, s in enumerate(station) if s is not None and s > 0.3]
    true = invented.place(np.array([t]), np.array([station[i] for i in on_line]))[0]
    place = desk.locator("[data-view=line] .host").bounding_box()
    corner = np.array([place["x"], place["y"]])
    wanted = corner + pixels(eye, true, place["width"], place["height"])
    picture = cv2.imdecode(np.frombuffer(desk.screenshot(), np.uint8), cv2.IMREAD_COLOR)
    drawn = np.array([green_about(picture, at) for at in wanted])
    assert len(on_line) >= 8
    # The throw's markers carry 0.3 mm of noise, some hundredths of a pixel here.
    assert np.abs(drawn - wanted).max() < 0.75, np.round(drawn - wanted, 2)


@pytest.mark.parametrize(
    ("elapsed", "share", "said"),
    [
        (40.0, 0.25, "40 s, about 2 min 00 s left"),
        (100.0, 0.8, "1 min 40 s, about 25 s left"),
        (40.0, 0.02, "40 s"),  # too early to say
        (3.0, 0.5, "3 s"),
    ],
)
def test_a_run_says_how_long_it_will_take(
    page: Any, server: Server, elapsed: float, share: float, said: str
) -> None:
    state = {"id": "r1", "state": "running", "stage": "forward sweep", "share": share,
             "line": None, "elapsed": elapsed}  # fmt: skip
    page.route(
        "**/api/trials/bench-07/run",
        lambda route: route.fulfill(status=202, body=json.dumps({"run": "r1"})),
    )
    page.route("**/api/runs/r1", lambda route: route.fulfill(body=json.dumps(state)))
    show(page, server.address("trial/bench-07"))
    page.keyboard.press("3")
    page.locator(".run button.main").click()
    says(page, ".progress span", "a first motion, from start to end: ")
    assert page.inner_text(".progress span").split(": ")[1] == said
    assert page.get_attribute(".progress progress", "value") == f"{share:g}"


def test_a_first_look_needs_few_times_and_the_rest_follows(browser: Any, tmp_path: Path) -> None:
    trials.write(tmp_path, "long", times=1500, stations=20, frames=8)
    own, one = Server(tmp_path), Watched(browser)
    asked: list[str] = []
    one.page.on("request", lambda request: asked.append(request.url.split("/api/")[-1]))
    # Held back until the few have been looked at.
    held: list[Any] = []
    one.page.route("**/api/trials/long/motion", lambda route: held.append(route))
    show(one.page, own.address("trial/long"))
    few = bench(one.page, "bench.motion.times")
    assert few <= 400 and "trials/long/motion?few=1" in asked
    high = bench(one.page, "bench.motion.fields.tension.high")
    picture = "document.querySelector('[data-view=speed] canvas.sheet').toDataURL()"
    bench(one.page, "(bench.window.value = bench.whole, bench.goTo(0.3))")
    settle(one.page)
    before = one.page.evaluate(picture)
    limit = 100
    while not held and limit:
        one.page.wait_for_timeout(20)
        limit -= 1
    held[0].continue_()
    until(one.page, "!window.lashwave.bench.motion.more")
    settle(one.page)
    assert bench(one.page, "bench.motion.times") > 1.7 * few
    assert bench(one.page, "bench.time.value") == 0.3
    assert bench(one.page, "bench.motion.fields.tension.high") == high
    assert one.page.evaluate(picture) != before
    # The state of the moment is read from the finer motion.
    begin, end = bench(one.page, "[0, 1].map((i) => bench.motion.time[bench.line.k + i])")
    assert begin <= 0.3 < end
    one.close()
    own.stop()


def test_trials_of_one_name_are_told_apart_where_they_are_compared(
    browser: Any, tmp_path: Path
) -> None:
    for name in ("one", "other"):
        folder = trials.write(tmp_path, name, frames=8)
    toml = folder / "trial.toml"
    toml.write_text(toml.read_text("utf-8").replace('"other"', '"one"', 1), "utf-8")
    own, watched = Server(tmp_path), Watched(browser)
    watched.page.goto(own.address("compare/one/other"))
    watched.page.wait_for_selector(".overlaid svg path")
    assert watched.page.inner_text("h1") == "one · other"
    watched.close()
    own.stop()
