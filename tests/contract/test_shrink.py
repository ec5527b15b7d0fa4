"""shrink: frames for a design out of datagrams, the way there and back, keys and counters, wrong requests."""

import json
from ipaddress import IPv6Address
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from contract import air, shelf
from contract.entry import invoke
from scapy.layers.dot15d4 import Dot15d4FCS

from lowpanbudget import load_design

DATAGRAMS, FRAMES = 229, 195
BRIDGE, ARCHIVE = "examples/footbridge.toml", "examples/archive.toml"


def packets(design: str, sizes: tuple[int, ...] = (4, 60, 300)) -> list[bytes]:
    """Datagrams of the design's first flow."""
    plan = load_design(design)
    flow, form = plan.flows[0], plan.link.addresses
    ends = flow.source.ip(form), flow.destination.ip(form)
    return [air.udp_datagram(*ends, bytes([n]) * n_octets) for n, n_octets in enumerate(sizes)]


def shrink(
    source: Path | str, out: Path, *arguments: object, design: str = BRIDGE, **more: Any
) -> Result:
    return invoke("shrink", source, "--design", design, "-o", out, *arguments, **more)


@pytest.mark.parametrize("design", [BRIDGE, ARCHIVE])
@pytest.mark.parametrize("hop", [(), ("first",), ("forwarded",)])
def test_there_and_back(tmp_path: Path, design: str, hop: tuple[str, ...]) -> None:
    """Expanding gives the datagrams that were shrunk, octet for octet."""
    given = packets(design)
    flow = load_design(design).flows[0]
    if hop == ("forwarded",) and flow.hops == 1:
        pytest.skip("this flow has one hop")
    source = shelf.written(tmp_path / "a.pcap", given, DATAGRAMS)
    wanted = ("--flow", flow.name, "--hop", *hop) if hop else ()
    done = shrink(source, tmp_path / "frames.pcap", "--plain", *wanted, design=design)
    assert done.exit_code == 0, done.stderr
    assert "no protection" in done.stderr
    link_type, frames = shelf.read_back(tmp_path / "frames.pcap")
    assert link_type == FRAMES
    assert len(frames) > len(given)
    assert all(len(frame) <= 127 for frame in frames)
    back = tmp_path / "back.pcap"
    done = invoke("expand", tmp_path / "frames.pcap", "--design", design, "-o", back)
    assert done.exit_code == 0, done.stderr
    assert shelf.read_back(back) == (DATAGRAMS, given)


def test_the_packet_library_reads_the_frames(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", packets(ARCHIVE), DATAGRAMS)
    shrink(source, tmp_path / "frames.pcap", "--plain", design=ARCHIVE)
    link = load_design(ARCHIVE).link
    for index, frame in enumerate(shelf.read_back(tmp_path / "frames.pcap")[1]):
        packet = Dot15d4FCS(frame)
        assert packet.seqnum == index
        assert packet.dest_panid == link.pan_id
        check = packet.compute_fcs(frame[:-2])  # type: ignore[no-untyped-call]  # the library is untyped
        assert packet.fcs == int.from_bytes(check, "little")


def test_frames_are_sealed_and_their_counters_go_on(tmp_path: Path) -> None:
    design = tmp_path / "sealed.toml"
    text = Path(BRIDGE).read_text("utf-8")
    text = text.replace('frame_counter = "suppressed"\n', "").replace("slotted = true\n", "")
    # without slots there is no access in slots
    design.write_text(text[: text.index("[access]")] + text[text.index("[tree]") :])
    source = shelf.written(tmp_path / "a.pcap", packets(BRIDGE), DATAGRAMS)
    keys, out, back = shelf.key_file(tmp_path), tmp_path / "frames.pcap", tmp_path / "back.pcap"
    done = shrink(
        source, out, "--keys", keys, "--frame-counter", 70_000, "--json", design=str(design)
    )
    assert done.exit_code == 0, done.stderr
    assert "frame counters start at 70000" in done.stderr
    assert air.KEY.hex() not in done.output
    frames = shelf.read_back(out)[1]
    assert json.loads(done.stdout)["shrink"]["next"]["frame_counter"] == 70_000 + len(frames)
    for index, frame in enumerate(frames):
        assert (
            frame[0] & 0b1000
        )  # the security bit of frame control (IEEE 802.15.4-2015 figure 7-2)
        assert (70_000 + index).to_bytes(4, "little") in frame[:40]
    shut = invoke("expand", out, "--design", design, "-o", back)
    assert "0 datagrams" in shut.stderr
    assert invoke("expand", out, "--design", design, "-o", back, "--keys", keys).exit_code == 0
    assert shelf.read_back(back)[1] == packets(BRIDGE)


def test_nonces_are_of_the_devices_that_the_key_file_has(tmp_path: Path) -> None:
    """The nonce holds the EUI-64 of the sender (IEEE 802.15.4-2015 clause 9.3.3.1, from memory)."""
    prefix = int(load_design(ARCHIVE).contexts[0].prefix.network_address)
    node, root = (IPv6Address(prefix | iid) for iid in (0xFF_FE00_0103, 0xFF_FE00_0000))
    given = [air.udp_datagram(node, root, b"x")]
    source = shelf.written(tmp_path / "a.pcap", given, DATAGRAMS)
    keys, out, back = shelf.key_file(tmp_path), tmp_path / "frames.pcap", tmp_path / "back.pcap"
    done = shrink(source, out, "--keys", keys, design=ARCHIVE)
    assert done.exit_code == 1
    assert "0 frames written" in done.stderr
    assert "try: Give it in [devices] of the key file" in done.stderr
    with keys.open("a") as file:
        file.write('[devices]\n"0x0103" = "025e200000000103"\n')
    assert shrink(source, out, "--keys", keys, design=ARCHIVE).exit_code == 0
    known = ("--design", ARCHIVE, "-o", back, "--keys", keys)
    assert invoke("expand", out, *known).exit_code == 0
    assert shelf.read_back(back)[1] == given
    (tmp_path / "bare").mkdir()
    bare = shelf.key_file(tmp_path / "bare")
    told = invoke("expand", out, "--design", ARCHIVE, "-o", back, "--keys", bare).stderr
    assert "try: Give it in [devices] of the key file" in told
    moved = keys.read_text().replace("025e200000000103", "025e200000000104")
    keys.write_text(moved)
    assert "0 datagrams written" in invoke("expand", out, *known).stderr


def test_slot_numbers_are_wanted_where_frames_are_sealed_with_them(tmp_path: Path) -> None:
    source, out = (
        shelf.written(tmp_path / "a.pcap", packets(BRIDGE), DATAGRAMS),
        tmp_path / "o.pcap",
    )
    keys = shelf.key_file(tmp_path)
    done = shrink(source, out, "--keys", keys)
    assert done.exit_code == 2
    assert "--asn" in done.stderr
    assert not out.exists()
    done = shrink(source, out, "--keys", keys, "--asn", 5, "--json")
    assert done.exit_code == 0
    told = json.loads(done.stdout)["shrink"]
    assert told["next"]["asn"] == 5 + told["written"]


def test_text_has_a_datagram_a_line(tmp_path: Path) -> None:
    given = packets(ARCHIVE)
    text = "\n".join(packet.hex() for packet in given)
    done = shrink("-", tmp_path / "o.pcap", "--plain", design=ARCHIVE, stdin=text.encode())
    assert done.exit_code == 0, done.stderr
    assert len(shelf.read_back(tmp_path / "o.pcap")[1]) > len(given)


def test_what_is_left_out_is_told(tmp_path: Path) -> None:
    far = air.udp_datagram(IPv6Address("2001:db8::1"), IPv6Address("2001:db8::2"), bytes(3000))
    given = [packets(ARCHIVE)[0], b"\x45" + bytes(30), far]
    source = shelf.written(tmp_path / "a.pcap", given, DATAGRAMS)
    done = shrink(source, tmp_path / "o.pcap", "--plain", design=ARCHIVE)
    assert done.exit_code == 0
    assert "1 frame written" in done.stderr
    assert "left out once: IP version 4, not 6" in done.stderr
    assert "over the MTU of 1280" in done.stderr


def test_frames_are_no_datagrams(tmp_path: Path) -> None:
    source = shelf.written(tmp_path / "a.pcap", shelf.frames(b"x"))
    done = shrink(source, tmp_path / "o.pcap", "--plain")
    assert "0 frames written" in done.stderr
    assert "left out once: no datagram" in done.stderr


def test_files(tmp_path: Path) -> None:
    source, out = (
        shelf.written(tmp_path / "a.pcap", packets(ARCHIVE), DATAGRAMS),
        tmp_path / "o.pcap",
    )
    design = tmp_path / "design.toml"
    design.write_bytes(Path(ARCHIVE).read_bytes())
    for target in (source, design):
        before = target.read_bytes()
        done = shrink(source, target, "--plain", design=str(design))
        assert done.exit_code == 2
        assert target.read_bytes() == before
    assert shrink(source, tmp_path / "none" / "o", "--plain").exit_code == 2
    source.write_bytes(source.read_bytes()[:-3])
    assert shrink(source, out, "--plain").exit_code == 3
    assert out.exists()
    source.write_bytes(b"\xff" * 1000)
    out.unlink()
    assert shrink(source, out, "--plain").exit_code == 3
    assert not out.exists()


def test_wrong_requests(tmp_path: Path) -> None:
    source, out = (
        shelf.written(tmp_path / "a.pcap", packets(BRIDGE), DATAGRAMS),
        tmp_path / "o.pcap",
    )
    keys = shelf.key_file(tmp_path)
    other = tmp_path / "other.toml"
    other.write_text(keys.read_text().replace("index = 1", "index = 9"))
    other.chmod(0o600)
    for wrong, says in (
        ((), "no key is given"),
        (("--plain", "--keys", keys), "exclude each other"),
        (("--plain", "--hop", "first"), "--flow"),
        (("--plain", "--flow", "nobody"), "no flow 'nobody'"),
        (("--plain", "--flow", "features", "--hop", "last"), "'last'"),
        (("--keys", other, "--asn", 1), "no key for"),
        (("--keys", tmp_path / "none", "--asn", 1), "cannot be read"),
        (("--plain", "--frame-counter", -1), "-1"),
    ):
        done = shrink(source, out, *wrong)
        assert done.exit_code == 2, (wrong, done.stderr)
        assert says in done.stderr
        assert not out.exists()
    assert shrink(tmp_path / "none", out, "--plain").exit_code == 2
    assert shrink(source, out, design=str(tmp_path / "none")).exit_code == 2
