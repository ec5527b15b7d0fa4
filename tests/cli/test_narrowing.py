"""Frames of a node, a flow and a time: what is shown is less, what is learned is all."""

import json
from ipaddress import IPv6Address
from pathlib import Path
from typing import Any

import pytest
from capture.captures import DESIGN
from contract import air, shelf
from contract.entry import invoke

A, B, ROOT = air.eui(1), air.eui(2), air.eui(0x100)
START_S = 1_900_000_000  # 2030-03-17T17:46:40Z


def sent(link: bytes, payload: bytes, sequence: int, **options: Any) -> list[bytes]:
    datagram = air.udp_datagram(air.ip_of(link), air.ip_of(ROOT), payload, **options)
    return air.frames_of(datagram, link, ROOT, sequence=sequence)


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    """Two nodes in turn, ten seconds apart: 1 a, 2 b, 3 a in two fragments (3 and 4), 5 b, 6 a to another port."""
    frames = [
        *sent(A, b"one", 1), *sent(B, b"two", 7), *sent(A, bytes(120), 2), *sent(B, b"three", 8),
        *sent(A, b"four", 4, ports=(0xF0B1, 5000)),
    ]  # fmt: skip
    assert len(frames) == 6
    timed = [(START_S + 10.0 * number, frame) for number, frame in enumerate(frames)]
    return shelf.written(tmp_path / "a.pcap", timed)


def surveyed(capture: Path, *options: str) -> dict[str, Any]:
    done = invoke("survey", capture, *shelf.CONTEXT, *options, "--json")
    assert done.exit_code == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)["survey"]["total"]
    return found


@pytest.mark.parametrize(
    ("options", "frames"),
    [
        (("--node", A.hex()), 4),
        (("--node", A.hex(":")), 4),
        (("--node", str(air.ip_of(B))), 2),
        (("--node", str(air.ip_of(B, "fe80::"))), 2),  # its link-local one
        (("--node", ROOT.hex("-")), 6),  # a receiver is a node of the frame as well
        (("--flow", "5000"), 1),
        (("--flow", f"[{air.ip_of(B)}]:61617 to [{air.ip_of(ROOT)}]:61618, UDP"), 2),
        (("--since", "20"), 4),
        (("--since", "20s", "--until", "0.5 min"), 2),
        (("--until", "9.999999"), 1),
        (("--since", "2030-03-17T17:47:00Z", "--until", "2030-03-17T18:47:20+01:00"), 3),
        (("--node", A.hex(), "--since", "20", "--until", "40"), 2),
    ],
)  # fmt: skip
def test_a_survey_of_some(capture: Path, options: tuple[str, ...], frames: int) -> None:
    done = invoke("survey", capture, *shelf.CONTEXT, *options, "--json")
    found = json.loads(done.stdout)["survey"]
    total = found["total"]
    assert (total["frames"], found["outside"]) == (frames, 6 - frames)
    # numbers 1, 2, 3 and 4 of one sender, 7 and 8 of the other: none is missing because others were not shown
    assert (total["lost"], total["dropped"]) == (0, 0)


def test_a_datagram_whose_first_fragment_is_outside_is_whole(capture: Path) -> None:
    """Fragments come from all frames."""
    total = surveyed(capture, "--since", "30", "--until", "30")
    assert (total["frames"], total["datagrams"], total["datagram_octets"]) == (1, 1, 168)


def test_a_short_address_is_its_device_too(tmp_path: Path) -> None:
    frames = [*sent(A, b"long", 1), *sent(air.short(0x12), b"short", 2), *sent(B, b"no", 3)]
    keys = tmp_path / "keys.toml"
    keys.write_text(
        f'[[key]]\noctets = "{air.KEY.hex()}"\n[devices]\n"0x0012" = "{A.hex()}"\n', "ascii"
    )
    keys.chmod(0o600)
    capture = shelf.written(tmp_path / "a.pcap", frames)
    for node in ("0x0012", "0012", A.hex(":"), str(air.ip_of(A)), str(air.ip_of(air.short(0x12)))):
        assert surveyed(capture, "--node", node, "--keys", str(keys))["frames"] == 2, node
    assert surveyed(capture, "--node", "0x0012")["frames"] == 1


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        ("9", "0x0009"), ("0x9", "0x0009"), ("0009", "0x0009"), ("09", "0x0009"), ("0X0aB", "0x00ab"),
        ("ab", "0x00ab"), ("65535", "0xffff"),  # 2 to the 16th less 1
        ("0200:0000:0000:0012", "02:00:00:00:00:00:00:12"), ("0200.0000.0000.0012", "02:00:00:00:00:00:00:12"),
        ("0x0200000000000012", "02:00:00:00:00:00:00:12"),
    ],
)  # fmt: skip
def test_a_node_as_people_type_it(capture: Path, typed: str, shown: str) -> None:
    done = invoke("survey", capture, "--node", typed)
    assert f"--node {typed} is read as the " in done.stderr
    assert f" {shown}\n" in done.stderr
    plain = invoke("survey", capture, "--node", shown)
    assert "is read as" not in plain.stderr
    assert plain.stdout == done.stdout


def test_digits_that_may_be_either(capture: Path) -> None:
    """12 and 0x0012 are two nodes: both readings are told, none is taken."""
    done = invoke("survey", capture, "--node", "12")
    assert (done.exit_code, done.stdout) == (2, "")
    assert "0x0012 or 12 = 0x000c" in done.stderr
    assert "Write the whole" in invoke("survey", capture, "--node", "..0012").stderr


def test_one_spelling_of_a_node(capture: Path) -> None:
    """What a list or a table shows is what ``--node`` takes; a spreadsheet makes a number of 0012, not of 0x0012."""
    frames = [*sent(air.short(0x12), b"short", 2), *sent(A, b"long", 1)]
    path = shelf.written(capture.with_name("b.pcap"), frames)
    tables = [invoke(*args, path, "--csv").stdout for args in (("annotate", "--list"), ("survey",))]
    for node in ("0x0012", A.hex(":")):
        assert all(f",{node}," in table for table in tables)
        assert node in invoke("survey", path).stdout
        assert invoke("survey", path, "--node", node).stderr == ""


def test_an_identifier_of_no_link_address_is_one_address(tmp_path: Path) -> None:
    """Two machines may both be ::1, each below a prefix of its own (RFC 4291 section 2.5.1: unique within one)."""
    near, far = IPv6Address("2001:db8:7:1::1"), IPv6Address("2001:db8:9::1")
    capture = shelf.written(tmp_path / "a.pcap", [
        frame
        for number, to in enumerate((near, far, near))
        for frame in air.frames_of(air.udp_datagram(air.ip_of(A), to, b"x"), A, ROOT, sequence=number)
    ])  # fmt: skip
    assert surveyed(capture, "--node", str(near))["frames"] == 2
    assert surveyed(capture, "--node", str(far))["frames"] == 1


def test_an_acknowledgement_belongs_to_the_frame_before_it(tmp_path: Path) -> None:
    """IEEE 802.15.4-2006 clause 7.2.2.3 (from memory): it names nobody, but repeats the sequence number."""
    ack = bytes.fromhex("020001")
    frames = [*sent(A, b"one", 1), ack, *sent(B, b"two", 1), ack]
    capture = shelf.written(tmp_path / "a.pcap", frames)
    assert surveyed(capture, "--node", A.hex(), "--fcs", "none")["frames"] == 2


def test_flows_and_stations_of_a_design(tmp_path: Path) -> None:
    design = tmp_path / "design.toml"
    design.write_text(DESIGN, "utf-8")
    capture = shelf.written(tmp_path / "a.pcap", [
        *sent(A, b"\x02\x01", 1), *sent(A, bytes(120), 2), *sent(B, b"x", 3, ports=(1, 2)),
    ])  # fmt: skip
    options = ("--design", str(design))
    assert surveyed(capture, *options, "--flow", "climate")["frames"] == 3
    told = json.loads(invoke("survey", capture, *options, "--json").stdout)["survey"]["flows"]
    (words,) = (one["name"] for one in told if one["in_design"] == "climate")
    for named in (words, f"climate: {words}"):  # the text has the name before the words
        assert surveyed(capture, *options, "--flow", named)["frames"] == 3
    assert surveyed(capture, *options, "--node", "logger")["frames"] == 3
    done = invoke("survey", capture, *options, "--flow", "weather")
    assert (done.exit_code, done.stdout) == (2, "")
    assert "climate, ask" in done.stderr
    done = invoke("audit", capture, *options, "--node", "lodger")
    assert done.exit_code == 2
    assert "logger, sink" in done.stderr


def test_an_audit_reports_less_and_learns_from_all(tmp_path: Path) -> None:
    """A frame counter that was used before the time asked for is judged against that (IEEE 802.15.4 clause 9.3.2)."""
    frames = [
        *shelf.sealed(b"one", 1, counter=900), *shelf.sealed(b"two", 2, counter=901),
        *shelf.sealed(b"six", 3, counter=4),
    ]  # fmt: skip
    capture = shelf.written(tmp_path / "a.pcap", frames)

    def names(*options: str) -> list[str]:
        done = invoke("audit", capture, *shelf.CONTEXT, *options, "--json")
        (found,) = json.loads(done.stdout)["audit"]
        assert found["frames"] == 3
        weight = [one["name"] for one in found["findings"] if one["has_weight"]]
        assert done.exit_code == (1 if weight else 0)
        return weight

    went_back = ["frame-counter-went-back"]
    assert names() == names("--since", "2") == names("--node", shelf.NODE.hex()) == went_back
    assert names("--until", "0.5") == []
    shown = invoke("audit", capture, *shelf.CONTEXT, "--since", "2").stdout
    assert "1 of 3 frames" in " ".join(shown.split())


def test_what_only_the_end_proves_is_told_at_any_time(tmp_path: Path) -> None:
    """It names its first frames; whether there were others at the time asked for nobody can tell."""
    begun = [
        (100.0 * number, shelf.frames(bytes(150), number, tag=number)[0]) for number in range(20)
    ]
    capture = shelf.written(tmp_path / "a.pcap", [*begun, (2100.0, sent(B, b"other", 1)[0])])

    def names(*options: str) -> set[str]:
        done = invoke("audit", capture, *shelf.CONTEXT, *options, "--json")
        (found,) = json.loads(done.stdout)["audit"]
        return {one["name"] for one in found["findings"]}

    assert "fragments-unfinished" in names("--since", "1850")
    assert "fragments-unfinished" not in names("--node", B.hex())


@pytest.mark.parametrize("command", ["audit", "survey", "annotate"])
def test_values_that_say_what_is_right(capture: Path, command: str) -> None:
    wrong = [
        ("--since", "soon", "2031-05-04T10:20:30Z"),
        ("--until", "-3", "Seconds from the first frame"),
        ("--since", "10:20:30", "date-time"),
        ("--node", "12", "0x0012"),
        ("--node", "2001:db8::g", "IPv6 address"),
        ("--flow", "weather", "UDP port"),
    ]
    for option, value, hint in wrong:
        done = invoke(command, capture, option, value)
        assert (done.exit_code, done.stdout) == (2, ""), (option, value)
        assert hint in done.stderr
    done = invoke(command, capture, "--since", "30", "--until", "20")
    assert done.exit_code == 2
    assert "Exchange them" in done.stderr
    nothing = invoke(command, capture, "--node", "0x0999")
    assert nothing.exit_code == (2 if command == "annotate" else 1)
    assert "as asked for" in nothing.stderr


def test_the_first_few_that_are_asked_for(capture: Path) -> None:
    done = invoke("annotate", capture, *shelf.CONTEXT, "--node", B.hex(), "--json")
    assert [frame["number"] for frame in json.loads(done.stdout)["frames"]] == [2, 5]


def test_an_audit_of_no_frame_is_no_clean_one() -> None:
    path = Path(__file__).parents[2] / "examples" / "archive.pcap"
    done = invoke("audit", path, "--node", "0x7777")
    assert done.exit_code == 1
    assert "none as asked for" in " ".join(done.stdout.split())
    assert "nothing found" not in done.stdout
