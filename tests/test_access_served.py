"""The page as it is served to other devices: locked for strangers, open to paired ones.

The "local network" is this machine's loopback: nothing is sent to any other address.
"""

from __future__ import annotations

import contextlib
import http.client
import re
import shutil
import ssl
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect
from test_page_browser import (
    BOW,
    MEASURING_MS,
    PHONE,
    at_step,
    browser,
    free_port,
    go_on,
    photo,
    send,
    serving,
    start,
)

from fitcheck.store import Store

__all__ = ["browser"]  # a fixture, used by its name

CODE = re.compile(r"type ([0-9A-Z]{5}-[0-9A-Z]{5})")
PATHS = (
    "/",
    "/?step=3",
    "/_stcore/health",
    "/_stcore/host-config",
    "/_stcore/metrics",
    "/_stcore/stream",
    "/_stcore/upload_file/a/b",
    "/_stcore/bidi-components/x/y.js",
    "/_stcore/agent/openapi.json",
    "/component/x/index.html",
    "/media/0123.jpg",
    "/static/js/index.js",
    "/app/static/x",
    "/favicon.png",
    "/auth/login",
    "/oauth2callback",
    "/photographs/" + "0" * 32,
    "/photographs/" + "0" * 32 + "/" + "0" * 64,
    "/pair",
    "/pair/code",
    "/pair/..%2f_stcore/health",
    "/%2e%2e/_stcore/health",
    "//_stcore/health",
)


class Served:
    """The page offered to the local network, with what it wrote to its terminal."""

    def __init__(self, port: int, log: Path, store: Path) -> None:
        self.port, self._log, self.store = port, log, store
        self.url = f"http://127.0.0.1:{port}"

    def terminal(self) -> str:
        return self._log.read_text(encoding="utf-8")

    def code(self) -> str:
        """The code written last."""
        return CODE.findall(self.terminal())[-1]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    port, folder = free_port(), tmp_path_factory.mktemp("lan")
    command = ["-m", "fitcheck", "page", "--lan", "127.0.0.1", "--port", str(port)]
    command += ["--no-browser", "--store", str(folder / "store")]
    with serving(command, port, folder / "log"):
        yield Served(port, folder / "log", folder / "store")
    assert "Traceback" not in (folder / "log").read_text(encoding="utf-8")


def status(served: Served, method: str, path: str, **headers: str) -> int:
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=10)
    with contextlib.closing(connection):
        connection.putrequest(method, path, skip_accept_encoding=True)
        for name, value in headers.items():
            connection.putheader(name.replace("_", "-"), value)
        connection.endheaders()
        return connection.getresponse().status


@contextlib.contextmanager
def device(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(**PHONE)
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    yield page
    context.close()
    assert not errors


@pytest.mark.parametrize("path", PATHS)
def test_without_the_cookie_every_path_answers_401_or_403(served: Served, path: str) -> None:
    for method in ("GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS"):
        assert status(served, method, path) in (401, 403)
        assert status(served, method, path, Cookie=f"fitcheck-{served.port}=guessed") in (401, 403)


def test_without_the_cookie_the_websocket_answers_403(served: Served) -> None:
    websocket = {
        "Connection": "Upgrade",
        "Upgrade": "websocket",
        "Sec_WebSocket_Version": "13",
        "Sec_WebSocket_Key": "MDEyMzQ1Njc4OWFiY2RlZg==",
    }
    for path in ("/_stcore/stream", "/", "/pair"):
        assert status(served, "GET", path, Origin=served.url, **websocket) == 403


def test_a_phone_is_paired_by_the_code_of_the_terminal(served: Served, browser: Browser) -> None:
    assert "Others in this network could listen" in served.terminal()
    with device(browser) as page:
        page.goto(served.url)
        page.get_by_label("Pairing code").fill("WRONG-WRONG")
        page.get_by_role("button", name="Pair").click()
        expect(page.get_by_role("alert")).to_contain_text("This code is not right")
        code = served.code()
        page.get_by_label("Pairing code").fill(code.lower())
        page.get_by_label("Name of this device").fill("Ada's phone")
        page.get_by_role("button", name="Pair").click()
        start(page, "Newly cut limb pads")
        go_on(page, "2 · Cards and caliper readings")
        page.get_by_role("textbox", name="Thickness of a finished card").fill("1.02")
        page.keyboard.press("Tab")
        expect(page.get_by_text("Read as")).to_have_count(1)
        identity = re.search(r"inspection=([0-9a-f]{32})", page.url)
        assert identity is not None
        changes = Store(served.store).inspections.history(identity[1])
        assert {c.who for c in changes} == {"Ada's phone"}
        assert ("/cards/thickness", "1.02 mm") in [(c.path, c.after) for c in changes]
    with device(browser) as other:  # the code was good once
        other.goto(served.url)
        other.get_by_label("Pairing code").fill(code)
        other.get_by_role("button", name="Pair").click()
        expect(other.get_by_role("alert")).to_contain_text("used already")


def test_a_second_device_goes_on_with_the_inspection_of_the_first(
    served: Served, browser: Browser
) -> None:
    with device(browser) as desk, device(browser) as phone:
        desk.goto(f"{served.url}/pair#{served_code(served, desk)}")
        start(desk, "Newly cut limb pads")
        desk.get_by_role("textbox", name="Riser").fill("Pattern 7")
        go_on(desk, "2 · Cards and caliper readings")
        go_on(desk, "3 · Photographs")
        with desk.context.expect_page() as opened:
            desk.get_by_role("link", name="Pair another device").click()
        shown = opened.value
        expect(shown.get_by_role("img", name="QR picture")).to_be_visible()
        code = shown.locator(".typed").inner_text()
        identity = re.search(r"inspection=([0-9a-f]{32})", desk.url)
        assert identity is not None
        address = f"{served.url}/pair#{code.replace('-', '')}.{identity[1]}"
        assert read_qr(shown.locator(".qr").screenshot()) == address
        phone.goto(f"{served.url}/pair")
        phone.goto(address)  # only what stands behind the # is another
        at_step(phone, "3 · Photographs")
        assert f"inspection={identity[1]}" in phone.url
        file = BOW / "received-upper-pad-1.jpg"
        send(desk, file)
        shown_there = "Pad squareness +0."
        expect(photo(desk, "Upper pad, limb off")).to_contain_text(
            shown_there, timeout=MEASURING_MS
        )
        phone.goto(f"{served.url}/?inspection={identity[1]}&step=3")
        expect(photo(phone, "Upper pad, limb off")).to_contain_text(
            shown_there, timeout=MEASURING_MS
        )
    kept = Store(served.store).inspections
    assert [p.name for p in kept.photographs(identity[1])] == [file.name]
    (measured,) = kept.measurements(identity[1])
    assert measured.content["characteristics"][0]["name"] == "pad_squareness"


def read_qr(png: bytes) -> str:
    picture = cv2.imdecode(np.frombuffer(png, dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(picture)
    return text


def served_code(served: Served, page: Page) -> str:
    """A code that still waits: whoever opens the page without one has one announced."""
    page.goto(served.url)
    page.wait_for_timeout(200)
    return served.code().replace("-", "")


def test_with_a_certificate_it_is_served_over_https(tmp_path: Path) -> None:
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("no openssl is installed to make a certificate with")
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    command = [openssl, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"]
    command += ["-keyout", str(key), "-out", str(certificate), "-subj", "/CN=bench.local"]
    subprocess.run(command, check=True, capture_output=True)
    port = free_port()
    start = ["-m", "fitcheck", "page", "--lan", "127.0.0.1", "--port", str(port), "--no-browser"]
    start += ["--store", str(tmp_path / "store"), "--lan-name", "bench.local"]
    start += ["--certificate", str(certificate), "--key", str(key)]
    log = tmp_path / "log"
    with serving(start, port, log):
        trusting = ssl.create_default_context(cafile=str(certificate))
        trusting.check_hostname = False
        connection = http.client.HTTPSConnection("127.0.0.1", port, timeout=10, context=trusting)
        with contextlib.closing(connection):
            host = {"Host": f"bench.local:{port}"}
            connection.request("GET", "/", headers=host)
            assert connection.getresponse().read().count(b"Pairing code") == 1
            code = CODE.findall(log.read_text(encoding="utf-8"))[-1]
            connection.request("POST", "/pair", f"code={code}".encode(), host)
            answer = connection.getresponse()
            answer.read()
            assert answer.status == 303
            cookie = str(answer.getheader("Set-Cookie"))
            assert cookie.startswith(f"__Host-fitcheck-{port}=")
            assert "Secure" in cookie
            connection.request("GET", "/_stcore/health", headers={**host, "Cookie": cookie})
            assert connection.getresponse().status == 200
        assert "could listen" not in log.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--lan", "8.8.8.8"], "not an address of a local network"),
        (["--lan", "192.168.250.250"], "not an address of this machine"),
        (["--certificate", "a.pem"], "belong together"),
        (["--lan-name", "bench.local"], "Add --lan"),
        (["--lan", "127.0.0.1", "--certificate", "a.pem", "--key", "b.pem"], "for HTTPS"),
    ],
)
def test_what_cannot_be_served_is_said(more: list[str], said: str, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "fitcheck", "page", "--port", str(free_port())]
    command += ["--no-browser", "--store", str(tmp_path / "store"), *more]
    run = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert run.returncode == 2
    assert said in run.stderr
    assert run.stderr.count("\n") == 1
