"""Every frame in ``vectors/ieee802154``, decoded and written again; every row of every table is hit by one.

What a case holds is told at the head of its file. Expected values were put together by hand from the tables they name.
"""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from link_contents import beacon_octets, command_octets
from vector_files import document

from lowpanbudget import decode_frame, encode_frame, errors
from lowpanbudget.bits import tiles
from lowpanbudget.layers.link import addressing, auxiliary, contents, elements, header_contents
from lowpanbudget.layers.link import mlme_contents as mlme
from lowpanbudget.layers.link.beacon import Beacon
from lowpanbudget.layers.link.contents import Command
from lowpanbudget.layers.link.control import FrameType
from lowpanbudget.layers.link.elements import Element
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.stack.frame import Frame

VECTORS = Path(__file__).parents[3] / "vectors" / "ieee802154"
FILES = ("mhr", "auxiliary", "annex-c", "contents", "elements")
Case = dict[str, Any]


def load() -> list[Case]:
    cases = []
    for name in FILES:
        cases += [{"file": name, **case} for case in document(VECTORS / f"{name}.toml")["case"]]
    return cases


ALL = load()
READABLE = [case for case in ALL if case["result"] != "invalid"]
INVALID = [case for case in ALL if case["result"] == "invalid"]


def named(cases: list[Case]) -> list[Any]:
    return [pytest.param(case, id=f"{case['file']}:{case['id']}") for case in cases]


def read(case: Case) -> Frame:
    return decode_frame(bytes.fromhex(case["wire"]), fcs=case["fcs"], keys=case.get("key", ()))


def same(found: Any, expected: Any) -> bool:
    """Return whether ``found`` is what the vector says: hex text stands for octets, a table for some attributes."""
    if isinstance(expected, dict):
        if isinstance(found, Mapping):
            return found.keys() == expected.keys() and all(
                same(found[name], value) for name, value in expected.items()
            )
        return all(same(getattr(found, name), value) for name, value in expected.items())
    if isinstance(expected, list):
        pairs = zip(found, expected, strict=True)
        return len(found) == len(expected) and all(same(*pair) for pair in pairs)
    if isinstance(expected, str):
        return bool(found == bytes.fromhex(expected))
    return bool(found == expected)


def test_ids_are_unique() -> None:
    ids = [(case["file"], case["id"]) for case in ALL]
    assert len(ids) == len(set(ids))
    assert {case["result"] for case in ALL} == {"valid", "lenient", "invalid"}


@pytest.mark.parametrize("case", named(READABLE))
def test_frame_reads_as_the_vector_says(case: Case) -> None:
    frame = read(case)
    assert tiles(frame.spans, len(frame.octets) * 8)
    assert frame.mac is not None
    assert frame.mac.fcs_ok is (True if case["fcs"] else None)
    for name, value in case.get("fields", {}).items():
        if name == "payload":
            assert same(frame.payload, value)
        elif name == "content":
            assert same(frame.layers[1], value), frame.layers
        else:
            assert same(getattr(frame.mac, name), value), name
    # fields that the vector does not name are not carried
    carried = set(case.get("fields", {}))
    if case["file"] == "mhr":
        for name in {"destination_pan", "destination", "source_pan", "source"} - carried:
            assert getattr(frame.mac, name) is None, name
    noticed = [[notice.name, notice.offset] for notice in frame.notices]
    told = {"element-wrong", "addressing-not-allowed"}
    assert [n for n in noticed if n[0] in told] == case.get("notices", [])


# not written again: reserved bits, and what is sealed under a filler instead of an integrity code
WRITABLE = [
    case
    for case in READABLE
    if ("security" not in case.get("fields", {}) or "key" in case)
    and case["id"] not in ("version-1-bit-8", "reserved-bit")
]


@pytest.mark.parametrize("case", named(WRITABLE))
def test_frame_is_written_as_it_was_read(case: Case) -> None:
    frame = read(case)
    assert frame.mac is not None
    assert frame.payload is not None
    written = encode_frame(
        replace(frame.mac, fcs_ok=None), frame.payload, key=case.get("key"), fcs=case["fcs"]
    )
    assert written.octets == frame.octets
    header = frame.mac.header_length * 8
    assert [s for s in written.spans if s.offset_bits < header] == [
        s for s in frame.spans if s.offset_bits < header
    ]
    if frame.mac.frame_type != FrameType.DATA:
        assert list(written.spans) == list(frame.spans)


@pytest.mark.parametrize("case", named([c for c in READABLE if "content" in c.get("fields", {})]))
def test_content_is_written_as_it_was_read(case: Case) -> None:
    frame = read(case)
    content = frame.layers[1]
    if isinstance(content, Command):
        assert command_octets(content) == frame.payload
    else:
        assert isinstance(content, Beacon)
        assert beacon_octets(content) == frame.payload


@pytest.mark.parametrize("case", named(INVALID))
def test_fault_is_located(case: Case) -> None:
    frame = read(case)
    assert tiles(frame.spans, len(frame.octets) * 8)
    assert type(frame.fault) is getattr(errors, case["error"])
    assert isinstance(frame.fault, errors.WireError)
    assert frame.fault.offset == case["offset"]
    assert frame.fault.layer
    assert frame.fault.cite is not None
    assert frame.datagram is None
    if case["file"] == "elements":
        # an element that overruns hides neither the addresses nor who sent the frame
        assert frame.mac is not None
        assert (frame.mac.source, frame.link_source) == (b"\x0c\x0d", b"\x0c\x0d")


@pytest.mark.parametrize("case", named([case for case in ALL if "aux" in case]))
def test_sizes_of_the_auxiliary_header(case: Case) -> None:
    """RFC 9031 and IEEE 802.15.4 (from memory): 5, 6, 10 and 14 octets, without counter 1, 2, 6 and 10."""
    mac = read(case).mac
    assert mac is not None
    assert mac.security is not None
    sizes = (5, 6, 10, 14) if mac.security.frame_counter is not None else (1, 2, 6, 10)
    assert mac.header_length - 9 == sizes[mac.security.key_id_mode]
    assert len(mac.security.mic) == (0, 4, 8, 16)[mac.security.level & 3]


# --- every row is hit -------------------------------------------------------------------------


def control(case: Case) -> tuple[int, int]:
    return (*bytes.fromhex(case["wire"]), 0, 0)[:2]


def every_element() -> Iterator[tuple[str, Element]]:
    for case in READABLE:
        mac = read(case).mac
        assert mac is not None
        for element in mac.header_ies:
            yield "header", element
        for element in mac.payload_ies:
            yield "payload", element
            for inner in element.nested:
                yield ("long" if inner.long else "short"), inner


def test_every_row_of_the_addressing_tables_is_hit() -> None:
    general: dict[int, set[tuple[int, int, int]]] = {0: set(), 1: set(), 2: set()}
    multipurpose = set()
    for case in ALL:
        low, high = control(case)
        if low & 7 == FrameType.MULTIPURPOSE:
            multipurpose.add((low >> 4 & 3, low >> 6 & 3, high & 1 if low & 8 else 0))
        elif high >> 4 & 3 < 3:
            general[high >> 4 & 3].add((high >> 2 & 3, high >> 6 & 3, low >> 6 & 1))
    assert general[0] >= addressing.VERSION_0_1.rows.keys()
    assert general[1] >= addressing.VERSION_0_1.rows.keys()
    assert general[2] >= addressing.VERSION_2.rows.keys()
    assert multipurpose >= addressing.MULTIPURPOSE.rows.keys()


def test_every_frame_type_and_version_is_hit() -> None:
    assert {control(case)[0] & 7 for case in ALL} == set(FrameType)
    assert {control(case)[1] >> 4 & 3 for case in ALL} == {0, 1, 2, 3}


def test_every_level_key_id_mode_and_counter_form_is_hit() -> None:
    found = {
        (mac.security.level, mac.security.key_id_mode, mac.security.frame_counter is None)
        for mac in (read(case).mac for case in READABLE)
        if mac is not None and mac.security is not None
    }
    levels, modes = range(len(auxiliary.LEVELS)), range(len(auxiliary.KEY_ID.rows))
    assert found == {(a, b, c) for a in levels for b in modes for c in (False, True)}


def test_every_information_element_is_hit() -> None:
    tables: dict[str, Mapping[int, Any]] = {
        "header": header_contents.HEADER_IES.entries,
        "payload": elements.PAYLOAD_IES.entries,
        "short": mlme.SHORT.entries,
        "long": mlme.LONG.entries,
    }
    found = list(every_element())
    for kind, table in tables.items():
        ids = {element.id for name, element in found if name == kind}
        assert ids >= table.keys(), kind
        assert ids - table.keys(), f"no unassigned {kind} element"
    assert any(
        not element.nested for kind, element in found if (kind, element.id) == ("payload", 1)
    )


def test_every_command_is_hit() -> None:
    found = {
        layer.id for case in READABLE for layer in read(case).layers if isinstance(layer, Command)
    }
    assert found >= contents.COMMANDS.entries.keys()
    assert found - contents.COMMANDS.entries.keys(), "no reserved command"


def test_mac_of_a_vector_is_hashable() -> None:
    assert len({mac for mac in (read(case).mac for case in READABLE) if isinstance(mac, Mac)}) > 150
