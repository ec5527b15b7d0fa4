"""The first inputs of each entry, taken from the vectors; ``corpus/`` holds what was learned beyond them."""

import json
import random
import re
from collections.abc import Callable, Iterator
from functools import cache
from io import BytesIO
from itertools import islice
from pathlib import Path
from typing import Any

from fuzz.design_files import bases
from fuzz.messages import MESSAGES
from vector_files import document

from lowpanbudget import read_capture, write_pcap
from lowpanbudget.payload.codec.nodes import Case

VECTORS = Path(__file__).parents[2] / "vectors"
EXAMPLES = VECTORS.with_name("examples")
CORPUS = Path(__file__).with_name("corpus")


@cache
def cases() -> tuple[tuple[str, dict[str, Any]], ...]:
    return tuple(
        (path.parent.name, {**whole, **case})
        for path in sorted(VECTORS.rglob("*.toml"))
        for whole in [document(path)]
        for case in whole.get("case", [])
    )


@cache
def hexes(key: str, folders: str = "") -> tuple[bytes, ...]:
    return tuple(
        bytes.fromhex(case[key])
        for folder, case in cases()
        if isinstance(case.get(key), str) and folder.startswith(folders)
    )


@cache
def payloads() -> tuple[bytes, ...]:
    """6LoWPAN payloads, and messages behind the shortest heads there are: 7a33 3a, and 7e33 with ports in line."""
    return (
        *hexes("lowpan"),
        *(b"\x7a\x33\x3a" + octets for octets in hexes("message")),
        *(bytes.fromhex("7e33 f0 1633 f0b0 1234") + octets for octets in hexes("wire", "rfc7")),
        *(
            bytes.fromhex("7e33 f0 1634 f0b0 1234") + octets
            for folder in ("rfc6347", "rfc9147")
            for octets in hexes("wire", folder)
        ),
        *(bytes.fromhex("7e33 df") + octets for octets in hexes("code", "rfc7400")),
    )


def parts() -> list[list[bytes]]:
    return [
        [bytes.fromhex(part) for part in c["fragments"]] for _, c in cases() if "fragments" in c
    ]


def record(lead: int, octets: bytes) -> bytes:
    return bytes([lead, len(octets)]) + octets[:255]


def coap() -> list[bytes]:
    return [*hexes("message"), *hexes("wire", "rfc7252"), *hexes("wire", "rfc7959")]


def records_of_dtls() -> list[bytes]:
    return [*hexes("wire", "rfc6347"), *hexes("wire", "rfc9147")]


PACKS = (
    b'[{"bn":"urn:dev:ow:10e2073a01080063:","bt":1.320067464e+09,"bu":"%RH","v":21.2},{"t":10,"v":21.3}]',
    b'[{"n":"a","vb":true},{"n":"b","vs":"on"},{"n":"c","vd":"aGkgCg"},{"n":"d","s":5,"ut":60}]',
    bytes.fromhex("82a3216162220b02fb3ff0000000000000a300617806fb40000000000000000401"),
)  # the shapes of RFC 8428 sections 5.1 and 6, values invented

APPLICATIONS: dict[str, Callable[[], list[bytes]]] = {
    "CoAP": coap,
    "DTLS records": lambda: [b"\0" + octets for octets in records_of_dtls()],
    "DTLS sealed": lambda: [
        bytes([number, number, 0, 1, 0, 0, 0, 0, 0, 9, 0, number & 1, 0]) + b"content"
        for number in range(24)
    ],
    "OSCORE": lambda: [
        *(bytes([0, 0, 0, 0, 9, flags, 0, 0]) + octets for octets in coap() for flags in (0, 2)),
        *(bytes([0, 0, 0, 0, 9, 1, 0, 0]) + octets for octets in hexes("wire", "rfc8613")),
    ],
    "byte code": lambda: [
        *(b"\2" + octets for octets in hexes("code", "rfc7400")),
        *(b"\1" + octets[:100] for octets in coap()),
    ],
    "SenML": lambda: [(b"\0" if octets[:1] == b"[" else b"\xff") + octets for octets in PACKS],
}


CAPTURES = frozenset(
    f"capture {done}"
    for done in ("file", "followed", "audited", "surveyed", "expanded", "shrunk", "measured")
)


def captures() -> list[bytes]:
    """Captures as ``capture_files`` makes them: a few frames of the vectors each, and the examples' first frames."""
    some = [octets for octets in payloads() if len(octets) <= 110]
    made = [
        bytes([form])
        + b"".join(
            sent(lead % 56, number * 5 & 0x0C, octets) for lead, octets in enumerate(group, form)
        )
        for number, form in enumerate(
            [*range(0x0F), *range(0x10, 0x1C), 0x20, 0x28, 0x30, 0x38, *range(0x40, 0x4C)]
        )
        if (group := some[number * 8 : number * 8 + 8])
    ]
    whole = [
        bytes([form]) + b"".join(sent(8, 0, part) for part in group) + sent(9, 3, b"")
        for form, group in zip([0, 2, 8, 0x10, 0x20, 0x18] * 9, parts(), strict=False)
    ]
    datagrams = [
        bytes([0x40]) + sent(8, 0, octets) for octets in hexes("ipv6") if len(octets) <= 110
    ]
    return [*made, *whole, *datagrams[::9], *(b"\x0f" + octets for octets in examples())]


def sent(lead: int, how: int, payload: bytes) -> bytes:
    """Return a frame for ``capture_files.frames``."""
    return bytes([lead, how]) + (b"" if how & 3 == 3 else bytes([len(payload)]) + payload)


def examples() -> Iterator[bytes]:
    """Yield the first records of the examples, a file each."""
    for path in sorted(EXAMPLES.glob("*.pcap")):
        with read_capture(path) as file:
            records = list(islice(file, 6))
        written = BytesIO()
        write_pcap(written, records, records[0].link_type)
        yield written.getvalue()


def texts() -> list[bytes]:
    """Designs, whole and in pieces of a few tables."""
    tables = [part for base in bases() for part in re.split(rb"\n(?=\[)", base.encode())]
    return [bases()[0].encode(), *tables, b"", b"\xff\xfe", b"a.b.c = 1\na = 2"]


def edits() -> list[bytes]:
    """Changes of designs: each kind at places spread over all three."""
    return [
        bytes([which | changes << 7]) + b"".join(bytes([kind, n, 53 * n & 0xFF, 7 * n]) for n in range(kind, kind + 4))
        for which in (0, 1, 14, 15) for changes in range(2) for kind in range(12)
    ]  # fmt: skip


CASES: tuple[Case, ...] = ("least", "typical", "greatest")


def example_messages() -> list[bytes]:
    return [
        bytes([number]) + message.pack(message.example(case))
        for number, message in enumerate(MESSAGES)
        for case in CASES
    ]


def example_values() -> list[bytes]:
    """Values as people give them: an object, a list, an object a line, a table."""
    found = []
    for number, message in enumerate(MESSAGES):
        values = message.example("typical")
        one = json.dumps(values, default=str)
        table = ",".join(values) + "\n" + ",".join(map(str, values.values())) + "\n"
        texts = (one, f"[{one}, {one}]", f"{one}\n{one}\n", table)
        found += [bytes([number]) + text.encode()[:390] for text in texts]
    return found


DESIGNS: dict[str, Callable[[], list[bytes]]] = {
    "design text": texts,
    "design tables": edits,
    "design compared": edits,
    "split": lambda: [
        bytes([n * 37 & 0xFE, 45 + n % 80, 0, n & 0xFF, n & 3]) + octets
        for n, octets in enumerate(hexes("ipv6"))
    ],
    "message unpacked": example_messages,
    "values of messages": example_values,
    "message packed": lambda: [
        random.Random(number).randbytes(40 * (number + 1)) for number in range(16)
    ],
}


SEALED_KEYS = b"""[[oscore]]
master_secret = "000102030405060708090a0b0c0d0e0f"
sender_id = "01"
recipient_id = "02"
[[dtls]]
suite = "TLS_PSK_WITH_AES_128_CCM_8"
key = "000102030405060708090a0b0c0d0e0f"
iv = "00010203"
source = "2001:db8::1"
port = 5684
epoch = 1
cid = "07"
"""


def key_files() -> list[bytes]:
    return [
        *(path.read_bytes() for path in sorted(EXAMPLES.glob("*.keys.toml"))),
        b'[[key]]\noctets = "00112233445566778899aabbccddeeff"\nkey_id_mode = 1\nindex = 0x'
        + b"f" * 600,
        SEALED_KEYS[: SEALED_KEYS.index(b"[[dtls]]")],
        SEALED_KEYS[SEALED_KEYS.index(b"[[dtls]]") :],
    ]


FILES: dict[str, Callable[[], list[bytes]]] = {
    "key file": key_files,
    "page of a capture": lambda: [bytes([n * 29 & 0xFF]) + c for n, c in enumerate(captures())],
    "page of a design": lambda: edits()[:12],
    "command line": lambda: [
        *(
            bytes([n, n * 64 & 0xC1, 4]) + edits()[n % 24][1:5] + c
            for n, c in enumerate(captures())
        ),
        *(bytes([n, n & 1, 0]) + octets for n, octets in enumerate(payloads()[:120])),
    ],
}


def seeds(entry: str) -> list[bytes]:
    """Return the first inputs of an entry, its options in front."""
    head = bytes.fromhex("4188 01 cdab 0200 0100")
    if entry == "decode_frame":
        frames = hexes("wire", "ieee802154")
        return [
            *(bytes([5, 0xD4 | fcs]) + frame for frame in frames for fcs in (0, 1)),
            *(b"\x01\x04" + head + octets for octets in payloads()),
        ]
    if entry == "decompress":
        return [bytes([16 | number % 16]) + octets for number, octets in enumerate(payloads())]
    if entry == "compress":
        return [
            bytes([number & 3, number * 7 & 0xF0 | number % 16]) + octets
            for number, octets in enumerate(hexes("ipv6"))
        ]
    if entry == "Reassembler":
        long = (octets for octets in payloads() if len(octets) < 250)
        return [
            *(b"\1" + b"".join(record(5, part) for part in group) for group in parts()),
            *(b"\1" + b"".join(record(5, part) for part in group[::-1]) for group in parts()),
            *(b"\1" + record(1, octets) for octets in long),
        ]
    if entry == "sealed frame":
        return [
            bytes([level, level >> 1, level, level * 9 & 0xFF, 0, 0, 0, level, 1, 0, level & 1])
            + octets
            for level, octets in enumerate(payloads()[:64])
        ]
    if entry in CAPTURES:
        if entry == "capture file":
            return captures()
        known = (0x0D, 0x14, 0x2E, 0x41, 0x06, 0x62)
        return [bytes([known[number % 6]]) + octets for number, octets in enumerate(captures())]
    if entry in FILES:
        return FILES[entry]()
    if entry in DESIGNS:
        return DESIGNS[entry]()
    if entry in APPLICATIONS:
        return APPLICATIONS[entry]()
    raise KeyError(entry)


def kept(entry: str) -> list[bytes]:
    """Return the inputs of the corpus for an entry."""
    return [path.read_bytes() for path in sorted((CORPUS / entry).glob("*")) if path.is_file()]
