"""The crack is seen at once: framed, named, outlined, with what the pictures mean beside them."""

from __future__ import annotations

from typing import Any

import pytest

from tests.pages import trials
from tests.pages.conftest import Server, bench, says, settle, show, soon, until

CRACK = 0.42


def overlaps(page: Any, selector: str) -> int:
    """Pairs of texts on the page that lie over each other."""
    count: int = page.evaluate(
        """(selector) => {
          const boxes = [...document.querySelectorAll(selector)]
            .filter((e) => e.textContent.trim())
            .map((e) => { const range = document.createRange(); range.selectNodeContents(e);
                          return range.getBoundingClientRect(); });
          let found = 0;
          boxes.forEach((a, i) => boxes.slice(i + 1).forEach((b) => {
            if (a.left < b.right - 1 && b.left < a.right - 1
                && a.top < b.bottom - 2 && b.top < a.bottom - 2) found++; }));
          return found;
        }""",
        selector,
    )
    return count


@pytest.fixture(scope="module")
def fresh(browser: Any, server: Server) -> Any:
    context = browser.new_context(viewport={"width": 1280, "height": 720})
    page = context.new_page()
    page.set_default_timeout(40_000)
    show(page, server.address("trial/bench-07"))
    yield page
    context.close()


def test_it_opens_framed_on_the_crack(fresh: Any) -> None:
    window, whole = bench(fresh, "[bench.window.value, bench.whole]")
    assert window["to"] - window["from"] == pytest.approx(0.03, rel=1e-6)
    assert window["from"] < CRACK < window["to"] and whole["to"] - whole["from"] > 0.5
    strip, bracket = (fresh.locator(s).bounding_box() for s in (".overview", ".bracket"))
    assert bracket["width"] == pytest.approx(strip["width"] * 0.03 / 0.6, rel=0.2)


def test_an_event_is_framed_and_names_do_not_collide(fresh: Any) -> None:
    bench(fresh, "(bench.window.value = bench.whole)")
    fresh.locator(".events button").first.click()
    width = "bench.window.value.to - bench.window.value.from"
    soon(fresh, lambda: bench(fresh, width), pytest.approx(0.03, rel=1e-6))
    time, window = bench(fresh, "[bench.time.value, bench.window.value]")
    assert window["from"] <= time <= window["to"]
    soon(fresh, lambda: fresh.locator(".flag").count() >= 2, True)
    for span in ("bench.whole", "{from: 0.41, to: 0.43}", "{from: 0.4195, to: 0.4205}"):
        bench(fresh, f"(bench.window.value = {span})")
        settle(fresh)
        assert overlaps(fresh, ".flag") == 0, span
    bench(fresh, f"bench.frame({CRACK})")


def test_the_line_stands_out_from_light_and_dark(fresh: Any) -> None:
    """Contrast of the outline against the ground, after WCAG 2.2, 1.4.11."""
    ratio = """() => {
      const read = (name) => getComputedStyle(document.documentElement).getPropertyValue(name);
      const part = (c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
      const light = (name) => {
        const at = document.createElement('canvas').getContext('2d');
        at.fillStyle = read(name); at.fillRect(0, 0, 1, 1);
        const [r, g, b] = at.getImageData(0, 0, 1, 1).data;
        return 0.2126 * part(r / 255) + 0.7152 * part(g / 255) + 0.0722 * part(b / 255);
      };
      const [a, b] = [light('--ink'), light('--well')].sort((x, y) => y - x);
      return (a + 0.05) / (b + 0.05);
    }"""
    theme = "document.documentElement.dataset.theme"
    for _ in range(2):
        assert fresh.evaluate(ratio) > 3.0
        before = fresh.evaluate(theme)
        fresh.keyboard.press("t")
        until(fresh, f"{theme} !== {before!r}")


def test_the_view_says_what_it_shows(fresh: Any) -> None:
    said = fresh.inner_text("[data-view=line]")
    for word in ("m/s", "seen", "predicted", "distrusted", "bend", "selected", "x", "y", "z"):
        assert word in said, word
    assert fresh.locator(".compass span").inner_text().endswith(" m")
    before = fresh.evaluate("window.lashwave.scene.orbit.distance")
    fresh.get_by_role("button", name="Fit the line").click()
    until(fresh, f"window.lashwave.scene.orbit.distance !== {before!r}")
    fresh.get_by_role("checkbox", name="pictures").uncheck()
    until(fresh, "window.lashwave.scene.content.pictures === false")
    fresh.get_by_role("checkbox", name="pictures").check()


def test_the_pointer_reads_time_station_and_value_with_sd(fresh: Any) -> None:
    place = fresh.locator("[data-view=speed] .host").bounding_box()
    fresh.mouse.move(place["x"] + 0.5 * place["width"], place["y"] + 0.1 * place["height"])
    says(fresh, "[data-view=speed] .pointer-tip", "station", " ms", " ± ", "m/s")
    for view, unit in (("curvature", "1/m"), ("tension", "N")):
        box = fresh.locator(f"[data-view={view}] .host").bounding_box()
        fresh.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 0.1 * box["height"])
        says(fresh, f"[data-view={view}] .pointer-tip", " ± ", unit)
    fresh.mouse.move(10, 10)
    fresh.locator("[data-view=tension] .pointer-tip").wait_for(state="hidden")
    for name in ("place", "speed", "curvature", "tension"):
        says(fresh, f".side .numbers tr:has-text('{name}')", "±")


def test_a_map_of_the_deviation(fresh: Any) -> None:
    fresh.select_option("[data-view=speed] select", "sd")
    soon(fresh, lambda: fresh.inner_text("[data-view=speed] h2"), "sd of speed")
    fresh.select_option("[data-view=speed] select", "value")
    fresh.select_option("[data-view=curvature] select", "sd")
    soon(fresh, lambda: fresh.inner_text("[data-view=curvature] h2"), "sd of curvature")
    fresh.select_option("[data-view=curvature] select", "value")


def test_the_account_is_the_report_s(fresh: Any) -> None:
    """Every term that the report stacks is drawn, and they close on the hand's work."""
    from lashwave.report.figures_account import PILE

    lists = bench(fresh, "Object.keys(bench.motion.lists)")
    known = [name for name, *_ in PILE if name in lists]
    drawn = fresh.locator("[data-view=plot-3] .curve").count()
    assert drawn >= len([n for n in known if n != "tuft_loss"])


def test_a_camera_without_images_says_so(browser: Any, tmp_path: Any) -> None:
    folder = trials.write(tmp_path, "points", frames=6, times=60, stations=12)
    toml = folder / "trial.toml"
    toml.write_text(toml.read_text().replace('frames = "frames/*.png"\n', ""))
    served = Server(tmp_path)
    context = browser.new_context()
    page = context.new_page()
    page.set_default_timeout(40_000)
    show(page, served.address("trial/points"))
    bench(page, "bench.goTo(bench.info.cameras[0].clock.offset + 3 / 20000)")
    until(page, "document.querySelector('.over-note').textContent.startsWith('frame 3')")
    says(page, "[data-view=video-tip-view]", "no images: points only")
    context.close()
    served.stop()
