"""The whole story in a real browser: a wrong box dragged right, a landmark marked, a decision, tables, a restart.

Contrast is computed as WCAG 2.2 has it (success criterion 1.4.3, relative luminance and contrast ratio).
"""

from __future__ import annotations

import json
import re
import resource
import shutil
import signal
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from photoaz.angles import format_azimuth_deg
from photoaz.audit.store import Store
from photoaz.cli import main
from photoaz.present.folder import open_store
from photoaz.register.load import load_controls, load_picks, load_register
from photoaz.sample import sample_dir

SITE = "QLB-014"
#: of the antenna in the story, degrees: the sample's truth.json, from which its photos were rendered
B1_DEG = 149.6501
#: milliseconds that a slow machine may take for a solution
PATIENCE_MS = 90_000


@contextmanager
def served(*arguments: Path | str) -> Iterator[str]:
    """The desk as its command serves it; ended as Ctrl-C ends it."""
    command = [sys.executable, "-m", "photoaz", "desk", *map(str, arguments), "--port", "0", "--no-browser"]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    said: list[str] = []
    found = None
    while found is None:
        said.append(process.stderr.readline())
        assert said[-1], "".join(said)  # it ended
        found = re.search(r"http://\S+", said[-1])
    try:
        yield found[0]
    finally:
        process.send_signal(signal.SIGINT)
        process.stderr.read()
        process.stderr.close()
        assert process.wait(30) == 0


@contextmanager
def page_of(browser: Any, url: str, **more: Any) -> Iterator[Any]:
    """A page that fails the test on anything that the browser complains about, and on any request elsewhere."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, accept_downloads=True, **more)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    wrong: list[str] = []
    page.on("console", lambda m: wrong.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: wrong.append(str(e)))
    origin = url.split("?")[0].rstrip("/")
    page.on("request", lambda r: None if r.url.startswith((origin, "data:")) else wrong.append(r.url))
    page.goto(url)
    yield page
    context.close()
    assert wrong == []


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


def test_the_story_of_a_site(browser: Any, results: Path, tmp_path: Path) -> None:
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


def test_all_by_the_keyboard(browser: Any, results: Path) -> None:
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


@pytest.fixture(scope="module")
def looked_at(audited: Path) -> Iterator[str]:
    """A desk for those that only look."""
    with served(audited / "out") as url:
        yield url


@contextmanager
def landmark_form(page: Any) -> Iterator[None]:
    """From the list to a site with the fullest form open, and back."""
    page.click("table.sites a")
    page.wait_for_selector(".figures table")
    page.click('[data-key="tool-landmark"]')
    page.locator(".viewer").click()
    page.wait_for_selector('[data-key="f-place"]')
    yield
    page.click('[data-key="back"]')
    page.wait_for_selector("table.sites a")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_and_focus(browser: Any, looked_at: str, scheme: str) -> None:
    with page_of(browser, looked_at, color_scheme=scheme) as page:
        for width in (1400, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            page.wait_for_selector("table.sites a")
            assert page.evaluate(CONTRAST) == []
            with landmark_form(page):
                assert page.evaluate(CONTRAST) == []
                # whatever is reached by the keyboard shows that it is
                for _ in range(12):
                    page.keyboard.press("Tab")
                    shown = page.evaluate(
                        "((s) => `${s.outlineStyle} ${s.outlineWidth}`)(getComputedStyle(document.activeElement))"
                    )
                    assert shown == "solid 3px"


@pytest.mark.parametrize("least", [24, 44])
def test_room(browser_of_font: Any, looked_at: str, least: int) -> None:
    # on a dense screen letters are not rounded to whole pixels
    with page_of(browser_of_font, looked_at, has_touch=least == 44, device_scale_factor=2) as page:
        for width in (1400, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            page.wait_for_selector("table.sites a")
            assert page.evaluate(ROOM, least) == []
            with landmark_form(page):
                assert page.evaluate(ROOM, least) == []


def test_the_desk_that_went_away_is_said(browser: Any, results: Path) -> None:
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


def test_from_the_report_to_the_desk_and_back(browser: Any, audited: Path, tmp_path: Path) -> None:
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


def test_with_a_token(browser: Any, results: Path, tmp_path: Path) -> None:
    (tmp_path / "token").write_text("long-enough-word")
    with served(results, "--token-file", str(tmp_path / "token")) as url, page_of(browser, url) as page:
        page.wait_for_selector("table.sites a")
        assert "token" not in page.url


def dropped(page: Any, *photos: Path) -> None:
    """Photos are chosen, and the first is looked through for panels."""
    page.set_input_files('[data-key="files"]', list(photos))
    page.wait_for_selector('[data-key="this-0"]')


def processor_s() -> float:
    """Seconds that cores spent on processes which this one started and which have ended, with theirs."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def test_from_a_photo_in_a_folder_to_a_signed_sheet(browser: Any, tmp_path: Path) -> None:
    """By somebody who has never seen the page: under five minutes, a person's own time and the machine's counted.

    The machine's is the processor time of the desk, from its start to its end: on one core, and whatever else runs.
    """
    register = load_register(sample_dir() / "register.csv").site(SITE)
    site, b1 = (
        f"{register.lat_deg}, {register.lon_deg}",
        next(a for a in register.antennas if a.antenna_id.endswith("B1")),
    )
    project = tmp_path / "project"
    before = processor_s()
    with served("--out", project) as url, page_of(browser, url) as page:
        dropped(page, sample_dir() / "qlb014_1.jpg")
        assert "token" not in page.url
        assert "268.4 ± 6°" in page.inner_text(".knows")  # the compass, as the photo has it
        # nothing is typed yet: what is wanted is said at each field
        page.click('[data-key="measure"]')
        page.wait_for_selector(".dropform .trouble")
        for name, typed in {
            "rad_center_m": str(b1.rad_center_m).replace(".", ","),
            "design_azimuth_deg": "150",
            "reading_azimuth_deg": "166.2",
            "tower": site,
        }.items():
            page.fill(f'[data-key="d-{name}"]', typed)
        page.click('[data-mark="panel:0"]')
        assert page.locator('[data-key="this-0"]').get_attribute("aria-pressed") == "true"
        page.click('[data-key="measure"]')
        page.wait_for_selector(".answer .figure")
        told = re.search(r"([\d.]+)° ± ([\d.]+)°", page.inner_text(".answer .figure b"))
        assert told
        azimuth, u95 = float(told[1]), float(told[2])
        assert abs(azimuth - B1_DEG) < u95
        page.fill('[data-key="who"]', "Ines Example")
        page.fill('[data-key="note"]', "by one photo")
        page.click('[data-key="photo"]')
        page.wait_for_selector(".answer p.done")
        with page.expect_download() as download:
            page.click('[data-key="save-sheet"]')
        download.value.save_as(tmp_path / "sheet.html")
        with page.expect_download() as download:
            page.click('[data-key="zip"]')
        download.value.save_as(tmp_path / "project.zip")
    machine = processor_s() - before
    assert machine > 1.0  # the desk was counted
    sheet = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "to be photographed again: by one photo" in sheet
    assert "Ines Example" in sheet
    # a person reads some 200 words on the way, types 60 letters and clicks 12 times. Keystroke-level model (Card, Moran
    # and Newell 1980, from memory): 0.3 s a word, 0.28 s a letter; a click 1.1 s to point, 1.35 s to make up one's mind
    person = 200 * 0.3 + 60 * 0.28 + 12 * (1.1 + 1.35)
    assert machine + person < 300.0
    # an audit takes the folder over, and says the same
    with zipfile.ZipFile(tmp_path / "project.zip") as packed:
        packed.extractall(tmp_path)
    tables = [
        w
        for name in ("register", "picks", "manifest")
        for w in (f"--{name}", str(tmp_path / "project" / f"{name}.csv"))
    ]
    command = ["audit", str(tmp_path / "project" / "photos"), *tables, "--out", str(tmp_path / "audit")]
    done = CliRunner().invoke(main, [*command, "--jobs", "1", "--overlays", "none", "--sheets", "none", "-q"])
    assert done.exit_code == 0, done.output
    document = json.loads((tmp_path / "audit" / "estimates.json").read_text())
    (antenna,) = document["sites"][0]["antennas"]
    assert format_azimuth_deg(antenna["azimuth_true_deg"], antenna["u95_deg"]) == told[0]
    # and so does the desk
    with served(project) as url, page_of(browser, url) as page:
        page.click("table.sites a")
        page.wait_for_selector(".figures table")


@pytest.fixture(scope="module")
def dropping(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A desk to drop photos on."""
    with served("--out", tmp_path_factory.mktemp("dropping") / "project") as url:
        yield url


@pytest.mark.parametrize("least", [24, 44])
def test_room_and_contrast_where_photos_are_dropped(
    browser_of_font: Any, dropping: str, tmp_path: Path, least: int, request: pytest.FixtureRequest
) -> None:
    """A photo that lost its place, as phones hand them out, and that nobody dropped before: all fields are there."""
    from PIL import Image

    with Image.open(sample_dir() / "qlb014_1.jpg") as image:
        image.crop((1600, 600, 2600, 1500)).save(tmp_path / "bare.jpg", quality=90, comment=request.node.name)
    touch: dict[str, Any] = {"has_touch": least == 44, "device_scale_factor": 2}
    with page_of(browser_of_font, dropping, **touch) as page:
        page.wait_for_selector(".start")
        for width in (1400, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate(ROOM, least) == []
        dropped(page, tmp_path / "bare.jpg")
        assert "not say it" in page.inner_text(".dropform .warn")
        page.click('[data-key="more"]')
        page.fill('[data-key="d-tower"]', "46.629992, -66.409983")
        page.locator('[data-key="d-tower"]').blur()
        page.wait_for_selector(".planbox .plan")
        page.click('[data-key="set-place"]')
        page.locator(".planbox .plan").click(position={"x": 60, "y": 80})
        page.wait_for_selector(".planbox .camera")
        for width in (1400, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate(ROOM, least) == []
            assert page.evaluate(SMALL_TEXT) == []
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)
                assert page.evaluate(CONTRAST) == []


#: texts whose contrast with what they stand on is too small (4.5, large ones 3), by their words
CONTRAST = """() => {
  const parse = (c) => { const m = c.match(/[\\d.]+/g).map(Number); return [m[0], m[1], m[2], m[3] ?? 1]; };
  const over = (a, b) => [0, 1, 2].map((k) => a[k] * a[3] + b[k] * (1 - a[3])).concat(1);
  const lum = (c) => { const f = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
    return 0.2126 * f(c[0]) + 0.7152 * f(c[1]) + 0.0722 * f(c[2]); };
  const ground = (e) => { let out = [0, 0, 0, 0]; const stack = [];
    for (; e; e = e.parentElement) {
      const c = parse(getComputedStyle(e).backgroundColor); stack.push(c); if (c[3] === 1) break; }
    out = [255, 255, 255, 1]; for (const c of stack.reverse()) out = over(c, out); return out; };
  const bad = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n; (n = walk.nextNode());) {
    const e = n.parentElement, r = e.getBoundingClientRect(), s = getComputedStyle(e);
    if (!n.textContent.trim() || !r.width) continue;
    if (e.closest('svg, .viewer, noscript, .unseen, :disabled, .off, option')) continue;
    const b = ground(e), a = over(parse(s.color), b), [x, y] = [lum(a), lum(b)].sort((p, q) => q - p);
    const ratio = (x + 0.05) / (y + 0.05), size = parseFloat(s.fontSize);
    const large = size >= 24 || (size >= 18.6 && s.fontWeight >= 700);
    if (ratio < (large ? 3 : 4.5)) bad.push(`${n.textContent.trim()}: ${ratio.toFixed(2)}`);
  }
  return bad;
}"""

#: what is wider than the window, and what is smaller to hit than so many CSS pixels (WCAG 2.2: 2.5.8 wants 24 by 24,
#: 2.5.5 wants 44 by 44)
ROOM = """(least) => {
  const bad = [];
  const wide = document.documentElement.scrollWidth;
  if (wide > window.innerWidth) {
    const over = (e) => e.getBoundingClientRect().right > window.innerWidth;
    const names = [...document.querySelectorAll('body *')].filter(over).map((e) => `${e.tagName}.${e.className}`);
    bad.push(`page ${wide} px wide: ${names.join(' ')}`);
  }
  const controls = 'button, select, input, label, summary, .button, table a, .links a, .back';
  for (const e of document.querySelectorAll(controls)) {
    const r = e.getBoundingClientRect();
    const name = e.textContent || e.name;
    const small = r.width && (r.height < least || r.width < least);
    if (small && !e.parentElement.closest('label')) bad.push(`${name}: ${r.width} x ${r.height}`);
  }
  return bad;
}"""

#: words of a map or plan that are less than 11 CSS pixels high on the screen
SMALL_TEXT = """() => [...document.querySelectorAll('svg.plan text, svg.intervals text')].filter((t) => {
  const scale = t.getScreenCTM().a; const size = parseFloat(getComputedStyle(t).fontSize) * scale;
  return t.getBoundingClientRect().width && size < 10.99;
}).map((t) => `${t.textContent}: ${(parseFloat(getComputedStyle(t).fontSize) * t.getScreenCTM().a).toFixed(1)}`)"""
