"""A payload cut into frames, beside what stands in their octets as RFC 4944 section 5.3 and RFC 8931 print them."""

import json
import re
from pathlib import Path

import pytest
from contract.entry import invoke

from lowpanbudget import DoesNotFit, load_design
from lowpanbudget.design.cut import cut_frames
from lowpanbudget.design.path import FlowPath
from lowpanbudget.values import replace

EXAMPLES = Path(__file__).parents[2] / "examples"
FOOTBRIDGE = load_design(EXAMPLES / "footbridge.toml")
PATHS = [
    replace(path, link=replace(path.link, security=None))  # so that octets can be read
    for flow in FOOTBRIDGE.flows for path in FOOTBRIDGE.paths(flow)
]  # fmt: skip


def named(path: FlowPath) -> str:
    return f"{path.flow.name}-{path.hop.name}"


@pytest.mark.parametrize("path", PATHS, ids=named)
@pytest.mark.parametrize("octets", [170, 200, 333])
def test_each_frame_is_told_as_its_octets_say(path: FlowPath, octets: int) -> None:
    told = cut_frames(path, octets)
    frames = path.frames(bytes(octets))
    assert [one.octets for one in told] == [len(frame.octets) for frame in frames]
    assert sum(one.payload for one in told) == octets
    tags = set()
    for number, (one, frame) in enumerate(zip(told, frames, strict=True)):
        assert one.octets + one.free == 127
        at = frame.octets[one.front :]
        # 11000, datagram_size, datagram_tag; of others 11100 and behind both datagram_offset in units of 8
        size = int.from_bytes(at[:2], "big") & 0x7FF
        assert at[0] >> 3 == (0b11100 if number else 0b11000)
        assert one.cut == (5 if number else 4)
        assert one.start == (8 * at[4] if number else 0)
        tags.add((size, at[2:4]))
    assert len(tags) == 1
    assert told[-1].end == next(iter(tags))[0] == len(path.datagram(bytes(octets)))
    assert [one.start for one in told[1:]] == [one.end for one in told[:-1]]
    assert {one.unit for one in told} == {8}
    # in later fragments the datagram stands as it is
    assert [one.headers + one.payload for one in told[1:]] == [
        one.end - one.start for one in told[1:]
    ]


def test_one_frame_has_no_fragment_header() -> None:
    (one,) = cut_frames(PATHS[0], 10)
    assert (one.cut, one.start, one.end) == (0, 0, len(PATHS[0].datagram(bytes(10))))


def test_recoverable_fragments_end_anywhere() -> None:
    path = replace(PATHS[0], link=replace(PATHS[0].link, recoverable=True))
    told = cut_frames(path, 200)
    for one, frame in zip(told, path.frames(bytes(200)), strict=True):
        at = frame.octets[one.front :]
        # RFC 8931 section 5.1: 1110100E, tag, X with sequence and Fragment_Size of 5 and 10 bits, Fragment_Offset
        size, offset = int.from_bytes(at[2:4], "big") & 0x3FF, int.from_bytes(at[4:6], "big")
        assert (at[0] >> 1, one.cut, one.unit) == (0b1110100, 6, 1)
        assert one.end - one.start == size
        # "Fragment_Offset ... when the Sequence is zero ... MUST be set to the Datagram_Size"
        assert offset == (one.start or told[-1].end)


def test_what_cannot_be_sent_is_refused() -> None:
    with pytest.raises(DoesNotFit):
        cut_frames(PATHS[0], 1281)
    with pytest.raises(DoesNotFit):
        cut_frames(PATHS[0], 10**15)  # and is not made


def test_the_command_draws_what_is_cut(tmp_path: Path) -> None:
    design, picture = str(EXAMPLES / "footbridge.toml"), tmp_path / "cut.svg"
    asked = ("budget", design, "--octets", "200", "--max-frames", "3", "--flow", "features")
    told = invoke(*asked, "--svg", str(picture)).stdout
    # RFC 4944 section 5.3: 4 and 5 octets, and all but the last in units of 8
    assert "features, forwarded hop: 200 octets in 3 frames" in told
    assert re.search(r"1 +120 +29 +4 +23 +64 +7\n +2 +122 +29 +5 +0 +88 +5\n", told)
    assert "0-111: 112 = 14 x 8" in told
    assert "features, first hop: 200 octets in 3 frames" in picture.read_text("utf-8")
    (row,) = json.loads(invoke(*asked, "--json").stdout)["carrying"]
    assert [[one["cut"] for one in hop["frames"]] for hop in row["cut"]] == [[4, 5, 5]] * 2
    unsent = invoke("budget", design, "--octets", "1000000000000", "--svg", str(picture))
    assert unsent.exit_code == 2
    assert "no flow carries so many octets" in unsent.stderr
