"""How fast frames are read, as ratios against a peer in the same run; goals stand beside each.

Run with ``python -m pytest tests/bench/bench_core.py -s -o python_files='bench_*.py'``.
"""

import time
from collections.abc import Callable
from typing import Any

import pytest
from construct import BitsInteger, BitStruct
from pytest_benchmark.fixture import BenchmarkFixture

from lowpanbudget import Decoder, Env, Mac, compress, decode_frame, encode_frame
from lowpanbudget.bits import Reader
from lowpanbudget.layers.lowpan import iphc

SOURCE, DESTINATION = bytes.fromhex("02005eef10000001"), bytes.fromhex("02005eef10000002")
FRAME_GOAL = 20.0  # times as fast as scapy's dissection
IPHC_GOAL = 1.0  # times as fast as construct's BitStruct of the two base octets
BASE = BitStruct(
    *(
        name / BitsInteger(width)
        for name, width in (
            ("dispatch", 3), ("tf", 2), ("nh", 1), ("hlim", 2), ("cid", 1), ("sac", 1), ("sam", 2),
            ("m", 1), ("dac", 1), ("dam", 2),
        )
    )
)  # fmt: skip


def frames() -> list[bytes]:
    """Return frames that both read rightly: no context, no security, addresses of both kinds."""
    inet6: Any = pytest.importorskip("scapy.layers.inet6")
    inet: Any = pytest.importorskip("scapy.layers.inet")
    found = []
    for source, destination, ports, data in (
        ("fe80::5eef:1000:1", "fe80::5eef:1000:2", (0xF0B1, 0xF0B2), bytes(20)),
        ("fe80::5eef:1000:1", "ff02::1a", (5683, 5683), bytes(60)),
        ("fe80::ff:fe00:7", "fe80::a:b:c:d", (0xF012, 1234), bytes(40)),
        ("2001:db8::1", "2001:db8::2", (61616, 61631), bytes(30)),
    ):
        packet = inet6.IPv6(src=source, dst=destination, hlim=64)
        packet = packet / inet.UDP(sport=ports[0], dport=ports[1]) / data
        mac = Mac(
            destination_pan=1, destination=DESTINATION, source=SOURCE, pan_id_compression=True
        )
        payload = compress(packet, Env(SOURCE, DESTINATION)).octets
        found.append(encode_frame(mac, payload).octets)
    return found


def best(function: Callable[[], object], rounds: int = 7, calls: int = 200) -> float:
    """Return the seconds of one call: the best of some rounds, so that a busy machine disturbs little."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        for _ in range(calls):
            function()
        times.append((time.perf_counter() - start) / calls)
    return min(times)


def test_a_frame_with_spans_against_scapy(benchmark: BenchmarkFixture) -> None:
    sixlowpan: Any = pytest.importorskip("scapy.layers.sixlowpan")
    dot15d4: Any = pytest.importorskip("scapy.layers.dot15d4")
    lot = frames()

    read = Decoder().frame

    def ours() -> object:
        return [read(octets) for octets in lot]

    def theirs() -> object:
        return [dot15d4.Dot15d4FCS(octets) for octets in lot]

    assert all(
        frame.datagram is not None and frame.spans for frame in [decode_frame(o) for o in lot]
    )
    before, sixlowpan.conf.dot15d4_protocol = sixlowpan.conf.dot15d4_protocol, "sixlowpan"
    try:
        benchmark(ours)
        ratio = best(theirs, calls=20) / best(ours, calls=20)
    finally:
        sixlowpan.conf.dot15d4_protocol = before
    benchmark.extra_info["times as fast as scapy"] = round(ratio, 1)
    print(f"\na decoder: {ratio:.1f} times as fast as scapy's dissection, goal {FRAME_GOAL:.0f}")
    assert ratio >= FRAME_GOAL


@pytest.mark.parametrize(
    "wire", ["7a333b", "7af7153b", "78003a400102030405060708090a0b0c0d0e0f10" + "11" * 17]
)
def test_iphc_with_spans_against_construct(benchmark: BenchmarkFixture, wire: str) -> None:
    octets = bytes.fromhex(wire)
    env = Env(SOURCE, DESTINATION, contexts={1: "2001:db8::/64", 5: "2001:db8:5::/64"})

    def ours() -> object:
        return iphc.decode(Reader(octets), env)

    def theirs() -> object:
        return BASE.parse(octets)

    benchmark(ours)
    ratio = best(theirs) / best(ours)
    benchmark.extra_info["times as fast as construct"] = round(ratio, 2)
    print(
        f"\niphc.decode: {ratio:.2f} times as fast as construct's BitStruct of its base, goal {IPHC_GOAL:.0f}"
    )
    assert ratio >= IPHC_GOAL
