"""Each view of a trial, and each link between them."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from tests.pages import trials
from tests.pages.conftest import bench, says, settle, soon, until
from tests.report import invented

CRACK = 0.42
"""The invented fold reaches the tip here [s]."""


@pytest.fixture(autouse=True)
def at_rest(desk: Any) -> None:
    """Every test begins at the crack with nothing selected and the whole record shown."""
    bench(desk, f"(bench.window.value = bench.whole, bench.goTo({CRACK}), bench.select(null))")


def box(page: Any, view: str) -> dict[str, float]:
    found: dict[str, float] = page.locator(f"[data-view={view}] .host").bounding_box()
    return found


def press(page: Any, view: str, x: float, y: float) -> None:
    """Click at shares of a view's width and height."""
    place = box(page, view)
    page.mouse.click(place["x"] + x * place["width"], place["y"] + y * place["height"])
    settle(page)


def test_every_view_stands(desk: Any) -> None:
    names = desk.eval_on_selector_all("[data-view]", "all => all.map(v => v.dataset.view)")
    wanted = {"line", "video-tip-view", "timeline", "speed", "curvature", "tension"}
    assert wanted | {"plot-1", "plot-2", "plot-3"} == set(names)
    # Nothing is drawn outside of the page, and nothing needs to be scrolled for.
    assert desk.evaluate("document.documentElement.scrollHeight <= innerHeight")
    assert desk.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_the_line_is_where_the_answers_have_it(desk: Any) -> None:
    """The state at a moment against the motion that the fixture wrote, computed here."""
    t = 0.3
    bench(desk, f"bench.goTo({t})")
    settle(desk)
    state = np.array(bench(desk, "Array.from(bench.line.position)")).reshape(-1, 3)
    station = np.array(bench(desk, "Array.from(bench.motion.station)"))
    true = invented.place(np.array([t]), station)[0]
    # The motion stands on 0.02 s of Hermite pieces there; the fold turns in 60 mm.
    assert np.abs(state - true).max() < 2e-3


def test_a_moment_chosen_in_any_view_moves_all(desk: Any) -> None:
    for view in ("speed", "plot-1", "timeline"):
        press(desk, view, 0.5, 0.4)
        place = box(desk, view)
        until(desk, "Math.abs(window.lashwave.bench.time.value - 0.3) < 0.1")
        here = bench(desk, "bench.time.value")
        says(desk, ".clock", f"{1e3 * here:.3f} ms")
        for other in ("speed", "curvature", "tension", "plot-1", "plot-2", "plot-3", "timeline"):
            cursor = desk.locator(f"[data-view={other}] .cursor").bounding_box()
            host = box(desk, other)
            if host["width"] == place["width"]:
                middle = cursor["x"] + cursor["width"] / 2 - host["x"]
                assert middle == pytest.approx(0.5 * host["width"], abs=1.5), other


def test_a_station_chosen_in_a_map_is_chosen_everywhere(desk: Any) -> None:
    press(desk, "curvature", 0.7, 0.25)
    until(desk, "window.lashwave.bench.selection.value.station !== null")
    station = bench(desk, "bench.selection.value.station")
    assert station == pytest.approx(0.75 * invented.LENGTH, abs=0.08)
    says(desk, ".side [role=tabpanel] h3", f"Station {station:.3f} m")
    says(desk, "[data-view=plot-1] .legend", f"{station:.3f} m")
    levels = "document.querySelectorAll('.level:not([hidden])').length"
    soon(desk, lambda: desk.evaluate(levels), 3)


def test_a_click_in_the_frame_selects_the_station_there(desk: Any) -> None:
    bench(desk, "bench.goTo(0.4185)")
    settle(desk)
    place = box(desk, "video-tip-view")
    scale = min(place["width"], place["height"]) / trials.SIDE
    left = place["x"] + 0.5 * (place["width"] - trials.SIDE * scale)
    tip = bench(desk, "Array.from(bench.line.position.slice(-3))")
    u = trials.PER_METRE * (tip[0] - trials.LEFT)
    v = trials.PER_METRE * (trials.TOP - tip[2])
    assert 0 < u < trials.SIDE
    assert 0 < v < trials.SIDE
    desk.mouse.click(left + (u + 0.5) * scale, place["y"] + (v + 0.5) * scale)
    tip_station = pytest.approx(invented.LENGTH, abs=0.03)
    soon(desk, lambda: bench(desk, "bench.selection.value.station"), tip_station)


def test_a_click_on_a_marker_in_space_selects_its_label(desk: Any) -> None:
    bench(desk, "bench.goTo(0.1)")
    settle(desk)
    desk.get_by_role("button", name="Fit the line").click()  # the first view is of the crack
    settle(desk)
    place = box(desk, "line")
    at = desk.evaluate(
        """() => {
          const view = window.lashwave.scene, out = new Float32Array(2);
          const i = window.lashwave.bench.sightings.labels.indexOf('M08');
          const [x, y, z] = view.content.markerXyz.slice(3 * i, 3 * i + 3);
          const host = document.querySelector('[data-view=line] .host');
          view.orbit.project(x, y, z, host.clientWidth, host.clientHeight, out, 0);
          return Array.from(out);
        }"""
    )
    x, y = place["x"] + at[0], place["y"] + at[1]
    # Its disc lies over the line, in the green that the legend gives to what was seen.
    picture = cv2.imdecode(np.frombuffer(desk.screenshot(), np.uint8), cv2.IMREAD_COLOR)
    assert picture[round(y), round(x)] == pytest.approx([0x73, 0x9E, 0x00], abs=12)
    desk.mouse.click(x, y)
    soon(desk, lambda: bench(desk, "bench.selection.value.marker"), "M08")
    assert bench(desk, "bench.selection.value.station") == pytest.approx(1.43)


def test_lost_markers_are_predicted(desk: Any) -> None:
    """In the 20 ms before the crack the outer markers are lost; they then stand on the line."""
    bench(desk, "bench.goTo(0.41)")
    settle(desk)
    shapes = desk.evaluate("Array.from(window.lashwave.scene.content.markerShape)")
    labels = bench(desk, "bench.sightings.labels")
    ring = 1
    assert shapes[labels.index("M11")] == ring
    assert shapes[labels.index("M02")] != ring


def test_the_camera_window_stands_where_the_camera_looks(desk: Any) -> None:
    """Parallel light along y: the window is upright, its edges those of the picture in the lab."""
    corners = desk.evaluate("window.lashwave.scene.content.windows[0].corners")
    xs = [corner[0] for corner in corners]
    zs = [corner[2] for corner in corners]
    assert max(xs) - min(xs) == pytest.approx(trials.SIDE / trials.PER_METRE, rel=1e-6)
    assert max(zs) == pytest.approx(trials.TOP + 0.5 / trials.PER_METRE, abs=1e-6)
    assert min(xs) == pytest.approx(trials.LEFT - 0.5 / trials.PER_METRE, abs=2e-3)


def test_the_frame_of_the_moment_is_shown(desk: Any) -> None:
    bench(desk, "bench.goTo(bench.info.cameras[0].clock.offset + 5 / 20000)")
    settle(desk)
    soon(desk, lambda: desk.inner_text(".over-note"), "frame 5")  # it has pictures
    until(desk, "window.lashwave.frames[0].get(5) !== null")
    size = desk.evaluate("(() => { const f = window.lashwave.frames[0].get(5); return f.width })()")
    assert size == trials.SIDE


def test_keys_step_and_play(desk: Any) -> None:
    desk.locator("h1").click()
    bench(desk, "bench.goTo(bench.info.cameras[0].clock.offset + 5 / 20000)")
    before = bench(desk, "bench.time.value")

    def now() -> float:
        return float(bench(desk, "bench.time.value"))

    desk.keyboard.press("ArrowRight")
    soon(desk, lambda: now() - before, pytest.approx(1 / trials.RATE, rel=1e-2))
    at_frame = now()
    desk.keyboard.press("Shift+ArrowRight")
    soon(desk, lambda: 0 < now() - at_frame < 1.5 / 500, True)
    desk.keyboard.press("Home")
    soon(desk, now, bench(desk, "bench.whole.from"))
    desk.keyboard.press("]")
    first = min(event["time"] for event in bench(desk, "bench.info.events"))
    soon(desk, now, pytest.approx(first))
    desk.keyboard.press("Home")
    desk.keyboard.press("Space")
    until(desk, "window.lashwave.bench.time.value > window.lashwave.bench.whole.from")
    desk.keyboard.press("Space")
    until(desk, "!window.lashwave.bench.playing.value")


def test_the_slowest_speed_is_one_fast_frame_a_second(desk: Any) -> None:
    for _ in range(30):
        desk.keyboard.press(",")
    rate = pytest.approx(1 / trials.RATE, rel=1e-9)
    soon(desk, lambda: bench(desk, "bench.rate.value"), rate)
    soon(desk, lambda: desk.inner_text(".rate output"), "1 frames/s")
    for _ in range(30):
        desk.keyboard.press(".")
    soon(desk, lambda: bench(desk, "bench.rate.value"), 1.0)
    bench(desk, "(bench.rate.value = 0.01)")


def test_the_list_of_keys_can_be_read_and_closed(desk: Any) -> None:
    desk.keyboard.press("?")
    says(desk, "dialog", "previous fast frame")
    desk.keyboard.press("Escape")
    desk.wait_for_selector("dialog", state="detached")


def test_events_lead_to_their_moment_and_station(desk: Any) -> None:
    event = bench(desk, "bench.info.events.find(e => e.station !== null)")
    desk.locator(".events button", has_text=event["name"]).first.click()
    soon(desk, lambda: bench(desk, "bench.time.value"), pytest.approx(event["time"]))
    station = pytest.approx(event["station"])
    soon(desk, lambda: bench(desk, "bench.selection.value.station"), station)


def test_sightings_show_what_was_missing_and_mark_a_span(desk: Any) -> None:
    desk.get_by_role("tab", name="Sightings").click()
    desk.wait_for_selector("[data-view=sightings] canvas")
    row = desk.locator(".counts tr", has_text="M11")
    assert "longest gap 2" in row.inner_text() or "longest gap 3" in row.inner_text()
    camera = desk.locator(".counts tr", has_text="tip, tip-view").inner_text()
    assert "points" in camera
    settle(desk)
    place = box(desk, "sightings")
    desk.mouse.move(place["x"] + 0.5 * place["width"], place["y"] + 0.9 * place["height"])
    says(desk, "[data-view=sightings] .pointer-tip", " ms", "used", "weight")
    axis = desk.locator(".raster-column .axis").bounding_box()
    assert axis["y"] >= place["y"] + place["height"] - 1  # the time axis stands below
    desk.keyboard.down("Shift")
    desk.mouse.move(place["x"] + 0.4 * place["width"], place["y"] + 0.3 * place["height"])
    desk.mouse.down()
    desk.mouse.move(place["x"] + 0.5 * place["width"], place["y"] + 0.3 * place["height"])
    desk.mouse.up()
    until(desk, "window.lashwave.bench.span.value")
    desk.keyboard.up("Shift")
    span = bench(desk, "bench.span.value")
    assert span["to"] - span["from"] == pytest.approx(0.1 * 0.6, rel=0.2)
    until(desk, "window.lashwave.bench.selection.value.marker !== null")
    desk.keyboard.press("Escape")
    desk.get_by_role("tab", name="Motion").click()
    desk.wait_for_selector("[data-view=speed] canvas")


def test_light_and_dark(desk: Any) -> None:
    paper = "getComputedStyle(document.body).backgroundColor"
    before = desk.evaluate(paper)
    desk.keyboard.press("t")
    soon(desk, lambda: desk.evaluate(paper) != before, True)
    desk.keyboard.press("t")
    soon(desk, lambda: desk.evaluate(paper), before)
