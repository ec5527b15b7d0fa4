"""``measure``: what it prints, in which forms, and how it ends."""

import csv
import io
import json
import tracemalloc
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from contract import air, shelf
from contract.entry import invoke
from simulation import slotted
from simulation.captured import LINK_TYPE, Frames, Listener, design, design_text, records

from lowpanbudget import Measurement, Record, write_pcap
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.deployment import measurement

PLAN = """
[access]
method = "slots"
[access.slots]
channels = 1
[limits]
delivery = 0.9
[[burst]]
name = "volley"
flow = "readings"
packets = 20
octets = 19
every_s = 0.2
all_in_s = {all_in}
[[burst]]
name = "never"
flow = "readings"
packets = 20
octets = 40
every_s = 0.2
"""


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan, one that wants too much, and what two receivers heard of three nodes with a cell each."""
    folder = tmp_path_factory.mktemp("store")
    (folder / "plan.toml").write_text(design_text(PLAN.format(all_in=120)))
    (folder / "hasty.toml").write_text(design_text(PLAN.format(all_in=5)))
    links = {node: slotted.Link([7 * node], node - 1) for node in (1, 2, 3)}
    network = slotted.SlottedNetwork(links, 2, success=0.9, keep=True)
    for node in links:
        network.periodic(node, 30.0, 1500, first=7.0 * node, jitter=1.0)
    network.burst(3, 20, 0.2, at=600.0)
    network.run(1600)
    planned = design(PLAN.format(all_in=120))
    for name, seed in (("west", 1), ("east", 2)):
        listener = Listener(misses=0.05 * seed, seed=seed)
        heard = records(network.sent, Frames(planned, hops=lambda node: node), (listener,))
        with (folder / f"{name}.pcap").open("wb") as file:
            write_pcap(file, heard, LINK_TYPE)
    return folder


def test_the_answer_is_yes_or_no(store: Path) -> None:
    """A burst that lasts 3.8 s comes in over one cell each 1.01 s: not after 5 s, but long before 120 s."""
    west = store / "west.pcap"
    fine = invoke("measure", west, "--design", store / "plan.toml")
    assert fine.exit_code == 0
    assert "nothing outside of the plan" in " ".join(fine.stdout.split())
    hasty = invoke("measure", west, "--design", store / "hasty.toml", "--burst", "volley")
    assert hasty.exit_code == 1
    assert "Outside of the plan" in hasty.stdout


def test_that_shares_are_judged_together_is_said(store: Path, tmp_path: Path) -> None:
    """No frame of 2.4 GHz O-QPSK with data takes less than 0.1 ms: 32 microseconds an octet (from memory)."""
    plan = (store / "plan.toml").read_text()
    assert "delivery = 0.9" in plan
    wish = "delivery = 0.9\nlatency_s = 0.0001\nlatency_share = 0.95"
    (tmp_path / "swift.toml").write_text(plan.replace("delivery = 0.9", wish))
    asked = ("measure", store / "west.pcap", "--design", tmp_path / "swift.toml")
    done = invoke(*asked)
    assert done.exit_code == 1
    (found,) = json.loads(invoke(*asked, "--json").stdout)["measure"]
    shares = [one for one in found["checks"] if one["what"] in {"delivery", "latency"}]
    assert f"The {len(shares)} shares are judged together" in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("link_type", "octets", "answer"),
    [
        # an Ethernet frame of EtherType 0x0800, IPv4
        (1, bytes(12) + b"\x08\0" + bytes(20), "nothing to measure, none of 1 frame can be read"),
        # a beacon without any address, superframe and GTS fields of 0 (IEEE 802.15.4-2006 7.2.2.1, from memory)
        (230, bytes(7), "nothing that the plan tells of"),
    ],
)
def test_what_the_plan_does_not_tell_of(
    store: Path, tmp_path: Path, link_type: int, octets: bytes, answer: str
) -> None:
    capture = tmp_path / "other.pcap"
    with capture.open("wb") as file:
        write_pcap(file, [Record(1, 10**9, link_type, octets, len(octets))], link_type)
    done = invoke("measure", capture, "--design", store / "plan.toml")
    assert done.exit_code == int("nothing to measure" in answer)
    assert answer in " ".join(done.stdout.split())


def test_json_and_csv_hold_the_same(store: Path) -> None:
    asked = ("measure", store / "west.pcap", "--design", store / "plan.toml", "--burst", "volley")
    done = invoke(*asked, "--json")
    told = json.loads(done.stdout)
    assert told["version"] == 1
    (found,) = told["measure"]
    assert found["frames"] > 300
    assert {check["verdict"] for check in found["checks"]} <= {"within", "outside", "open"}
    assert found["flows"][0]["title"].startswith("reading from 2001:db8:1::")
    rows = list(
        csv.DictReader(io.StringIO(invoke(*asked, "--csv").stdout, newline=""), strict=True)
    )
    assert {row["group"] for row in rows} == {"plan", "flow", "lost", "link", "node", "burst"}
    plan = [row for row in rows if row["group"] == "plan"]
    assert [row["verdict"] for row in plan] == [check["verdict"] for check in found["checks"]]
    arrivals = [float(row["value"]) for row in rows if row["name"].startswith("arrival ")]
    assert arrivals == found["burst"]["arrivals_s"]


@pytest.fixture(scope="module")
def answers() -> dict[str | None, Measurement]:
    """What was measured, by the burst that was asked for."""
    return {}


@pytest.fixture
def measured_once(monkeypatch: pytest.MonkeyPatch, answers: dict[str | None, Measurement]) -> None:
    """Let screens show one answer, however wide they are."""
    measure = measurement.measure

    def once(records: Any, *, burst: str | None, **known: Any) -> Measurement:
        if burst not in answers:
            answers[burst] = measure(records, burst=burst, **known)
        return answers[burst]

    monkeypatch.setattr(measurement, "measure", once)


@pytest.mark.usefixtures("measured_once")
@pytest.mark.parametrize("columns", [40, 80, 120])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_every_screen_holds_it(store: Path, columns: int, encoding: str) -> None:
    done = invoke(
        "measure", store / "west.pcap", "--design", store / "plan.toml", "--burst", "volley",
        COLUMNS=str(columns), encoding=encoding,
    )  # fmt: skip
    assert max(map(len, done.stdout.splitlines()[2:])) <= columns
    assert "\x1b" not in done.stdout
    for title in ("Burst volley", "Messages, each", "Links", "Nodes", "cannot tell", "promise"):
        assert title in done.stdout


def test_two_receivers_are_named(store: Path) -> None:
    done = invoke(
        "measure", store / "west.pcap", store / "east.pcap", "--together", "--design", store / "plan.toml"
    )  # fmt: skip
    assert "west.pcap" in done.stdout
    assert "counted once" in done.stdout


def test_what_cannot_be_asked(store: Path, tmp_path: Path) -> None:
    west = store / "west.pcap"
    assert invoke("measure", west, "--burst", "volley").exit_code == 2
    wrong = invoke("measure", west, "--design", store / "plan.toml", "--burst", "storm")
    assert wrong.exit_code == 2
    assert "It has: volley, never" in wrong.stderr
    none = invoke("measure", west, "--design", store / "plan.toml", "--burst", "never")
    assert "No datagram of its flow has its octets" in none.stdout
    empty = tmp_path / "empty.pcap"
    empty.write_bytes(west.read_bytes()[:24])
    assert invoke("measure", empty).exit_code == 1
    empty.write_bytes(b"\0nothing")
    assert invoke("measure", empty).exit_code == 3


def test_pictures_say_what_they_show(store: Path, tmp_path: Path) -> None:
    place = tmp_path / "burst.svg"
    done = invoke(
        "measure", store / "west.pcap", "--design", store / "plan.toml", "--burst", "volley", "--svg", place
    )  # fmt: skip
    assert done.exit_code == 0
    texts = ["".join(one.itertext()) for one in ET.parse(place).iter() if one.tag.endswith("text")]
    assert "Packets of the burst volley" in texts
    assert "Time on the air by node" in texts
    assert any("20 of 20 packets arrived" in text for text in texts)


def test_less_than_a_capture_tells_apart_is_nothing(tmp_path: Path) -> None:
    """Of 100 messages 10.9 s apart one is heard a microsecond late: it is the least that pcap writes."""
    at = [10.9 * number + (1e-6 if number == 50 else 0) for number in range(100)]
    frames = [(at[n], shelf.frames(bytes([n]) * 9, n)[0]) for n in range(100)]
    done = invoke("measure", shelf.written(tmp_path / "a.pcap", frames), *shelf.CONTEXT)
    assert "  10.9±0  " in done.stdout


def test_memory_grows_with_the_datagrams_that_are_told_apart_alone() -> None:
    """README and ``--help`` say by how much; tracemalloc counts."""
    frames = [shelf.frames(bytes([n % 251]) * 9, n % 256)[0] for n in range(3000)]
    some = [Record(n + 1, n * 10**10, 195, octets, len(octets)) for n, octets in enumerate(frames)]
    measurer = measurement.Measurer(most=2000)
    trace = Trace(contexts={0: f"{air.PREFIX}/64"}, fcs=2)
    held = []
    tracemalloc.start()
    for number, one in enumerate(some):
        if number in {1000, 2000}:
            held.append(tracemalloc.get_traced_memory()[0])
        measurer.add(trace.feed(one))
    held.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert 1.2 < (held[1] - held[0]) / 1e6 < 2.2
    assert held[2] - held[1] < (held[1] - held[0]) / 2  # what is bounded fills up: the last tries
    assert measurement.MOST_JOURNEYS == 200_000
    assert "1000 datagrams behind the first" in " ".join(measurer.measurement().unknown)
