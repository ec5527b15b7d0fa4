"""How long generic header compression takes; run with ``pytest tests/bench/bench_ghc.py``."""

import random
import tomllib
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from lowpanbudget.layers.lowpan import ghc

FIGURES = {
    case["source"]: case
    for case in tomllib.loads(
        (Path(__file__).parents[2] / "vectors/rfc7400/appendix-a.toml").read_text()
    )["case"]
}
ADVERTISEMENT = FIGURES["RFC 7400 appendix A figure 14"]
DICTIONARY = ghc.dictionary(
    bytes.fromhex(ADVERTISEMENT["source_address"]),
    bytes.fromhex(ADVERTISEMENT["destination_address"]),
)
HEADERS = bytes.fromhex(ADVERTISEMENT["octets"])

# 100 octets each: a router advertisement with four octets more, octets without any repetition,
# and the worst cases for the search
PAYLOADS = {
    "headers": HEADERS + bytes.fromhex("19 03 00 00"),
    "no repetition": bytes(1 + 89 * i % 251 for i in range(100)),
    "one octet repeated": b"\xff" * 100,
    "zeros": bytes(100),
}


@pytest.mark.parametrize("name", PAYLOADS)
def test_compress_100_octets(benchmark: BenchmarkFixture, name: str) -> None:
    code = benchmark(ghc.compress, PAYLOADS[name], DICTIONARY)
    assert ghc.decompress(code, DICTIONARY).octets == PAYLOADS[name]


@pytest.mark.parametrize("repeated", [True, False])
def test_compress_a_full_ipv6_mtu(benchmark: BenchmarkFixture, *, repeated: bool) -> None:
    mixed = b"".join(
        bytes.fromhex(case["octets"]) + random.Random(7).randbytes(70) for case in FIGURES.values()
    )
    octets = (HEADERS + PAYLOADS["no repetition"]) * 6 if repeated else mixed
    code = benchmark(ghc.compress, octets, DICTIONARY)
    assert ghc.decompress(code, DICTIONARY).octets == octets


def test_compress_the_worst_case(benchmark: BenchmarkFixture) -> None:
    code = benchmark(ghc.compress, b"\xff" * ghc.LARGEST, DICTIONARY)
    assert len(code) < ghc.LARGEST / 8


def test_decompress(benchmark: BenchmarkFixture) -> None:
    code = bytes.fromhex(ADVERTISEMENT["code"])
    assert benchmark(ghc.decompress, code, DICTIONARY).octets == HEADERS
