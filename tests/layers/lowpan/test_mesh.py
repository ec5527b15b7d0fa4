"""Mesh and broadcast headers: RFC 4944 figures 3 and 11, laid out here once more by hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget import Env, Mac, RequestError, decode_frame, decompress, encode_frame
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.errors import Malformed, Reserved, Truncated
from lowpanbudget.layers.lowpan import mesh
from lowpanbudget.layers.lowpan.mesh import Broadcast, Mesh

ADDRESSES = st.one_of(st.binary(min_size=2, max_size=2), st.binary(min_size=8, max_size=8))
MESHES = st.builds(Mesh, st.integers(0, 14), ADDRESSES, ADDRESSES, st.booleans()) | st.builds(
    Mesh, st.integers(15, 255), ADDRESSES, ADDRESSES, st.just(value=True)
)


def wire(header: Mesh) -> bytes:
    """Return the header by the text of RFC 4944 section 5.2."""
    first = 0b1000_0000
    first |= (
        0b0010_0000 if len(header.originator) == 2 else 0
    )  # V: "1 if it is a short 16-bit addresses"
    first |= 0b0001_0000 if len(header.final) == 2 else 0  # F
    hops = b""
    if header.deep:
        first |= 0xF  # "signifies an 8-bit Deep Hops Left field immediately following"
        hops = bytes([header.hops_left])
    else:
        first |= header.hops_left
    return bytes([first]) + hops + header.originator + header.final


@given(MESHES)
def test_there_and_back(header: Mesh) -> None:
    writer = Writer()
    mesh.encode(writer, header)
    assert bytes(writer.data) == wire(header)
    reader = Reader(wire(header))
    assert mesh.decode(reader) == header
    assert reader.left == 0
    assert reader.spans == writer.spans
    assert tiles(writer.spans, len(writer.data) * 8)


@given(MESHES, st.data())
def test_cut_anywhere(header: Mesh, data: st.DataObject) -> None:
    end = data.draw(st.integers(0, len(wire(header)) - 1))
    with pytest.raises(Truncated) as caught:
        mesh.decode(Reader(wire(header)[:end]))
    assert 0 <= caught.value.offset <= end


@pytest.mark.parametrize(
    ("hops", "octets", "deep"),
    [(0, 5, False), (1, 5, False), (14, 5, False), (15, 6, True), (16, 6, True), (255, 6, True)],
)
def test_hops_from_15_on_take_an_octet(hops: int, octets: int, deep: bool) -> None:
    """ "allows a source node to specify a hop limit greater than 14 hops"."""
    writer = Writer()
    mesh.encode(writer, Mesh(hops, b"\0\1", b"\0\2"))
    assert len(writer.data) == octets
    assert mesh.decode(Reader(bytes(writer.data))) == Mesh(hops, b"\0\1", b"\0\2", deep)


@pytest.mark.parametrize("hops", range(15))
def test_deep_form_of_few_hops_is_read_and_comes_back(hops: int) -> None:
    """A forwarder that decrements a deep count need not shrink the header."""
    octets = bytes([0xBF, hops, 0, 1, 0, 2])
    header = mesh.decode(Reader(octets))
    assert header == Mesh(hops, b"\0\1", b"\0\2", deep=True)
    writer = Writer()
    mesh.encode(writer, header)
    assert bytes(writer.data) == octets


@pytest.mark.parametrize(
    "header",
    [
        Mesh(-1, b"\0\1", b"\0\2"),
        Mesh(256, b"\0\1", b"\0\2"),
        Mesh(1, b"\0", b"\0\2"),
        Mesh(1, b"\0\1", b"\0\1\2\3\4\5"),
    ],
)
def test_impossible_headers_are_wrong_requests(header: Mesh) -> None:
    with pytest.raises(RequestError):
        mesh.encode(Writer(), header)


@given(st.integers(0, 255))
def test_broadcast_there_and_back(sequence: int) -> None:
    writer = Writer()
    mesh.BC0.write(writer, {"sequence number": sequence})
    assert bytes(writer.data) == bytes([0x50, sequence])
    reader = Reader(bytes(writer.data))
    assert mesh.decode_broadcast(reader) == Broadcast(sequence)
    assert reader.spans == writer.spans


@pytest.mark.parametrize("sequence", [-1, 256])
def test_broadcast_sequence_is_an_octet(sequence: int) -> None:
    with pytest.raises(RequestError):
        mesh.BC0.write(Writer(), {"sequence number": sequence})


def test_identifiers_come_from_the_ends_of_the_path() -> None:
    """RFC 4944 section 11: "the link-layer addresses of the originator and final destinations" stand here."""
    mac = Mac(destination_pan=1, source=b"\0\x08", destination=b"\0\x09", pan_id_compression=True)
    payload = bytes.fromhex("bf 20 00 05 00 06 50 2a 7a 33 3b aa")
    frame = decode_frame(encode_frame(mac, payload).octets)
    assert frame.fault is None
    assert (frame.link_source, frame.link_destination) == (b"\0\x05", b"\0\x06")
    assert frame.layers[1:3] == (Mesh(0x20, b"\0\5", b"\0\6", deep=True), Broadcast(0x2A))
    assert frame.datagram is not None
    assert frame.datagram.octets[16:24] == bytes.fromhex("000000fffe000005")
    assert frame.datagram.octets[32:40] == bytes.fromhex("000000fffe000006")
    assert tiles(frame.spans, len(frame.octets) * 8)


def test_other_protocols_stand_alone() -> None:
    """RFC 8066 section 3.4: an escape "when they appear as the initial octet of a LoWPAN encapsulation"."""
    with pytest.raises(Reserved) as caught:
        decompress(bytes.fromhex("b5 00 01 00 02 00 11 22"), Env())
    assert caught.value.offset == 5
    with pytest.raises(Reserved):
        decompress(bytes.fromhex("f0 00"), Env())
    with pytest.raises(Malformed):  # alone: no error of the frame, but no datagram either
        decompress(bytes.fromhex("00 11 22"), Env())


@pytest.mark.parametrize(
    ("final", "is_group"),
    [("8001", True), ("9fff", True), ("7fff", False), ("a001", False), ("ffff", False)],
)
def test_the_address_of_a_group_is_told(final: str, is_group: bool) -> None:
    """RFC 4944 section 9, figure 8: 100, then 13 bits of the group; section 12: the other first bits of addresses."""
    writer = Writer()
    mesh.encode(writer, Mesh(3, b"\x00\x01", bytes.fromhex(final)))
    (span,) = (one for one in writer.spans if one.value == bytes.fromhex(final))
    assert ("RFC 4944 section 9" in span.meaning) == is_group
    read = Reader(bytes(writer.data))
    mesh.decode(read)
    assert read.spans == writer.spans
