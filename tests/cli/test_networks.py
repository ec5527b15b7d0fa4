"""A network asked for by its PAN ID that is not there, and what a pipe without frames says instead."""

import csv
import io
import json
from pathlib import Path

import pytest
from contract import air, shelf
from contract.entry import invoke

from lowpanbudget.layers.link.fcs import fcs

OTHER = 0xBEEF
NODE, ROOT = air.eui(1), air.eui(0x100)
COMMANDS = (("audit",), ("survey",), ("measure",), ("annotate", "--list"))


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    """Two frames of one network and one of another: octets 3 and 4 are the PAN ID, the least significant first."""
    datagram = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), b"one")
    own = [air.frames_of(datagram, NODE, ROOT, sequence=number)[0] for number in (1, 2)]
    other = own[0][:3] + OTHER.to_bytes(2, "little") + own[0][5:-2]
    other += fcs(other, 2)
    return shelf.written(tmp_path / "a.pcap", [*own, other])


@pytest.mark.parametrize("command", [*COMMANDS, ("page", "-o", "{folder}/a.html")])
def test_a_network_that_is_not_there_is_told_with_those_that_are(
    capture: Path, command: tuple[str, ...]
) -> None:
    words = [word.format(folder=capture.parent) for word in command]
    done = invoke(*words, capture, *shelf.CONTEXT, "--pan", "0x9999")
    assert done.exit_code == 1
    assert f"no frame as asked for; there are PAN {air.PAN:#06x}, {OTHER:#06x}" in done.stderr
    assert "nothing to judge" not in done.stderr


@pytest.mark.parametrize("command", COMMANDS)
def test_where_it_is_there_a_survey_tells_the_rest(capture: Path, command: tuple[str, ...]) -> None:
    done = invoke(*command, capture, *shelf.CONTEXT, "--pan", OTHER, "--node", "0x0012")
    assert (done.exit_code, "a survey of all tells which nodes" in done.stderr) == (1, True)


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("octets", [0, 24])  # nothing, and the header of a pcap file alone
def test_where_nothing_came_nothing_is_said_of_what_was_asked_for(
    capture: Path, command: tuple[str, ...], octets: int
) -> None:
    done = invoke(*command, "-", "--pan", "0x9999", stdin=capture.read_bytes()[:octets])
    assert (done.exit_code, "as asked for" in done.stderr) == (1, False)
    assert "holds no frame" in done.stderr + done.stdout


def test_the_survey_that_a_wrong_pan_id_names_tells_them(capture: Path) -> None:
    done = invoke("survey", capture, "--pan", "0xfffff")
    assert (done.exit_code, "the JSON of a survey tells" in done.stderr) == (2, True)
    told = json.loads(invoke("survey", capture, *shelf.CONTEXT, "--json").stdout)["survey"]
    assert [one["name"] for one in told["networks"]] == [f"{air.PAN:#06x}", f"{OTHER:#06x}"]


@pytest.mark.parametrize(
    ("command", "name"), [("survey", "--table"), ("measure", "--svg"), ("page", "--output")]
)
def test_of_two_files_to_write_none_is_left_out_without_a_word(
    capture: Path, command: str, name: str
) -> None:
    files = [capture.parent / f"{one}.csv" for one in ("east", "west")]
    done = invoke(command, capture, *(word for file in files for word in (name, file)))
    assert (done.exit_code, "more than once" in done.stderr) == (2, True)
    assert not any(file.exists() for file in files)


def test_a_list_names_the_network_of_each_frame_where_there_are_several(capture: Path) -> None:
    """Both have one address: the list alone would not tell whose frame is whose; a third column does."""
    words = ("annotate", "--list", capture, *shelf.CONTEXT)
    own, other = f"{air.PAN:#06x}", f"{OTHER:#06x}"
    told = json.loads(invoke(*words, "--json").stdout)["list"]
    assert [one["network"] for one in told] == [own, own, other]
    rows = csv.DictReader(io.StringIO(invoke(*words, "--csv").stdout))
    assert [row["network"] for row in rows] == [own, own, other]
    shown = invoke(*words).stdout.splitlines()
    head = next(n for n, line in enumerate(shown) if line.startswith("frame"))
    assert shown[head].split()[:4] == ["frame", "time", "network", "from"]
    lines = [line.split() for line in shown[head + 1 :] if line.split()[0] in {"1", "2", "3"}]
    assert [line[2] for line in lines if len(line) > 5] == [own, own, other]
    alone = invoke(*words, "--pan", own).stdout
    assert "network" not in alone


@pytest.mark.parametrize(
    ("command", "first", "words"),
    [
        ("measure", OTHER, "what is told is of network {}"),
        ("audit", air.PAN, "what names none is of {}"),
    ],
)
def test_the_network_that_is_shown_is_named_where_there_are_several(
    capture: Path, command: str, first: int, words: str
) -> None:
    """An audit names the PAN of nodes that are not of the one heard first; measured is the one with the most frames.

    Of the first are two frames, of the other four: the last of the capture, under other numbers (octet 2).
    """
    frames = shelf.read_back(capture)[1]
    more = [frames[-1][:2] + bytes([number]) + frames[-1][3:-2] for number in range(90, 93)]
    capture = shelf.written(capture, [*frames, *(one + fcs(one, 2) for one in more)])
    done = {form: invoke(command, capture, *form) for form in ((), ("--json",), ("--csv",))}
    (told,) = json.loads(done["--json",].stdout)[command]
    pans = sorted((f"{air.PAN:#06x}", f"{OTHER:#06x}"), key=lambda one: one != f"{first:#06x}")
    assert told["networks"] == pans
    rows = list(csv.DictReader(io.StringIO(done["--csv",].stdout)))
    assert {row["networks"] for row in rows} == {"; ".join(pans)}
    assert words.format(pans[0]) in " ".join(done[()].stdout.split())
    alone = invoke(command, capture, "--pan", first)
    assert words.format(pans[0]) not in " ".join(alone.stdout.split())


def test_more_networks_than_an_audit_tells_apart_are_said(tmp_path: Path) -> None:
    """The first and 16 more (DEVELOPERS.md), of 20 others with a damaged datagram each."""
    datagram = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), b"one")
    own = air.frames_of(datagram, NODE, ROOT, sequence=1)[0]
    frames = [own]
    for number in range(20):
        other = own[:3] + (OTHER + number).to_bytes(2, "little") + own[5:-3] + b"?"
        frames.append(other + fcs(other, 2))
    done = invoke("audit", shelf.written(tmp_path / "b.pcap", frames), *shelf.CONTEXT)
    told = " ".join(done.stdout.split())
    assert "0xbefe and 4 more: what names none" in told
    assert "of the others each frame is judged by itself" in " ".join(told.split())
