"""Codes are good once and for a while; guessing them is hopeless; sessions end."""

from __future__ import annotations

import io

import pytest

from fitcheck.access.announcing import Announcer
from fitcheck.access.pairing import (
    ALL_WRONG_BEFORE_LOCK,
    CODE_LIFETIME_S,
    LETTERS,
    LOCK_S,
    MOST_ADDRESSES,
    MOST_CODES,
    MOST_SESSIONS,
    SESSION_LIFETIME_S,
    WRONG_BEFORE_LOCK,
    Door,
    NotPaired,
    readable,
)

PHONE, STRANGER = "192.168.1.7", "192.168.1.66"


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def door(clock: Clock) -> Door:
    return Door(clock)


def refused(door: Door, code: str, address: str = PHONE) -> str:
    with pytest.raises(NotPaired) as error:
        door.pair(code, address)
    assert error.value.advice
    return error.value.code


def test_a_code_pairs_one_device_once(door: Door) -> None:
    code = door.new_code()
    session = door.session(door.pair(code, PHONE, "Ada’s phone\n\x1b"))
    assert session is not None
    assert session.device == "Ada’s phone"
    assert refused(door, code) == "wrong_code"
    assert not door.is_waiting(code)


def test_codes_are_random_and_long(door: Door) -> None:
    codes = {door.new_code() for _ in range(1000)}
    assert len(codes) == 1000
    assert all(len(code) == 10 and set(code) <= set(LETTERS) for code in codes)
    assert len(LETTERS) == 32  # 50 bits


@pytest.mark.parametrize(
    "typed",
    [
        lambda code: code.lower(),
        readable,
        lambda code: f" {code[:3]} {code[3:]}\n",
        lambda code: code.replace("0", "o").replace("1", "l"),
    ],
)
def test_how_a_code_is_typed_does_not_matter(door: Door, typed) -> None:  # type: ignore[no-untyped-def]
    for _ in range(20):
        assert door.pair(typed(door.new_code()), PHONE)


def test_a_code_runs_out(door: Door, clock: Clock) -> None:
    code = door.new_code()
    clock.now += CODE_LIFETIME_S - 1
    assert door.is_waiting(code)
    clock.now += 1
    assert not door.is_waiting(code)
    assert refused(door, code) == "wrong_code"


def test_only_the_last_codes_wait(door: Door) -> None:
    codes = [door.new_code() for _ in range(MOST_CODES + 1)]
    assert refused(door, codes[0]) == "wrong_code"
    assert all(door.pair(code, PHONE) for code in codes[1:])


def test_twenty_wrong_codes_lock_out_for_a_while(door: Door, clock: Clock) -> None:
    code = door.new_code()
    for _ in range(WRONG_BEFORE_LOCK):
        assert refused(door, "WRONG", STRANGER) == "wrong_code"
    assert WRONG_BEFORE_LOCK == 20
    assert refused(door, code, STRANGER) == "locked_out"  # a right one is not taken either
    clock.now += LOCK_S - 1
    assert refused(door, door.new_code(), STRANGER) == "locked_out"
    clock.now += 1
    assert door.pair(door.new_code(), STRANGER)


def test_others_are_not_locked_out_with_a_stranger(door: Door) -> None:
    for _ in range(WRONG_BEFORE_LOCK):
        refused(door, "WRONG", STRANGER)
    assert door.pair(door.new_code(), PHONE)


@pytest.mark.parametrize(
    "addresses",
    [
        [f"2001:db8:1:2::{n:x}" for n in range(WRONG_BEFORE_LOCK)],  # one network's
        ["fe80::1%eth0"] * WRONG_BEFORE_LOCK,
        ["not an address"] * WRONG_BEFORE_LOCK,
        [""] * WRONG_BEFORE_LOCK,
    ],
)
def test_many_addresses_of_one_machine_count_as_one(door: Door, addresses: list[str]) -> None:
    for address in addresses:
        assert refused(door, "WRONG", address) == "wrong_code"
    assert refused(door, door.new_code(), addresses[0]) == "locked_out"


def test_many_strangers_lock_the_door_but_not_those_inside(door: Door, clock: Clock) -> None:
    inside = door.pair(door.new_code(), PHONE)
    for n in range(ALL_WRONG_BEFORE_LOCK):
        assert refused(door, "WRONG", f"10.0.{n}.1") == "wrong_code"
    assert refused(door, door.new_code(), "10.1.0.1") == "locked_out"
    assert door.session(inside)
    clock.now += LOCK_S
    assert door.pair(door.new_code(), "10.1.0.1")


def test_a_few_wrong_codes_now_and_then_are_forgiven(door: Door, clock: Clock) -> None:
    for _ in range(5 * WRONG_BEFORE_LOCK):
        assert refused(door, "WRONG") == "wrong_code"
        clock.now += 2 * LOCK_S / WRONG_BEFORE_LOCK
    assert door.pair(door.new_code(), PHONE)


def test_memory_is_bounded(door: Door, clock: Clock) -> None:
    for n in range(MOST_ADDRESSES + 500):
        refused(door, "WRONG" * 1000, f"10.{n >> 8}.{n & 255}.1")
        clock.now += LOCK_S
    assert len(door._tries) == MOST_ADDRESSES
    for _ in range(MOST_SESSIONS + 5):
        door.pair(door.new_code(), PHONE)
    assert len(door._sessions) == MOST_SESSIONS


@pytest.mark.parametrize("typed", ["", "\x00", "\ud800", "é" * 10, "-" * 10_000, "' OR 1=1 --"])
def test_nonsense_is_a_wrong_code(door: Door, typed: str) -> None:
    door.new_code()
    assert refused(door, typed) == "wrong_code"


def test_sessions_end_by_themselves_and_when_asked(door: Door, clock: Clock) -> None:
    one, other = (door.pair(door.new_code(), PHONE) for _ in range(2))
    assert one != other
    assert door.session("") is None
    assert door.session("\ud800") is None
    assert door.session(one[:-1]) is None
    door.end(one)
    assert door.session(one) is None
    clock.now += SESSION_LIFETIME_S - 1
    assert door.session(other) is not None
    clock.now += 1
    assert door.session(other) is None


def test_a_code_is_announced_and_another_when_it_was_used(door: Door, clock: Clock) -> None:
    terminal = io.StringIO()
    announcer = Announcer(door, "http://192.168.1.20:8501", terminal)
    announcer.announce()
    announcer.announce()
    assert terminal.getvalue().count("type ") == 1
    code = terminal.getvalue().split("type ")[1][:11]
    assert "█" in terminal.getvalue() or "▀" in terminal.getvalue()
    assert door.pair(code, PHONE)
    announcer.announce()
    assert terminal.getvalue().count("type ") == 2
    announcer.announce()
    clock.now += CODE_LIFETIME_S
    announcer.announce()
    assert terminal.getvalue().count("type ") == 3


def test_a_terminal_without_blocks_gets_words(door: Door) -> None:
    terminal = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    Announcer(door, "http://192.168.1.20:8501", terminal).announce()
    terminal.seek(0)
    assert "open http://192.168.1.20:8501" in terminal.read()
