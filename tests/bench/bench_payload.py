"""Packing against construct for the same 12-field layout, and the search for a smaller message.

Run on demand: python -m pytest tests/bench -o python_files='bench_*.py'. Ratios count, not times.
"""

import time
from collections.abc import Callable
from decimal import Decimal
from functools import partial

from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.shrink import shrink

RANGES = [(0, 4095), (-2048, 2047), (0, 1023), (0, 15), (0, 255), (-128, 127)] * 2


def twelve(layout: str) -> Message:
    fields = tuple(
        Number(f"f{index}", min=Decimal(low), max=Decimal(high), coding="twos-complement" if low else "offset")
        for index, (low, high) in enumerate(RANGES)
    )  # fmt: skip
    return Message("bench", fields, byte_order="big", bit_order="msb-first", layout=layout)


def seconds(run: Callable[[], object], count: int = 3000) -> float:
    best = float("inf")
    for _ in range(5):
        start = time.perf_counter()
        for _ in range(count):
            run()
        best = min(best, time.perf_counter() - start)
    return best / count


def test_pack_and_unpack_take_no_longer_than_construct() -> None:
    for layout in ("bit-packed", "octet-aligned"):
        message = twelve(layout)
        values = message.example("typical")
        octets = message.pack(values)
        peer = message.to_construct()
        assert peer.build(peer.parse(octets)) == octets
        parsed = peer.parse(octets)
        pack = seconds(partial(message.pack, values)) / seconds(partial(peer.build, parsed))
        unpack = seconds(partial(message.unpack, octets)) / seconds(partial(peer.parse, octets))
        print(f"{layout}: pack {pack:.2f}, unpack {unpack:.2f} of construct's time")
        assert pack <= 1
        assert unpack <= 1


def test_a_thousand_candidates_within_a_second() -> None:
    fields = tuple(
        Number(
            f"f{i}", min=Decimal(0), max=Decimal(10000), step=Decimal("0.01"), tolerance=Decimal(50)
        )
        for i in range(12)
    )
    message = Message("wide", fields, byte_order="big", bit_order="msb-first", layout="bit-packed")
    counted = 0

    def measure(candidate: Message) -> int:
        nonlocal counted
        counted += 1
        return -(-candidate.widest_bits // 8)

    start = time.perf_counter()
    front = shrink(message, measure)
    took = time.perf_counter() - start
    print(f"{counted} candidates in {took:.3f} s, {len(front)} on the front")
    assert took / counted <= 1 / 1000
