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
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

ROOT = Path(__file__).parent.parent
SAMPLE = ROOT / "sample_images" / "seat-001.jpg"
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
    page.get_by_role("button", name="Next:").click()
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


@pytest.mark.parametrize("device", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_from_the_cards_to_the_report(
    browser: Browser, port: int, device: dict[str, Any], tmp_path: Path
) -> None:
    with visiting(browser, port, device) as page:
        at_step(page, "1 · Print the reference cards")
        assert downloaded(page, "Card sheet, A4", tmp_path / "sheet.pdf").startswith("%PDF")
        go_on(page, "2 · What you measured")
        for n, (field, typed) in enumerate(
            (
                ("Thickness of a finished card", "1.0"),
                ("Check bar “along”", "100"),
                ("Check bar “across”", "3.937 in"),
            ),
            start=1,
        ):
            page.get_by_role("textbox", name=field).fill(typed)
            page.keyboard.press("Tab")
            expect(page.get_by_text("Read as")).to_have_count(n)  # as a person would wait for
        go_on(page, "3 · Take the photograph")
        expect(page.get_by_role("img", name="Drawing: card A on the limb")).to_be_visible()
        assert fits_the_width(page)
        page.locator("input[type=file]").set_input_files(SAMPLE)
        expect(page.get_by_text("Needs rework")).to_be_visible(timeout=MEASURING_MS)
        go_on(page, "4 · See the edges")
        picture = page.get_by_role("img", name="with the measured edges drawn")
        expect(picture).to_be_visible(timeout=MEASURING_MS)
        assert picture.evaluate("(e) => e.naturalWidth") > 600
        assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollTop") == 0
        assert fits_the_width(page)
        go_on(page, "5 · The numbers")
        left = page.locator("section", has_text="Overhang, left")
        expect(left).to_contain_text("does not conform")
        shown = left.locator(".fc-value").inner_text()
        assert abs(float(shown.split()[0]) - 1.7) < 0.2, shown
        expect(left).to_contain_text("+1/16 in")
        assert fits_the_width(page)
        go_on(page, "6 · Take the report with you")
        page.get_by_role("textbox", name="Bow").fill("Recurve, 62 in <AMO>")
        page.get_by_role("textbox", name="Which seat").fill("Upper limb")
        page.get_by_role("textbox", name="Which seat").press("Tab")
        assert fits_the_width(page)
        page.get_by_role("button", name="Write it into the report").click()
        expect(page.get_by_text("is not in the report yet")).to_be_hidden(timeout=MEASURING_MS)
        text = downloaded(page, "Download the report", tmp_path / "report.html")
        measured = json.loads(downloaded(page, "Download the numbers", tmp_path / "numbers.json"))
    assert text.startswith("<!DOCTYPE html>")
    for words in ("Recurve, 62 in &lt;AMO&gt;", "Upper limb", "Overhang, left", shown.split()[0]):
        assert words in text
    assert measured["photo"] == SAMPLE.name
    assert measured["inputs"]["card_thickness_mm"] == 1.0


def test_an_edge_is_corrected_with_a_finger_and_a_reload_keeps_it(
    browser: Browser, port: int
) -> None:
    with visiting(browser, port, PHONE) as page:
        page.get_by_role("button", name="Use the sample photograph").click()
        at_step(page, "4 · See the edges")
        expect(page.get_by_text("stands proud")).to_be_visible(timeout=MEASURING_MS)
        page.get_by_text("Correct an edge by hand").click()
        canvas = page.locator("canvas")
        page.get_by_role("button", name="Limb, left edge").click()
        canvas.evaluate("(e) => e.scrollIntoView({block: 'center'})")
        page.wait_for_timeout(500)
        box = canvas.bounding_box()
        assert box is not None
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2  # the line's square
        touch = page.context.new_cdp_session(page)

        def send(kind: str, *points: tuple[float, float]) -> None:
            touch.send(
                "Input.dispatchTouchEvent",
                {"type": kind, "touchPoints": [{"x": px, "y": py} for px, py in points]},
            )

        send("touchStart", (x + 5, y + 5))
        for i in range(1, 6):
            send("touchMove", (x + 5 + 0.8 * i, y + 5))
        send("touchEnd")
        note = page.get_by_text("Limb, left edge: measured from your line.")
        expect(note).to_be_visible(timeout=MEASURING_MS)
        still_there = re.compile(r"by 1\.[67]\d mm on the left")
        expect(page.get_by_text("stands proud")).to_contain_text(still_there)
        assert fits_the_width(page)
        page.reload()
        expect(note).to_be_visible(timeout=MEASURING_MS)
        page.get_by_role("button", name="Take back my lines").click()
        expect(note).to_have_count(0, timeout=MEASURING_MS)


def test_the_browser_goes_back_a_step(browser: Browser, port: int) -> None:
    with visiting(browser, port, PHONE) as page:
        go_on(page, "2 · What you measured")
        go_on(page, "3 · Take the photograph")
        page.go_back()
        at_step(page, "2 · What you measured")


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
        at_step(page, "1 · Print the reference cards")
