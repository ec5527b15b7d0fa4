"""The first inputs of each entry, taken from the vectors; ``corpus/`` holds what was learned beyond them."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from vector_files import document

VECTORS = Path(__file__).parents[2] / "vectors"
CORPUS = Path(__file__).with_name("corpus")


def cases() -> Iterator[tuple[str, dict[str, Any]]]:
    for path in sorted(VECTORS.rglob("*.toml")):
        whole = document(path)
        for case in whole.get("case", []):
            yield path.parent.name, {**whole, **case}


def hexes(key: str, folders: str = "") -> list[bytes]:
    return [
        bytes.fromhex(case[key])
        for folder, case in cases()
        if isinstance(case.get(key), str) and folder.startswith(folders)
    ]


def payloads() -> list[bytes]:
    """6LoWPAN payloads, and messages behind the shortest heads there are: 7a33 3a, and 7e33 with ports in line."""
    return [
        *hexes("lowpan"),
        *(b"\x7a\x33\x3a" + octets for octets in hexes("message")),
        *(bytes.fromhex("7e33 f0 1633 f0b0 1234") + octets for octets in hexes("wire", "rfc7")),
        *(
            bytes.fromhex("7e33 f0 1634 f0b0 1234") + octets
            for folder in ("rfc6347", "rfc9147")
            for octets in hexes("wire", folder)
        ),
        *(bytes.fromhex("7e33 df") + octets for octets in hexes("code", "rfc7400")),
    ]


def parts() -> list[list[bytes]]:
    return [
        [bytes.fromhex(part) for part in c["fragments"]] for _, c in cases() if "fragments" in c
    ]


def record(lead: int, octets: bytes) -> bytes:
    return bytes([lead, len(octets)]) + octets[:255]


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
    raise KeyError(entry)


def kept(entry: str) -> list[bytes]:
    """Return the inputs of the corpus for an entry."""
    return [path.read_bytes() for path in sorted((CORPUS / entry).glob("*")) if path.is_file()]
