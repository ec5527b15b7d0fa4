"""What compiled functions read is what the engine reads: spans, values, notices, faults; they are few, and made late.

The engine is the judge here; it is judged itself against the standards' examples and a second decoder.
"""

import random
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from contract.air import KEY, mixed
from contract.test_mutations import CARRIED, ENV, FRAMES, LOWPAN, damaged
from contract.vectors import env_of, header_of, load, octets
from hypothesis import given, settings
from hypothesis import strategies as st

from lowpanbudget import Decoder, Env, Key, decode_frame
from lowpanbudget.cites import rfc
from lowpanbudget.fields import Layout, compiled
from lowpanbudget.fields.source import FunctionSource
from lowpanbudget.stack import frame as frames

KNOWN: dict[str, Any] = {"contexts": ENV.contexts, "root": ENV.root}
HEAD = header_of(b"\0\1", b"\0\2")


@contextmanager
def sightings(number: int, *, usual: bool, whole: bool = False) -> Iterator[None]:
    """Let functions be made at this sighting of a word; read usual payloads in one go, and ``whole`` frames by one."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compiled, "SIGHTINGS", number)
        if not whole:
            patch.setattr(frames, "shape_of", lambda *_: None)
        if not usual:
            patch.setattr(frames, "read_usual", lambda *_, **_known: False)
            patch.setattr(Layout, "_straight", lambda *_: None)
        yield


def told(octets: bytes, fcs: int, decoder: Decoder) -> tuple[Any, ...]:
    """Return all that a frame says."""
    frame = decoder.frame(octets, fcs)
    fault = frame.fault
    return (
        frame.spans, frame.mac, frame.payload, frame.link_source, frame.link_destination, frame.datagram,
        frame.fragment, frame.fragment_octets, frame.checksum_elided, frame.verified,
        frame.heads, frame.values, frame.free, frame.notices,
        fault and (type(fault), str(fault), fault.offset, fault.layer, fault.cite, fault.about),
    )  # fmt: skip


def functions() -> int:
    """Return how many there are; words that can have none are counted as well."""
    return sum(len(kind.functions) for kind in compiled._KINDS)


def none_made() -> int:
    return sum(made is None for kind in compiled._KINDS for made in kind.functions.values())


def seen() -> int:
    return max(len(kind.seen) for kind in compiled._KINDS)


def same(lot: list[bytes], fcs: int = 0, **known: Any) -> None:
    compiled.forget()
    decoder = Decoder(**known)
    with sightings(1 << 60, usual=False):
        expected = [told(octets, fcs, decoder) for octets in lot]
    for whole in (False, True):
        with sightings(1, usual=True, whole=whole):
            for octets, one in zip(lot, expected, strict=True):
                # a whole frame is read by one function once it was read
                for _ in range(1 + whole):
                    assert told(octets, fcs, decoder) == one, octets.hex()
        compiled.forget()


def framed(payload: bytes, env: Env) -> bytes:
    return header_of(env.source or b"\0\1", env.destination or b"\0\2", env.pan_id or 1) + payload


def test_every_payload_of_the_vectors() -> None:
    """Each in a frame of its own surroundings: link addresses, contexts, root."""
    for case in load():
        if "lowpan" in case:
            env = env_of(case)
            whole = framed(octets(case, "lowpan"), env)
            same([whole], contexts=env.contexts, root=env.root, rpi_type=env.rpi_type)


def test_every_frame_of_the_vectors() -> None:
    for fcs in (0, 2):
        same(FRAMES, fcs, keys=[Key(bytes(range(0xC0, 0xD0)))])


@pytest.mark.long
def test_every_cut() -> None:
    """Payloads of all headers there are, cut behind each octet: what is missing is told alike."""
    lot = {HEAD + payload[:end] for payload in LOWPAN for end in range(min(len(payload), 48))}
    same(sorted(lot), **KNOWN)


def test_every_cut_of_a_header() -> None:
    same([frame[:end] for frame in FRAMES[::3] for end in range(min(len(frame), 24))])


def test_traffic_of_a_network() -> None:
    lot = mixed(600)
    same(lot, 2, **KNOWN)
    same(lot, 2, keys=[bytes(16)], **KNOWN)


def test_sealed_frames_cut_and_damaged() -> None:
    """Some of each form of header: behind each octet of it, and with each bit of it turned."""
    sealed = [frame for frame in mixed(600) if frame[0] & 8][:40:8]
    assert sealed
    known = KNOWN | {"keys": [KEY]}
    same([frame[:end] for frame in sealed for end in range(len(frame) + 1)], **known)
    turned = [
        frame[:at] + bytes([frame[at] ^ 1 << bit]) + frame[at + 1 :]
        for frame in sealed[:2]
        for at in (0, 1, *range(15, 40))
        for bit in range(8)
    ]
    same(turned, **known)


def test_sealed_headers_of_any_frame_control() -> None:
    """All multipurpose ones of 2 octets, and others: type, security and version are bits 0-2, 3 (or 9), and 12-13."""
    dice = random.Random(5)
    rest = bytes.fromhex(
        "0702050000000002"
    )  # also a security control of level 5, or of level 2 in key id mode 0
    words = [0x000D | high << 4 for high in range(1 << 12)]
    words += [dice.randrange(1 << 16) | 8 for _ in range(500)]
    same([word.to_bytes(2, "little") + rest * 5 for word in words], keys=[KEY])


DAMAGED_PAYLOADS = damaged(st.sampled_from(LOWPAN + CARRIED))


@settings(max_examples=100)
@given(st.lists(DAMAGED_PAYLOADS, min_size=1, max_size=6))
def test_damaged_payloads(lot: list[bytes]) -> None:
    same([HEAD + payload for payload in lot], **KNOWN)


@settings(max_examples=100)
@given(st.binary(min_size=2, max_size=2), st.binary(max_size=60), st.booleans())
def test_any_words_before_any_octets(word: bytes, rest: bytes, iphc: bool) -> None:
    if iphc:
        word = bytes([0x60 | word[0] & 0x1F, word[1]])
    same([HEAD + word + rest, word + HEAD + rest], **KNOWN)


def test_a_function_is_made_after_several_sightings() -> None:
    compiled.forget()
    payload = bytes.fromhex("7e33 f3 12 3456") + b"abc"
    for number in range(compiled.SIGHTINGS + 3):
        decode_frame(HEAD + payload + bytes([number]), fcs=False)
        # MAC, IPHC, UDP, and one for all three
        assert functions() == (4 if number + 1 >= compiled.SIGHTINGS else 0)
    compiled.forget()
    for number in range(compiled.SIGHTINGS + 3):
        # a mesh header stands between
        decode_frame(HEAD + bytes.fromhex("b7 0001 0002") + payload, fcs=False)
        assert functions() == (3 if number + 1 >= compiled.SIGHTINGS else 0)
    assert none_made() == 0
    sealed = bytes.fromhex("49 98 01 01 00 02 00 01 00 0d 00 00 00 00 05 aa bb 11 22 33 44")
    for _ in range(compiled.SIGHTINGS):
        assert decode_frame(sealed, fcs=False).fault is None
    # with another MAC, its auxiliary header, and one for both
    assert (functions(), none_made()) == (6, 0)


def test_random_words_fill_no_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    compiled.forget()
    monkeypatch.setattr(compiled, "MOST", 20)
    most = 0
    for word in range(0x6000, 0x6040):
        for _ in range(compiled.SIGHTINGS):
            decode_frame(HEAD + word.to_bytes(2, "big") + bytes(40), fcs=False)
        most = max(most, functions())
    assert most == 20
    monkeypatch.setattr(compiled, "MOST_SEEN", 100)
    for word in range(0, 0x10000, 61):
        decode_frame(word.to_bytes(2, "big") + bytes(6), fcs=False)
    assert seen() <= 100
    compiled.forget()


def test_source_holds_no_text_of_a_layout() -> None:
    """Names of fields, meanings and cites are bound, so nothing that a design says becomes source."""
    source = FunctionSource("read", 'a layer "; raise', 0)
    value, cite = source.let("data[0]"), rfc(6282, "raise")
    source.field(1, 'a name"; raise', value, "a meaning' % \\", cite, "less if\n")
    assert "raise" not in "".join([*source.lines, *source.spans])
    assert source.function(value) is not None
