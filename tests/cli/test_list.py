"""A line a frame, against what is known of frames that were made here."""

import json
from pathlib import Path
from typing import Any

import pytest
from capture.captures import DESIGN, icmpv6_datagram
from contract import air, shelf
from contract.entry import invoke

from lowpanbudget import DaoAck, Mac, NeighborAdvertisement, RouterSolicitation, encode_frame
from lowpanbudget.layers.internet.nd.lowpan_options import AddressRegistration
from lowpanbudget.layers.link.fcs import fcs
from lowpanbudget.report import machine

A, B, ROOT = air.eui(1), air.eui(2), air.eui(0x100)
SHORT = air.short(0x12)


def listed(capture: Path, *options: str) -> list[dict[str, Any]]:
    done = invoke("annotate", capture, *shelf.CONTEXT, "--list", *options, "--json")
    found: list[dict[str, Any]] = json.loads(done.stdout)["list"]
    return found


def of(payload: bytes, sequence: int, link: bytes = A, **options: Any) -> list[bytes]:
    datagram = air.udp_datagram(air.ip_of(link), air.ip_of(ROOT), payload, **options)
    return air.frames_of(datagram, link, ROOT, sequence=sequence)


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    request = bytes([0x40, 0x02, 0, 1]) + b"\xb1r\xff" + b"x"  # RFC 7252 figure 7: CON, POST, /r
    solicitation = icmpv6_datagram(
        air.ip_of(A, "fe80::"), air.ip_of(ROOT, "fe80::"), RouterSolicitation()
    )
    damaged = bytearray(of(b"damaged", 8)[0])
    damaged[-1] ^= 1
    frames = [
        *of(b"one", 1, SHORT), bytes.fromhex("020001") + b"\x5e\x7e", *of(bytes(120), 2),
        *of(request, 4, ports=(61000, 5683)), *air.frames_of(solicitation, A, ROOT, sequence=5),
        *shelf.sealed(b"secret", 6), *of(b"one", 1, SHORT), bytes(damaged),
        encode_frame(Mac(3, 1, 7, air.PAN, ROOT, None, A, pan_id_compression=True), b"\x04").octets,
    ]  # fmt: skip
    ack = encode_frame(Mac(2, 0, 1), b"").octets  # with its check sequence
    frames[1] = ack
    return shelf.written(
        tmp_path / "a.pcap", [(100 + 0.25 * at, one) for at, one in enumerate(frames)]
    )


def test_who_to_whom_with_what(capture: Path) -> None:
    rows = listed(capture)
    assert [row["carries"] for row in rows] == [
        "UDP 61617 to 61618", "acknowledgement", "octets from 0 of 168, UDP 61617 to 61618",
        f"octets from {rows[3]['carries'].split()[2]} of 168, UDP 61617 to 61618", "CoAP 0.02 POST /r",
        "router solicitation", "data, sealed", "UDP 61617 to 61618, again, as 1", "data, damaged",
        "command: data request",
    ]  # fmt: skip
    assert [row["number"] for row in rows] == list(range(1, 11))
    assert rows[3]["time_s"] == "0.750000"
    assert [(row["source"], row["destination"]) for row in rows[:3]] == [
        (SHORT.hex(), ROOT.hex()), (None, None), (A.hex(), ROOT.hex()),
    ]  # fmt: skip


def test_a_fragment_says_which_it_is_where_its_context_is_not_known(tmp_path: Path) -> None:
    """The headers of fragments stand before what is compressed (RFC 4944 section 5.3, RFC 8931 section 5.1)."""
    frames = [
        encode_frame(
            air.mac_of(A, ROOT, number), head + bytes.fromhex("7ee5 30") + bytes(40)
        ).octets
        for number, head in enumerate(map(bytes.fromhex, ("c0a8 0007", "e807 002b 0064")))
    ]
    path = shelf.written(tmp_path / "a.pcap", [(1.0 + at, one) for at, one in enumerate(frames)])
    assert [row["carries"] for row in listed(path)] == [
        "octets from 0 of 168, not read to its end", "recoverable fragment 0, not read to its end",
    ]  # fmt: skip


def test_a_beacon_says_what_it_announces(tmp_path: Path) -> None:
    """Octets by hand (IEEE 802.15.4-2015 clause 7.4.4.2 and 2006, clause 7.2.2.1.2, from memory).

    Version 2: termination 1, an MLME IE of 8 octets, in it 0x1a with a slot number of 5 octets and the join metric;
    else a superframe specification, whose bit 14 is the PAN coordinator's and bit 15 permits association.
    """
    sync = bytes.fromhex("003f" + "0888" + "061a" + "7856341200" + "03")
    enhanced = (1 << 6 | 1 << 9 | 2 << 10 | 2 << 12 | 3 << 14).to_bytes(2, "little")
    enhanced += b"\x05" + air.PAN.to_bytes(2, "little") + b"\xff\xff" + A[::-1] + sync
    old = [
        encode_frame(Mac(0, 1, 1, None, None, air.PAN, A), octets + b"\0\0").octets
        for octets in (b"\xff\xcf", b"\xff\x0f")
    ]
    frames = [enhanced + fcs(enhanced), *old]
    file = shelf.written(tmp_path / "beacons.pcap", list(enumerate(frames)))
    assert [row["carries"] for row in listed(file)] == [
        "beacon, ASN 305419896, join metric 3",
        "beacon, from the PAN coordinator, open for joining",
        "beacon, from a coordinator, closed for joining",
    ]


def test_a_refusal_is_told(tmp_path: Path) -> None:
    """Status 2 of RFC 6775 table 1; a DAO-ACK from 128 on is a rejection (RFC 6550 section 6.5.1)."""
    ends = air.ip_of(ROOT, "fe80::"), air.ip_of(A, "fe80::")
    answers: list[Any] = [
        NeighborAdvertisement(
            target=ends[0],
            options=(AddressRegistration(status=status, rovr=A, registration_lifetime=60),),
        )
        for status in (0, 2)
    ]
    answers += [DaoAck(rpl_instance_id=0, sequence=1, status=180)]
    frames = [
        air.frames_of(icmpv6_datagram(*ends, answer), ROOT, A, sequence=number)
        for number, answer in enumerate(answers)
    ]
    rows = listed(shelf.written(tmp_path / "a.pcap", [one for (one,) in frames]))
    assert [row["carries"] for row in rows] == [
        "neighbor advertisement", "neighbor advertisement, status 2: neighbour cache full",
        "destination advertisement object acknowledgement, status 180: rejected",
    ]  # fmt: skip


def test_records_of_dtls_are_named(tmp_path: Path) -> None:
    """RFC 9147 figure 5, RFC 6347 section 4.3.2; alert 20 is bad_record_mac (RFC 5246 section 7.2, from memory)."""

    def record(kind: int, fragment: bytes, epoch: int = 0) -> bytes:
        head = bytes([kind]) + b"\xfe\xfd" + epoch.to_bytes(2, "big") + bytes(6)
        return head + len(fragment).to_bytes(2, "big") + fragment

    hello = b"\x01" + bytes(
        11
    )  # an empty one: RFC 6347 section 4.2.2 gives type, lengths and offset
    sent = [
        record(22, hello), record(20, b"\x01") + record(22, bytes(24), 1), record(21, b"\x02\x14"),
        record(23, bytes(24), 1), record(23, b"data"),
    ]  # fmt: skip
    frames = [of(one, number, ports=(61000, 5684))[0] for number, one in enumerate(sent)]
    path = shelf.written(tmp_path / "a.pcap", list(enumerate(frames)))
    assert [row["carries"] for row in listed(path)] == [
        "DTLS client hello", "DTLS change cipher spec, handshake, epoch 1", "DTLS alert: bad record MAC",
        "DTLS application data, epoch 1", "DTLS application data in the clear",
    ]  # fmt: skip


def test_room_is_what_is_left_to_127_octets(capture: Path) -> None:
    """IEEE 802.15.4-2006 table 85 (from memory): aMaxPHYPacketSize is 127, check sequence included."""
    sizes = [int(row["octets"]) for row in listed(capture)]
    assert [row["room"] for row in listed(capture)] == [
        None if at in {1, 9} else 127 - size for at, size in enumerate(sizes)
    ]
    assert sizes == [len(octets) for octets in shelf.read_back(capture)[1]]


def test_findings_stand_at_their_frames() -> None:
    """All frames of every finding, where the audit names the first twelve."""
    archive = ("examples/archive.pcap", "--design", "examples/archive.toml")
    rows = json.loads(invoke("annotate", *archive, "--list", "--json").stdout)["list"]
    (audited,) = json.loads(invoke("audit", *archive, "--json").stdout)["audit"]
    here = {
        name: [row["number"] for row in rows if name in row["findings"]]
        for name in {name for row in rows for name in row["findings"]}
    }
    for finding in audited["findings"]:
        if finding["frames"]:
            assert set(finding["frames"]) <= set(here[finding["name"]]), finding["name"]
    assert set(here) == {finding["name"] for finding in audited["findings"]}
    assert len(here["key-missing"]) > 12


def test_flows_and_messages_of_a_design(tmp_path: Path) -> None:
    design = tmp_path / "design.toml"
    design.write_text(DESIGN, "utf-8")
    path = shelf.written(tmp_path / "a.pcap", [*of(b"\x02\x01", 1), *of(b"??", 2)])
    rows = listed(path, "--design", str(design))
    assert [row["carries"] for row in rows] == [
        "UDP 61617 to 61618, climate: alarm", "UDP 61617 to 61618, climate",
    ]  # fmt: skip


@pytest.mark.parametrize("width", [80, 120])
def test_a_line_a_frame(capture: Path, width: int) -> None:
    shown = invoke(
        "annotate", capture, *shelf.CONTEXT, "--list", "--node", A.hex(), COLUMNS=str(width)
    )
    lines = shown.stdout.splitlines()
    assert max(map(len, lines)) <= width
    assert lines[1] == "Addresses that begin with 02:00:5e:ef:10:00 are shown from there on."
    frames = [
        line
        for line in lines[:-1]
        if line.split()[:1] and line.split()[0].isdigit() and "." in line
    ]
    assert [line.split()[:4] for line in frames][:2] == [
        ["3", "0.500000", "..0001", "..0100"], ["4", "0.750000", "..0001", "..0100"],
    ]  # fmt: skip
    assert len(frames) == 7
    assert lines[-1].startswith("7 of 10 frames")


def test_frames_that_are_wrong_are_counted_beside_the_list(tmp_path: Path) -> None:
    file = tmp_path / "cut.txt"
    file.write_text("02 00 2a\n41 d8 01\n")  # an acknowledgement, and a data frame that ends early
    shown = invoke("annotate", file, "--list", "--fcs", "none")
    assert shown.exit_code == 3
    assert "1 of 2 frames cannot be read to the end: the destination PAN ID needs" in shown.stderr
    done = invoke("annotate", file, "--frame", "9", "--fcs", "none")
    assert "has 2 frames;" in done.stderr
    file.write_text("41 d8 01\n")
    assert (
        "1 of 1 frame cannot be read to the end"
        in invoke("annotate", file, "--list", "--fcs", "none").stderr
    )
    assert "has 1 frame;" in invoke("annotate", file, "--frame", "9", "--fcs", "none").stderr


def test_what_is_for_captures_only() -> None:
    for option in ("--list", "--csv", "--node=0x0001"):
        assert invoke("annotate", air.A_FRAME.hex(), option).exit_code == 2
    done = invoke("annotate", "examples/archive.pcap", "--list", "--frame", "3")
    assert (done.exit_code, done.stdout) == (2, "")


def test_why_frames_cannot_be_read_is_told_by_the_most_frequent_reason(tmp_path: Path) -> None:
    """Compressed against a context that nobody gave, twice; and a reserved dispatch (RFC 4944 section 5.1)."""
    lost = [*of(b"one", 1), *of(b"two", 2)]
    cut = encode_frame(
        Mac(1, 1, 3, air.PAN, ROOT, None, A, pan_id_compression=True), b"\x45"
    ).octets
    for frames, said in (
        (lost, "2 of 2 frames cannot be read to the end: source address: context 0 is not known"),
        ([*lost, cut], "3 of 3 frames cannot be read to the end: source address: context 0 is not known (2 of them)"),
    ):  # fmt: skip
        capture = shelf.written(tmp_path / "a.pcap", list(enumerate(frames)))
        done = invoke("annotate", capture, "--list")
        assert done.exit_code == 3
        assert said in " ".join(done.stderr.split())


def test_rows_are_made_when_they_are_written() -> None:
    """Of hundreds of thousands of frames the rows would take more room than the frames."""
    made: list[int] = []

    def row(value: int) -> dict[str, int]:
        made.append(value)
        return {"value": value}

    rows = machine.MadeLate([1, 2], row)
    assert made == []
    assert json.loads(machine.document(list=rows))["list"] == [{"value": 1}, {"value": 2}]
    assert made == [1, 2]
    assert json.loads(machine.document(list=machine.MadeLate([], row)))["list"] == []
