"""Nothing gets past the gate: whatever the path, the method, the host or the origin."""

from __future__ import annotations

import io
import json
import re
from collections.abc import MutableMapping
from pathlib import Path
from typing import Any

import pytest
from asgi import Answer, ask, connect
from page_app import jpeg
from PIL import Image

from fitcheck.access import gate as gate_module
from fitcheck.access.gate import DEVICE_HEADER, SESSION_ENDED, Gate
from fitcheck.access.network import check_certificate, lan_address
from fitcheck.access.pairing import Door
from fitcheck.access.pairing_page import code_page, pairing_address, qr_svg
from fitcheck.access.photograph_routes import MOST_UPLOADS_AT_ONCE, photograph_routes
from fitcheck.access.upload_tokens import TOKEN_HEADER, upload_token
from fitcheck.errors import BadInput
from fitcheck.page.keeping import photo_edits
from fitcheck.photo import MAX_FILE_BYTES
from fitcheck.store import Store

HERE = "http://127.0.0.1:8501"
COOKIE = "fitcheck-8501"
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PAIR")
PATHS = (
    "/",
    "//",
    "/?inspection=" + "0" * 32,
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
    "/photographs/" + "0" * 32,
    "/photographs/" + "0" * 32 + "/" + "0" * 64,
    "/pair",
    "/pair/",
    "/pair/code",
    "/pair/end",
    "/pair/../",
    "/pair/..%2f_stcore/health",
    "/%70air/code",
    "/PAIR/code",
    "/pair;x",
    "/pair%00",
    "/pair/code/../../media/x",
    "/\ud83d\ude00".encode("utf-16", "surrogatepass").decode("utf-16"),
)


class Behind:
    """What stands behind the gate: notes who came through."""

    def __init__(self) -> None:
        self.came: list[MutableMapping[str, Any]] = []

    async def __call__(self, scope: MutableMapping[str, Any], receive: Any, send: Any) -> None:
        self.came.append(scope)
        if scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.accept"})
            while (await receive())["type"] != "websocket.disconnect":
                await send({"type": "websocket.send", "text": "heard"})
            return
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"inside"})

    def header(self, name: str) -> str | None:
        found = dict(self.came[-1]["headers"]).get(name.encode())
        return None if found is None else found.decode()


@pytest.fixture
def behind() -> Behind:
    return Behind()


@pytest.fixture
def door() -> Door:
    return Door()


@pytest.fixture
def gate(behind: Behind, door: Door) -> Gate:
    return Gate(behind, ["127.0.0.1"], door, HERE)


def pair(gate: Gate, code: str, more: str = "", address: str = "192.168.1.7") -> Answer:
    body = f"code={code}{more}".encode()
    return ask(gate, "/pair", "POST", {"origin": HERE}, body, address)


def paired(gate: Gate, door: Door, more: str = "") -> dict[str, str]:
    answer = pair(gate, door.new_code(), more)
    assert answer.status == 303
    return {"cookie": answer.headers["set-cookie"].split(";")[0], "origin": HERE}


# Without a session


@pytest.mark.parametrize("path", PATHS)
def test_without_the_cookie_no_path_leads_in(gate: Gate, behind: Behind, path: str) -> None:
    for method in METHODS:
        for headers in ({}, {"cookie": f"{COOKIE}=guessed"}, {"cookie": f"{COOKIE}=; x=\u00ff"}):
            answer = ask(gate, path, method, headers)
            assert answer.status in (401, 403), (method, path)
            assert b"inside" not in answer.body
    assert connect(gate, path) == [{"type": "websocket.close", "code": SESSION_ENDED}]
    assert behind.came == []


def test_an_upload_without_the_cookie_is_not_even_read(gate: Gate, behind: Behind) -> None:
    headers = {TOKEN_HEADER: upload_token("0" * 32), "content-length": "10"}
    answer = ask(gate, "/photographs/" + "0" * 32, "POST", headers, b"x", breaks_off=True)
    assert answer.status == 401
    assert behind.came == []


def test_twenty_wrong_codes_lock_out_for_a_while(gate: Gate, door: Door) -> None:
    for _ in range(20):
        assert "not right" in pair(gate, "WRONG").body.decode()
    answer = pair(gate, door.new_code())
    assert answer.status == 403
    assert "Too many wrong codes" in answer.body.decode()
    assert answer.headers["retry-after"] == "900"
    assert "set-cookie" not in answer.headers
    assert pair(gate, door.new_code(), address="192.168.1.8").status == 303


@pytest.mark.parametrize(
    "body", [b"", b"code=", b"\xff\xfe", b"&" * 1000, b"code=" + b"A" * 100_000, b"code=a&" * 50]
)
def test_an_odd_form_is_a_wrong_code(gate: Gate, door: Door, body: bytes) -> None:
    door.new_code()
    answer = ask(gate, "/pair", "POST", {"origin": HERE}, body)
    assert answer.status == 403
    assert "not right" in answer.body.decode()


def test_a_code_does_not_stand_in_an_address(gate: Gate, door: Door, behind: Behind) -> None:
    code = door.new_code()
    assert ask(gate, f"/pair?code={code}").status == 401
    assert ask(gate, f"/?code={code}").status == 401
    assert door.is_waiting(code)
    assert pairing_address(HERE, code).partition("#")[2] == code  # not sent by a browser
    assert behind.came == []


# With a session


def test_a_paired_device_comes_in_everywhere(gate: Gate, door: Door) -> None:
    headers = paired(gate, door)
    for path in ("/", "/_stcore/health", "/media/0123.jpg", "/pair/other"):
        assert ask(gate, path, headers=headers).body == b"inside"
    assert ask(gate, "/_stcore/upload_file/a/b", "PUT", headers).body == b"inside"
    messages = [{"type": "websocket.receive", "text": "x"}, {"type": "websocket.disconnect"}]
    sent = connect(gate, headers=headers, messages=messages)
    assert [message["type"] for message in sent] == ["websocket.accept", "websocket.send"]
    assert ask(gate, "/pair", headers=headers).status == 303


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(gate: Gate, door: Door) -> None:
    cookie = pair(gate, door.new_code()).headers["set-cookie"].lower()
    for word in ("httponly", "samesite=strict", "path=/", "max-age=43200"):
        assert word in cookie
    assert "secure" not in cookie
    safe = Gate(Behind(), ["bench.local"], door, "https://bench.local:8501")
    headers = {"host": "bench.local:8501", "origin": "https://bench.local:8501"}
    answer = ask(safe, "/pair", "POST", headers, f"code={door.new_code()}".encode())
    assert answer.headers["set-cookie"].startswith("__Host-fitcheck-8501=")
    assert "secure" in answer.headers["set-cookie"].lower()


def test_pairing_leads_to_the_inspection_and_nowhere_else(gate: Gate, door: Door) -> None:
    name = "0123456789abcdef" * 2
    answer = pair(gate, door.new_code(), f"&inspection={name}")
    assert answer.headers["location"] == f"/?inspection={name}&step=3"
    for evil in (
        "//evil.example",
        "https://evil.example",
        name + "/../x",
        "x%0d%0aSet-Cookie:a=b",
    ):
        assert pair(gate, door.new_code(), f"&inspection={evil}").headers["location"] == "/"


def test_the_log_knows_the_device_and_nobody_can_claim_another(
    gate: Gate, door: Door, behind: Behind
) -> None:
    headers = paired(gate, door, "&device=Ada%E2%80%99s+phone%0a<b>")
    ask(gate, "/", headers={**headers, DEVICE_HEADER: "somebody else"})
    assert behind.header(DEVICE_HEADER) == "Ada?s phone <b>"
    agent = {"user-agent": "Mozilla/5.0 (Linux; Android 15; Pixel)"}
    answer = ask(
        gate, "/pair", "POST", {"origin": HERE, **agent}, f"code={door.new_code()}".encode()
    )
    ask(gate, "/", headers={"cookie": answer.headers["set-cookie"].split(";")[0]})
    assert behind.header(DEVICE_HEADER) == "Android phone"
    open_gate = Gate(behind, ["127.0.0.1"])
    ask(open_gate, "/", headers={DEVICE_HEADER: "somebody else"})
    assert behind.header(DEVICE_HEADER) is None


def test_a_paired_device_shows_the_code_for_another(gate: Gate, door: Door) -> None:
    name = "0123456789abcdef" * 2
    page = ask(gate, f"/pair/code?inspection={name}", headers=paired(gate, door)).body.decode()
    found = re.search(r">([0-9A-Z]{5})-([0-9A-Z]{5})<", page)
    assert found is not None
    code = found[1] + found[2]
    assert qr_svg(f"{HERE}/pair#{code}.{name}") in page
    assert pair(gate, code).status == 303
    evil = ask(gate, "/pair/code?inspection=<script>", headers=paired(gate, door)).body.decode()
    assert "<script>alert" not in evil
    assert evil.count("<script>") == 1
    assert "&lt;x&gt;" in code_page("<x>", "A" * 10)


def test_a_session_that_was_ended_leads_nowhere(gate: Gate, door: Door) -> None:
    headers = paired(gate, door)
    ended = ask(gate, "/pair/end", "POST", headers)
    assert ended.status == 303
    assert "max-age=0" in ended.headers["set-cookie"].lower()
    assert ask(gate, "/", headers=headers).status == 401


def test_a_websocket_is_closed_when_its_session_ends(
    gate: Gate, door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gate_module, "LOOK_AGAIN_S", 0.05)
    headers = paired(gate, door)
    token = headers["cookie"].partition("=")[2]
    looked = door.session

    def ends_later(asked: str) -> Any:
        found = looked(asked)
        if found is not None and any(scope["type"] == "websocket" for scope in came):
            door.end(token)
        return found

    came = gate._app.came  # type: ignore[attr-defined]
    monkeypatch.setattr(door, "session", ends_later)
    sent = connect(gate, headers=headers)
    assert [message["type"] for message in sent] == ["websocket.accept", "websocket.close"]
    assert sent[-1]["code"] == SESSION_ENDED


# Hosts, origins, headers: with and without a door


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8501",
        "127.0.0.1.evil.example",
        "127.0.0.1@evil.example",
        "127.0.0.1/evil",
        "[::1]:8501",
        "",
        "127.0.0.1:8501 ",
        "0.0.0.0:8501",
        "2130706433",
    ],
)
def test_another_name_for_this_machine_leads_nowhere(
    behind: Behind, door: Door, host: str
) -> None:
    for gate in (Gate(behind, ["127.0.0.1"]), Gate(behind, ["127.0.0.1"], door, HERE)):
        assert ask(gate, "/", headers={"host": host}).status == 403
        assert connect(gate, headers={"host": host})[0]["type"] == "websocket.close"
    assert behind.came == []


def test_the_machines_own_names_lead_in(behind: Behind) -> None:
    gate = Gate(behind, ["127.0.0.1", "localhost", "fd00::1"])
    for host in ("127.0.0.1:8501", "LOCALHOST:1", "localhost.", "127.0.0.1", "[fd00::1]:8501"):
        assert ask(gate, "/", headers={"host": host}).status == 200


@pytest.mark.parametrize(
    "origin",
    [
        "http://evil.example",
        "null",
        "http://127.0.0.1:9999",
        "http://127.0.0.1",
        "127.0.0.1:8501",
        "http://[",
        "http://[127.0.0.1:8501",
        "http://127.0.0.1:8501]",
    ],
)
def test_another_sites_page_cannot_act(behind: Behind, origin: str) -> None:
    gate = Gate(behind, ["127.0.0.1"])
    for method in ("POST", "PUT", "DELETE", "PATCH"):
        assert ask(gate, "/", method, {"origin": origin}).status == 403
    assert connect(gate, headers={"origin": origin})[0]["type"] == "websocket.close"
    assert behind.came == []
    assert ask(gate, "/", "POST", {"origin": HERE}).status == 200


def test_every_answer_has_the_security_headers(gate: Gate, door: Door) -> None:
    inside, outside = ask(gate, "/", headers=paired(gate, door)), ask(gate, "/")
    for answer in (inside, outside, ask(gate, "/", headers={"host": "x"})):
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["referrer-policy"] == "same-origin"
        policy = answer.headers["content-security-policy"]
        assert "frame-ancestors 'none'" in policy
        assert "script-src 'self' 'unsafe" not in policy
    assert "default-src 'none'" in outside.headers["content-security-policy"]
    assert outside.headers["cache-control"] == "no-store"


# Photographs


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store")


class Photographs:
    """The photograph routes behind a gate for this machine only."""

    def __init__(self, store: Store) -> None:
        from starlette.applications import Starlette

        routes = photograph_routes(lambda: store, photo_edits)
        self.gate = Gate(Starlette(routes=routes), ["127.0.0.1"])
        self.identity = store.inspections.begin({}, "me").identity

    def send(self, data: bytes, name: str = "seat.jpg", **headers: str) -> Answer:
        given = {TOKEN_HEADER: upload_token(self.identity), "origin": HERE}
        given |= {key.replace("_", "-"): value for key, value in headers.items()}
        return ask(self.gate, f"/photographs/{self.identity}?name={name}", "POST", given, data)

    def fetch(self, identity: str, sha256: str) -> Answer:
        return ask(self.gate, f"/photographs/{identity}/{sha256}")


@pytest.fixture
def photographs(store: Store) -> Photographs:
    return Photographs(store)


def test_a_photograph_that_was_sent_is_in_the_inspection(
    store: Store, photographs: Photographs
) -> None:
    data = jpeg()
    answer = photographs.send(data, "IMG%200001.jpg")
    assert answer.status == 200
    sha256 = json.loads(answer.body)["sha256"]
    stored = store.inspections.get(photographs.identity)
    assert stored.document["photos"] == [{"sha256": sha256, "file": "IMG 0001.jpg"}]
    assert store.inspections.history(photographs.identity)[-1].who == "this computer"
    fetched = photographs.fetch(photographs.identity, sha256)
    assert fetched.body == data
    assert fetched.headers["content-type"] == "image/jpeg"
    assert "immutable" in fetched.headers["cache-control"]
    assert fetched.headers["content-security-policy"] == "default-src 'none'; sandbox"
    # Sent again, as a phone does whose connection broke before the answer came.
    assert photographs.send(data, "IMG%200001.jpg").status == 200
    assert store.inspections.revision(photographs.identity) == stored.revision
    titled = {f"/photos/[sha256={sha256}]/title": "upper"}
    store.inspections.change(photographs.identity, titled, stored.revision, "me")
    assert photographs.send(data, "IMG%200001.jpg").status == 200
    (photo,) = store.inspections.get(photographs.identity).document["photos"]
    assert photo["title"] == "upper"


def test_a_photograph_of_another_inspection_is_not_given_out(
    store: Store, photographs: Photographs
) -> None:
    sha256 = json.loads(photographs.send(jpeg()).body)["sha256"]
    other = store.inspections.begin({}, "me").identity
    for identity, asked in (
        (other, sha256),
        (photographs.identity, "0" * 64),
        ("..", sha256),
        (photographs.identity, "..%2f..%2ffitcheck.sqlite3"),
        ("%2e%2e", "fitcheck.sqlite3"),
    ):
        assert photographs.fetch(identity, asked).status == 404


def test_an_upload_needs_the_pages_token(store: Store, photographs: Photographs) -> None:
    other = store.inspections.begin({}, "me").identity
    for token in ("", "guessed", upload_token(other), upload_token(photographs.identity)[:-1]):
        answer = photographs.send(jpeg(), **{TOKEN_HEADER: token})
        assert answer.status == 403
        assert json.loads(answer.body)["code"] == "upload_forbidden"
    assert store.inspections.photographs(photographs.identity) == []


@pytest.mark.parametrize(
    ("data", "status", "code"),
    [
        (b"", 400, "file_empty"),
        (b"<html><script>alert(1)</script>", 415, "not_a_photo"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", 415, "not_a_photo"),
        (b"\xff\xd8\xff<script>alert(1)</script>", 400, "photo_damaged"),
        (jpeg(200, 200), 400, "photo_too_small"),
    ],
    ids=["empty", "html", "svg", "polyglot", "small"],
)
def test_what_is_no_photograph_is_not_kept(
    store: Store, photographs: Photographs, data: bytes, status: int, code: str
) -> None:
    answer = photographs.send(data)
    assert (answer.status, json.loads(answer.body)["code"]) == (status, code)
    assert json.loads(answer.body)["advice"]
    assert store.inspections.photographs(photographs.identity) == []
    assert list(store.folder.glob("incoming/*")) == []


def coded(kind: str, **options: Any) -> bytes:
    """A picture in a format."""
    buffer = io.BytesIO()
    Image.open(io.BytesIO(jpeg())).save(buffer, kind, **options)
    return buffer.getvalue()


WHOLE = {
    "JPEG": jpeg(),
    "progressive": coded("JPEG", progressive=True),
    "restarts": coded("JPEG", restart_marker_rows=4),
    "preview": coded("JPEG", exif=b"Exif\x00\x00" + coded("JPEG", quality=5)[:60_000]),
    "PNG": coded("PNG"),
    "WebP": coded("WEBP"),
    "TIFF": coded("TIFF"),
}


@pytest.mark.parametrize("kind", WHOLE)
def test_the_first_part_of_a_photograph_is_refused(
    store: Store, photographs: Photographs, kind: str
) -> None:
    whole = WHOLE[kind]
    for share in (0.3, 0.5, 0.9, 0.99):
        answer = photographs.send(whole[: int(len(whole) * share)])
        assert (answer.status, json.loads(answer.body)["code"]) == (400, "photo_damaged")
    assert store.inspections.photographs(photographs.identity) == []
    assert list(store.folder.glob("incoming/*")) == []
    assert photographs.send(whole + b"more").status == 200


def test_a_jpeg_whose_end_is_not_marked_is_taken(photographs: Photographs) -> None:
    assert jpeg().endswith(b"\xff\xd9")
    assert photographs.send(jpeg()[:-2] + bytes(2000)).status == 200


def test_the_largest_photographs_of_a_telephone_are_taken(
    store: Store, photographs: Photographs
) -> None:
    heavy = jpeg() + bytes(60 * 2**20)  # what makers append behind the picture is no matter
    assert photographs.send(heavy).status == 200
    buffer = io.BytesIO()
    Image.new("1", (12_000, 10_000)).save(buffer, "PNG")  # 120 megapixels
    assert photographs.send(buffer.getvalue()).status == 200
    sizes = [p.size_bytes for p in store.inspections.photographs(photographs.identity)]
    assert sizes == [len(heavy), len(buffer.getvalue())]


def test_an_upload_that_is_too_large_is_stopped(
    store: Store, photographs: Photographs, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = photographs.send(b"x", content_length=str(MAX_FILE_BYTES + 1))
    assert answer.status == 413
    monkeypatch.setattr(store.photographs, "_most_bytes", 100_000)  # and where it is not stated
    assert photographs.send(jpeg(1200, 900)).status == 413
    assert photographs.send(b"x", content_length="nonsense").status == 415
    assert list(store.folder.glob("incoming/*")) == []


def test_uploads_that_break_off_leave_nothing_and_keep_no_place(
    store: Store, photographs: Photographs
) -> None:
    for _ in range(2 * MOST_UPLOADS_AT_ONCE):
        path = f"/photographs/{photographs.identity}"
        headers = {TOKEN_HEADER: upload_token(photographs.identity)}
        answer = ask(photographs.gate, path, "POST", headers, jpeg(), breaks_off=True)
        assert answer.status == 408
    assert list(store.folder.glob("incoming/*")) == []
    assert photographs.send(jpeg()).status == 200


def test_an_upload_to_no_inspection_is_refused(store: Store, photographs: Photographs) -> None:
    for identity in ("0" * 32, "x", "%2e%2e"):
        headers = {TOKEN_HEADER: upload_token(identity)}
        answer = ask(photographs.gate, f"/photographs/{identity}", "POST", headers, jpeg())
        assert answer.status in (403, 404)
    store.inspections.bin(photographs.identity, "me")
    assert photographs.send(jpeg()).status == 409


def test_a_hostile_name_stays_a_name(store: Store, photographs: Photographs) -> None:
    name = "..%2f..%5c%3Cscript%3E%00%E2%80%AE=cmd%7C.jpg"
    assert photographs.send(jpeg(), name).status == 200
    (kept,) = store.inspections.photographs(photographs.identity)
    assert kept.name == "<script>=cmd|.jpg"
    assert photographs.send(jpeg(900), f"%1B%5B2J{'%C3%A9' * 3000}.jpg").status == 200
    assert photographs.send(jpeg(1000), "%07").status == 200
    photos = store.inspections.get(photographs.identity).document["photos"]
    assert [photo["file"] for photo in photos] == [kept.name, f"[2J{'é' * 197}", "photo"]
    files = [path.name for path in store.folder.rglob("*")]
    assert not any("script" in name for name in files)


# The network


def test_only_an_address_of_the_local_network_is_listened_on() -> None:
    assert lan_address("192.168.1.20") == "192.168.1.20"
    assert lan_address(" fd00::1 ") == "fd00::1"
    for public in ("8.8.8.8", "0.0.0.0", "::", "2001:4860:4860::8888"):  # noqa: S104
        with pytest.raises(BadInput, match="strangers might reach"):
            lan_address(public)
    with pytest.raises(BadInput, match="not an address"):
        lan_address("my machine")


def test_a_certificate_that_cannot_be_used_is_said_to_be(tmp_path: Path) -> None:
    (tmp_path / "no.pem").write_text("nonsense", encoding="utf-8")
    for certificate in (tmp_path / "no.pem", tmp_path / "gone.pem"):
        with pytest.raises(BadInput, match="cannot be used for HTTPS"):
            check_certificate(certificate, tmp_path / "no.pem")
