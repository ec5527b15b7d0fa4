"""What decoding keeps and how much it does: objects, octets and calls are counted, no clock is asked."""

import gc
import random
import tracemalloc
from collections.abc import Callable

import pytest
from work import calls

from lowpanbudget import Env, WireError, decode_frame, decompress
from lowpanbudget.bits import Reader
from lowpanbudget.cites import Cite
from lowpanbudget.fields import KEPT, Bits, Header
from lowpanbudget.layers.link.control import shape
from lowpanbudget.stack.decoder import Decoder, decode_datagram
from lowpanbudget.stack.frame import decode_lowpan

KEY = bytes(range(0xC0, 0xD0))
HEAD = bytes.fromhex("4188 01 cdab 0200 0100")
FAULTS = {
    "no frame control": b"\x41",
    "a reserved frame type": bytes.fromhex("0400 01"),
    "a header information element cut short": bytes.fromhex("01aa 01 cdab 0200 0100 0500 11"),
    "a wrong integrity code": bytes.fromhex(
        "49dc 01 cdab 0807060504030201 1817161514131211 0501000000"
    )
    + bytes(20),
    "a reserved dispatch": HEAD + b"\x45",
    "an unknown context": HEAD + bytes.fromhex("7acc 55 3b"),
    "a message that cannot be read": HEAD + bytes.fromhex("7e33 f0 1633 f0b0 1234 49 01"),
}


def garbage_of(work: Callable[[], object]) -> int:
    """Return how many objects only the collector of garbage could free."""
    work()  # what is loaded or remembered at first use is no garbage
    gc.freeze()  # nor is what is there now: it is not looked through
    gc.disable()
    try:
        for _ in range(3):
            work()
        return gc.collect()
    finally:
        gc.enable()


@pytest.mark.parametrize("octets", FAULTS.values(), ids=FAULTS)
def test_a_frame_with_a_fault_is_freed_at_once(octets: bytes) -> None:
    frame = decode_frame(octets, fcs=False, keys=KEY)
    assert frame.fault is not None or any(n.name == "payload-unreadable" for n in frame.notices)
    del frame
    assert garbage_of(lambda: decode_frame(octets, fcs=False, keys=KEY)) == 0


def test_payloads_and_packets_with_faults_are_freed_at_once() -> None:
    assert decode_lowpan(b"\x45", Env()).fault is not None
    assert garbage_of(lambda: decode_lowpan(b"\x45", Env())) == 0
    assert decode_datagram(b"\x60").fault is not None
    assert garbage_of(lambda: decode_datagram(b"\x60")) == 0


def test_a_kept_error_keeps_nothing_else() -> None:
    try:
        try:
            HEAD.index(b"no such octets")
        except ValueError:
            decompress(b"", Env())
    except WireError as error:
        kept = error.bare()
    assert [kept.__traceback__, kept.__context__, kept.__cause__] == [None, None, None]
    assert str(kept)


@pytest.mark.long
def test_random_frames_fill_no_memory() -> None:
    """Every 7th of the 65536 frame controls, octets at random behind it: memory grows by no more than the bounds."""
    draw = random.Random(7)
    frames = [
        control.to_bytes(2, "little") + draw.randbytes(draw.randrange(60))
        for control in range(0, 1 << 16, 7)
    ]
    decoder = Decoder(keys=KEY)
    for octets in frames[::100]:
        decoder.frame(octets, fcs=False, asn=5)
    gc.collect()
    tracemalloc.start()
    try:
        for octets in frames:
            decoder.frame(octets, fcs=False, asn=5)
        grown = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    assert grown < KEPT.most_octets + (1 << 20)
    assert shape.cache_info().currsize <= 256


def test_what_headers_remember_is_bounded_together() -> None:
    """Ten tables of 16 bits, each word read once: what is forgotten is read again the same."""
    headers = [Header(f"h{n}", Cite("a test"), (Bits("x", 4), Bits("y", 12))) for n in range(10)]
    readings = []
    for header in headers:
        for word in range(1000):
            values, _ = header.read(Reader(word.to_bytes(2, "big")))
            assert values == {"x": 0, "y": word}
            readings.append((KEPT.number, KEPT.octets))
    assert max(number for number, _ in readings) <= KEPT.most
    assert max(octets for _, octets in readings) <= KEPT.most_octets
    assert sum(len(header._plans) for header in headers) <= KEPT.number
    assert len(readings) > KEPT.most  # so that something was forgotten


def test_plans_count_at_least_the_memory_they_take() -> None:
    header = Header(
        "h", Cite("a test"), (Bits("x", 4, lambda value: f"{value} of 16"), Bits("y", 12))
    )
    words = [Reader(word.to_bytes(2, "big")) for word in range(0, 1 << 16, 257)]
    KEPT.forget()  # else the bound may be reached while these are counted
    before = KEPT.octets
    gc.collect()
    tracemalloc.start()
    try:
        for reader in words:
            header.read(reader)
            reader.spans.clear()
        taken = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    assert len(header._plans) == len(words)
    # the readers' emptied lists and the dictionary's own table come on top
    assert KEPT.octets - before > 0.75 * taken


# Pieces that may come again and again in one payload, behind what they need in front
REPEATED = {
    "CoAP options": (bytes.fromhex("7e33 f0 1633 f0b0 1234 40 01 0001"), b"\x11\x61"),
    "byte code": (bytes.fromhex("7e33 d0 1234 1633 f0b0"), b"\x01\x61"),
    "neighbour discovery options": (bytes.fromhex("7a33 3a 8500 1234 00000000"), b"\x63\x01" + bytes(6)),
    "DTLS records": (bytes.fromhex("7e33 f0 1634 f0b0 1234"), bytes.fromhex("15fefd 0000 000000000001 0002 0100")),
    "6LoRH headers": (bytes.fromhex("f1"), bytes.fromhex("a1 1e 00")),
}  # fmt: skip


@pytest.mark.parametrize("name", REPEATED)
def test_work_grows_with_the_octets_alone(name: str) -> None:
    """Twice the pieces cost twice the calls, not four times."""
    lead, piece = REPEATED[name]
    few, some, many = (_calls(lead + piece * count) for count in (16, 64, 128))
    assert few <= some <= many
    assert many - some <= 1.5 * 64 / 48 * (some - few) + 100


def _calls(octets: bytes) -> int:
    env = Env("0001", "0002", 0xABCD)
    decode_lowpan(octets, env)  # loads what is loaded at first use
    return calls(lambda: decode_lowpan(octets, env))
