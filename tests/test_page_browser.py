"""The page in a real browser, on a desktop and on a phone, served as `fitcheck page` serves it."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from lot_pieces import lengths, of_length
from page_audit import poor_contrasts, tabbed_to
from playwright.sync_api import Browser, Locator, Page, expect, sync_playwright
from playwright.sync_api import Error as PlaywrightError
from test_lots_findings import kept_lot, text_of

from fitcheck.inspection_file import inspection_from_json
from fitcheck.lots.tables import lot_json
from fitcheck.lots.written import keep_lot
from fitcheck.page.document import begun
from fitcheck.page.keeping import store, visit
from fitcheck.reporting.shop import SHOP_FILE, Shop, write_shop
from fitcheck.store.location import default_folder

ROOT = Path(__file__).parent.parent
BOW = ROOT / "sample_images" / "bow"
LAUNCH = """
import sys
from fitcheck.page.launch import launch
launch(int(sys.argv[1]), open_browser=False)
"""
QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
DESKTOP: dict[str, Any] = {"viewport": {"width": 1280, "height": 900}}
PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844},
    "device_scale_factor": 2,
    "is_mobile": True,
    "has_touch": True,
}
MEASURING_MS = 40_000  # a slow machine, and the first measurement loads large libraries


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def serving(command: list[str], port: int, log: Path) -> Iterator[int]:
    """Run a server until it answers, and end it afterwards."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
    environment.pop("FITCHECK_OPEN", None)
    with log.open("wb") as output:
        server = subprocess.Popen(
            [sys.executable, *command], cwd=ROOT, env=environment, stdout=output, stderr=output
        )
        try:
            deadline = time.monotonic() + 40
            while not answers("127.0.0.1", port):
                if server.poll() is not None or time.monotonic() > deadline:
                    pytest.fail(f"the page did not start:\n{log.read_text(encoding='utf-8')}")
                time.sleep(0.2)
            yield port
        finally:
            server.terminate()
            server.wait(timeout=20)


def answers(address: str, port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection((address, port), timeout=2):
        return True
    return False


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    free = free_port()
    log = tmp_path_factory.mktemp("page") / "server.log"
    with serving(["-c", LAUNCH, str(free)], free, log):
        yield free
    assert "Traceback" not in log.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        names = ("chromium", "chromium-browser", "google-chrome")
        installed = next(filter(None, map(shutil.which, names)), None)
        own = playwright.chromium.executable_path
        if installed is None and not Path(own).exists():
            pytest.skip("no Chromium is installed; `playwright install chromium` brings one")
        chromium = playwright.chromium.launch(executable_path=installed, args=list(QUIET))
        yield chromium
        chromium.close()


@contextlib.contextmanager
def visiting(browser: Browser, port: int, device: dict[str, Any]) -> Iterator[Page]:
    """A page as a visitor sees it; nothing may fail in it or be asked from elsewhere."""
    context = browser.new_context(**device, accept_downloads=True)
    page = context.new_page()
    errors: list[str] = []
    asked: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"http://127.0.0.1:{port}/")
    yield page
    context.close()
    assert not errors
    own = (f"http://127.0.0.1:{port}/", f"blob:http://127.0.0.1:{port}/", "data:")
    strangers = [url for url in asked if not url.startswith(own)]
    assert not strangers


def at_step(page: Page, heading: str) -> None:
    expect(page.get_by_role("heading", level=2)).to_have_text(heading, timeout=MEASURING_MS)


def go_on(page: Page, heading: str) -> None:
    for _ in range(3):
        settled(page)
        on = page.get_by_role("button", name="Next:")
        expect(on).to_have_count(1, timeout=MEASURING_MS)  # none is left of the run before
        try:
            on.click(timeout=5_000)
        except PlaywrightError:  # another run began in between; the old button stands beside it
            continue
        break
    at_step(page, heading)


def fits_the_width(page: Page) -> bool:
    return bool(
        page.evaluate(
            "() => [document.documentElement, document.querySelector('[data-testid=stMain]')]"
            ".every((e) => e.scrollWidth <= e.clientWidth)"
        )
    )


def downloaded(page: Page, button: str, path: Path) -> str:
    with page.expect_download() as download:
        page.get_by_role("button", name=button).click()
    download.value.save_as(path)
    return path.read_text(encoding="utf-8", errors="replace")


def start(page: Page, name: str) -> str:
    """Begin an inspection; returns its name in the address."""
    at_step(page, "What is on the bench?")
    page.get_by_role("button", name=name, exact=True).click()
    at_step(page, "1 · The bow")
    return inspection_in(page)


def inspection_in(page: Page) -> str:
    found = re.search(r"inspection=([0-9a-f]{32})", page.url)
    assert found is not None, page.url
    return found[1]


def choose_shot(page: Page, words: str) -> None:
    settled(page)
    page.get_by_role("combobox", name="What the photograph will show").click()
    page.get_by_role("option", name=words).first.click()
    expect(page.get_by_text(f"It will be kept as: {words}")).to_be_visible()


def settled(page: Page) -> None:
    """Wait until the page's script has run to its end."""
    page.wait_for_timeout(250)
    expect(page.get_by_test_id("stStatusWidget")).to_have_count(0, timeout=MEASURING_MS)


def send(page: Page, *files: Path) -> None:
    """Give photographs to the page's own component, as its file dialogue would."""
    page.locator("input[type=file]").last.set_input_files(list(files))


def photo(page: Page, title: str) -> Locator:
    """The photograph's place in the list, once it is judged."""
    row = page.locator(".fc-photo", has_text=title).first
    expect(row.locator(".fc-badge")).to_be_visible(timeout=MEASURING_MS)
    return row


def to_step(page: Page, number: int, name: str, heading: str) -> None:
    page.get_by_role("button", name=f"{number} {name}", exact=True).click()
    at_step(page, f"{number} · {heading}")
    settled(page)


def touches(page: Page) -> Callable[..., None]:
    """A function that puts fingers on the screen: kind of event, and where they are."""
    session = page.context.new_cdp_session(page)

    def touch(kind: str, *points: tuple[float, float]) -> None:
        where = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(points)]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": where})

    return touch


@pytest.mark.parametrize("device", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_newly_cut_pads_from_the_cards_to_the_report(
    browser: Browser, port: int, device: dict[str, Any], tmp_path: Path
) -> None:
    with visiting(browser, port, device) as page:
        start(page, "Newly cut limb pads")
        page.get_by_role("textbox", name="Riser").fill("Pattern 7 <maple>")
        go_on(page, "2 · Cards and caliper readings")
        assert downloaded(page, "Card sheet, A4", tmp_path / "sheet.pdf").startswith("%PDF")
        for n, (field, typed) in enumerate(
            (
                ("Thickness of a finished card", "1.05"),
                ("Check bar “along”", "99.60"),
                ("Check bar “across”", "3.9272 in"),
            ),
            start=1,
        ):
            page.get_by_role("textbox", name=field).fill(typed)
            page.keyboard.press("Tab")
            expect(page.get_by_text("Read as")).to_have_count(n)  # as a person would wait for
        go_on(page, "3 · Photographs")
        expect(page.get_by_text("Next: Upper pad, limb off.")).to_be_visible()
        expect(page.get_by_role("img", name="Drawing: the riser’s end")).to_be_visible()
        assert fits_the_width(page)
        send(page, BOW / "received-upper-pad-1.jpg")
        expect(photo(page, "Upper pad, limb off")).to_contain_text("Pad squareness +0.6")
        expect(page.get_by_text("Next: Lower pad, limb off.")).to_be_visible()
        send(page, BOW / "received-lower-pad-1.jpg")
        photo(page, "Lower pad, limb off")
        expect(page.get_by_text("2 of 2 photographs that are wanted")).to_be_visible()
        go_on(page, "4 · Bench readings and condition")
        page.get_by_role("textbox", name="Pad’s width").first.fill("41.8")
        page.keyboard.press("Tab")
        expect(page.get_by_text("Read as 41.8 mm, 1.6457 in.")).to_be_visible()
        go_on(page, "5 · Findings")
        sticks = page.get_by_role("img", name="Winding sticks, upper end")
        expect(sticks).to_be_visible(timeout=MEASURING_MS)
        assert fits_the_width(page)
        go_on(page, "6 · Report")
        text = downloaded(page, "Download the report (HTML)", tmp_path / "report.html")
        raw = json.loads(downloaded(page, "Download the inspection file", tmp_path / "i.json"))
        assert fits_the_width(page)
    assert "Pattern 7 &lt;maple&gt;" in text
    whole = inspection_from_json(raw)
    assert [(p.view, p.end) for p in whole.photos] == [("pad", "upper"), ("pad", "lower")]
    assert whole.readings.ends["upper"].pad_width is not None


def test_a_bow_for_rework_with_reload_and_a_second_window(browser: Browser, port: int) -> None:
    with visiting(browser, port, DESKTOP) as page:
        identity = start(page, "Bow received for rework")
        page.get_by_role("textbox", name="Customer").fill("M. Ferrandy")
        page.keyboard.press("Tab")
        expect(page.locator(".fc-inspection")).to_contain_text("M. Ferrandy")
        to_step(page, 3, "Photos", "Photographs")
        for words, file in (
            ("Upper seat, limb 1", "received-upper-seat.jpg"),
            ("Upper twist, limb 1, cards on riser", "received-upper-sight.jpg"),
        ):
            choose_shot(page, words)
            send(page, BOW / file)
            photo(page, words)
        page.reload()  # mid-way
        at_step(page, "3 · Photographs")
        expect(page.get_by_text("2 of 8 photographs that are wanted")).to_be_visible(
            timeout=MEASURING_MS
        )
        other = page.context.new_page()  # a second window on the same inspection
        other.goto(f"http://127.0.0.1:{port}/?inspection={identity}&step=4")
        at_step(other, "4 · Bench readings and condition")
        other.get_by_role("button", name="I looked for all of the others").click()
        expect(other.get_by_text("Condition: 20 of 20 looked at")).to_be_visible()
        other.close()
        to_step(page, 4, "Bench", "Bench readings and condition")
        expect(page.get_by_text("Condition: 20 of 20 looked at")).to_be_visible()
        to_step(page, 5, "Findings", "Findings")
        seat = page.get_by_role("img", name="Seat, upper end, limb 1: overhang left")
        expect(seat).to_be_visible(timeout=MEASURING_MS)
        expect(page.get_by_role("img", name="Winding sticks, upper end")).to_be_visible()
        box = page.get_by_role("checkbox").first
        page.locator("label", has=box).first.click()
        expect(page.get_by_text("Measure before the next step.")).to_be_visible()
        page.get_by_role("radio", name="inch").click()
        expect(page.locator(".fc-value, .fc-table, .fc li").first).to_be_visible()
        settled(page)
        assert not re.search(r"\d mm\b", page.locator("[data-testid=stMain]").inner_text())
        page.get_by_role("radio", name="mm", exact=True).click()
        settled(page)
        page.get_by_role("button", name="All inspections").click()
        at_step(page, "What is on the bench?")
        page.get_by_role("textbox", name="Search by").fill("ferrandy")
        page.keyboard.press("Enter")
        expect(page.get_by_text("bow without a name · M. Ferrandy")).to_be_visible()


def test_before_and_after_on_a_phone_with_fingers_on_the_edges(
    browser: Browser, port: int
) -> None:
    with visiting(browser, port, PHONE) as page:
        identity = start(page, "Before and after, for a customer")
        to_step(page, 3, "Photos", "Photographs")
        assert fits_the_width(page)
        expect(page.get_by_text("Take the photograph", exact=True)).to_be_visible()
        send(page, BOW / "received-upper-seat.jpg")
        photo(page, "Upper seat, limb 1")
        page.get_by_role("button", name="See the edges").click()
        canvas = page.locator("canvas")
        expect(canvas).to_be_visible(timeout=MEASURING_MS)
        expect(page.get_by_text("Thin lines: as measured.")).to_be_visible()
        _pinch_and_drag(page, canvas)
        page.reload()
        note = page.get_by_text("Limb, right edge: measured from your line.")
        expect(note).to_be_visible(timeout=MEASURING_MS)
        page.get_by_text("How clear each edge is").click()
        expect(page.get_by_role("img", name="Light across Limb, right edge")).to_be_visible()
        assert fits_the_width(page)
        page.get_by_role("button", name="Take back my lines").click()
        expect(note).to_have_count(0, timeout=MEASURING_MS)
        page.go_back()  # the browser's own way back
        page.get_by_role("button", name="All inspections").click()
        at_step(page, "What is on the bench?")
        page.locator(f".st-key-after-{identity} button").locator("visible=true").click()
        at_step(page, "1 · The bow")
        to_step(page, 3, "Photos", "Photographs")
        send(page, BOW / "exchanged-upper-seat.jpg")
        photo(page, "Upper seat, limb 1")
        page.get_by_role("button", name="Beside the one before").click()
        at_step(page, "Before and after")
        change = page.get_by_role("row", name="Upper end, limb 1: overhang on the right")
        expect(change).to_contain_text(re.compile(r"−2\.\d+ mm ±"), timeout=MEASURING_MS)
        assert fits_the_width(page)


def _painted_anew(canvas: Locator, before: str, by: str) -> str:
    """What the canvas shows, once it is something else than before."""
    deadline = time.monotonic() + 8
    while time.monotonic() < deadline:
        now = str(canvas.evaluate("(e) => e.toDataURL()"))
        if now != before:
            return now
        time.sleep(0.1)
    pytest.fail(f"{by} changed nothing in the picture")


def _pinch_and_drag(page: Page, canvas: Locator) -> None:
    settled(page)
    canvas.evaluate("(e) => e.scrollIntoView({block: 'center'})")
    page.wait_for_timeout(500)
    box = canvas.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    touch = touches(page)
    before = canvas.evaluate("(e) => e.toDataURL()")
    touch("touchStart", (x - 20, y), (x + 20, y))
    for apart in range(30, 101, 10):
        touch("touchMove", (x - apart, y), (x + apart, y))
    touch("touchEnd")
    larger = _painted_anew(canvas, before, "the pinch")
    touch("touchStart", (x, y))
    touch("touchMove", (x + 30, y + 30))
    touch("touchMove", (x + 60, y + 40))
    touch("touchEnd")
    _painted_anew(canvas, larger, "one finger")
    page.get_by_role("button", name="Limb, right edge").click()
    canvas.evaluate("(e) => e.scrollIntoView({block: 'center'})")
    page.wait_for_timeout(400)
    box = canvas.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2  # the line's square
    asked: list[str] = []
    page.on("response", lambda r: asked.append(f"{r.status} {r.url}"))
    touch("touchStart", (x + 5, y + 5))
    for i in range(1, 6):
        touch("touchMove", (x + 5 + 0.8 * i, y + 5))
        page.wait_for_timeout(60)
    touch("touchEnd")
    note = page.get_by_text("Limb, right edge: measured from your line.")
    expect(note).to_be_visible(timeout=MEASURING_MS)
    value = page.get_by_role("row", name="Overhang, right")
    expect(value).to_contain_text(re.compile(r"\+(1\.9|2\.0)\d mm"))
    pieces = [one for one in asked if "side=320" in one]
    assert pieces  # the magnifier showed the photograph's own pixels
    assert all(one.startswith("200") for one in pieces)
    # A new run of the page does not send the photograph again.
    assert not [one for one in asked if "/frame?" in one and "side=" not in one]
    assert not [one for one in asked if "/small?" in one]


def test_a_photograph_arrives_though_the_connection_is_cut(browser: Browser, port: int) -> None:
    with visiting(browser, port, PHONE) as phone, visiting(browser, port, DESKTOP) as desk:
        identity = start(phone, "Newly cut limb pads")
        to_step(phone, 3, "Photos", "Photographs")
        desk.goto(f"http://127.0.0.1:{port}/?inspection={identity}&step=3")
        at_step(desk, "3 · Photographs")
        settled(desk)
        phone.context.set_offline(True)
        send(phone, BOW / "received-upper-pad-2.jpg")
        expect(phone.get_by_text("is kept here and is sent again")).to_be_visible()
        phone.wait_for_timeout(1500)
        expect(desk.locator(".fc-photo")).to_have_count(0)
        phone.context.set_offline(False)
        row = photo(desk, "Upper pad, limb off")  # the desk shows it without being touched
        expect(row).to_contain_text("received-upper-pad-2.jpg")
        photo(phone, "Upper pad, limb off")
        # Half of it sent, then the page loaded anew: it is sent again from the browser's store.
        full = {"message": "It was not saved: the disk is full.", "advice": "Free some."}
        phone.route("**/photographs/*?*", lambda route: route.fulfill(status=503, json=full))
        choose_shot(phone, "Lower pad, limb off")
        send(phone, BOW / "received-lower-pad-2.jpg")
        expect(phone.get_by_text("is sent again by itself. It was not saved")).to_be_visible()
        phone.unroute("**/photographs/*?*")
        phone.reload()
        photo(phone, "Lower pad, limb off")


def test_what_is_no_photograph_is_refused_with_what_to_do(
    browser: Browser, port: int, tmp_path: Path
) -> None:
    fake = tmp_path / "holiday.jpg"
    fake.write_bytes(b"\xff\xd8\xff" + b"no picture" * 40)
    with visiting(browser, port, DESKTOP) as page:
        start(page, "Newly cut limb pads")
        to_step(page, 3, "Photos", "Photographs")
        send(page, fake)
        expect(page.get_by_text("✗ holiday.jpg")).to_be_visible()
        page.get_by_role("button", name="Understood").click()
        expect(page.get_by_text("✗ holiday.jpg")).to_have_count(0)


def three_photographs() -> str:
    """An inspection with a seat, its pad and its twist; its name."""
    there = visit(store(), "", "a test")
    there.inspection.document = begun("rework")
    there.save()
    for file, shows in (
        ("received-upper-seat.jpg", {"view": "seat", "end": "upper", "limb": "1"}),
        ("received-upper-pad-1.jpg", {"view": "pad", "end": "upper"}),
        (
            "received-upper-sight.jpg",
            {"view": "sight", "end": "upper", "limb": "1", "near_card_on": "riser"},
        ),
    ):
        there.inspection.add(file, (BOW / file).read_bytes(), shows)
    there.save()
    return there.identity


@pytest.mark.parametrize("device", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_every_step_fits_stands_out_and_is_walked_by_the_keyboard(
    browser: Browser, port: int, device: dict[str, Any]
) -> None:
    headings = [
        "The bow",
        "Cards and caliper readings",
        "Photographs",
        "Bench readings and condition",
        "Findings",
        "Report",
    ]
    identity = three_photographs()
    with visiting(browser, port, device) as page:
        at_step(page, "What is on the bench?")
        expect(page.get_by_role("button", name="Bin").first).to_be_visible(timeout=MEASURING_MS)
        settled(page)
        assert not poor_contrasts(page)
        page.goto(f"http://127.0.0.1:{port}/?inspection={identity}")
        for number, heading in enumerate(headings, start=1):
            at_step(page, f"{number} · {heading}")
            if number == len(headings):
                break
            on = page.get_by_role("button", name="Next:")
            expect(on).to_have_count(1, timeout=MEASURING_MS)
            settled(page)
            assert not poor_contrasts(page), heading
            assert fits_the_width(page), heading
            if device is PHONE:
                on.click()
                continue
            assert not tabbed_to(page, "Next:"), heading
            page.keyboard.press("Enter")
        report = page.get_by_role("button", name="Download the report (PDF)")
        expect(report).to_be_visible(timeout=MEASURING_MS)
        settled(page)
        assert not poor_contrasts(page)
        assert fits_the_width(page)
        assert device is PHONE or not tabbed_to(page, "Download the report (PDF)")


def test_it_works_by_the_keyboard(browser: Browser, port: int) -> None:
    with visiting(browser, port, DESKTOP) as page:
        at_step(page, "What is on the bench?")
        page.get_by_role("button", name="Newly cut limb pads", exact=True).focus()
        page.keyboard.press("Enter")
        at_step(page, "1 · The bow")
        page.get_by_role("button", name="3 Photos", exact=True).focus()
        page.keyboard.press("Enter")
        at_step(page, "3 · Photographs")
        settled(page)
        send(page, BOW / "received-upper-pad-1.jpg")
        photo(page, "Upper pad, limb off")
        page.get_by_role("button", name="See the edges").focus()
        page.keyboard.press("Enter")
        canvas = page.locator("canvas")
        expect(canvas).to_be_visible(timeout=MEASURING_MS)
        page.get_by_role("button", name="Riser, left edge").focus()
        page.keyboard.press("Enter")
        canvas.focus()
        for key in ("+", "3", "ArrowRight", "ArrowRight"):
            page.keyboard.press(key)
        note = page.get_by_text("Riser, left edge: measured from your line.")
        expect(note).to_be_visible(timeout=MEASURING_MS)
        page.go_back()


def test_other_machines_are_not_answered(port: int) -> None:
    assert answers("127.0.0.1", port)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # sends nothing: it only chooses an own address
        except OSError:
            pytest.skip("this machine has no address but its own loopback")
        own = probe.getsockname()[0]
    if own.startswith("127."):
        pytest.skip("this machine has no address but its own loopback")
    assert not answers(own, port)


def test_another_name_for_this_machine_does_not_lead_in(port: int) -> None:
    def status(host: str) -> int:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        headers = {
            "Host": host,
            "Connection": "Upgrade",
            "Upgrade": "websocket",
            "Sec-WebSocket-Version": "13",
            "Sec-WebSocket-Key": "MDEyMzQ1Njc4OWFiY2RlZg==",
            "Origin": f"http://{host}",
        }
        try:
            connection.request("GET", "/_stcore/stream", headers=headers)
            return connection.getresponse().status
        finally:
            connection.close()

    assert status(f"127.0.0.1:{port}") == 101
    assert status(f"stranger.example:{port}") == 403


def test_streamlit_itself_runs_it_too(browser: Browser, tmp_path: Path) -> None:
    free = free_port()
    command = ["-m", "streamlit", "run", "app.py", "--server.headless", "true"]
    command += ["--server.port", str(free)]
    with serving(command, free, tmp_path / "log") as port, visiting(browser, port, PHONE) as page:
        at_step(page, "What is on the bench?")


def test_a_lot_on_a_phone_in_inches_and_its_report_in_german(
    browser: Browser, port: int, tmp_path: Path
) -> None:
    found = [(v.part, v.operator, v.repeat, of_length(v)) for v in lengths()]
    lot, results = kept_lot(tmp_path, found)
    identity = keep_lot(store(), lot, results, lot_json(lot))
    write_shop(default_folder(), Shop(name="Bench in the old dairy"))
    try:
        with visiting(browser, port, PHONE) as page:
            page.goto(f"http://127.0.0.1:{port}/?lot={identity}")
            at_step(page, "Lot: lot")
            page.get_by_role("radio", name="inch").click()
            expect(page.get_by_text("Tolerance: −0.0315 in to 0.0315 in")).to_be_visible()
            settled(page)
            drawn = page.get_by_test_id("stVegaLiteChart").locator("canvas, svg").first
            expect(drawn).to_be_visible(timeout=MEASURING_MS)
            assert fits_the_width(page)
            page.get_by_role("radio", name="Deutsch").click()
            downloaded(page, "Report (PDF, Deutsch)", tmp_path / "lot.pdf")
            said = " ".join(text_of(tmp_path / "lot.pdf").split())
            for words in (
                "Bench in the old dairy",
                "Los von Teilen: lot",
                "Überstand, links",
            ):
                assert words in said
            page.get_by_role("radio", name="mm").click()
            expect(page.get_by_text("Tolerance: −0.80 mm to 0.80 mm")).to_be_visible()
    finally:
        (default_folder() / SHOP_FILE).unlink()
        store().lots.remove(identity)
