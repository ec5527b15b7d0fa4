"""Frames of the vectors, decoded and written again: MAC header, security, contents, information elements.

``mac`` of a frame and the attributes of ``Mac`` and ``Security`` are public; what follows them is read from spans.
"""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from contract.vectors import Case, in_order, load, named, octets, plain, tiles, word

import lowpanbudget
from lowpanbudget import Key, Mac, WireError, decode_frame, encode_frame

ALL = [case for case in load() if "wire" in case and "fcs" in case]
READABLE = [case for case in ALL if case["result"] != "invalid"]
INVALID = [case for case in ALL if case["result"] == "invalid"]
DATA = 1
ADDRESSES = ("destination_pan", "destination", "source_pan", "source")


def keys_of(case: Case) -> list[Key]:
    told = case.get("keys", [{"octets": case["key"]}] if "key" in case else [])
    return [Key(key["octets"], **{k: v for k, v in key.items() if k != "octets"}) for key in told]


def devices_of(case: Case) -> dict[Any, str]:
    """Return the EUI-64 of "short" or "pan:short"."""
    devices: dict[Any, str] = {}
    for name, address in case.get("devices", {}).items():
        parts = tuple(int(part, 16) for part in name.split(":"))
        devices[parts if len(parts) == 2 else parts[0]] = address
    return devices


def read(case: Case) -> Any:
    contexts = {int(number): prefix for number, prefix in case.get("contexts", {}).items()}
    return decode_frame(
        octets(case, "wire"), fcs=case["fcs"], keys=keys_of(case), contexts=contexts,
        devices=devices_of(case), asn=case.get("asn"), root=case.get("root"),
    )  # fmt: skip


def same(value: Any, expected: Any) -> bool:
    """Return whether a value is what the vector says: hex text stands for octets, a table for some attributes."""
    if isinstance(expected, dict):
        return all(same(getattr(value, name), inner) for name, inner in expected.items())
    if isinstance(expected, str):
        return bool(value == bytes.fromhex(expected))
    return bool(value == expected)


def fields_of(table: Any) -> Iterator[tuple[str, Any]]:
    """Yield (name, value) of all named fields in contents and elements, nested ones too, in their order."""
    for item in table if isinstance(table, list) else [table]:
        for name, value in item.get("fields", {}).items():
            if value != "" and isinstance(value, int | str):
                yield word(name), value
        if "nested" in item:
            yield from fields_of(item["nested"])


@pytest.mark.parametrize("case", named(READABLE))
def test_frame_reads_as_the_vector_says(case: Case) -> None:
    frame = read(case)
    assert tiles(frame.spans, len(frame.octets) * 8)
    assert frame.mac.fcs_ok is (True if case["fcs"] else None)
    fields = case.get("fields", {})
    for name, value in fields.items():
        if name == "payload":
            assert same(frame.payload, value)
        elif name not in ("content", "header_ies", "payload_ies"):
            assert same(getattr(frame.mac, name), value), name
    if case["file"] == "ieee802154/mhr.toml":  # what the vector does not name is not carried
        for name in set(ADDRESSES) - fields.keys():
            assert getattr(frame.mac, name) is None, name
    if "ipv6" in case:
        assert frame.datagram.octets.hex(" ") == octets(case, "ipv6").hex(" ")
    if "verified" in case:
        assert frame.verified is case["verified"]
    if case.get("sealed"):
        assert frame.payload is None
        assert frame.datagram is None
    names = [notice.name for notice in frame.notices]
    located = [wanted for wanted in case.get("notices", []) if not isinstance(wanted, str)]
    kinds = {name for name, _ in located}
    assert [[n.name, n.offset] for n in frame.notices if n.name in kinds] == located
    assert {one for one in case.get("notices", []) if isinstance(one, str)} <= set(names)
    assert not set(case.get("without", [])) & set(names)


@pytest.mark.parametrize("case", named(case for case in READABLE if "spans" in case))
def test_spans_are_those_named(case: Case) -> None:
    """Layer, name, bits and value, in this order; others may stand between."""
    there = [[span.layer, span.name, span.bits, plain(span.value)] for span in read(case).spans]
    for wanted in case["spans"]:
        assert wanted in there
    assert in_order(case["spans"], there)


CONTENTS = ("content", "header_ies", "payload_ies")


@pytest.mark.parametrize(
    "case", named(c for c in READABLE if set(CONTENTS) & c.get("fields", {}).keys())
)
def test_named_fields_of_contents_are_spans(case: Case) -> None:
    frame = read(case)
    there: dict[str, list[Any]] = {}
    for span in frame.spans:
        there.setdefault(word(span.name), []).append(span.value)
    for key in CONTENTS:
        if key not in case["fields"]:
            continue
        wanted: dict[str, list[Any]] = {}
        for name, value in fields_of(case["fields"][key]):
            wanted.setdefault(name, []).append(value)
        for name, values in wanted.items():
            ways = [[v, bytes.fromhex(v)] if isinstance(v, str) else [v] for v in values]
            found = [v for v in there.get(name, []) if any(v in way for way in ways)]
            assert len(found) >= len(values), (name, values, there.get(name))


# not written again: reserved bits, and what is sealed under a filler instead of an integrity code
WRITABLE = [
    case for case in READABLE
    if ("security" not in case.get("fields", {}) or "key" in case) and case.get("written", True)
    and case["id"] not in ("version-1-bit-8", "reserved-bit")
]  # fmt: skip


@pytest.mark.parametrize("case", named(WRITABLE))
def test_frame_is_written_as_it_was_read(case: Case) -> None:
    frame = read(case)
    assert isinstance(frame.mac, Mac)
    written = encode_frame(
        replace(frame.mac, fcs_ok=None),
        frame.payload,
        key=case.get("key"),
        fcs=case["fcs"],
        asn=case.get("asn"),
        devices=devices_of(case),
    )
    assert written.octets.hex() == frame.octets.hex()
    header = frame.mac.header_length * 8
    assert [s for s in written.spans if s.offset_bits < header] == [
        s for s in frame.spans if s.offset_bits < header
    ]
    if frame.mac.frame_type != DATA:
        assert list(written.spans) == list(frame.spans)


@pytest.mark.parametrize("case", named(INVALID))
def test_fault_is_located(case: Case) -> None:
    frame = read(case)
    assert tiles(frame.spans, len(frame.octets) * 8)
    assert isinstance(frame.fault, WireError)
    assert type(frame.fault) is getattr(lowpanbudget, case["error"])
    assert frame.fault.offset == case["offset"]
    assert frame.fault.layer
    assert frame.fault.cite is not None
    assert frame.datagram is None


@pytest.mark.parametrize("case", named(case for case in ALL if "aux" in case))
def test_sizes_of_the_auxiliary_header(case: Case) -> None:
    """RFC 9031 and IEEE 802.15.4 (from memory): 5, 6, 10 and 14 octets, without counter 1, 2, 6 and 10."""
    mac = read(case).mac
    sizes = (5, 6, 10, 14) if mac.security.frame_counter is not None else (1, 2, 6, 10)
    assert mac.header_length - 9 == sizes[mac.security.key_id_mode] == case["aux"]
    assert len(mac.security.mic) == (0, 4, 8, 16)[mac.security.level & 3]
