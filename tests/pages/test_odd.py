"""Trials and browsers that lack something: cameras, answers, WebGL; and one with very much."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lashwave.files.write_trial import write_trial
from tests.pages import trials
from tests.pages.conftest import Server, Watched, bench, says, settle, show, soon, until


def test_a_trial_without_cameras(page: Any, server: Server) -> None:
    show(page, server.address("trial/no-camera"))
    assert page.locator("[data-view^=video]").count() == 0
    assert page.locator("button", has_text="frame →").is_disabled()
    before = bench(page, "bench.time.value")
    page.keyboard.press("ArrowLeft")
    gone = pytest.approx(2e-3, rel=0.6)
    soon(page, lambda: before - bench(page, "bench.time.value"), gone)


def test_a_second_camera_with_fronts(browser: Any, tmp_path: Path) -> None:
    """Each camera has its window in space; fronts are drawn in the frames that show them."""
    trial = trials.camera_trial(24)
    along_x = np.array([[0, 300.0, 0, 128], [0, 0, -300.0, 400], [0, 0, 0, 1.0]])
    second = replace(trial.cameras[0], name="side-view", rate=10e3, projection=along_x)
    cameras = (trial.cameras[0], second)
    folder = tmp_path / "two"
    write_trial(folder, replace(trial, name="two", hashes={}, cameras=cameras))
    rows = [f"{frame},1,{100 + 5 * i},{60 + i}" for frame in (8, 9) for i in range(20)]
    text = "\n".join(["frame,front,u [px],v [px]", *rows]) + "\n"
    (folder / "fronts.csv").write_text(text, encoding="utf-8")
    toml = (folder / "trial.toml").read_text(encoding="utf-8")
    toml = toml.replace("\npoints = ", '\nfronts = "fronts.csv"\npoints = ', 1)
    (folder / "trial.toml").write_text(toml, encoding="utf-8")
    trials.answer(folder)
    served, one = Server(tmp_path), Watched(browser)
    show(one.page, served.address("trial/two"))
    assert one.page.evaluate("window.lashwave.scene.content.windows.length") == 2
    drawn = "(o => o.endFront - o.firstFront)(window.lashwave.video.overlay)"
    bench(one.page, "bench.goTo(bench.info.cameras[0].clock.offset + 9 / 20000)")
    until(one.page, f"{drawn} === 20")
    bench(one.page, "bench.goTo(bench.info.cameras[0].clock.offset + 10 / 20000)")
    until(one.page, f"{drawn} === 0")
    one.page.select_option(".video select", "1")
    before = bench(one.page, "bench.time.value")
    one.page.locator("h1").click()
    until(one.page, "window.lashwave.bench.activeCamera.name === 'side-view'")
    one.page.keyboard.press("ArrowRight")
    gone = pytest.approx(1e-4, rel=0.51)
    soon(one.page, lambda: bench(one.page, "bench.time.value") - before, gone)
    one.page.wait_for_selector("[data-view=video-side-view] canvas.sheet")
    one.close()
    served.stop()


def test_a_trial_without_answers_shows_its_sightings(page: Any, server: Server) -> None:
    show(page, server.address("trial/unanswered"))
    assert "not reconstructed" in page.inner_text(".summary")
    assert page.locator("[data-view=sightings]").count() == 1
    seen = page.evaluate(
        "Array.from(window.lashwave.scene.content.markerShape).filter(s => s === 0).length"
    )
    assert seen >= 10


def test_without_webgl_the_line_is_drawn_by_strokes(browser: Any, server: Server) -> None:
    one = Watched(browser)
    one.page.add_init_script(
        """const get = HTMLCanvasElement.prototype.getContext;
        HTMLCanvasElement.prototype.getContext = function (kind, ...rest) {
          return kind.startsWith('webgl') ? null : get.call(this, kind, ...rest);
        };"""
    )
    show(one.page, server.address("trial/bench-07"))
    says(one.page, "[data-view=line]", "no WebGL")
    inked = """(() => {
      const sheet = document.querySelector('[data-view=line] canvas.sheet');
      const all = sheet.getContext('2d').getImageData(0, 0, sheet.width, sheet.height).data;
      return all.filter((v, i) => i % 4 === 3 && v > 0).length;
    })()"""
    until(one.page, f"{inked} > 1000")
    one.close()


@pytest.mark.slow
def test_a_million_sightings(browser: Any, tmp_path: Path) -> None:
    """Twenty markers at 100 kHz: they come thinned, and the page says so.

    How quick it stays is measured by `benchmarks/pages.py`.
    """
    from lashwave.quantities.sightings import Markers
    from tests.report import invented

    moments, station = np.arange(0, 0.55, 1e-5), np.linspace(0.05, 2.3, 20)
    noise = 3e-4 * np.random.default_rng(6).normal(size=(moments.size, station.size, 3))
    markers = Markers(
        time=moments,
        labels=tuple(f"M{i:02d}" for i in range(station.size)),
        position=invented.place(moments, station) + noise,
        sd=np.full((moments.size, station.size), 3e-4),
        station=station,
    )
    assert markers.position[..., 0].size > 1e6
    trial = replace(invented.trial(cameras=False), markers=markers, name="many", hashes={})
    write_trial(tmp_path / "many", trial)
    trials.answer(tmp_path / "many")
    served, one = Server(tmp_path), Watched(browser)
    one.page.set_default_timeout(120_000)
    show(one.page, served.address("trial/many"))
    one.page.get_by_role("tab", name="Sightings").click()
    one.page.wait_for_selector("[data-view=sightings] .legend strong")
    one.page.keyboard.press("End")
    until(one.page, "window.lashwave.bench.time.value === window.lashwave.bench.whole.to")
    settle(one.page)
    one.close()
    served.stop()
