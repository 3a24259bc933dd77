"""Measuring in the background, and pictures that the browser fetches by their address."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable

import numpy as np
import pytest
from asgi import ask
from page_app import BOW
from PIL import Image
from starlette.applications import Starlette

from fitcheck.errors import BadInput
from fitcheck.measurement import Measurement
from fitcheck.page import arrivals, background, measuring, pictures
from fitcheck.page.background import Progress, Queue
from fitcheck.page.inspection import Inspection
from fitcheck.page.keeping import store, visit
from fitcheck.page.picture_routes import picture_routes, small_address

PATIENCE_S = 30


def made(name: str) -> Callable[[Progress], Measurement]:
    return lambda _: Measurement(name, "seat")


def test_the_same_work_is_done_once_and_its_progress_is_heard(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(background, "TOLD_EVERY_S", 0.01)
    queue, begun, go_on, times = Queue(), threading.Event(), threading.Event(), []

    def work(told: Progress) -> Measurement:
        times.append(1)
        told(0.5)
        begun.set()
        go_on.wait(PATIENCE_S)
        return Measurement("a.jpg", "seat")

    job = queue.job("a", work, wanted=True)
    assert begun.wait(PATIENCE_S)
    heard: list[float] = []

    def told(share: float) -> None:
        heard.append(share)
        go_on.set()

    assert queue.job("a", made("other"), wanted=True).result(told).photo == "a.jpg"
    assert heard[0] == 0.5
    assert job.made
    assert len(times) == 1
    queue.forget("a")
    assert queue.job("a", made("anew"), wanted=True).result().photo == "anew"


def test_waiting_can_be_broken_off_without_losing_the_work(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(background, "TOLD_EVERY_S", 0.01)
    queue, go_on = Queue(), threading.Event()

    def work(_: Progress) -> Measurement:
        go_on.wait(PATIENCE_S)
        return Measurement("a.jpg", "seat")

    def leave(_: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        queue.job("a", work, wanted=True).result(leave)
    go_on.set()
    assert queue.job("a", made("other"), wanted=True).result().photo == "a.jpg"


def test_what_somebody_waits_for_goes_before_what_only_arrived() -> None:
    queue, go_on, order = Queue(), threading.Event(), []

    def work(name: str) -> Callable[[Progress], Measurement]:
        def act(_: Progress) -> Measurement:
            go_on.wait(PATIENCE_S)
            order.append(name)
            return Measurement(name, "seat")

        return act

    queue.job("first", work("first"), wanted=False)
    arrived = queue.job("arrived", work("arrived"), wanted=False)
    asked = queue.job("asked", work("asked"), wanted=True)
    go_on.set()
    arrived.result()
    asked.result()
    assert order.index("asked") < order.index("arrived")


def test_an_error_is_the_waiters() -> None:
    def fail(_: Progress) -> Measurement:
        raise BadInput("gone", "It is gone.", "Send it again.")

    with pytest.raises(BadInput, match="It is gone"):
        Queue().job("a", fail, wanted=True).result()


def test_a_photograph_that_arrives_is_measured_before_the_page_asks(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    queue = Queue()
    monkeypatch.setattr(measuring, "MEASUREMENTS", queue)
    there = visit(store(), "", "a test")
    there.inspection.put("/purpose", "new pads")
    file = "received-upper-pad-1.jpg"
    shows = {"view": "pad", "end": "upper"}
    sha256 = there.inspection.add(file, (BOW / file).read_bytes(), shows)
    there.save()
    arrivals.measure_ahead(there.identity, sha256)
    (key,) = queue._jobs
    ahead = queue.job(key, made("other"), wanted=True).result()
    photo = there.inspection.photos[sha256]
    found = measuring.measured(there.inspection, photo)
    assert found == ahead
    assert found.characteristics
    arrivals.measure_ahead("0" * 32, sha256)  # of no inspection: the page says so, not this


def test_a_photograph_is_decoded_once(monkeypatch: pytest.MonkeyPatch) -> None:
    times = []
    really = pictures.read_photo

    def counted(data: bytes, name: str) -> object:
        times.append(name)
        return really(data, name)

    monkeypatch.setattr(pictures, "read_photo", counted)
    inspection = Inspection(document={"purpose": "new pads"})
    data = (BOW / "received-lower-pad-1.jpg").read_bytes()
    sha256 = inspection.add("once.jpg", data + b" ", {"view": "pad", "end": "lower"})
    photo = inspection.photos[sha256]
    both = [
        threading.Thread(target=pictures.small_of, args=(sha256, photo.read, "once.jpg", px))
        for px in pictures.SMALL_PX
    ]
    for thread in both:
        thread.start()
    assert measuring.measured(inspection, photo).characteristics
    for thread in both:
        thread.join(PATIENCE_S)
    assert times.count("once.jpg") == 1


def test_the_browser_keeps_small_pictures_by_their_address(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Making the routes says that they are served: not so in the other tests of this process.
    monkeypatch.setattr("fitcheck.page.picture_routes._served", False)
    buffer = io.BytesIO()
    grain = np.random.default_rng(3).integers(0, 255, (700, 1400, 3), dtype=np.uint8)
    Image.fromarray(grain).save(buffer, "JPEG")
    there = visit(store(), "", "a test")
    sha256 = there.inspection.add("grain.jpg", buffer.getvalue())
    there.save()
    assert '"' not in small_address(there.identity, '"><script>', 900)
    app = Starlette(routes=picture_routes(store))
    answer = ask(app, small_address(there.identity, sha256, 900))
    assert answer.status == 200
    assert "immutable" in answer.headers["cache-control"]
    assert Image.open(io.BytesIO(answer.body)).size == (900, 450)
    for wrong in (
        small_address(there.identity, sha256, 901),  # only sizes that the page shows
        small_address("0" * 32, sha256, 900),
        small_address(there.identity, "0" * 64, 900),
    ):
        assert ask(app, wrong).status == 404
