"""airtime: the command says what the library says, as text, JSON, a table and a picture; yes, no, or what is wrong."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from click.testing import Result
from contract.entry import DESIGNS

from lowpanbudget import (
    Estimate,
    FrameAirtime,
    FrameTimes,
    MessageAirtime,
    Phase,
    RadioState,
    RequestError,
    TimedPart,
    airtime,
    load_design,
    parse_design,
)

Invoke = Callable[..., Result]

ARCHIVE, FOOTBRIDGE = map(str, DESIGNS)
CAUTION = "measure before you rely on it"


def test_from_python() -> None:
    """A frame of 47 octets with 6 before it, at 32 µs an octet; the values of the radio are the example's."""
    first = airtime(load_design(ARCHIVE), "climate")[0]
    assert isinstance(first, MessageAirtime)
    (group,) = first.frames
    assert isinstance(group, FrameTimes)
    assert isinstance(group.times, FrameAirtime)
    assert (group.times.octets, first.on_air_us) == (47, 53 * 32)
    data = [part for part in group.times.parts if part.is_data]
    assert [(type(part), part.octets, part.phase) for part in data] == [
        (TimedPart, 15, Phase.FRAME)
    ]
    spent = data[0].energy_uj
    assert isinstance(spent, Estimate)
    assert data[0].sender is RadioState.SENDS
    for value, volts, sends, runs in zip(
        spent, (2.4, 3.0, 3.2), (16, 18, 24), (2, 3, 5), strict=True
    ):
        assert value == pytest.approx(15 * 32 * volts * (sends + runs) / 1000, rel=1e-12)


@pytest.mark.parametrize("path", [ARCHIVE, FOOTBRIDGE])
def test_json_and_the_table_have_the_same_parts(invoke: Invoke, path: str) -> None:
    done = invoke("airtime", path, "--json")
    assert done.exit_code == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["version"] == 1
    assert CAUTION in answer["caution"]
    parts = [
        (one["flow"], one["hop"], one["message"], group["first"], part["name"], part["us"])
        for one in answer["airtime"]
        for group in one["frames"]
        for part in group["times"]["parts"]
    ]
    table = csv.DictReader(io.StringIO(invoke("airtime", path, "--csv").stdout))
    assert parts == [
        (
            row["flow"],
            row["hop"],
            row["message"],
            int(row["first_frame"]),
            row["part"],
            float(row["us"]),
        )
        for row in table
    ]
    assert {one["flow"] for one in answer["airtime"]} >= {"upkeep"}


@pytest.mark.parametrize("width", ["80", "120"])
@pytest.mark.parametrize("more", [(), ("--flow", "climate")], ids=["all", "one"])
def test_the_screen(invoke: Invoke, width: str, more: tuple[str, ...]) -> None:
    shown = invoke("airtime", ARCHIVE, *more, COLUMNS=width).stdout
    assert shown.startswith("Time on the air: ")
    assert max(map(len, shown.split("\n"))) <= int(width)
    assert CAUTION in " ".join(shown.split())
    assert "Radio use follows the rules of the place" in " ".join(shown.split())
    assert "o-qpsk-2450 at 250 kb/s, 32 µs an octet" in shown
    assert "Currents: invented" in shown
    assert ("backoff (mean)" in shown) == bool(more)
    plain = invoke("airtime", ARCHIVE, *more, COLUMNS=width, encoding="ascii").stdout
    assert plain.isascii()


def test_the_picture(invoke: Invoke, tmp_path: Path) -> None:
    file = tmp_path / "climate.svg"
    done = invoke("airtime", ARCHIVE, "--flow", "climate", "--svg", file)
    assert done.exit_code == 0
    text = file.read_text(encoding="utf-8")
    root = ET.fromstring(text)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    for word in ("Saltmoor records archive", "Energy of the sender", "acknowledgement", CAUTION):
        assert word in text
    refused = invoke("airtime", ARCHIVE, "--svg", ARCHIVE)
    assert refused.exit_code == 2
    assert "it is not written over" in refused.stderr


def test_the_answer_may_be_no(invoke: Invoke, tmp_path: Path) -> None:
    """A slot that leaves 2.6 ms for a frame: a beacon that tells its times has 58 + 24 octets, and nothing cuts it."""
    text = Path(FOOTBRIDGE).read_text(encoding="utf-8")
    file = tmp_path / "short.toml"
    file.write_text(
        text.replace('template = "10ms"', 'template = "10ms"\nmax_frame_us = 2600'),
        encoding="utf-8",
    )
    done = invoke("airtime", file)
    assert done.exit_code == 1
    assert "1 message may not be sent so" in done.stdout
    assert "a frame takes 2816 µs, the slot leaves it 2600" in " ".join(done.stdout.split())
    assert "slot-too-short-for-frame" in done.stdout


def test_what_a_design_lacks_is_named(invoke: Invoke, tmp_path: Path) -> None:
    text = Path(FOOTBRIDGE).read_text(encoding="utf-8")
    head, rest = text.split("[access]\n", 1)
    tail = rest[rest.index("[tree]") :]
    with pytest.raises(RequestError, match=r"no \[access\]"):
        airtime(parse_design(head + tail))
    file = tmp_path / "without.toml"
    file.write_text(head + tail, encoding="utf-8")
    done = invoke("airtime", file)
    assert done.exit_code == 2
    assert "explain access" in done.stderr
