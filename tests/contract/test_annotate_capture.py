"""annotate on captures: which frames, fragments with their datagram, headers restored, the shortest form."""

import gzip
import json
import os
import random
import struct
import threading
from pathlib import Path
from typing import Any

import pytest
from contract import air, shelf
from contract.entry import invoke
from scapy.layers.dot15d4 import Dot15d4Data, Dot15d4FCS
from scapy.layers.inet import UDP
from scapy.layers.inet6 import IPv6
from scapy.utils import RawPcapNgWriter

from lowpanbudget import Context, RequestError, decode_frame, load_design, shortest_form

MIXED = [
    *shelf.frames(b"short", 1), *shelf.frames(bytes(range(150)), 2, tag=9), *shelf.frames(b"long", 9, contexts={}),
]  # fmt: skip
PARTS = (2, 3)  # the frames of the datagram that is cut
LONG = 4


def annotated(
    *arguments: object, stdin: bytes | None = None, code: int = 0
) -> list[dict[str, Any]]:
    done = invoke("annotate", *arguments, *shelf.CONTEXT, "--json", stdin=stdin)
    assert done.exit_code == code, done.stderr
    found: list[dict[str, Any]] = json.loads(done.stdout)["frames"]
    return found


def fields(frame: dict[str, Any], header: str = "IPv6") -> dict[str, dict[str, Any]]:
    return {row["name"]: row for row in frame["restored"] if row["header"] == header}


def words(shown: str) -> str:
    return " ".join(shown.split())


# --- which frames -------------------------------------------------------------------------------------


def test_the_first_few_or_those_that_are_named(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", MIXED)
    assert [one["number"] for one in annotated(source)] == [1, 2, 3]
    done = invoke("annotate", source, *shelf.CONTEXT)
    assert "3 of 4 frames are shown" in done.stderr
    found = annotated(source, "--frame", 4, "--frame", 1, "--frame", 4)
    assert [one["number"] for one in found] == [1, 4]
    assert [one["octets"] for one in found] == [MIXED[0].hex(), MIXED[3].hex()]
    assert "4 of 4" in invoke("annotate", source, "--frame", 4).stdout


def test_every_kind_of_capture(tmp_path: Path) -> None:
    plain = shelf.written(tmp_path / "a.pcap", MIXED)
    packed = tmp_path / "a.pcap.gz"
    packed.write_bytes(gzip.compress(plain.read_bytes()))
    following = tmp_path / "a.pcapng"
    writer = RawPcapNgWriter(str(following))
    writer.linktype = 195
    writer.write_header(None)
    for frame in MIXED:
        writer._write_packet(frame, 195, sec=1)
    writer.close()
    log = tmp_path / "a.log"
    log.write_text(
        "".join(f"2031-05-04T10:20:3{n}Z RX {frame.hex(' ')}\n" for n, frame in enumerate(MIXED))
    )
    expected = [frame.hex() for frame in MIXED[:3]]
    for source in (plain, packed, following, log):
        assert [one["octets"] for one in annotated(source)] == expected, source
        assert [one["octets"] for one in annotated("-", stdin=source.read_bytes())] == expected
    # 2031-05-04 10:20:30 UTC in seconds since 1970, by date(1)
    assert annotated(log)[0]["time_ns"] == 1935656430 * 10**9
    assert "Received at 2031-05-04 10:20:30.000000000 UTC." in invoke("annotate", log).stdout


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes")
def test_pipes(tmp_path: Path) -> None:
    """A pipe can be opened once; it may hold a capture or lines of hex."""
    source, pipe = shelf.written(tmp_path / "a.pcap", MIXED), tmp_path / "pipe"
    os.mkfifo(pipe)
    hex_lines = "".join(f"{frame.hex()}\n" for frame in MIXED[:3]).encode()
    for octets in (source.read_bytes(), hex_lines):
        feeder = threading.Thread(target=pipe.write_bytes, args=(octets,))
        feeder.start()
        assert [one["octets"] for one in annotated(pipe)] == [frame.hex() for frame in MIXED[:3]]
        feeder.join()


def test_lines_of_hex_stay_what_they_are(tmp_path: Path) -> None:
    source = tmp_path / "frames.txt"
    source.write_text("".join(f"{frame.hex()}  # one\n" for frame in MIXED))
    found = annotated(source)
    assert [one["place"] for one in found] == [f"{source}:{n}" for n in range(1, 5)]
    assert "number" not in found[0]
    assert len(annotated("-", stdin=source.read_bytes())) == 4
    # the same lines as a capture, when a frame of it is asked for
    assert [one["number"] for one in annotated(source, "--frame", 2)] == [2]


@pytest.mark.parametrize("through", ["file", "pipe"])
def test_a_log_is_read_as_with_list(tmp_path: Path, through: str) -> None:
    """One reading for one file: words beside the octets are no reason to refuse what --list shows."""
    lines = (
        "RX 24: 61 98 07 41 2c 31 00 04 01 7c f7 01 3f f3 34 5c 53 12 07 d5 0b 3a 0a 88 lqi 200\n"
    )
    path = tmp_path / "log.txt"
    path.write_text(lines, "ascii")
    contexts = ("--context", "0=2001:db8:a2c4::/64", "--context", "1=2001:db8:a2c4:1::5/128")
    given, fed = ("-", lines.encode()) if through == "pipe" else (str(path), b"")
    for more in ([], ["--frame", "1"]):
        done = invoke("annotate", given, *more, *contexts, "--json", stdin=fed)
        (frame,) = json.loads(done.stdout)["frames"]
        assert (done.exit_code, len(frame["octets"]), frame["mac"]["fcs_ok"]) == (0, 48, True)


def test_a_check_sequence_that_was_taken_off_is_found_out(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", [frame[:-2] for frame in MIXED])
    assert [one["fault"] for one in annotated(source)] == [None] * 3
    assert annotated(source, "--fcs", "none")[0]["datagram"] is not None


# --- fragments ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", PARTS)
def test_a_fragment_is_shown_with_its_datagram(tmp_path: Path, number: int) -> None:
    source = shelf.written(tmp_path / "a.pcap", MIXED)
    (frame,) = annotated(source, "--frame", number)
    assert frame["brought_by"] == list(PARTS)
    packet = IPv6(bytes.fromhex(frame["whole_datagram"]))
    assert bytes(packet[UDP].payload) == bytes(range(150))
    assert frame["restored_in"] == PARTS[0]
    # RFC 6282 section 3.2: the length comes from the fragmentation header
    assert fields(frame)["payload length"]["value"] == packet.plen == 158
    assert fields(frame)["payload length"]["source"] == "from datagram_size"
    assert frame["shortest"]["saved"] == 0
    assert frame["shortest"]["frames_here"] == 2
    shown = words(invoke("annotate", source, "--frame", number, *shelf.CONTEXT).stdout)
    assert "The datagram that frames 2, 3 bring, 198 octets" in shown


# RFC 7252 section 3: a PUT without confirmation, message id 0x2a17, token 01, Uri-Path valve (option 11)
PUT = bytes.fromhex("51 03 2a17 01 b5") + b"valve" + b"\xff" + bytes(range(140))


@pytest.mark.parametrize("number", PARTS)
def test_what_fragments_bring_together_is_read(tmp_path: Path, number: int) -> None:
    packet = shelf.datagram(PUT, ports=(0xF0B1, 5683))
    cut = [*shelf.frames(b"short", 1), *air.frames_of(packet, shelf.NODE, shelf.ROOT, sequence=2)]
    (frame,) = annotated(shelf.written(tmp_path / "a.pcap", cut), "--frame", number)
    rows = frame["whole_contents"]["spans"]
    assert {row["layer"] for row in rows} == {"CoAP"}
    assert rows[0]["offset_bits"] == 8 * 48
    assert sum(row["bits"] for row in rows) == 8 * len(PUT)
    told = {row["name"]: row["value"] for row in rows}
    assert (told["code"], told["message id"], told["Uri-Path"]) == (3, 0x2A17, "valve")
    (frame,) = annotated(shelf.written(tmp_path / "b.pcap", MIXED), "--frame", number)
    assert frame["whole_contents"] is None  # of what nobody registered


def test_a_fragment_whose_others_are_missing(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", [*MIXED[1:2], *MIXED[3:]])
    (frame,) = annotated(source, "--frame", 1)
    assert frame["never_whole"] == "the input ended before the datagram was whole"
    assert frame["shortest"] is None
    assert fields(frame)["payload length"]["value"] == 158  # known from datagram_size all the same


def test_fragments_that_were_not_needed(tmp_path: Path) -> None:
    """A datagram of 100 octets of data, cut to 40 a frame: it fits one frame when nothing is wasted."""
    cut = air.frames_of(shelf.datagram(bytes(40)), shelf.NODE, shelf.ROOT, room=40)
    source = shelf.written(tmp_path / "a.pcap", cut)
    found = annotated(source, "--frame", 1)[0]["shortest"]
    assert found["frames_here"] == len(cut) > 1
    # one frame around: 21 octets of header and 2 of FCS (two EUI-64, one PAN ID)
    whole = 23 + len(air.compressed(shelf.datagram(bytes(40)), shelf.NODE, shelf.ROOT))
    assert found["around"] == 23
    assert found["saved"] >= sum(map(len, cut)) - whole - 200
    assert sum(one["here"] - one["shortest"] for one in found["differences"]) == 8 * (
        found["here"] - found["shortest"]
    )


# --- headers restored ---------------------------------------------------------------------------------


def test_restored_fields_agree_with_the_packet_library(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", MIXED)
    for frame in annotated(source, "--frame", 1, "--frame", 4):
        packet = IPv6(bytes.fromhex(frame["datagram"]["octets"]))
        ip, udp = fields(frame), fields(frame, "UDP")
        assert (ip["version"]["value"], ip["traffic class"]["value"], ip["flow label"]["value"]) == (
            packet.version, packet.tc, packet.fl,
        )  # fmt: skip
        assert (ip["payload length"]["value"], ip["next header"]["value"], ip["hop limit"]["value"]) == (
            packet.plen, packet.nh, packet.hlim,
        )  # fmt: skip
        assert (ip["source address"]["value"], ip["destination address"]["value"]) == (
            packet.src, packet.dst,
        )  # fmt: skip
        assert [udp[name]["value"] for name in ("source port", "destination port", "length", "checksum")] == [
            packet[UDP].sport, packet[UDP].dport, packet[UDP].len, packet[UDP].chksum,
        ]  # fmt: skip
        assert sum(row["bits"] for row in frame["restored"]) == 8 * 48


def test_what_fields_were_restored_from() -> None:
    """The payload 7a 33 3b by RFC 6282 section 3.1.1: TF 11, NH 0, HLIM 10, CID SAC M DAC 0, SAM and DAM 11."""
    frame = bytes(
        Dot15d4FCS(
            fcf_frametype=1, fcf_panidcompress=1, fcf_destaddrmode=2, fcf_srcaddrmode=2,
            fcf_framever=1, seqnum=9,
        ) / Dot15d4Data(dest_panid=0xABCD, dest_addr=0x0002, src_addr=0x0001) / bytes.fromhex("7a333b")
    )  # fmt: skip
    (found,) = annotated(frame.hex())
    ip = fields(found)
    assert ip["next header"] | {"carried": 8, "octet": 11, "source": "in line"} == ip["next header"]
    assert ip["hop limit"]["value"] == 64
    assert ip["hop limit"]["carried"] == 0
    assert ip["traffic class"]["source"] == "zero by the standard"
    # section 3.2.2: 0000:00ff:fe00:XXXX of the link address
    assert ip["source address"]["value"] == "fe80::ff:fe00:1"
    assert (
        ip["source address"]["source"]
        == "fe80::/64 by the standard; identifier from the link address 00:01"
    )
    assert [row["carried"] for row in found["restored"]] == [0, 0, 0, 0, 8, 0, 0, 0]


def test_contexts_are_named(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", MIXED)
    (frame,) = annotated(source, "--frame", 1)
    told = fields(frame)["source address"]["source"]
    assert told == (
        "context 0 (2001:db8:7:1::/64); identifier from the link address 02:00:5e:ef:10:00:00:01"
    )
    (frame,) = annotated(source, "--frame", LONG)
    assert fields(frame)["source address"]["source"] == "128 bits in line"
    # 21 octets of header, IPHC with all in line: 2, then the address
    assert fields(frame)["source address"]["octet"] == 23


# --- the shortest form --------------------------------------------------------------------------------


def test_the_shortest_form_field_by_field(tmp_path: Path) -> None:
    """Both addresses in line, though the context covers them: 16 octets each."""
    source = shelf.written(tmp_path / "a.pcap", MIXED)
    (frame,) = annotated(source, "--frame", LONG)
    found = frame["shortest"]
    assert (found["here"], found["shortest"], found["saved"]) == (2 + 32 + 4 + 4, 2 + 4 + 4, 32)
    assert [(one["name"], one["here"], one["shortest"]) for one in found["differences"]] == [
        ("source address", 128, 0), ("destination address", 128, 0),
    ]  # fmt: skip
    assert found["octets"] == air.compressed(shelf.datagram(b"long"), shelf.NODE, shelf.ROOT).hex()
    shown = words(invoke("annotate", source, "--frame", LONG, *shelf.CONTEXT).stdout)
    assert "10 octets instead of 42: 32 fewer on the air." in shown
    assert "The form that was sent is the shortest" in words(
        invoke("annotate", source, "--frame", 1, *shelf.CONTEXT).stdout
    )


def test_no_form_is_as_short_without_a_context_that_ran_out() -> None:
    """RFC 6775 section 5.4.3: it is then receive-only, as with C=0, which RFC 6282 must not compress with."""
    (frame,) = shelf.frames(b"short", 1)
    gone = Context(air.CONTEXTS[0], may_compress=False)
    with pytest.raises(RequestError, match=r"uses context 0 \(.*/64\), .* compresses no more"):
        shortest_form(decode_frame(frame, contexts={0: gone}))
    # addresses in line lean on none
    (frame,) = shelf.frames(b"long", 1, contexts={})
    found = shortest_form(decode_frame(frame, contexts={0: gone}))
    assert found is not None
    assert found.saved == 0


def test_uncompressed_against_compressed() -> None:
    """0x41 and 48 octets of headers (RFC 4944 section 5.1), which RFC 6282 carries in 2 + 4 octets here."""
    from lowpanbudget import encode_frame

    frame = encode_frame(air.mac_of(shelf.NODE, shelf.ROOT), b"\x41" + shelf.datagram(b"x")).octets
    (found,) = annotated(frame.hex())
    assert found["shortest"]["here"] == 1 + 48 + 1
    assert found["shortest"]["saved"] == 49 - 6
    bits = sum(one["here"] - one["shortest"] for one in found["shortest"]["differences"])
    assert bits == 8 * 43
    assert {row["source"] for row in found["restored"]} == {"in line"}


# --- with a design ------------------------------------------------------------------------------------


def test_a_message_of_the_design(tmp_path: Path) -> None:
    design = load_design("examples/footbridge.toml")
    flow, form = design.flow("command"), design.link.addresses
    message = design.message("command")
    values = {"magic": 181, "order": "report", "interval": 600, "token": b"\x01\x02"}
    packet = air.udp_datagram(
        flow.source.ip(form), flow.destination.ip(form), message.pack(values),
        ports=(flow.source_port, flow.destination_port),
    )  # fmt: skip
    links = flow.source.link_address(form), flow.destination.link_address(form)
    made = air.frames_of(packet, *links, contexts=design.contexts)
    source = shelf.written(tmp_path / "a.pcap", made)
    for given in (source, made[0].hex()):
        done = invoke("annotate", given, "--design", "examples/footbridge.toml", "--json")
        (frame,) = json.loads(done.stdout)["frames"]
        assert frame["message"]["flow"] in {"command", "routed"}  # both have these ports
        assert frame["message"]["message"] == "command"
        told = {one["place"]: (one["value"], one["unit"]) for one in frame["message"]["values"]}
        assert told["interval"] == (600, "s")
    shown = invoke("annotate", source, "--design", "examples/footbridge.toml").stdout
    assert "Message command of flow" in shown


def test_sealed_frames(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", shelf.sealed(b"reading"))
    (frame,) = annotated(source)
    assert (frame["restored"], frame["shortest"]) == ([], None)
    keys = shelf.key_file(tmp_path)
    for option in ("--keys", "--key-file"):
        done = invoke("annotate", source, option, keys, *shelf.CONTEXT)
        assert "were sent encrypted and opened with a key" in words(done.stdout)
        assert "Headers restored" in done.stdout
        assert air.KEY.hex() not in done.output
        assert air.KEY.hex(" ") not in done.output


# --- records of other kinds, wrong files, hostile text ------------------------------------------------


def test_datagrams_of_a_capture(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", [shelf.datagram(b"x")], 229)
    (frame,) = annotated(source)
    assert sum(span["bits"] for span in frame["spans"]) == 8 * 49
    assert "hop limit" in invoke("annotate", source).stdout


def test_link_types_that_are_not_read(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", [b"\0" * 9], 147)
    (frame,) = annotated(source, code=3)
    assert "link type 147 is not read" in frame["fault"]["message"]


def test_a_cut_file(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", MIXED)
    source.write_bytes(source.read_bytes()[:-5])
    done = invoke("annotate", source, "--frame", 3, "--json")
    assert done.exit_code == 3
    assert len(json.loads(done.stdout)["frames"]) == 1
    assert "after frame 3" in done.stderr


@pytest.mark.parametrize("seed", range(6))
def test_random_records_are_shown_or_refused(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    header = struct.pack(
        "<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, rng.choice([195, 230, 283, 1, 229, 7])
    )
    body = b""
    for _ in range(12):
        octets = bytearray(rng.choice(MIXED))
        for _ in range(rng.randrange(4)):
            octets[rng.randrange(len(octets))] = rng.randrange(256)
        body += struct.pack("<IIII", 1, 0, len(octets), len(octets)) + octets
    source = tmp_path / "a.pcap"
    source.write_bytes(header + body + rng.randbytes(50))
    done = invoke("annotate", source, "--fcs", "none", *(f"--frame={n}" for n in range(1, 13)))
    assert done.exit_code in {0, 3}
    assert "Traceback" not in done.output
    assert all(char.isprintable() for char in done.stdout.replace("\n", ""))
    assert all(len(line) <= 80 for line in done.stdout.splitlines())


def test_100000_random_octets_behind_a_header(tmp_path: Path) -> None:
    source = tmp_path / "a.pcap"
    header = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 195)
    source.write_bytes(header + random.Random(5).randbytes(100_000))
    assert invoke("annotate", source).exit_code in {0, 2, 3}


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("--frame", "9"), "has 4 frames; there is no frame 9"),
        (("--frame", "0"), "0"),
        (("--asn", "5"), "--asn is for a frame in hex"),
        (("--fcs", "3"), "'3'"),
        (("--design", "none.toml"), "cannot be read"),
    ],
)
def test_wrong_requests(tmp_path: Path, args: tuple[str, ...], says: str) -> None:
    done = invoke("annotate", shelf.written(tmp_path / "a.pcap", MIXED), *args)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert says in done.stderr


def test_wrong_requests_about_hex() -> None:
    assert "--frame is for captures" in invoke("annotate", "41", "--frame", "1").stderr
    assert "--fcs test is for captures" in invoke("annotate", "41", "--fcs", "test").stderr
    assert invoke("annotate", "none.pcap", "--frame", "1").exit_code == 2


def test_an_empty_capture(tmp_path: Path) -> None:
    path = shelf.written(tmp_path / "a.pcap", [])
    done = invoke("annotate", path)
    assert done.exit_code == 1
    assert "holds no frame" in done.stderr
    assert invoke("annotate", path, "--frame", "1").exit_code == 2


@pytest.mark.parametrize("columns", ["40", "80", "120"])
def test_every_width_and_encoding(tmp_path: Path, columns: str) -> None:
    source = shelf.written(tmp_path / "[bold]a\x1b[1m.pcap", MIXED)
    numbers = [f"--frame={n}" for n in (2, 4)]
    for encoding in ("utf-8", "ascii"):
        done = invoke(
            "annotate", str(source), *numbers, *shelf.CONTEXT, COLUMNS=columns, encoding=encoding
        )
        text = done.stdout_bytes.decode(encoding)
        assert "\x1b" not in text
        assert "[bold]a" in text.replace("\n", "")
        assert max(map(len, text.splitlines())) <= int(columns)
        assert "fewer on the air" in words(text)
