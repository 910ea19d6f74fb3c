"""The address keeps the reader's place; panes can be resized and enlarged; nothing is cut."""

from __future__ import annotations

from typing import Any

import pytest

from tests.pages.conftest import Server, bench, show, soon, stands, until


def test_a_reload_and_a_link_keep_the_place(page: Any, server: Server) -> None:
    show(page, server.address("trial/bench-07"))
    bench(page, "(bench.look(0.30, 0.36), bench.goTo(0.331), bench.select(1.2))")
    page.keyboard.press("2")
    until(page, "location.hash.includes('tab=1') && location.hash.includes('station=1.2')")
    link = page.url
    page.reload()
    stands(page, "bench-07")
    place = (
        "[bench.time.value, bench.window.value.from, bench.window.value.to,"
        " bench.selection.value.station]"
    )
    assert bench(page, place) == pytest.approx([0.331, 0.30, 0.36, 1.2], abs=1e-6)
    chosen = page.locator(".side [role=tab][aria-selected=true]")
    soon(page, chosen.inner_text, "Answers")
    other = page.context.new_page()
    other.goto(link)
    stands(other, "bench-07")
    assert bench(other, place) == pytest.approx([0.331, 0.30, 0.36, 1.2], abs=1e-6)
    other.close()


def test_a_link_to_another_place_of_the_same_trial_is_followed(page: Any, server: Server) -> None:
    show(page, server.address("trial/bench-07"))
    page.evaluate("location.hash = '#/trial/bench-07?t=331&from=300&to=360&tab=1&sheet=sightings'")
    soon(page, lambda: bench(page, "bench.time.value"), pytest.approx(0.331, abs=1e-6))
    soon(page, lambda: bench(page, "bench.window.value.from"), pytest.approx(0.30, abs=1e-6))
    soon(page, page.locator(".side [role=tab][aria-selected=true]").inner_text, "Answers")
    page.wait_for_selector("[data-view=sightings] canvas")


def test_who_goes_on_at_once_does_not_take_the_place_along(page: Any, server: Server) -> None:
    show(page, server.address("trial/bench-07"))
    page.keyboard.press("2")
    bench(page, "(bench.look(0.30, 0.36), location.hash = '#/trial/no-camera')")
    stands(page, "no-camera")
    page.wait_for_timeout(400)  # longer than the page waits before it writes the address
    assert "from=300" not in page.url and "tab=1" not in page.url
    assert bench(page, "bench.window.value.from") != pytest.approx(0.30)


def test_panes_are_resized_by_hand_and_by_key_and_enlarged(page: Any, server: Server) -> None:
    show(page, server.address("trial/bench-07"))
    high = page.locator(".record").bounding_box()["height"]
    edge = page.get_by_role("separator", name="height of the record")
    box = edge.bounding_box()
    page.mouse.move(640, box["y"] + 1)
    page.mouse.down()
    page.mouse.move(640, box["y"] - 90)
    page.mouse.up()
    record, side = page.locator(".record"), page.locator(".side")
    soon(page, lambda: record.bounding_box()["height"] > high + 50, True)
    wide = side.bounding_box()["width"]
    page.get_by_role("separator", name="width of the panel").focus()
    page.keyboard.press("ArrowLeft")
    soon(page, lambda: side.bounding_box()["width"] > wide, True)
    page.reload()
    stands(page, "bench-07")
    soon(page, lambda: record.bounding_box()["height"] > high + 50, True)  # kept
    tall = "document.querySelector('[data-view=speed]').getBoundingClientRect().height"
    page.get_by_role("button", name="Speed: enlarge").click()
    until(page, f"{tall} === 720")
    axis = page.locator("[data-view=speed] .axis canvas").bounding_box()  # else out of sight
    assert 700 < axis["y"] + axis["height"] <= 720
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
