"""Any octets give a frame or a located fault; any header that can be written is read back."""

import subprocess
import sys
from itertools import product

from hypothesis import example, given, settings
from hypothesis import strategies as st
from link_contents import beacon_octets, command_octets

from lowpanbudget import Mac, Security, decode_frame, encode_frame
from lowpanbudget.bits import Reader, tiles
from lowpanbudget.errors import WireError
from lowpanbudget.layers.link.addressing import addressing, pan_ids
from lowpanbudget.layers.link.beacon import Beacon, GuaranteedSlot
from lowpanbudget.layers.link.contents import COMMANDS, Command, decode_command
from lowpanbudget.layers.link.elements import Element

KEY = bytes(range(16))
EUI = bytes.fromhex("acde480000000001")

u8, u16 = (st.integers(0, (1 << bits) - 1) for bits in (8, 16))
some_u8, some_u16 = st.none() | u8, st.none() | u16
links = st.none() | st.binary(min_size=2, max_size=2) | st.binary(min_size=8, max_size=8)
booleans = (False, True)
# whether there is security, level, key identifier mode, and whether the slot is in the nonce, with the counter or not
protections = st.sampled_from(list(product(booleans, range(8), range(4), booleans, booleans)))
sources = {size: st.binary(min_size=size, max_size=size) for size in (4, 8)}

counters = st.integers(
    0, 0xFFFFFFFE
)  # the last one is never sent (2015 edition, clause 9.4.2, from memory)


def securities(draw: st.DrawFn) -> Security | None:
    there, level, mode, slot, nonce = draw(protections)
    if not there:
        return None
    size = {2: 4, 3: 8}.get(mode)
    return Security(
        level,
        mode,
        None if slot else draw(counters),
        draw(sources[size]) if size else None,
        draw(u8) if mode else None,
        slot or nonce,
    )


contents = st.binary(max_size=20)
header_elements = st.builds(
    Element, st.sampled_from([n for n in range(256) if n not in (0x7E, 0x7F)]), contents
)
payload_elements = st.builds(Element, st.integers(0, 14), contents)
some_header_elements = st.lists(header_elements, max_size=3).map(tuple)
some_payload_elements = st.lists(payload_elements, max_size=3).map(tuple)
# frame type, version, PAN ID compression, frame pending, acknowledgement request, long control
controls_of_headers = st.sampled_from(
    list(product((0, 1, 2, 3, 5), range(3), booleans, booleans, booleans, booleans))
)


@st.composite
def headers(draw: st.DrawFn) -> Mac:
    """Return any header that its version can carry."""
    frame_type, version, compression, pending, asks, long_control = draw(controls_of_headers)
    multipurpose = frame_type == 5
    if multipurpose:
        version, compression = 0, False
    later = multipurpose or version == 2
    destination, source = draw(links), draw(links)
    if multipurpose:
        pans: tuple[int | None, int | None] = (draw(some_u16), None)
    else:
        to, by = ((0, 2, 3)[(0, 2, 8).index(len(a or b""))] for a in (destination, source))
        carried = pan_ids(addressing(version, to, by, int(compression)).layout)
        pans = (
            draw(u16) if carried[0] else None,
            draw(u16) if carried[1] else None,
        )
    header_ies = draw(some_header_elements) if later else ()
    payload_ies = draw(some_payload_elements) if later else ()
    return Mac(
        frame_type,
        version,
        draw(some_u8) if later else draw(u8),
        pans[0],
        destination,
        pans[1],
        source,
        compression,
        pending,
        asks,
        securities(draw) if later or version else None,
        header_ies,
        payload_ies,
        bool(header_ies or payload_ies),
        long_control=multipurpose and long_control,
    )


def without_terminations(ies: tuple[Element, ...], last: tuple[int, ...]) -> tuple[Element, ...]:
    return tuple(element for element in ies if element.id not in last)


@settings(max_examples=300)
@given(headers(), st.binary(max_size=40), st.sampled_from([0, 2, 4]))
def test_header_is_read_back(header: Mac, payload: bytes, fcs: int) -> None:
    level = header.security.level if header.security else 0
    if level and header.source is None:
        return  # no nonce without a sender
    devices = (
        {int.from_bytes(header.source or b"", "big"): EUI} if len(header.source or b"") == 2 else {}
    )
    encoded = encode_frame(header, payload, key=KEY, asn=7, fcs=fcs, devices=devices)
    assert tiles(encoded.spans, len(encoded.octets) * 8)
    frame = decode_frame(encoded.octets, fcs=fcs, keys=KEY, asn=7, devices=devices)
    assert tiles(frame.spans, len(encoded.octets) * 8)
    assert frame.payload == payload
    assert frame.verified == (level not in (0, 4))
    mac = frame.mac
    assert mac is not None
    assert mac.fcs_ok is (True if fcs else None)
    for name in (
        "frame_type", "version", "sequence", "destination_pan", "destination", "source_pan", "source",
        "pan_id_compression", "pending", "ack_request", "security", "ie_present",
    ):  # fmt: skip
        assert getattr(mac, name) == getattr(header, name), name
    assert without_terminations(mac.header_ies, (0x7E, 0x7F)) == header.header_ies
    assert without_terminations(mac.payload_ies, (0xF,)) == header.payload_ies
    again = encode_frame(mac, payload, key=KEY, asn=7, fcs=fcs, devices=devices)
    assert again == encoded


@settings(max_examples=300)
@given(
    st.binary(max_size=200),
    st.sampled_from([True, False, 2, 4]),
    st.sampled_from([(), KEY]),
    st.sampled_from([None, 5]),
)
@example(b"", True, (), None)
@example(b"\x01", True, (), None)
@example(b"\x05\x00\x00", True, (), None)
@example(b"\x01\x00\x00\x00", 4, (), None)
def test_garbage_never_raises_and_its_spans_tile(
    octets: bytes, fcs: int, keys: object, asn: int | None
) -> None:
    frame = decode_frame(octets, fcs=fcs, keys=keys, asn=asn, devices={1: EUI})
    assert tiles(frame.spans, len(octets) * 8)
    if frame.fault is not None:
        assert isinstance(frame.fault, WireError)
        assert 0 <= frame.fault.offset <= len(octets)
        assert frame.datagram is None
    else:
        assert frame.mac is not None


controls = st.builds(
    lambda low, high, rest: bytes((low, high)) + rest,
    st.sampled_from([0x00, 0x01, 0x02, 0x03, 0x08, 0x09, 0x0A, 0x0B, 0x40, 0x41, 0x49, 0x05, 0x0D]),
    st.sampled_from([0x22, 0x2A, 0xAA, 0xEE, 0x98, 0x88, 0xDC, 0x10, 0x20]),
    st.binary(min_size=8, max_size=190),
)


@settings(max_examples=300)
@given(controls, st.sampled_from([(), KEY]))
def test_garbage_behind_a_likely_frame_control(octets: bytes, keys: object) -> None:
    """The same, where more of the octets are read as elements, security headers, beacons and commands."""
    frame = decode_frame(octets, fcs=False, keys=keys, asn=5, devices={1: EUI})
    assert tiles(frame.spans, len(octets) * 8)
    if frame.fault is not None:
        assert 0 <= frame.fault.offset <= len(octets)


beacons = st.builds(
    Beacon,
    st.integers(0, 15),
    st.integers(0, 15),
    st.integers(0, 15),
    st.booleans(),
    st.booleans(),
    st.booleans(),
    st.booleans(),
    st.lists(
        st.builds(GuaranteedSlot, u16, st.integers(0, 15), st.integers(0, 15), st.booleans()),
        max_size=7,
    ).map(tuple),
    st.lists(u16, max_size=3).map(tuple),
    st.lists(st.binary(min_size=8, max_size=8), max_size=4).map(tuple),
    st.binary(max_size=10),
)


@settings(max_examples=100)
@given(beacons, st.integers(0, 1))
def test_beacon_is_read_back(beacon: Beacon, version: int) -> None:
    header = Mac(0, version, 7, None, None, 1, b"\0\1")
    encoded = encode_frame(header, beacon_octets(beacon))
    frame = decode_frame(encoded.octets)
    assert frame.layers[1] == beacon
    assert frame.payload == beacon_octets(beacon)
    assert frame.spans == encoded.spans


@settings(max_examples=200)
@given(st.sampled_from(sorted(COMMANDS.entries)) | u8, st.binary(max_size=12))
def test_command_is_read_back(number: int, content: bytes) -> None:
    octets = bytes([number]) + content
    try:
        command = decode_command(Reader(octets))
    except WireError:
        assert number in COMMANDS.entries  # only a known command can be too short
        return
    assert isinstance(command, Command)
    assert command_octets(command) == octets


def test_the_cipher_library_is_not_loaded_for_open_frames() -> None:
    program = (
        "import sys; from lowpanbudget import decode_frame, Key; Key(bytes(16));"
        "decode_frame(bytes.fromhex('41880743210b0a0d0c3f')); "
        "sys.exit('cryptography' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
