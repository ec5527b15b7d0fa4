"""The command: exit codes, what people and programs get, files that are cut, text that would steer a terminal."""

import json
import struct
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from findings import air
from findings.air import Capture
from findings.cases_link import LINK_CASES, counters
from findings.cases_reading import READING_TOLD
from findings.judge import CAPTURE_NAMES, DESIGN_NAMES, Told, own_advice, own_cite
from findings.test_cases import CASES
from scapy.layers.dot15d4 import Dot15d4FCS
from scapy.layers.inet import UDP
from scapy.layers.inet6 import IPv6
from scapy.layers.l2 import Ether
from scapy.utils import RawPcapWriter

from lowpanbudget.cli.main import program
from lowpanbudget.layers.link.fcs import fcs


def invoke(*arguments: object, stdin: bytes | None = None) -> Result:
    return CliRunner().invoke(program, [str(one) for one in arguments], input=stdin)


def written(path: Path, capture: Capture) -> Path:
    """The capture as a pcap file, written by the packet library."""
    writer = RawPcapWriter(str(path), linktype=195, sync=True)
    writer.write_header(None)
    for time_s, octets in capture.timed():
        writer.write_packet(octets, sec=int(time_s), usec=round(time_s % 1 * 1e6))
    writer.close()
    return path


def sound() -> Capture:
    return Capture(list(air.frames([air.datagram(bytes([n]) * 9) for n in range(8)])))


def contexts(capture: Capture) -> list[str]:
    return [
        part for n, prefix in capture.contexts.items() for part in ("--context", f"{n}={prefix}")
    ]


def audited(path: Path, *arguments: object) -> tuple[int, dict[str, Any]]:
    done = invoke("audit", path, "--json", *arguments)
    (one,) = json.loads(done.stdout)["audit"]
    return done.exit_code, one


def written_out(one: dict[str, Any]) -> Told:
    """What a finding says, from the form for programs."""
    evidence, frames = tuple(one["evidence"]), tuple(one["frames"])
    advice = own_advice(one["name"], one["advice"])
    cite = own_cite(one["name"], one["cite"])
    return Told(
        one["severity"], one["subject"], one["cause"], evidence, frames, one["count"], advice, cite
    )


def test_a_sound_capture_ends_with_0(tmp_path: Path) -> None:
    path = written(tmp_path / "a.pcap", sound())
    done = invoke("audit", path, *contexts(sound()))
    assert done.exit_code == 0
    assert "8 frames, nothing found" in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    "name", ["identifier-by-old-rule", "fragmented-without-need", "pan-id-carried-twice"]
)
def test_a_finding_of_weight_ends_with_1(tmp_path: Path, name: str) -> None:
    capture = CASES[name].fires()
    code, found = audited(written(tmp_path / "a.pcap", capture), *contexts(capture))
    assert code == 1
    assert found["frames"] == len(capture.air)
    assert {one["name"] for one in found["findings"]} == {name}
    (one,) = found["findings"]
    assert one["has_weight"]
    assert written_out(one) == CASES[name].told
    assert one["advice"]
    assert one["cite"].startswith(("RFC", "IEEE"))


def test_a_remark_ends_with_0(tmp_path: Path) -> None:
    capture = CASES["not-a-lowpan-frame"].fires()
    code, found = audited(written(tmp_path / "a.pcap", capture))
    assert code == 0
    assert [one["severity"] for one in found["findings"]] == ["remark"]


def test_several_captures_and_standard_input(tmp_path: Path) -> None:
    first = written(tmp_path / "a.pcap", sound())
    second = written(tmp_path / "b.pcap", CASES["pan-id-carried-twice"].fires())
    done = invoke("audit", first, "-", "--json", *contexts(sound()), stdin=second.read_bytes())
    assert done.exit_code == 1
    clean, other = json.loads(done.stdout)["audit"]
    assert (clean["capture"], clean["findings"]) == (str(first), [])
    assert other["capture"] == "-"
    assert invoke("audit", "-", "-").exit_code == 2


def test_the_packet_library_agrees_on_the_frames() -> None:
    """What was written is what another reader sees: source, PAN ID and check sequence of each frame."""
    for time_s, octets in sound().timed():
        packet = Dot15d4FCS(octets)
        assert packet.src_addr == 0x17, time_s
        assert packet.dest_panid == air.PAN
        assert packet.fcs == int.from_bytes(octets[-2:], "little")


def test_a_cut_file_is_one_finding_and_its_whole_frames_count(tmp_path: Path) -> None:
    path = written(tmp_path / "a.pcap", sound())
    octets = path.read_bytes()
    for cut in (1, 9, 30):
        path.write_bytes(octets[:-cut])
        code, found = audited(path, *contexts(sound()))
        assert code == 3
        assert found["frames"] in {7, 8}
        (one,) = found["findings"]
        assert one["name"] == "capture-damaged"
        if cut == 9:
            assert written_out(one) == READING_TOLD["capture-damaged"]


def test_two_files_joined_are_told_as_that(tmp_path: Path) -> None:
    """The header of the second stands behind 24 octets and 8 records of 16 and 26."""
    path = written(tmp_path / "a.pcap", sound())
    path.write_bytes(path.read_bytes() * 2)
    code, found = audited(path, *contexts(sound()))
    (one,) = found["findings"]
    assert (code, one["subject"], one["evidence"]) == (3, "files-joined", ["octet 360 of the file"])
    assert "--continued" in one["advice"]


def test_frames_that_a_small_snap_length_cut_are_told_with_it(tmp_path: Path) -> None:
    """A file's header has the snap length at octet 16; a record the octets kept at 8, those on the air at 12."""
    octets = written(tmp_path / "a.pcap", sound()).read_bytes()
    cut, at = bytearray(octets[:16] + struct.pack("<I", 20) + octets[20:24]), 24
    while at < len(octets):
        kept, original = struct.unpack_from("<2I", octets, at + 8)
        assert (kept, original) == (26, 26)
        cut += octets[at : at + 8] + struct.pack("<2I", 20, 26) + octets[at + 16 : at + 36]
        at += 16 + kept
    path = tmp_path / "b.pcap"
    path.write_bytes(cut)
    code, found = audited(path, *contexts(sound()))
    (one,) = found["findings"]
    assert (code, one["name"]) == (1, "frames-cut-by-capture")
    assert written_out(one) == READING_TOLD["frames-cut-by-capture"]
    assert "snap length" in one["advice"]


def test_a_text_without_times(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    frames: Iterable[bytes] = air.frames([air.datagram(bytes([n]) * 9) for n in range(8)])
    path.write_text("\n".join(frame.hex(" ") for frame in frames), "ascii")
    code, found = audited(path, *contexts(sound()))
    assert (code, found["frames"], found["findings"]) == (0, 8, [])


def test_a_text_claims_no_check_sequences(tmp_path: Path) -> None:
    """A text has no header that could name a link type, as a file of draft-ietf-opsawg-pcap has one."""
    path = tmp_path / "a.txt"
    frames: Iterable[bytes] = air.frames([air.datagram(bytes([n]) * 9) for n in range(8)])
    path.write_text("\n".join(frame[:-2].hex(" ") for frame in frames), "ascii")
    code, found = audited(path, *contexts(sound()))
    assert (code, found["frames"], found["findings"]) == (0, 8, [])


def test_a_garbled_line_of_a_text_is_a_finding_and_no_frame(tmp_path: Path) -> None:
    """A line has 26 octets, so 77 characters and its end; of the tenth octet the second digit stands at column 29."""
    path = tmp_path / "a.txt"
    frames: Iterable[bytes] = air.frames([air.datagram(bytes([n]) * 9) for n in range(8)])
    lines = [frame.hex(" ") for frame in frames]
    lines[1] = f"{lines[1][:28]}l{lines[1][29:]}"
    path.write_text("\n".join(lines), "ascii")
    code, found = audited(path, *contexts(sound()))
    (one,) = found["findings"]
    assert (code, found["frames"], one["name"]) == (3, 7, "text-not-read")
    assert written_out(one) == READING_TOLD["text-not-read"]


@pytest.mark.parametrize(
    ("frame", "severity"), [("b0 61", "risk"), (air.frame(air.datagram()).hex(" "), "remark")]
)
def test_a_text_with_hardly_any_octets_is_no_capture(
    tmp_path: Path, frame: str, severity: str
) -> None:
    """30 lines of words, and one with octets: two that are no header, or a frame of a network, as in a log."""
    path = tmp_path / "notes.txt"
    path.write_text("the quick words go on\n" * 30 + frame + "\n", "ascii")
    _, found = audited(path, *contexts(sound()))
    told = next(one for one in found["findings"] if one["subject"] == "line-wrong")
    hardly = "30 lines have no octets in hex, and nothing in the others names a PAN: this is hardly a capture"
    assert (told["severity"], told["count"]) == (severity, 30)
    assert (told["cause"] == hardly) is (severity == "risk")


def test_a_counter_that_goes_back_is_told_without_times_too(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    frames = [frame for _, frame in counters(900, 901, 0).timed()]
    path.write_text("\n".join(frame.hex(" ") for frame in frames), "ascii")
    _, found = audited(path)
    assert "frame-counter-went-back" in {one["name"] for one in found["findings"]}


def test_a_capture_that_took_the_check_sequence_off(tmp_path: Path) -> None:
    taken = Capture([bytes(one[:-2]) for one in sound().air if isinstance(one, bytes)])
    code, found = audited(written(tmp_path / "a.pcap", taken), *contexts(sound()))
    assert code == 0
    (one,) = found["findings"]
    assert one["name"] == "check-sequence-not-as-said"
    assert written_out(one) == READING_TOLD["check-sequence-not-as-said"]


@pytest.mark.parametrize("acknowledged", [False, True])
def test_check_sequences_with_their_octets_exchanged(tmp_path: Path, *, acknowledged: bool) -> None:
    """Where nodes take them it is the capture: type 2 and the number are an acknowledgement (IEEE 802.15.4, 7.3.3)."""
    frames: list[tuple[float, bytes]] = []
    for number in range(8):
        frames.append((number, air.frame(air.datagram(bytes([number]) * 9), number)))
        if acknowledged:
            frames.append((number + 0.002, air.mended(bytes([2, 0, number]) + b"\0\0")))
    turned = Capture([(time, one[:-2] + one[:-3:-1]) for time, one in frames])
    code, found = audited(written(tmp_path / "a.pcap", turned), *contexts(turned))
    (one,) = found["findings"]
    assert (one["name"], one["severity"]) == (
        "check-sequence-not-as-said",
        "remark" if acknowledged else "risk",
    )
    assert code == (not acknowledged)
    assert one["cause"] == (
        f"the FCS is right in none of {len(frames)} frames: what stands there is one with its octets exchanged"
    )


def test_a_design_is_compared_with(tmp_path: Path) -> None:
    capture = CASES["port-not-in-design"].fires()
    path = written(tmp_path / "a.pcap", capture)
    plan = tmp_path / "store.toml"
    from findings.cases_application import DESIGN

    plan.write_text(DESIGN.format(link=""), "utf-8")
    code, found = audited(path, "--design", plan)
    assert code == 1
    assert [one["name"] for one in found["findings"]] == ["port-not-in-design"]


def test_keys_open_frames(tmp_path: Path) -> None:
    capture = LINK_CASES["integrity-code-wrong"].stays()
    path = written(tmp_path / "a.pcap", capture)
    keys = tmp_path / "keys.toml"
    keys.write_text(f'[[key]]\noctets = "{air.KEY.hex()}"\nindex = 1\n', "ascii")
    keys.chmod(0o600)
    sealed = audited(path, *contexts(capture))[1]
    opened = audited(path, *contexts(capture), "--keys", keys)[1]
    assert [one["name"] for one in sealed["findings"]] == ["key-missing"]
    assert opened["findings"] == []
    assert air.KEY.hex() not in json.dumps([sealed, opened])


def test_wrong_requests(tmp_path: Path) -> None:
    path = written(tmp_path / "a.pcap", sound())
    assert invoke("audit").exit_code == 2
    assert invoke("audit", tmp_path / "none.pcap").exit_code == 2
    assert invoke("audit", path, "--wait", "61").exit_code == 2
    assert invoke("audit", path, "--wait", "nan").exit_code == 2
    assert invoke("audit", path, "--context", "99=2001:db8::/64").exit_code == 2


@pytest.mark.parametrize("size", [0, 1, 24, 1000, 100_000])
def test_random_octets_are_no_capture_or_an_odd_one(tmp_path: Path, size: int) -> None:
    path = tmp_path / "a.pcap"
    header = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 195)
    path.write_bytes(
        (header + bytes((n * 7919 + n // 251) & 0xFF for n in range(size)))[: size or 24]
    )
    assert invoke("audit", path).exit_code in {0, 1, 2, 3}


def test_text_in_data_cannot_steer_a_terminal(tmp_path: Path) -> None:
    path = tmp_path / "[bold]\x1b[31m.pcap"
    written(path, sound())
    shown = invoke("audit", path, *contexts(sound())).stdout
    assert "\x1b" not in shown
    assert "[bold]" in shown


@pytest.mark.parametrize("name", [*CAPTURE_NAMES, *DESIGN_NAMES])
def test_explain_prints_every_manual(name: str) -> None:
    (found,) = json.loads(invoke("explain", name, "--json").stdout)["found"]
    assert found["kind"] == "finding"
    assert [section["name"] for section in found["sections"]] == [
        "What it sees", "Why it costs", "When it is no fault", "Example", "What to do",
    ]  # fmt: skip


def test_explain_for_people() -> None:
    shown = invoke("explain", "context-table-differs").stdout
    for words in ("What it sees", "When it is no fault", "Spread the same contexts"):
        assert words in shown
    assert "context-table-differs" in invoke("explain", "findings").stdout


@pytest.mark.parametrize("octets", [0, 24])
def test_an_empty_capture_is_no_answer(tmp_path: Path, octets: int) -> None:
    """A file that holds nothing is told once, whether or not it has a header."""
    path = written(tmp_path / "a.pcap", Capture([]))
    path.write_bytes(path.read_bytes()[:octets])
    code, found = audited(path)
    assert (code, found["frames"]) == (1, 0)
    (one,) = found["findings"]
    assert written_out(one) == READING_TOLD["nothing-to-judge"]


@pytest.mark.parametrize(("link_type", "code"), [(1, 1), (195, 0), (147, 1)])
def test_a_capture_of_another_link_is_no_answer(tmp_path: Path, link_type: int, code: int) -> None:
    # Ethernet is link type 1 (registry of link-layer header types); a short acknowledgement is a frame under 195
    octets = {1: bytes(Ether() / IPv6() / UDP() / b"abc")}.get(link_type, bytes.fromhex("020007"))
    if link_type == 195:
        octets += fcs(octets)
    path = tmp_path / "a.pcap"
    writer = RawPcapWriter(str(path), linktype=link_type, sync=True)
    writer.write_header(None)
    writer.write_packet(octets, sec=1, usec=0)
    writer.close()
    got, found = audited(path)
    told = {one["name"]: one for one in found["findings"]}
    assert (got, "nothing-to-judge" in told) == (code, bool(code))
    if link_type == 147:  # for private use: whoever captures as one of these has it read
        advice = told["not-read-further"]["advice"]
        assert advice.startswith("Link types that are read are 1, 101, 195, 229, 215, 230, 283")
    expanded = invoke("expand", path, "-o", tmp_path / "b.pcap")
    assert expanded.exit_code == 0


def test_an_empty_capture_has_nothing_to_expand(tmp_path: Path) -> None:
    path = written(tmp_path / "a.pcap", Capture([]))
    result = invoke("expand", path, "-o", tmp_path / "b.pcap")
    assert result.exit_code == 1
    assert "holds no frame" in result.stderr
