"""For how long addresses of a prefix are valid (RFC 4862 section 5.5.3), and who may use it longer."""

import struct
from ipaddress import IPv6Address

import pytest
from findings.air import PREFIX, ROOT, Capture
from findings.cases_lifetimes import DAY_S, FOR_EVER, RELAY, announced, at_hand, prefix_option, sent
from findings.judge import about

A_FLAG = 0x40


def option(
    valid_s: int,
    *,
    flags: int = A_FLAG,
    length: int = 64,
    preferred_s: int | None = None,
    prefix: str = PREFIX,
) -> bytes:
    """RFC 4861 section 4.6.2."""
    preferred_s = min(valid_s, 60) if preferred_s is None else preferred_s
    lifetimes = struct.pack(">IIxxxx", valid_s, preferred_s)
    return bytes([3, 4, length, flags]) + lifetimes + IPv6Address(prefix).packed


def causes(options: list[tuple[float, bytes]], used_s: float) -> list[str]:
    """What is said of a node that sends in time, and then once more; behind it the router is heard."""
    frames = [announced(at, number, one) for number, (at, one) in enumerate(options, 1)]
    last = options[-1][0]
    number = len(frames) + 1
    # somebody is heard all the time
    times = [*(last + 1 + 1000.0 * n for n in range(int(used_s - last - 1) // 1000 + 1)), used_s]
    frames += [sent(at, n) for n, at in enumerate(times, 1)]
    frames += [at_hand(used_s + 1, number, ROOT)]
    return [one.cause for one in about("prefix-used-too-late", Capture(list(frames)).followed())]


def test_the_option_is_the_one_of_the_cases() -> None:
    assert option(120) == prefix_option(valid_s=120)


@pytest.mark.parametrize(
    ("lifetimes", "valid_s"),
    [
        # e) 1: "greater than 2 hours or greater than RemainingLifetime"
        (((1.0, 120), (101.0, 600)), 600),
        (((1.0, DAY_S), (11.0, 8000)), 8000),
        # e) 2: "If RemainingLifetime is less than or equal to 2 hours, ignore": what was granted first ends
        (((1.0, 3600), (11.0, 120)), 3600 - 10),
        # e) 3: "Otherwise, reset the valid lifetime ... to 2 hours"
        (((1.0, DAY_S), (11.0, 120)), 7200),
        (((1.0, FOR_EVER), (11.0, 120)), 7200),
    ],
)
def test_two_hours_are_left_at_least(
    lifetimes: tuple[tuple[float, int], ...], valid_s: int
) -> None:
    options = [(at, option(seconds)) for at, seconds in lifetimes]
    end_s = options[-1][0] + valid_s
    assert causes(options, end_s - 1) == []
    (cause,) = causes(options, end_s + 3)
    granted = valid_s + 10 if valid_s == 3590 else valid_s
    assert cause == f"addresses of 2001:db8:1::/64 are used, which was valid for {granted} s"


@pytest.mark.parametrize(
    "other",
    [
        option(DAY_S, flags=0),  # a) "If the Autonomous flag is not set, silently ignore"
        # c) "If the preferred lifetime is greater than the valid lifetime, silently ignore"
        option(DAY_S, preferred_s=DAY_S + 1),
        option(DAY_S, length=48),  # d) "does not equal 128 bits": 48 and an identifier of 64
    ],
)
def test_an_option_that_makes_no_addresses_says_nothing_of_them(other: bytes) -> None:
    assert causes([(1.0, option(120)), (2.0, other)], 130.0)
    # with a valid lifetime of 120 s and, where it is the longer one, a preferred lifetime of 121 s
    preferred_s = 121 if other[8:12] > other[4:8] else 60
    short = other[:4] + struct.pack(">II", 120, preferred_s) + other[12:]
    assert causes([(1.0, short)], 130.0) == []


def test_equal_lifetimes_are_right() -> None:
    assert causes([(1.0, option(120, preferred_s=120))], 130.0)


def test_addresses_of_the_link_have_no_end() -> None:
    """b) "If the prefix is the link-local prefix, silently ignore"."""
    frames = [announced(1.0, 1, option(120, prefix="fe80::")), at_hand(2.0, 1), at_hand(130.0, 2)]
    capture = Capture([*frames, at_hand(131.0, 2, ROOT)])
    assert not about("prefix-used-too-late", capture.followed())


def test_a_router_that_announces_it_may_have_its_address_from_elsewhere() -> None:
    frames = [announced(1.0, 1, option(120)), announced(2.0, 1, option(120), router=RELAY)]
    used = [sent(3.0, 2, (RELAY, ROOT)), sent(130.0, 3, (RELAY, ROOT)), at_hand(131.0, 2, ROOT)]
    assert not about("prefix-used-too-late", Capture([*frames, *used]).followed())
