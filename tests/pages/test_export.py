"""What a view saves: SVG that can be read, PNG of the right size, CSV with the numbers shown."""

from __future__ import annotations

import csv
import io
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from tests.pages import trials
from tests.pages.conftest import bench, says, soon
from tests.report import invented

SVG = "{http://www.w3.org/2000/svg}"


def saved(page: Any, view: str, kind: str, folder: Path) -> Path:
    page.locator(f"[data-view={view}] summary").click()
    with page.expect_download() as waiting:
        page.locator(f"[data-view={view}] .save button", has_text=kind).click()
    path = folder / waiting.value.suggested_filename
    assert path.name == f"bench-07-{view}.{kind.lower()}"
    waiting.value.save_as(path)
    return path


@pytest.mark.parametrize(
    "view", ["line", "video-tip-view", "timeline", "speed", "curvature", "tension", "plot-1"]
)
def test_every_view_is_an_svg(desk: Any, tmp_path: Path, view: str) -> None:
    path = saved(desk, view, "SVG", tmp_path)
    root = ElementTree.parse(path).getroot()
    assert root.tag == f"{SVG}svg"
    assert len(list(root.iter(f"{SVG}path"))) >= 1
    links = [e.get("href", "") for e in root.iter(f"{SVG}image")]
    assert all(link.startswith("data:image/png") for link in links)


def test_a_png_has_the_size_that_was_asked_for(desk: Any, tmp_path: Path) -> None:
    picture = cv2.imread(str(saved(desk, "line", "PNG", tmp_path)))
    assert picture.shape[1] == 4016  # page width at 600 dots an inch
    assert picture.std() > 3
    desk.locator("[data-view=line] summary").click()
    desk.select_option("[data-view=line] .save select >> nth=0", "slide")
    desk.select_option("[data-view=line] .save select >> nth=1", "dark")
    desk.locator("[data-view=line] summary").click()
    slide = cv2.imread(str(saved(desk, "line", "PNG", tmp_path)))
    assert slide.shape[1] == 1920
    assert slide[5, 5].max() < 60 < 200 < picture[5, 5].min()


def test_a_picture_is_copied_to_paste_elsewhere(desk: Any) -> None:
    desk.context.grant_permissions(["clipboard-read", "clipboard-write"])
    desk.locator("[data-view=tension] summary").click()
    desk.locator("[data-view=tension] .save button", has_text="Copy").click()
    says(desk, "[data-view=tension] [role=status]", "copied")
    size = desk.evaluate(
        """async () => {
          const [item] = await navigator.clipboard.read();
          const picture = await createImageBitmap(await item.getType('image/png'));
          return [picture.width, picture.height];
        }"""
    )
    assert size == [4016, round(4016 * 380 / 900)]


def test_a_view_says_itself_in_words_and_numbers(desk: Any) -> None:
    desk.locator("[data-view=plot-1] summary").click()
    desk.get_by_role("button", name="In words and numbers").locator("visible=true").click()
    says(desk, "dialog.words", "Speed of the tip", "tip (median of draws) goes from", " ± ")
    soon(desk, desk.locator("dialog.words tbody tr").count, 24)
    desk.locator("dialog.words button").click()
    desk.wait_for_selector("dialog.words", state="detached")


def test_the_numbers_behind_a_plot(desk: Any, tmp_path: Path) -> None:
    bench(desk, "(bench.window.value = bench.whole)")
    text = saved(desk, "plot-1", "CSV", tmp_path).read_text(encoding="utf-8")
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[0][:2] == ["time [s]", "tip [m/s]"]
    time, speed = np.array([[float(v) for v in row[:2]] for row in rows[1:]]).T
    assert time.size == bench(desk, "bench.motion.times")
    step = 2e-5
    ends = np.array([invented.LENGTH])
    ahead, behind = (invented.place(time + s, ends)[:, 0] for s in (step, -step))
    true = np.linalg.norm((ahead - behind) / (2 * step), axis=-1)
    # The list is in single precision on its way to the page.
    assert np.allclose(speed, true, rtol=1e-5, atol=1e-4)


def test_the_numbers_behind_a_map_keep_to_the_window(desk: Any, tmp_path: Path) -> None:
    bench(desk, "bench.look(0.41, 0.43)")
    text = saved(desk, "curvature", "CSV", tmp_path).read_text(encoding="utf-8")
    with_sd = saved(desk, "speed", "CSV", tmp_path).read_text(encoding="utf-8").splitlines()[0]
    bench(desk, "(bench.window.value = bench.whole)")
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[0][1].startswith("curvature at 0 m")
    assert len(rows[0]) == 1 + 2 * bench(desk, "bench.motion.stations")  # each with its sd
    assert with_sd.startswith("time [s],speed at 0 m [m/s],sd of speed at 0 m [m/s]")
    times = [float(row[0]) for row in rows[1:]]
    assert 0.41 <= min(times) < max(times) <= 0.43


def test_report_and_answers_are_linked(desk: Any) -> None:
    desk.keyboard.press("4")
    for name in ("Open as a page", "All answer files"):
        link = desk.get_by_role("link", name=name)
        reply = desk.request.get(link.evaluate("a => a.href"))
        assert reply.status == 200, name
        assert len(reply.body()) > 20
    desk.keyboard.press("1")


def test_a_film_of_the_line_from_where_the_view_looks(desk: Any, tmp_path: Path) -> None:
    import av

    begin, end = 0.41, 0.4198
    bench(desk, f"bench.look({begin}, {end})")
    moments = bench(desk, "bench.info.events.map(e => e.time)")
    desk.keyboard.press("4")
    desk.fill("input[name=duration]", "1")
    desk.select_option(".side label:has-text('beside it') select", "tip-view")
    desk.get_by_role("button", name="Make MP4").click()
    with desk.expect_download(timeout=240_000) as waiting:
        desk.get_by_role("link", name="Save the film").click(timeout=240_000)
    waiting.value.save_as(tmp_path / "film.mp4")
    bench(desk, "(bench.window.value = bench.whole)")
    desk.keyboard.press("1")
    with av.open(str(tmp_path / "film.mp4")) as film:
        stream = film.streams.video[0]
        frames = [one.to_ndarray(format="gray") for one in film.decode(stream)]
    # One second, as asked for, at the server's thirty frames a second.
    assert len(frames) == pytest.approx(30, abs=1)
    # The camera's grey ramp stands at the right while it has frames, a word before that.
    right = (slice(200, 400), slice(900, 1220))
    during = round((trials.OFFSET + 5e-4 - begin) / (end - begin) * (len(frames) - 1))
    assert np.mean(frames[0][right] > 240) > 0.9
    assert np.mean(frames[during][right] < 200) > 0.9
    # An event is marked at the foot, above the line on which it stands.
    (event,) = [t for t in moments if begin < t < end]
    at = 60 + round((event - begin) / (end - begin) * (1280 - 300))
    assert frames[0][690, at - 1 : at + 2].min() < 170 < 230 < frames[0][690, at + 20]
