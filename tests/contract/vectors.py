"""The vectors, and frames by hand around what they hold; ``vectors/README.md`` tells what a case says."""

from collections.abc import Iterable
from ipaddress import IPv6Address, IPv6Network
from pathlib import Path
from typing import Any

import pytest
from second.payload import Around
from vector_files import document

from lowpanbudget import Context, Env, Span, decode_frame

VECTORS = Path(__file__).parents[2] / "vectors"
FILES = sorted(VECTORS.glob("*/*.toml"))
SOURCE, DESTINATION = bytes.fromhex("02005eef10000001"), bytes.fromhex("02005eef10000002")
PAN = 0xABCD
Case = dict[str, Any]


def load(*folders: str, key: str = "case") -> list[Case]:
    """Return the cases of these folders, or of all; what stands at the head of a file holds for its cases."""
    cases = []
    for path in FILES:
        if not folders or path.parent.name in folders:
            text = document(path)
            common = {name: value for name, value in text.items() if not isinstance(value, list)}
            common["file"] = f"{path.parent.name}/{path.name}"
            cases += [common | case for case in text.get(key, [])]
    return cases


def named(cases: Iterable[Case]) -> list[Any]:
    return [pytest.param(case, id=f"{case['file']}:{case['id']}") for case in cases]


def octets(case: Case, key: str) -> bytes:
    return bytes.fromhex(case[key])


def env_of(case: Case) -> Env:
    contexts: dict[int, Any] = {
        int(number): Context(**context) if isinstance(context, dict) else context
        for number, context in case.get("contexts", {}).items()
    }
    return Env(
        case.get("link_source"), case.get("link_destination"), pan_id=case.get("pan_id"),
        contexts=contexts, root=case.get("root"), rpi_type=case.get("rpi_type", 0x63),
    )  # fmt: skip


def around_of(case: Case) -> Around:
    """Return what ``second`` reads the case with."""
    env = env_of(case)
    return Around(
        env.source, env.destination, {number: context.prefix for number, context in env.contexts.items()},
        env.pan_id, env.root.packed if env.root else None, env.rpi_type,
    )  # fmt: skip


def header_of(source: bytes, destination: bytes, pan: int = PAN) -> bytes:
    """Return the MAC header of a version-1 data frame in one PAN (2006 edition, clause 7.2.1, from memory)."""
    modes = (3 if len(destination) == 8 else 2) << 10 | (3 if len(source) == 8 else 2) << 14
    control = 1 | 1 << 6 | 1 << 12 | modes
    return b"".join(
        (control.to_bytes(2, "little"), b"\0", pan.to_bytes(2, "little"), destination[::-1], source[::-1])
    )  # fmt: skip


def framed(payload: bytes, env: Env) -> Any:
    """Return the frame read that carries this payload between the link addresses of ``env``, without FCS."""
    source, destination = env.source or SOURCE, env.destination or DESTINATION
    header = header_of(source, destination, PAN if env.pan_id is None else env.pan_id)
    frame = decode_frame(
        header + payload, fcs=False, contexts=env.contexts, root=env.root, rpi_type=env.rpi_type
    )
    assert tiles(frame.spans, len(frame.octets) * 8)
    return frame


CARRIED = len(header_of(SOURCE, DESTINATION)) + 1  # where a datagram starts that is carried whole


def carried(datagram: bytes) -> Any:
    """Return the frame read that carries this datagram uncompressed (dispatch 0x41, RFC 4944 section 5.1)."""
    return framed(b"\x41" + datagram, Env(SOURCE, DESTINATION))


def tiles(spans: Iterable[Span], bits: int) -> bool:
    """Return whether the spans follow each other from 0 to ``bits`` without gap or overlap."""
    place = 0
    for span in spans:
        if span.offset_bits != place:
            return False
        place += span.bits
    return place == bits


def behind(spans: Iterable[Span], start: int) -> list[Span]:
    """Return the spans from this octet on."""
    return [span for span in spans if span.offset_bits >= start * 8]


def plain(value: Any) -> Any:
    """Return a value as TOML writes it: octets as hex, addresses as texts, flags as numbers."""
    if isinstance(value, bytes):
        return value.hex(" ")
    if isinstance(value, IPv6Address | IPv6Network):
        return str(value)
    if isinstance(value, bool):
        return int(value)
    return value


def word(name: str) -> str:
    """Return a field's name as its span and as a vector's key have it."""
    return "".join(letter for letter in name.lower() if letter.isalnum())


def in_order(wanted: Iterable[Any], there: Iterable[Any]) -> bool:
    """Return whether all that is wanted is there in this order; other things may stand between."""
    rest = iter(there)
    return all(one in rest for one in wanted)


def sizes(spans: Iterable[Span]) -> dict[str, int]:
    """Return the octets of each layer."""
    bits: dict[str, int] = {}
    for span in spans:
        bits[span.layer] = bits.get(span.layer, 0) + span.bits
    return {layer: count // 8 for layer, count in bits.items()}
