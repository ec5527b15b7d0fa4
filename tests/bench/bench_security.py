"""How long link security takes beside the bare cipher; run with ``pytest tests/bench/bench_security.py``.

The path through nonce, split into open and private parts and check is to take at most 3 times the cipher's call.
"""

from timeit import timeit

from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from pytest_benchmark.fixture import BenchmarkFixture

from lowpanbudget import Key, Mac, Security, decode_frame, encode_frame
from lowpanbudget.layers.link.nonces import Devices
from lowpanbudget.layers.link.security import unseal

KEY = bytes(range(0xC0, 0xD0))
EUI = bytes.fromhex("acde480000000001")
LARGEST = 127
HEADER = Mac(
    1,
    2,
    7,
    0x4321,
    b"\xff\xff",
    None,
    EUI,
    pan_id_compression=True,
    security=Security(6, 1, 5, None, 1),
)
ROOM = LARGEST - len(encode_frame(HEADER, b"", key=KEY).octets)
FRAME = encode_frame(HEADER, bytes(ROOM), key=KEY).octets
CLEAR, SEALED = FRAME[: -2 - 8 - ROOM], FRAME[-2 - 8 - ROOM : -2]
NONCE = EUI + bytes([0, 0, 0, 5, 6])
DEVICES = Devices()


def bare() -> bytes:
    return AESCCM(KEY, tag_length=8).decrypt(NONCE, SEALED, CLEAR)


PREPARED = Key(KEY)


def path() -> bytes:
    return unseal(HEADER, CLEAR, SEALED, PREPARED, asn=None, devices=DEVICES)


def test_bare_cipher(benchmark: BenchmarkFixture) -> None:
    assert benchmark(bare) == bytes(ROOM)


def test_open_a_full_frame(benchmark: BenchmarkFixture) -> None:
    assert len(FRAME) == LARGEST
    assert benchmark(path) == bytes(ROOM)


def test_whole_frame_with_spans(benchmark: BenchmarkFixture) -> None:
    frame = benchmark(decode_frame, FRAME, keys=PREPARED)
    assert frame.verified


def test_path_is_at_most_three_times_the_cipher() -> None:
    """The bare call is what a user of the library writes for one frame: a cipher from the key, and ``decrypt``."""
    rounds = [(timeit(bare, number=500), timeit(path, number=500)) for _ in range(40)]
    alone, whole = (min(column) for column in zip(*rounds, strict=True))
    print(f"{whole / alone:.2f} times the bare call of {alone * 2000:.2f} µs")  # the result
    assert whole / alone <= 3
