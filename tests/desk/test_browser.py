"""The whole story in a real browser: a wrong box dragged right, a landmark marked, a decision, tables, a restart."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from photoaz.audit.store import Store
from photoaz.present.folder import open_store
from photoaz.register.load import load_controls, load_picks

from .conftest import SITE

#: of the antenna in the story, degrees: the sample's truth.json, from which its photos were rendered
B1_DEG = 149.6501


def settled(page: Any) -> None:
    """Wait until nothing is being solved."""
    page.wait_for_function(
        "() => { const b = document.querySelector('.busy'); return b && !b.classList.contains('on'); }"
    )


def changes(page: Any, act: Any) -> None:
    """Do something after which the site is solved again, and wait for it."""
    page.evaluate("document.querySelector('.busy').textContent = 'before'")
    act()
    page.wait_for_function("() => document.querySelector('.busy').textContent.startsWith('Solved')")


def figures(page: Any) -> dict[str, tuple[float, float]]:
    """Azimuth and U95 by antenna, as the table says."""
    out = {}
    for row in page.query_selector_all(".figures tbody tr"):
        cell = row.query_selector("td").inner_text()
        found = re.search(r"([\d.]+)°\s*± ([\d.]+)°", cell)
        if found:
            out[row.get_attribute("data-antenna")] = (float(found[1]), float(found[2]))
    return out


def middle(page: Any, selector: str) -> tuple[float, float]:
    box = page.locator(selector).bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def drag(page: Any, selector: str, dx: float, dy: float) -> None:
    x, y = middle(page, selector)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + dx / 2, y + dy / 2, steps=3)
    page.mouse.move(x + dx, y + dy, steps=3)
    assert page.locator(".glass").is_visible()  # the loupe
    page.mouse.up()


def marked_wrongly(results: Path, by_px: float) -> None:
    """Somebody marked B1 in the photo of its front, its sides that many pixels up and down."""
    store: Store = open_store(results)
    kept = store.site(SITE)
    assert kept is not None
    assert kept.result is not None
    seen = next(e for e in kept.result.antennas["QLB-014-B1"].evidence if e.photo.endswith("_7.jpg"))
    (x1, y1), (x2, y2), (x3, y3), (x4, y4) = seen.corners_px
    wrong = [[x1, y1 + by_px], [x2, y2 - by_px], [x3, y3 - by_px], [x4, y4 + by_px]]
    photo = next(p for p in store.photos_at(SITE) if p.name == seen.photo)
    body = {"antenna_id": "QLB-014-B1", "corners_px": wrong, "exact": True}
    store.append_log(who="Jo Hasty", site_id=SITE, kind="pick", body=body, photo=photo.name, digest=photo.digest)
    store.close()


def test_the_story_of_a_site(browser: Any, results: Path, tmp_path: Path, served: Any, page_of: Any) -> None:
    marked_wrongly(results, 14.0)
    with served(results) as url, page_of(browser, url) as page:
        # the list: the site is there, was looked at, and leads to its page
        page.click("table.sites a")
        page.wait_for_selector(".figures table")
        settled(page)
        wrong = figures(page)["QLB-014-B1"]
        # B1 is chosen in the table: the photo that shows it best is opened, its box has grips
        page.click('[data-key="row-QLB-014-B1"]')
        page.click('[data-photo$="_7.jpg"].thumb')
        page.click('[data-key="row-QLB-014-B1"]')
        page.wait_for_selector('[data-grip="0"]')
        assert page.locator('[data-key="hold"]').is_checked()
        zoom = _zoom(page)
        # the name is asked for once, at the first thing done
        drag(page, '[data-grip="0"]', 0.0, -14.0 * zoom)
        page.fill("dialog input", "Ines Example")
        changes(page, lambda: page.click("dialog .main"))
        for grip, by in (("1", 14.0), ("2", 14.0), ("3", -14.0)):
            changes(page, lambda g=grip, b=by: drag(page, f'[data-grip="{g}"]', 0.0, b * zoom))
        # let go, the edges find those of the photo
        changes(page, lambda: page.uncheck('[data-key="hold"]'))
        right = figures(page)["QLB-014-B1"]
        assert right[1] < wrong[1]
        assert abs(right[0] - B1_DEG) < min(right[1], abs(wrong[0] - B1_DEG))
        # a landmark: clicked in the first photo, its position typed
        page.click('[data-photo$="_1.jpg"].thumb')
        page.click('[data-key="whole"]')
        before = figures(page)
        page.click('[data-key="tool-landmark"]')
        x, y = _screen(page, 1906.1, 2183.7)
        page.mouse.click(x, y)
        page.fill('[data-key="f-name"]', "works chimney")
        page.fill('[data-key="f-place"]', "46,628702 -66,42360")
        page.locator('[data-key="f-place"]').press_sequentially("6")  # nothing is read before the field is left
        assert page.locator(".panel .readas").count() == 0
        page.fill('[data-key="f-height_m"]', "108.3")
        assert "Read as 46.628702° N, 66.423606° W: 1.1 km from the tower at 262." in page.inner_text(".panel .readas")
        assert page.locator(".plan .given").count() == 1  # seen on the plan before it counts
        page.fill('[data-key="f-place"]', "49,155460")
        page.locator('[data-key="f-place"]').blur()
        assert "one coordinate" in page.inner_text(".panel .trouble")
        assert page.locator(".plan .given").count() == 0
        page.fill('[data-key="f-place"]', "46°37'43.327\"N 66°25'24.982\"W")
        page.fill('[data-key="f-height_m"]', "108.3")
        page.fill('[data-key="f-u95"]', "5")
        changes(page, lambda: page.click('[data-key="set"]'))
        after = figures(page)
        fell = [n for n in after if after[n][1] < before[n][1]]
        assert len(fell) >= 2
        assert "was ±" in page.inner_text(".figures")
        # undone and done again by the keyboard
        changes(page, lambda: page.keyboard.press("Control+z"))
        assert figures(page) == before
        changes(page, lambda: page.keyboard.press("Control+Shift+z"))
        assert figures(page) == after
        # decided, with a note
        while (wanting := page.locator(".figures tr:has(.wants)")).count():
            wanting.first.locator("button.name").click()
            page.fill('[data-key="note"]', "bring the long lens")
            page.click('[data-key="photo"]')
            page.wait_for_selector(".decide p.done")
        assert "decided" in page.inner_text(".bar .state")
        for name in ("picks", "controls", "decisions"):
            with page.expect_download() as download:
                page.click(f'.past a[href="/export/{name}.csv"]')
            download.value.save_as(tmp_path / f"{name}.csv")
    (pick,) = load_picks(tmp_path / "picks.csv")
    assert (pick.photo, pick.antenna_id, pick.exact) == ("qlb014_7.jpg", "QLB-014-B1", False)
    (control,) = load_controls(tmp_path / "controls.csv")
    assert (control.photo, control.kind, control.name, control.u95) == (
        "qlb014_1.jpg",
        "landmark",
        "works chimney",
        5.0,
    )
    assert control.pixel == pytest.approx((1906.1, 2183.7), abs=6.0)  # px: a click at the scale of the whole photo
    assert "bring the long lens" in (tmp_path / "decisions.csv").read_text(encoding="utf-8")
    # started again, in another browser: it is all there
    with served(results) as url, page_of(browser, url) as page:
        assert "decided" in page.inner_text("table.sites")
        page.click("table.sites a")
        page.wait_for_selector(".figures table")
        assert figures(page) == after
        assert "Ines Example" in page.inner_text(".past")
        assert "Jo Hasty" in page.inner_text(".past")
        assert "bring the long lens" in page.inner_text(".past")
        page.click('[data-photo$="_1.jpg"].thumb')
        assert page.locator('.mark.landmark[aria-label="Landmark works chimney"]').count() == 1


def _zoom(page: Any) -> float:
    """Screen pixels per photo pixel, from a grip's place on both."""
    a, b = page.locator('[data-grip="0"]'), page.locator('[data-grip="3"]')
    at = [float(re.search(r", ([\d.]+):", g.get_attribute("aria-label"))[1]) for g in (a, b)]
    on = [middle(page, f'[data-grip="{k}"]')[1] for k in (0, 3)]
    return (on[1] - on[0]) / (at[1] - at[0])


def _screen(page: Any, x: float, y: float) -> tuple[float, float]:
    """Where a photo's pixel is on the screen while the whole of a 4032 x 3024 photo shows."""
    box = page.locator(".viewer").bounding_box()
    zoom = min((box["width"] - 2) / 4032, (box["height"] - 2) / 3024)
    return box["x"] + box["width"] / 2 + (x - 2015.5) * zoom, box["y"] + box["height"] / 2 + (y - 1511.5) * zoom


def test_all_by_the_keyboard(browser: Any, results: Path, served: Any, page_of: Any) -> None:
    with served(results) as url, page_of(browser, url) as page:
        page.evaluate("localStorage.setItem('photoaz-desk-name', 'Ines Example')")

        def tab_to(key: str, most: int = 120) -> None:
            for _ in range(most):
                page.keyboard.press("Tab")
                if page.evaluate("document.activeElement?.dataset?.key ?? document.activeElement?.textContent") == key:
                    return
            raise AssertionError(f"the keyboard does not reach {key}")

        page.wait_for_selector("table.sites a")
        tab_to(SITE)
        page.keyboard.press("Enter")
        page.wait_for_selector(".figures table")
        tab_to("viewer")
        box = page.locator(".mark.box").first.get_attribute("data-key")
        tab_to(box)
        page.keyboard.press("Enter")
        tab_to(f"{box}:1")
        grip = page.locator(f'[data-key="{box}:1"]')
        x0, y0 = map(float, re.search(r"at ([\d.]+), ([\d.]+):", grip.get_attribute("aria-label")).groups())

        def nudge() -> None:
            page.keyboard.press("ArrowRight")
            page.keyboard.press("ArrowRight")
            page.keyboard.press("ArrowUp")
            label = page.locator(f'[data-key="{box}:1"]').get_attribute("aria-label")
            x1, y1 = map(float, re.search(r"at ([\d.]+), ([\d.]+):", label).groups())
            # half a pixel a step; labels have one decimal
            assert (x1 - x0, y1 - y0) == (pytest.approx(1.0, abs=0.11), pytest.approx(-0.5, abs=0.11))
            page.keyboard.press("Enter")

        changes(page, nudge)
        # the keyboard is still where it was
        assert page.evaluate("document.activeElement.dataset.key") == f"{box}:1"
        tab_to("photo")
        page.keyboard.press("Enter")
        page.wait_for_selector(".decide p.done")


def test_the_desk_that_went_away_is_said(browser: Any, results: Path, served: Any) -> None:
    with served(results) as url:
        context = browser.new_context()
        page = context.new_page()
        page.goto(url)
        page.wait_for_selector("table.sites a")
    page.fill('[data-key="q"]', "QLB")
    page.wait_for_selector(".rows .trouble")
    assert "photoaz desk" in page.inner_text(".rows .trouble")
    assert page.locator(".rows .trouble button").inner_text() == "Try again"
    context.close()


def test_from_the_report_to_the_desk_and_back(
    browser: Any, audited: Path, tmp_path: Path, served: Any, page_of: Any
) -> None:
    shutil.copytree(audited / "out", tmp_path / "out")
    with served(tmp_path / "out") as url, page_of(browser, url) as page:
        page.click("header a[href='/report/index.html']")
        page.click("nav >> text=All antennas")
        # a row of the page's own script
        page.click("#antennas tbody tr:first-child .desk")
        page.wait_for_selector(".figures table")
        page.click('[data-key="report"]')
        page.wait_for_selector("#antennas")
        assert page.evaluate("document.documentElement.classList.contains('on')")  # its script runs
        page.click(".trail .desk")
        page.wait_for_selector(".figures table")
        page.go_back()
        page.click("#back")
        page.click("#table tbody tr:first-child .desk")
        page.wait_for_selector(".figures table")
        assert page.url.endswith(f"#/site/{SITE}")


def test_with_a_token(browser: Any, results: Path, tmp_path: Path, served: Any, page_of: Any) -> None:
    (tmp_path / "token").write_text("long-enough-word")
    with served(results, "--token-file", str(tmp_path / "token")) as url, page_of(browser, url) as page:
        page.wait_for_selector("table.sites a")
        assert "token" not in page.url
