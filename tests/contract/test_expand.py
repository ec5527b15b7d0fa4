"""expand: what the packet library reads out of the file, what is left out, and files whole or not at all."""

import io
import json
import os
import signal
import struct
import subprocess
import sys
from functools import cache
from ipaddress import IPv6Address
from pathlib import Path

import pytest
from click.testing import Result
from contract import air, shelf
from contract.entry import HANGS_S, invoke, reading
from scapy.layers.dot15d4 import Dot15d4FCS
from scapy.layers.inet import UDP
from scapy.layers.inet6 import IPv6

from lowpanbudget import encode_frame

DATAGRAMS = 229  # link type IPv6 (link-type registry)
TOP = Path(__file__).parents[2]
MIXED = [*shelf.frames(b"short", 1), *shelf.frames(bytes(range(200)), 2), *shelf.frames(b"last", 9)]


def expand(*arguments: object, stdin: bytes | None = None) -> Result:
    return invoke("expand", *arguments, *shelf.CONTEXT, stdin=stdin)


def test_the_packet_library_reads_the_datagrams(tmp_path: Path) -> None:
    source, out = shelf.written(tmp_path / "a.pcap", MIXED), tmp_path / "out.pcap"
    done = expand(source, "-o", out)
    assert done.exit_code == 0, done.stderr
    assert done.stdout == ""
    assert "3 datagrams written" in done.stderr
    link_type, found = shelf.read_back(out)
    assert link_type == DATAGRAMS
    packets = [IPv6(octets) for octets in found]
    assert [bytes(packet[UDP].payload) for packet in packets] == [
        b"short",
        bytes(range(200)),
        b"last",
    ]
    for packet in packets:
        assert packet.src == str(air.ip_of(shelf.NODE))
        given = packet[UDP].chksum
        del packet[UDP].chksum  # it is computed anew when the packet is built
        assert IPv6(bytes(packet))[UDP].chksum == given


def test_standard_input_and_json(tmp_path: Path) -> None:
    out = tmp_path / "out.pcap"
    source = shelf.written(tmp_path / "a.pcap", MIXED)
    done = expand("-", "-o", out, "--json", stdin=source.read_bytes())
    told = json.loads(done.stdout)["expand"]
    assert (told["written"], told["output"], told["left_out"]) == (3, str(out), {})


def test_what_is_left_out_is_told(tmp_path: Path) -> None:
    frames = [
        *shelf.frames(b"kept", 1), *shelf.sealed(b"sealed", 2), *shelf.sealed(b"sealed too", 3, 7),
        shelf.frames(bytes(200), 4)[0], bytes.fromhex("020009") + b"\x7c\xa5",
    ]  # fmt: skip
    done = expand(shelf.written(tmp_path / "a.pcap", frames), "-o", tmp_path / "out.pcap")
    assert done.exit_code == 0
    assert "1 datagram written" in done.stderr
    assert "left out 2 times: sealed" in done.stderr
    assert "left out once: the input ended before the datagram was whole" in done.stderr


def test_keys_open(tmp_path: Path) -> None:
    out = tmp_path / "out.pcap"
    source = shelf.written(tmp_path / "a.pcap", shelf.sealed(b"reading"))
    done = expand(source, "-o", out, "--keys", shelf.key_file(tmp_path))
    assert bytes(IPv6(shelf.read_back(out)[1][0])[UDP].payload) == b"reading"
    assert air.KEY.hex() not in done.output


# page 1; RPI-6LoRH with instance and low octet of the rank elided, rank 2 (RFC 8138 figure 10); IPHC with all elided
# and next header 59 (RFC 6282 section 3.1.1)
ROUTED = bytes.fromhex("f1830502" + "7a333b")


def dio(flags: int) -> bytes:
    """A DIO of the root, MOP 1, with a DODAG configuration of these flags (RFC 6550 sections 6.3.1, 6.7.6)."""
    root, to = air.ip_of(shelf.ROOT, "fe80::"), IPv6Address("ff02::1a")
    body = bytes([155, 1, 0, 0, 0, 1, 1, 0, 0x88, 0, 0, 0]) + air.ip_of(shelf.ROOT).packed
    body += bytes([4, 14, flags, 8, 12, 10, 7, 0, 1, 0, 0, 1, 0, 120, 0, 60])
    total = air.checksum(root, to, 58, body)
    packet = air.ipv6(root, to, 58, body[:2] + total.to_bytes(2, "big") + body[4:], 255)
    return air.frames_of(packet, shelf.ROOT, b"\xff\xff")[0]


@pytest.mark.parametrize(
    ("before", "told", "option"),
    [
        ([], True, 0x63),
        (
            [dio(0x00)],
            False,
            0x63,
        ),  # "the default ... the old RPI Option Type value (0x63)" (RFC 9008 section 4.1.3)
        ([dio(0x10)], False, 0x23),  # bit number three: "RPI 0x23 enable"
    ],
    ids=["nobody says", "0x63", "0x23"],
)
def test_which_rpl_option_a_routing_header_stands_for_is_told_once(
    tmp_path: Path, before: list[bytes], told: bool, option: int
) -> None:
    routed = [
        encode_frame(air.mac_of(shelf.NODE, shelf.ROOT, number), ROUTED).octets for number in (7, 9)
    ]
    capture, out = shelf.written(tmp_path / "a.pcap", [*before, *routed]), tmp_path / "out.pcap"
    done = expand(capture, "-o", out, "--json")
    assert done.exit_code == 0
    says = "2 datagrams written with an RPL option of type 0x63 in place of a 6LoRH header"
    assert done.stderr.count(says) == told
    assert json.loads(done.stdout)["expand"]["rpl_option_type_assumed"] == 2 * told
    _, (*_, last) = shelf.read_back(out)
    # hop-by-hop options of one unit with next header 59: type, 4 octets, no flags, instance 0, rank 0x0200 (RFC 6553)
    assert last[40:48] == bytes([59, 0, option, 4, 0, 0, 2, 0])


# --- decrypted frames ---------------------------------------------------------------------------------


def test_decrypted_frames_have_no_protection(tmp_path: Path) -> None:
    out = tmp_path / "out.pcap"
    source = shelf.written(tmp_path / "a.pcap", shelf.sealed(b"reading", 7))
    done = expand(source, "-o", out, "--decrypted", "--keys", shelf.key_file(tmp_path))
    assert done.exit_code == 0
    assert "caution" in done.stderr
    assert "protected on the air" in done.stderr
    link_type, (frame,) = shelf.read_back(out)
    packet = Dot15d4FCS(frame)
    assert link_type == 195
    assert packet.fcf_security == 0
    assert packet.seqnum == 7
    check = packet.compute_fcs(frame[:-2])  # type: ignore[no-untyped-call]  # the library is untyped
    assert packet.fcs == int.from_bytes(check, "little")
    assert frame[:-2].endswith(air.compressed(shelf.datagram(b"reading"), shelf.NODE, shelf.ROOT))
    assert air.KEY.hex() not in done.output


@pytest.mark.skipif(os.name != "posix", reason="modes of files, devices")
@pytest.mark.parametrize("how", ["--decrypted", "--keys"])
def test_what_was_sealed_is_for_who_opened_it_alone(tmp_path: Path, how: str) -> None:
    source = shelf.written(tmp_path / "a.pcap", shelf.sealed(b"reading", 7))
    given = [how, *([shelf.key_file(tmp_path)] if how == "--keys" else [])]
    out = tmp_path / "out.pcap"
    out.touch(mode=0o644)
    done = expand(source, "-o", out, *given)
    assert "caution" in done.stderr
    assert out.stat().st_mode & 0o777 == 0o600
    done = expand(source, "-o", "/dev/null", *given)
    assert done.exit_code == 2
    assert "others may read it" in done.stderr
    assert expand(source, "-o", "/dev/null").exit_code == 0
    assert expand(source, "-o", tmp_path / "open.pcap").stderr.count("caution") == 0


# --- whole or not at all, and never over the input ----------------------------------------------------


def test_never_over_what_is_read(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", MIXED)
    before = source.read_bytes()
    (tmp_path / "link").symlink_to(source)
    os.link(source, tmp_path / "hard")
    (tmp_path / "folder").mkdir()
    keys = shelf.key_file(tmp_path)
    for target in (
        source,
        tmp_path / "link",
        tmp_path / "hard",
        tmp_path / "folder" / ".." / "a.pcap",
    ):
        done = expand(source, "-o", target)
        assert done.exit_code == 2
        assert "also read" in done.stderr
    assert expand(source, "-o", keys, "--keys", keys).exit_code == 2
    assert "[[key]]" in keys.read_text()
    assert source.read_bytes() == before
    assert sorted(one.name for one in tmp_path.iterdir()) == [
        "a.pcap", "folder", "hard", "keys.toml", "link",
    ]  # fmt: skip


def test_never_over_what_comes_on_standard_input(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", MIXED)
    before = source.read_bytes()
    with source.open("rb") as file:
        done = subprocess.run(
            [sys.executable, "-m", "lowpanbudget", "expand", "-", "-o", str(source)],
            stdin=file, capture_output=True, check=False, cwd=TOP,
        )  # fmt: skip
    assert done.returncode == 2
    assert source.read_bytes() == before


@pytest.mark.parametrize(
    "target", ["none/out.pcap", "a.pcap/out.pcap", ".", "/proc/out.pcap", "x\0y", ""]
)
def test_places_that_cannot_be_written(tmp_path: Path, target: str) -> None:
    source = shelf.written(tmp_path / "a.pcap", MIXED)
    place = target if target[:1] in ("/", "") else f"{tmp_path}/{target}"
    done = expand(source, "-o", place)
    assert done.exit_code == 2
    assert "Traceback" not in done.output
    assert [one.name for one in tmp_path.iterdir()] == ["a.pcap"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full")
def test_a_disk_that_is_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = shelf.written(tmp_path / "a.pcap", MIXED)
    done = expand(source, "-o", "/dev/full")
    assert done.exit_code == 2
    assert "cannot be written" in done.stderr

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    out = tmp_path / "out.pcap"
    out.write_bytes(b"before")
    monkeypatch.setattr(os, "fsync", full)
    assert expand(source, "-o", out).exit_code == 2
    assert out.read_bytes() == b"before"
    assert sorted(one.name for one in tmp_path.iterdir()) == ["a.pcap", "out.pcap"]


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 143), (signal.SIGINT, 130)])
def test_a_process_that_is_ended_leaves_nothing(tmp_path: Path, number: int, code: int) -> None:
    out = tmp_path / "out.pcap"
    with reading(_many(2000), "expand", "-", "-o", str(out)) as process:
        assert list(tmp_path.iterdir()) != []
        process.send_signal(number)
        process.communicate(timeout=HANGS_S)
    assert process.returncode == code
    assert list(tmp_path.iterdir()) == []


# --- wrong files --------------------------------------------------------------------------------------


def test_a_cut_file_gives_its_whole_frames(tmp_path: Path) -> None:
    source, out = shelf.written(tmp_path / "a.pcap", MIXED), tmp_path / "out.pcap"
    whole = source.read_bytes()
    for cut in (1, 20, 40):
        source.write_bytes(whole[:-cut])
        done = expand(source, "-o", out)
        assert done.exit_code == 3
        assert "after frame 4" in done.stderr
        assert len(shelf.read_back(out)[1]) == 2


@pytest.mark.parametrize("octets", [b"\x89PNG\r\n\x1a\n", bytes(range(256)) * 400])
def test_what_is_no_capture_writes_nothing(tmp_path: Path, octets: bytes) -> None:
    source, out = tmp_path / "a.pcap", tmp_path / "out.pcap"
    source.write_bytes(octets)
    done = expand(source, "-o", out)
    assert done.exit_code == 3
    assert done.stdout == ""
    assert not out.exists()


def test_wrong_requests(tmp_path: Path) -> None:
    source, out = shelf.written(tmp_path / "a.pcap", MIXED), tmp_path / "out.pcap"
    for wrong in (
        (source,), (tmp_path / "none", "-o", out), (source, "-o", out, "--keys", tmp_path / "none"),
        (source, "-o", out, "--fcs", "1"), (source, "-o", out, "--design", tmp_path / "none"),
    ):  # fmt: skip
        assert expand(*wrong).exit_code == 2
        assert not out.exists()


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="nothing tells a peak")
def test_memory_stays_flat(tmp_path: Path) -> None:
    """Twenty times the frames, the same peak within 5 MB; ``ru_maxrss`` would begin with that of the tests."""
    probe = (
        "from lowpanbudget.cli.main import run\n"
        "try:\n    run()\n"
        "finally:\n"
        "    told = dict(line.split(':', 1) for line in open('/proc/self/status'))\n"
        "    print(int(told['VmHWM'].split()[0]) // 1024)\n"
    )
    peaks = []
    for count in (500, 10_000):
        source = tmp_path / f"{count}.pcap"
        source.write_bytes(_many(count))
        done = subprocess.run(
            [sys.executable, "-c", probe, "expand", str(source), "-o", str(tmp_path / "out.pcap"), *shelf.CONTEXT],
            capture_output=True, text=True, check=True, cwd=TOP,
        )  # fmt: skip
        peaks.append(int(done.stdout.split()[-1]))
    assert peaks[1] - peaks[0] < 5


@cache
def _made() -> list[bytes]:
    return [shelf.frames(bytes([n]) * 60, n)[0] for n in range(200)]


def _many(count: int) -> bytes:
    file = io.BytesIO()
    file.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 195))
    for index in range(count):
        frame = _made()[index % 200]
        file.write(struct.pack("<IIII", index * 10, 0, len(frame), len(frame)) + frame)
    return file.getvalue()
