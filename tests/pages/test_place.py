"""The address keeps the reader's place; panes can be resized and enlarged; nothing is cut."""

from __future__ import annotations

from typing import Any

import pytest

from tests.pages.conftest import Server, bench, show, until


def test_a_reload_and_a_link_keep_the_place(page: Any, server: Server) -> None:
    show(page, server.address("trial/bench-07"))
    bench(page, "(bench.look(0.30, 0.36), bench.goTo(0.331), bench.select(1.2))")
    page.keyboard.press("2")
    until(page, "location.hash.includes('tab=1') && location.hash.includes('station=1.2')")
    link = page.url
    page.reload()
    until(page, "window.lashwave?.player?.meter.summary().frames > 0")
    place = (
        "[bench.time.value, bench.window.value.from, bench.window.value.to,"
        " bench.selection.value.station]"
    )
    assert bench(page, place) == pytest.approx([0.331, 0.30, 0.36, 1.2], abs=1e-6)
    assert page.locator(".side [role=tab][aria-selected=true]").inner_text() == "Answers"
    other = page.context.new_page()
    other.goto(link)
    until(other, "window.lashwave?.player?.meter.summary().frames > 0")
    assert bench(other, place) == pytest.approx([0.331, 0.30, 0.36, 1.2], abs=1e-6)
    other.close()


def test_panes_are_resized_by_hand_and_by_key_and_enlarged(page: Any, server: Server) -> None:
    show(page, server.address("trial/bench-07"))
    high = page.locator(".record").bounding_box()["height"]
    edge = page.get_by_role("separator", name="height of the record")
    box = edge.bounding_box()
    page.mouse.move(640, box["y"] + 1)
    page.mouse.down()
    page.mouse.move(640, box["y"] - 90)
    page.mouse.up()
    assert page.locator(".record").bounding_box()["height"] > high + 50
    wide = page.locator(".side").bounding_box()["width"]
    page.get_by_role("separator", name="width of the panel").focus()
    page.keyboard.press("ArrowLeft")
    assert page.locator(".side").bounding_box()["width"] > wide
    page.reload()
    until(page, "window.lashwave?.player?.meter.summary().frames > 0")
    assert page.locator(".record").bounding_box()["height"] > high + 50  # kept
    tall = "document.querySelector('[data-view=speed]').getBoundingClientRect().height"
    page.get_by_role("button", name="Speed: enlarge").click()
    until(page, f"{tall} === 720")
    page.keyboard.press("Escape")
    until(page, f"{tall} < 300")


CUT = """() => [...document.querySelectorAll('.view-head *, .transport *, .head *, .switch button')]
  .filter((e) => e.children.length === 0 && e.textContent.trim() && e.offsetParent)
  .filter((e) => !e.closest('details:not([open]) > :not(summary), h2, .hidden, option, select'))
  .filter((e) => {
    const own = e.getBoundingClientRect(), line = e.closest('.legend');
    const edge = line ? line.getBoundingClientRect().right : innerWidth;
    return own.right > Math.min(edge, innerWidth) + 1 || own.bottom > innerHeight + 1;
  })
  .map((e) => e.textContent.trim())"""


@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080), (3840, 2160)])
def test_nothing_is_cut(page: Any, server: Server, size: tuple[int, int]) -> None:
    page.set_viewport_size({"width": size[0], "height": size[1]})
    show(page, server.address("trial/bench-07"))
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate("document.documentElement.scrollHeight <= innerHeight")
    assert page.evaluate(CUT) == []
