"""Compressed headers of other senders are written as they came, though RFC 6282 has shorter forms for the same."""

import copy
import pickle
from dataclasses import replace
from ipaddress import IPv6Address
from random import Random
from typing import Any

import pytest
from contract import air
from contract.vectors import Case, env_of, load, named, octets
from trust import packets

from lowpanbudget import (
    CodedOctets,
    Decoder,
    ExtensionNhc,
    Frame,
    Iphc,
    Legacy,
    RequestError,
    UdpNhc,
    write_header,
)

KINDS = (Iphc, UdpNhc, ExtensionNhc, Legacy)
NODE, ROOT = air.eui(1), air.eui(2)
CONTEXTS = {0: "2001:db8::/64", 3: "2001:db8:3::/96", 5: "2001:db8:5::/128"}


def compressed(frame: Frame) -> list[tuple[Any, bytes]]:
    """Return the compressed headers of a frame, each with the octets that it was read from.

    What byte code (RFC 7400) stands for has no octets of its own.
    """
    coded = [span.offset_bits // 8 for span in frame.spans if isinstance(span.value, CodedOctets)]
    return [
        (head.value, frame.octets[head.start : head.end])
        for head in frame.heads
        if isinstance(head.value, KINDS) and head.start not in coded
    ]


def read(text: str) -> Any:
    """Return the compressed headers of a payload between two nodes, each with its octets."""
    frame = Decoder(contexts=CONTEXTS).lowpan(bytes.fromhex(text), NODE, ROOT)
    assert frame.fault is None
    return compressed(frame)


@pytest.mark.parametrize("name", packets.KINDS)
def test_every_header_that_is_read_is_written_as_it_was(name: str) -> None:
    """Payloads along the figures of RFC 6282, 4944, 7400 and 8138 with bits of all kinds; half of them are damaged."""
    rng = Random(name)
    for _ in range(60):
        made = packets.KINDS[name](rng)
        payload, around = packets.damaged(rng, made) if rng.random() < 0.5 else made
        decoder = Decoder(dict(around.prefixes), root=around.root, rpi_type=around.rpi_type)
        for header, sent in compressed(decoder.lowpan(payload, around.source, around.destination)):
            assert write_header(header) == sent, (payload.hex(), header)
            assert write_header(copy.deepcopy(header)) == sent
            assert write_header(pickle.loads(pickle.dumps(header))) == sent


VECTORS = [
    case
    for case in load("rfc4944", "rfc4944-hc1", "rfc6282", "rfc7400", "rfc8025", "rfc8138")
    if "lowpan" in case
]


@pytest.mark.parametrize("case", named(VECTORS))
def test_every_header_of_the_vectors_is_written_as_it_was(case: Case) -> None:
    payload, env = octets(case, "lowpan"), env_of(case)
    decoder = Decoder(env.contexts, root=env.root, rpi_type=env.rpi_type)
    for header, sent in compressed(decoder.lowpan(payload, env.source, env.destination)):
        assert write_header(header) == sent


@pytest.mark.parametrize(
    "text",
    [
        "6033 0af12345 3b 07",  # RFC 6282 section 3.2.1: four bits of pad are set
        "6a33 f02345 3b",  # two of them
        "7b33 3b",  # hop limit 255 by HLIM, and all else elided
        "78b3 5a 3b 40",  # context identifiers that nothing uses (section 3.1.2); hop limit 64 in line
        "7ad3 30 3b ffffffff 11223344",  # "Bits covered by context information are always used" (section 3.1.1)
        "7af5 35 3b 7654321087654321",  # the same of 128 bits, of which none is left
        "7a00 3b" + "fe80" + 28 * "0" + "fe80" + 26 * "0" + "01",  # 128 bits that need none
        "7e33 e7 06 0104 00000000 f0 f0b1 f0b2 0000",  # a pad that could have been left out (section 4.2)
        "7e33 e1 00 f0 f0b1 f0b2 0000",  # nothing but a pad
        "7e33 ef 7a33 3b",  # EID 7: "the NH bit ... MUST be set to zero"
        "7e33 f0 f0b1 f0b2 0000",  # ports that four bits each would do for
    ],
)
def test_forms_that_need_not_be_come_back(text: str) -> None:
    frame = Decoder(contexts=CONTEXTS).lowpan(bytes.fromhex(text), NODE, ROOT)
    assert frame.fault is None, frame.fault
    found = compressed(frame)
    assert found
    assert b"".join(write_header(header) for header, _ in found) == frame.octets


def test_what_is_changed_goes_into_the_same_form_where_that_can_carry_it() -> None:
    """RFC 6282 section 3.1.1: by the bits of the word."""
    [(header, _)] = read("6033 0af12345 3b 07")
    other = replace(header.header, hop_limit=9, next_header=58)
    assert write_header(replace(header, header=other)) == bytes.fromhex("6033 0af12345 3a 09")
    other = replace(header.header, flow_label=1)  # its pad is of what was read
    assert write_header(replace(header, header=other)) == bytes.fromhex("6033 0a000001 3b 07")
    [(header, _)] = read("7a11 3b 1122334455667788 99aabbccddeeff00")
    other = replace(header.header, source=IPv6Address("fe80::7"))
    wanted = bytes.fromhex("7a11 3b 0000000000000007 99aabbccddeeff00")
    assert write_header(replace(header, header=other)) == wanted
    (_, _), (udp, sent) = read("7e33 f0 f0b1 f0b2 abcd")
    assert sent == bytes.fromhex("f0 f0b1 f0b2 abcd")
    assert write_header(replace(udp, checksum=1)) == bytes.fromhex("f0 f0b1 f0b2 0001")
    (_, _), (options, _), _ = read("7e33 e7 06 0104 00000000 f0 f0b1 f0b2 abcd")
    # section 4.2: one PadN is left out, of two the last one
    other = replace(options, octets=bytes.fromhex("00 00 0100 0102 0000"))
    assert write_header(other) == bytes.fromhex("e7 02 0100")


@pytest.mark.parametrize(
    ("text", "changed", "said"),
    [
        (
            "7a33 3b",
            {"hop_limit": 9},
            r"hop limit form \(HLIM\) 10 cannot carry 9: the hop limit is 64",
        ),
        (
            "7a33 3b",
            {"source": IPv6Address("fe80::9")},
            "source address leans on a link address: no other",
        ),
        (
            "7ad3 30 3b 00000000 11223344",
            {"source": IPv6Address("::9")},
            "leans on a context: no other",
        ),
        (
            "7a77 3b",
            {"destination": IPv6Address("::9")},
            "leans on a context and a link address: no other",
        ),
        (
            "7a11 3b" + 32 * "1",
            {"source": IPv6Address("2001:db8::1")},
            "prefix is fe80::/64; 64 bits in line",
        ),
        ("7a33 3b", {"traffic_class": 4}, "traffic class and flow label are zero"),
    ],
)
def test_what_the_form_has_no_place_for_is_refused(text: str, changed: Any, said: str) -> None:
    [(header, _)] = read(text)
    with pytest.raises(RequestError, match=said) as told:
        write_header(replace(header, header=replace(header.header, **changed)))
    assert told.value.cite is not None
    assert "compress" in told.value.hint


def test_other_headers_that_have_no_form_are_refused() -> None:
    (_, _), (udp, _) = read("7e33 f3 12 abcd")
    with pytest.raises(
        RequestError, match=r"port form \(P\) 11 cannot carry .*both ports are in 0xf0b0"
    ):
        write_header(replace(udp, source_port=7))
    with pytest.raises(RequestError, match="checksum form"):
        write_header(replace(udp, checksum=None))
    (_, _), (options, _), _ = read("7e33 e7 06 0104 00000000 f0 f0b1 f0b2 abcd")
    with pytest.raises(RequestError, match="no compressed form that gives them back"):
        write_header(replace(options, octets=options.octets[:5]))
    with pytest.raises(RequestError, match="no compressed form that gives them back"):
        write_header(replace(options, next_header=17))  # the octets say 0
    with pytest.raises(RequestError, match="no compressed form that gives them back"):
        write_header(ExtensionNhc(41, b"\0", None))  # an IPv6 header's stand behind
    assert write_header(ExtensionNhc(41, b"", None)) == b"\xee"  # RFC 6282 section 4.2, EID 7
    with pytest.raises(RequestError, match="has no LOWPAN_NHC"):
        write_header(replace(options, kind=6))
    with pytest.raises(RequestError, match=r"byte code .* leans on addresses"):
        write_header(replace(options, generic=True))
    [(legacy, _)] = read("42 fb e0 40 12 b3ab 3132")
    with pytest.raises(RequestError, match="HC1 is written as it was read alone"):
        write_header(replace(legacy, header=replace(legacy.header, hop_limit=1)))
