"""What the frames of a capture teach, and when they came."""

from ipaddress import IPv6Address
from math import isnan
from types import SimpleNamespace
from typing import Any

from lowpanbudget.findings.elapsed import Elapsed
from lowpanbudget.findings.surroundings import MOST_PANS, MOST_PORTS, MOST_PREFIXES, Surroundings


def at(time_ns: int | None, number: int = 1) -> Any:
    return SimpleNamespace(record=SimpleNamespace(time_ns=time_ns, number=number))


def test_seconds_count_from_the_first_frame_that_has_a_time() -> None:
    elapsed = Elapsed(Surroundings())
    assert isnan(elapsed.at(at(None)))
    assert elapsed.begin(None) == 0
    assert [elapsed.at(at(time_ns)) for time_ns in (5_000_000_000, 6_500_000_000)] == [0.0, 1.5]
    assert elapsed.begin(9_000_000_000) == 5_000_000_000
    # a clock that was put back
    assert elapsed.at(at(4_000_000_000)) == -1.0


def test_the_last_frame_and_the_pauses_are_noted() -> None:
    known = Surroundings()
    elapsed = Elapsed(known)
    for number, time_s in enumerate((100, 101, 131, 130, 133), 1):
        elapsed.at(at(time_s * 10**9, number))
    assert known.end_s == 33.0
    assert known.pauses.widest == (30.0, 31.0, 3)
    # 2 s since the third, which came later than the fourth
    assert known.pauses.widest_since(31.0) == 2.0


def test_a_capture_begins_with_a_frame_that_was_cut() -> None:
    elapsed = Elapsed(Surroundings())
    assert elapsed.begin(7_000_000_000) == 7_000_000_000
    assert elapsed.at(at(9_000_000_000)) == 2.0


def test_prefixes_are_those_of_addresses_of_one_node() -> None:
    """RFC 4291: groups begin with ff (section 2.7), and the unspecified address has no prefix (2.5.2)."""
    known = Surroundings()
    for address in ("2001:db8:1::1", "2001:db8:1:0:1::2", "ff02::1", "ff00::1", "::", "::1"):
        known.learn_prefix(IPv6Address(address))
    assert list(known.prefixes) == [0x2001_0DB8_0001_0000]
    for address in ("fe80::1", "fd00::1", "7f00::1", "1ff::1"):
        known.learn_prefix(IPv6Address(address))
    told = [0xFE80 << 48, 0xFD00 << 48, 0x7F00 << 48, 0x01FF << 48]
    assert list(known.prefixes) == [0x2001_0DB8_0001_0000, *told]


def test_what_is_learned_is_bounded() -> None:
    known = Surroundings()
    for number in range(200):
        known.learn_prefix(IPv6Address((0x20010DB8 << 96) + (number << 64)))
        known.learn_ports(
            SimpleNamespace(source_port=number, destination_port=1000 + number)  # type: ignore[arg-type]
        )
        known.learn_pan(number)
    assert (len(known.prefixes), len(known.ports), len(known.pans)) == (
        MOST_PREFIXES, MOST_PORTS, MOST_PANS,
    )  # fmt: skip
    # the last prefixes and ports, and the first PANs: one that is known is counted on
    assert list(known.ports)[-2:] == [199, 1199]
    assert list(known.pans) == list(range(MOST_PANS))
    for pan in (0, 3, 3, 199):
        known.learn_pan(pan)
    assert [known.pans.get(pan) for pan in (0, 1, 3, 199)] == [2, 1, 3, None]


def test_a_datagram_without_ports_teaches_none() -> None:
    known = Surroundings()
    known.learn_ports(None)
    assert not known.ports


def test_another_network_is_known_by_its_pan() -> None:
    known, other = Surroundings(), Surroundings()
    known.beside[0x0B0B] = other
    assert known.of(0x0B0B) is other
    assert known.of(0xABCD) is known.of(None) is known
