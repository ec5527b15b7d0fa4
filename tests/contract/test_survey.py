"""survey: the sums against a count by hand and by the packet library, merging, wrong files, and what people see."""

import gzip
import json
import re
import struct
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from contract import air, shelf
from contract.entry import invoke
from scapy.layers.dot15d4 import Dot15d4FCS

GOOD = [one for n in range(12) for one in air.frames_of(
    air.udp_datagram(air.ip_of(air.eui(n % 3 + 1)), air.ip_of(air.eui(9)), bytes([n]) * (200 if n % 4 == 0 else 9)),
    air.eui(n % 3 + 1), air.eui(9), sequence=n // 3 * 3, tag=n,
)]  # fmt: skip


def surveyed(*arguments: object, stdin: bytes | None = None) -> dict[str, Any]:
    done = invoke("survey", *arguments, *shelf.CONTEXT, "--json", stdin=stdin)
    assert done.exit_code == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)["survey"]
    return found


@pytest.mark.parametrize("link_type", [195, 230, 147])
@pytest.mark.parametrize("kept", [200, 24, 5])
def test_layers_are_all_that_was_sent(tmp_path: Path, link_type: int, kept: int) -> None:
    """An FCS of 2 octets that was taken off (230) was sent, and so was what is not kept; 147 is not read at all."""
    frames = [frame[: -2 if link_type == 230 else None] for frame in GOOD]
    path = tmp_path / "a.pcap"
    with path.open("wb") as file:
        file.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, kept, link_type))
        for frame in frames:
            file.write(struct.pack("<4I", 0, 0, min(len(frame), kept), len(frame)) + frame[:kept])
    total = surveyed(path)["total"]
    assert sum(total["layer_bits"].values()) == 8 * total["octets"]
    if link_type != 147:
        assert total["octets"] == sum(map(len, GOOD))
        assert ("not captured" in total["layer_bits"]) == (kept < 200)


def test_sums_agree_with_the_packet_library(tmp_path: Path) -> None:
    found = surveyed(shelf.written(tmp_path / "a.pcap", GOOD))
    packets = [Dot15d4FCS(frame) for frame in GOOD]
    by_node = Counter(f"{packet.src_addr:016x}" for packet in packets)
    assert {row["name"]: row["frames"] for row in found["nodes"]} == dict(by_node)
    total = found["total"]
    assert (total["frames"], total["octets"]) == (len(GOOD), sum(map(len, GOOD)))
    assert sum(total["layer_bits"].values()) == 8 * total["octets"]
    # RFC 4944 section 5.3: 11000 and 11100 start fragments; the header before is 21 octets (two EUI-64, one PAN ID)
    fragments = sum(frame[21] >> 3 in {0b11000, 0b11100} for frame in GOOD)
    assert fragments > 3
    assert total["fragments"] == fragments
    assert total["datagrams"] == 12
    assert total["application"] == 3 * 200 + 9 * 9
    assert total["datagram_octets"] == total["application"] + 12 * 48  # IPv6 40 and UDP 8
    assert total["unused"] == sum(127 - len(frame) for frame in GOOD)
    assert (total["avoidable"], total["retransmissions"], total["unread"]) == (0, 0, 0)
    assert [row["octets"] for row in found["flows"]] == sorted(
        (row["octets"] for row in found["flows"]), reverse=True
    )


def test_what_happened_to_frames(tmp_path: Path) -> None:
    again = [
        (0.0, shelf.frames(b"one", 1)[0]), (0.004, shelf.frames(b"one", 1)[0]),  # the same number: sent again
        (5.0, shelf.frames(b"two", 4)[0]),  # 2 and 3 are missing
        (9.0, shelf.frames(bytes(200), 5)[0]),  # a first fragment and no other
    ]  # fmt: skip
    total = surveyed(shelf.written(tmp_path / "a.pcap", again))["total"]
    assert (total["retransmissions"], total["lost"], total["dropped"]) == (1, 2, 1)


def test_octets_that_the_shortest_form_saves(tmp_path: Path) -> None:
    """Without contexts both addresses go in line: 32 octets that a receiver with the context need not get."""
    long = shelf.frames(b"reading", contexts={})
    assert surveyed(shelf.written(tmp_path / "a.pcap", long))["total"]["avoidable"] == 32


def test_several_captures_are_merged(tmp_path: Path) -> None:
    whole = surveyed(shelf.written(tmp_path / "all.pcap", GOOD))
    first = shelf.written(tmp_path / "a.pcap", GOOD[:6])
    second = tmp_path / "b.pcap.gz"
    second.write_bytes(
        gzip.compress(shelf.written(tmp_path / "b.pcap", GOOD[6:]).read_bytes(), mtime=0)
    )
    parts = surveyed(first, second)
    stdin = surveyed(first, "-", stdin=second.read_bytes())
    assert parts["total"]["octets"] == whole["total"]["octets"] == stdin["total"]["octets"]
    assert {row["name"]: row["frames"] for row in parts["nodes"]} == {
        row["name"]: row["frames"] for row in whole["nodes"]
    }
    assert [one["frames"] for one in parts["captures"]] == [6, len(GOOD) - 6]


def test_groupings(tmp_path: Path) -> None:
    path = shelf.written(tmp_path / "a.pcap", GOOD)
    assert {"flows", "nodes", "kinds"} <= set(surveyed(path))
    only = surveyed(path, "--by", "node")
    assert "nodes" in only
    assert not {"flows", "kinds"} & set(only)
    assert invoke("survey", path, "--by", "colour").exit_code == 2


def test_a_design_names_flows(tmp_path: Path) -> None:
    """The footbridge's flow "features" goes from 0xf0b1 to 0xf0b2 between these stations (its design file)."""
    from lowpanbudget import load_design

    design = load_design("examples/footbridge.toml")
    flow = design.flow("features")
    form = design.link.addresses
    source, destination = flow.source.ip(form), flow.destination.ip(form)
    packet = air.udp_datagram(source, destination, bytes(30))
    links = flow.source.link_address(form), flow.destination.link_address(form)
    made = air.frames_of(packet, *links, contexts=design.contexts)
    path = shelf.written(tmp_path / "a.pcap", made)
    found = surveyed(path, "--design", "examples/footbridge.toml")
    assert [row["in_design"] for row in found["flows"]] == ["features"]
    shown = invoke("survey", path, "--design", "examples/footbridge.toml").stdout
    assert "features: [2001:db8:51:7:" in shown


def test_keys_open_and_are_never_shown(tmp_path: Path) -> None:
    path = shelf.written(tmp_path / "a.pcap", shelf.sealed(b"reading"))
    shut = surveyed(path)
    assert shut["total"]["datagrams"] == 0
    assert shut["total"]["unread"] == 1
    assert "sealed" in " ".join(shut["reasons"])
    done = invoke("survey", path, *shelf.CONTEXT, "--keys", shelf.key_file(tmp_path), "--json")
    assert json.loads(done.stdout)["survey"]["total"]["datagrams"] == 1
    assert air.KEY.hex() not in done.output


@pytest.mark.parametrize(("level", "read"), [(1, 3), (2, 3), (3, 3), (5, 0), (6, 0)])
def test_a_wrong_key_is_told_to_hide_what_is_in_the_clear(
    tmp_path: Path, level: int, read: int
) -> None:
    """IEEE 802.15.4-2015 table 9-6 (from memory): levels 1 to 3 have an integrity code and are not encrypted."""
    wrong = bytes(16)
    frames = [
        frame
        for n in range(3)
        for frame in shelf.frames(b"one", n, key=wrong, counter=n, level=level)
    ]
    path = shelf.written(tmp_path / "a.pcap", frames)
    known = ("survey", path, *shelf.CONTEXT)
    without = json.loads(invoke(*known, "--json").stdout)["survey"]["total"]["datagrams"]
    assert without == read
    shown = " ".join(invoke(*known, "--keys", shelf.key_file(tmp_path)).stdout.split())
    assert ("Payloads in the clear of 3 frames are left out" in shown) == bool(read)
    assert "3 the integrity code does not match" in shown


def test_a_cut_file_is_surveyed_and_told(tmp_path: Path) -> None:
    path = shelf.written(tmp_path / "a.pcap", GOOD)
    path.write_bytes(path.read_bytes()[:-5])
    done = invoke("survey", path, "--json")
    assert done.exit_code == 3
    assert json.loads(done.stdout)["survey"]["total"]["frames"] == len(GOOD) - 1
    assert f"after frame {len(GOOD) - 1}" in done.stderr


@pytest.mark.parametrize(
    "command", ["audit", "survey", "measure", "annotate", "list", "expand", "shrink", "page"]
)
@pytest.mark.parametrize("head", [0, 24], ids=["empty", "header"])
def test_of_a_capture_without_a_frame_all_commands_say_no(
    tmp_path: Path, command: str, head: int
) -> None:
    """README, exit codes: "1 the answer is no"; 3 is for octets that cannot be read, and here no octet is wrong."""
    path = tmp_path / "a.pcap"
    path.write_bytes(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 195)[:head])
    words = {"list": ("annotate", path, "--list")}.get(command, (command, path))
    if command in {"expand", "shrink", "page"}:
        words = (*words, "-o", tmp_path / "b")
    if command == "shrink":
        words = (*words, "--plain", "--design", "examples/archive.toml")
    done = invoke(*words)
    assert done.exit_code == 1
    assert "Traceback" not in done.output


@pytest.mark.parametrize("octets", [b"\x89PNG\r\n\x1a\n", bytes(range(256)) * 400])
def test_octets_that_are_no_capture(tmp_path: Path, octets: bytes) -> None:
    path = tmp_path / "a.pcap"
    path.write_bytes(octets)
    done = invoke("survey", path)
    assert done.exit_code == 3
    assert "neither pcap" in done.stderr or "empty" in done.stderr


@pytest.mark.parametrize("seed", range(4))
def test_random_records(tmp_path: Path, seed: int) -> None:
    import random

    path = tmp_path / "a.pcap"
    header = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 195)
    path.write_bytes(header + random.Random(seed).randbytes(20_000))
    done = invoke("survey", path)
    assert done.exit_code in {0, 3}
    assert "Traceback" not in done.output
    assert all(char.isprintable() for char in done.stdout.replace("\n", ""))


def test_wrong_requests(tmp_path: Path) -> None:
    path = shelf.written(tmp_path / "a.pcap", GOOD)
    for wrong in (
        (), (tmp_path / "none.pcap",), (tmp_path,), ("-", "-"), (path, "--fcs", "3"), (path, "--root", "x"),
        (path, "--context", "x"), (path, "--design", tmp_path / "none"), (path, "--keys", tmp_path / "none"),
    ):  # fmt: skip
        done = invoke("survey", *wrong)
        assert done.exit_code == 2, wrong
        assert done.stdout == ""


# --- what people see ----------------------------------------------------------------------------------


@pytest.mark.parametrize("columns", ["40", "80", "120"])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_every_width_and_encoding(tmp_path: Path, columns: str, encoding: str) -> None:
    path = shelf.written(tmp_path / "a.pcap", air.mixed(120, seed=4))
    done = invoke("survey", str(path), *shelf.CONTEXT, COLUMNS=columns, encoding=encoding)
    assert done.exit_code == 0, done.stderr
    text = done.stdout_bytes.decode(encoding)
    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) <= int(columns)
    for words in ("Flows", "Nodes", "Kinds of frame", "of room left unused", "damaged frame"):
        assert words in " ".join(text.split())


def test_bars_are_to_scale(tmp_path: Path) -> None:
    """One node sends three times the octets of another: its bar is three times as long, within a cell."""
    frame = {n: air.frames_of(
        air.udp_datagram(air.ip_of(air.eui(n)), air.ip_of(air.eui(9)), bytes(20)), air.eui(n), air.eui(9)
    )[0] for n in (1, 2)}  # fmt: skip
    frames = [(float(n), frame[1]) for n in range(3)] + [(9.0, frame[2])]
    path = shelf.written(tmp_path / "a.pcap", frames)
    shown = invoke(
        "survey", path, "--by", "node", *shelf.CONTEXT, COLUMNS="120", PYTHONIOENCODING="utf-8"
    )
    bars = [
        line.split("  ")[2]
        for line in shown.stdout.splitlines()
        if re.match(r"    █.* frame", line)
    ]
    assert len(bars) == 2
    assert abs(len(bars[0]) - 3 * len(bars[1])) <= 2


def test_text_in_data_cannot_steer_a_terminal(tmp_path: Path) -> None:
    path = shelf.written(tmp_path / "[bold]\x1b[31m.pcap", GOOD)
    for found in (invoke("survey", path), invoke("survey", path, tmp_path / "\x1b[2Jnone")):
        assert "\x1b" not in found.output
    assert "[bold]" in invoke("survey", path).stdout
