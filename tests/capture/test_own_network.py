"""One network of several asked for: what the capture file tells of the others' frames is none of its own.

IEEE 802.15.4-2006 clause 7.2.1 (from memory): frame control 2 octets, number 1, destination PAN ID and address 2 each,
then the source's; PAN ID compression (bit 6) leaves the second PAN ID out.
"""

import io
import struct
from pathlib import Path

import pytest
from findings import air
from findings.air import CONTEXTS, FAR_NODE, NODE, PAN

from lowpanbudget import Record, audit, follow, read_capture, read_continued, read_together, survey
from lowpanbudget.capture.files.reading import CaptureFile

OTHER = 0xBEEF
MILLISECONDS = 1000
WHOLE = 127


def of_network(pan: int, number: int) -> bytes:
    """Return a reading of 100 octets with this PAN ID, in octets 3 and 4, and number, in octet 2."""
    frame = air.frame(air.datagram(bytes(40)), number)
    return air.mended(
        frame[:2] + bytes([number]) + pan.to_bytes(2, "little") + frame[5:-2] + bytes(2)
    )


def file(frames: list[tuple[int, bytes]], kept: int) -> io.BytesIO:
    """Return a pcap file of frames with their milliseconds, each cut after ``kept`` octets (link type 195)."""
    made = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, kept, 195)
    for at, octets in frames:
        front = octets[:kept]
        seconds, milliseconds = divmod(at, 1000)
        microseconds = milliseconds * MILLISECONDS
        made += struct.pack("<IIII", 1 + seconds, microseconds, len(front), len(octets)) + front
    return io.BytesIO(made)


def turns(count: int) -> list[tuple[int, bytes]]:
    """Return readings of both networks in turns, 10 ms apart."""
    return [(n * 10, of_network((PAN, OTHER)[n % 2], n & 0xFF)) for n in range(count)]


def cut_frames(capture: CaptureFile, pan: int | None) -> list[tuple[int, ...]]:
    found = audit(capture, contexts=CONTEXTS, pan=pan).findings
    return [one.frames for one in found if one.name == "frames-cut-by-capture"]


def test_what_the_capture_cut_of_others_is_not_told() -> None:
    assert cut_frames(read_capture(file(turns(8), 40)), PAN) == [(1, 3, 5, 7)]
    assert cut_frames(read_capture(file(turns(8), 40)), OTHER) == [(2, 4, 6, 8)]
    assert cut_frames(read_capture(file(turns(8), WHOLE)), PAN) == []


def test_frames_that_were_cut_have_the_numbers_of_all_captures_together() -> None:
    """Each receiver has a network of its own in hearing; the frames of both come in turns."""
    frames = turns(8)

    def both() -> CaptureFile:
        return read_together([file(frames[0::2], WHOLE), file(frames[1::2], 40)])

    assert cut_frames(both(), None) == [(2, 4, 6, 8)]
    assert cut_frames(both(), OTHER) == [(2, 4, 6, 8)]
    assert cut_frames(both(), PAN) == []


def test_what_reading_notices_of_cut_frames_is_of_those_asked_for(tmp_path: Path) -> None:
    """Of 2400 frames in turns each is cut: 1200 of each network, of which the first 1000 are kept."""
    frames = turns(2400)
    for pan, numbers in (
        (None, range(1, 2401)),
        (PAN, range(1, 2401, 2)),
        (OTHER, range(2, 2401, 2)),
    ):
        records = read_capture(file(frames, 40))
        survey(records, pan=pan)
        assert [one.number for one in records.notices] == [*numbers][:1000]
        assert records.notice_count == len(numbers)
    # noticed at the end, of both receivers together, or of one file behind the other
    paths = [tmp_path / "one.pcap", tmp_path / "other.pcap"]
    for path, part in zip(paths, (frames[:100:2], frames[101:200:2]), strict=True):
        path.write_bytes(file(part, 40).getvalue())
    for several in (read_together, read_continued):
        records = several(paths)
        survey(records, pan=OTHER)
        assert [one.number for one in records.notices] == [*range(51, 101)]
        assert records.notice_count == 50


@pytest.mark.parametrize("kept", [8, 7, 5])
def test_a_frame_cut_within_its_addresses_is_of_its_network(kept: int) -> None:
    """Its PAN ID stands in octets 3 and 4: 5 octets tell it."""
    found = survey(read_capture(file(turns(8), kept)), pan=PAN)
    assert (found.total.frames, found.outside) == (4, 4)


def test_what_two_receivers_heard_of_others_is_counted_once() -> None:
    frames = [Record(1, at * 10**6, 195, octets, len(octets)) for at, octets in turns(8)]
    for pan in (None, PAN, OTHER):
        found = audit(read_together([pcap(frames), pcap(frames)]), contexts=CONTEXTS, pan=pan)
        assert found.frames == len(frames)


def pcap(frames: list[Record]) -> io.BytesIO:
    return file([((one.time_ns or 0) // 10**6, one.octets) for one in frames], WHOLE)


def test_who_joins_is_of_the_network_that_it_asks() -> None:
    """An association request: source PAN ID 0xffff and the EUI-64, destination PAN ID that of the coordinator.

    IEEE 802.15.4-2006 clause 7.3.1.1 (from memory): command 1, here of a device that asks for a short address.
    """
    octets = b"\x23\xc8\x05" + PAN.to_bytes(2, "little") + NODE[::-1] + b"\xff\xff"
    octets = air.mended(octets + FAR_NODE[::-1] + b"\x01\x80" + bytes(2))
    records = [
        Record(n, n * 10**9, 195, one, len(one))
        for n, one in enumerate([octets, of_network(OTHER, 7), of_network(PAN, 8)], 1)
    ]
    assert {pan: one.frames for pan, one in survey(records).networks.items()} == {PAN: 2, OTHER: 1}
    assert [one.number for one in follow(records, pan=PAN)] == [1, 3]
