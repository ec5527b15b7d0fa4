"""The example captures: the script writes them, audit finds what is planted and nothing else, other readers agree.

What is planted in which frame, and how many frames of which kind there are, is counted by the script as it sends them.
"""

import importlib
import io
import json
import re
import sys
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from lowpanbudget import (
    BurstPlan,
    MeasuredBurst,
    airtime,
    carry,
    carry_burst,
    measure,
    parse_design,
)
from lowpanbudget.capture.expand import LeftOut, expand
from lowpanbudget.capture.files.key_file import KeyRing, read_keys
from lowpanbudget.capture.files.reading import read_capture
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.files.writing import write_pcap
from lowpanbudget.capture.follow.tracing import Trace, TraceOptions
from lowpanbudget.capture.shrink import Shrinker, shrink
from lowpanbudget.capture.surveyor import survey
from lowpanbudget.cli.main import program
from lowpanbudget.deployment.carry import judged
from lowpanbudget.deployment.measured import PlanNumber, PlanVerdict
from lowpanbudget.design.load import load_design
from lowpanbudget.findings.finding import Severity
from lowpanbudget.findings.tallies import MOST_FRAMES

EXAMPLES = Path(__file__).parents[1] / "examples"
NAMES = ("footbridge", "archive")
REMARKS = {
    "footbridge": {"fragments-unfinished", "fragment-repeated", "page-one-not-answered"},
    "archive": {"check-sequence-wrong", "notification-stale"},
}


@pytest.fixture(scope="module")
def script() -> Iterator[Any]:
    sys.path.insert(0, str(EXAMPLES))
    try:
        yield importlib.import_module("make_captures")
    finally:
        sys.path.remove(str(EXAMPLES))


@pytest.fixture(scope="module")
def made(script: Any) -> dict[str, Any]:
    """The captures as the script makes them, with its own counts."""
    return {name: make() for name, make in script.CAPTURES.items()}


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], str]:
    folder = tmp_path_factory.mktemp("keys")

    def private(name: str) -> str:
        path = folder / f"{name}.keys.toml"
        path.write_bytes((EXAMPLES / path.name).read_bytes())
        path.chmod(0o600)
        return str(path)

    return private


def ring(keys: Callable[[str], str], name: str) -> KeyRing:
    return read_keys(keys(name))


@cache
def records_of(name: str) -> tuple[Record, ...]:
    with read_capture(str(EXAMPLES / f"{name}.pcap")) as records:
        found = tuple(records)
        assert not records.notices
    return found


def known_of(keys: Callable[[str], str], name: str) -> TraceOptions:
    known = ring(keys, name)
    design = load_design(str(EXAMPLES / f"{name}.toml"))
    return {"design": design, "keys": known.keys, "devices": known.devices}


def trace_of(keys: Callable[[str], str], name: str) -> Trace:
    return Trace(**known_of(keys, name))


def audited(name: str, *more: str) -> tuple[int, list[dict[str, Any]]]:
    design = str(EXAMPLES / f"{name.removesuffix('-burst')}.toml")
    capture = str(EXAMPLES / f"{name}.pcap")
    done = CliRunner().invoke(program, ["audit", capture, "--design", design, "--json", *more])
    return done.exit_code, json.loads(done.stdout)["audit"][0]["findings"]


@pytest.mark.parametrize("name", NAMES)
def test_the_script_writes_the_files_octet_by_octet(made: dict[str, Any], name: str) -> None:
    file = io.BytesIO()
    write_pcap(file, made[name].records, made[name].link_type)
    committed = (EXAMPLES / f"{name}.pcap").read_bytes()
    assert file.getvalue() == committed
    assert len(committed) < 200_000


# the burst of each design and its packets; how many came on the air the script counts
FIRED = {"footbridge": ("hundred", 100), "archive": ("sixty", 60)}
RUNS = 60  # of a burst: enough to tell what holds from what does not; what the command plays stands in the README


@pytest.mark.parametrize("name", NAMES)
def test_bursts_are_measured_as_they_went(
    script: Any, measured: Callable[[str], MeasuredBurst], name: str
) -> None:
    air = script.BURSTS[name]()
    file = io.BytesIO()
    write_pcap(file, air.records, air.link_type)
    assert file.getvalue() == (EXAMPLES / f"{name}-burst.pcap").read_bytes()
    _, packets = FIRED[name]
    seen = measured(name)
    assert (seen.packets, seen.seen, seen.arrived.count) == (packets, air.fired, air.arrived)
    # what was planned lies within what was measured, at 95 %
    assert seen.arrived.least <= planned(name).arrived / packets <= seen.arrived.most


@cache
def planned(name: str) -> BurstPlan:
    """What becomes of the burst of an example's design."""
    design = load_design(str(EXAMPLES / f"{name}.toml"))
    return carry_burst(design, FIRED[name][0], seed=1, runs=RUNS)


@pytest.fixture(scope="module")
def measured(keys: Callable[[str], str]) -> Callable[[str], MeasuredBurst]:
    """What the capture of the burst of an example shows."""

    @cache
    def of_burst(name: str) -> MeasuredBurst:
        known = ring(keys, name)
        design = load_design(str(EXAMPLES / f"{name}.toml"))
        found = measure(
            EXAMPLES / f"{name}-burst.pcap", burst=FIRED[name][0], design=design, keys=known.keys,
            devices=known.devices,
        ).burst  # fmt: skip
        assert found is not None
        return found

    return of_burst


def test_a_burst_that_nobody_asked_for_is_no_other_rhythm(keys: Callable[[str], str]) -> None:
    """Half a second is the archive's burst, and not its half hour: which of them it is, is asked."""
    known, design = ring(keys, "archive"), load_design(str(EXAMPLES / "archive.toml"))
    found = measure(
        EXAMPLES / "archive-burst.pcap", design=design, keys=known.keys, devices=known.devices
    )
    (check,) = [one for one in found.checks if one.what is PlanNumber.INTERVAL]
    assert (check.planned, check.seen, check.verdict) == (1800, 0.5, PlanVerdict.OPEN)
    assert "burst sixty" in check.why
    assert not found.is_outside


def mended(text: str, **lines: str) -> str:
    """A design's text with these lines in place of those that begin with the same key."""
    for key, line in lines.items():
        text, count = re.subn(rf"(?m)^{key} = .*$", line, text, count=1)
        assert count == 1, key
    return text


def test_the_archive_carries_its_messages_as_the_readme_mends_it() -> None:
    readme = (EXAMPLES.parent / "README.md").read_text(encoding="utf-8")
    block = next(
        one
        for one in re.findall(r"```toml\n(.*?)```", readme, re.DOTALL)
        if "slotframe = 601" in one
    )
    parts = {name: re.search(rf"(?ms)^(?:# of )?\[{name}\].*?\n(.*?)(?=\n\n|\Z)", block) for name in
             ("link", "access", "access.slots", "upkeep", "battery")}  # fmt: skip
    link, access, slots, upkeep, battery = (one[1] for one in parts.values() if one is not None)
    text = (EXAMPLES / "archive.toml").read_text(encoding="utf-8")
    version, slotted = link.splitlines()
    text = mended(
        text, frame_version=f"{version}\n{slotted}", method=access, retries=f"retries = 3\n\n[access.slots]\n{slots}",
        dao_s=f"dao_s = 1800\n{upkeep}", capacity_mah=battery.strip(),
    )  # fmt: skip
    found = carry(parse_design(text, "mended.toml"), seed=1)
    assert found.holds
    assert any("753" in check.text and check.holds for check in found.checks), found.checks
    # a short look is enough to see that the archive itself does not: what it prints stands in the README
    archive = load_design(str(EXAMPLES / "archive.toml"))
    assert archive.access is not None
    assert not judged(archive, archive.access, airtime(archive), 1, transmissions=6000).holds


def test_more_cells_and_time_bring_the_burst_in() -> None:
    text = (EXAMPLES / "footbridge.toml").read_text(encoding="utf-8")
    more = mended(text, cells="cells = 10", all_in_s="all_in_s = 14")
    assert carry_burst(parse_design(more, "more.toml"), "hundred", seed=1, runs=RUNS * 2).holds
    assert not planned("footbridge").holds


def test_more_cells_want_the_batteries_that_the_readme_names() -> None:
    text = (EXAMPLES / "footbridge.toml").read_text(encoding="utf-8")
    readme = " ".join((EXAMPLES.parent / "README.md").read_text(encoding="utf-8").split())
    more = mended(text, cells="cells = 10", all_in_s="all_in_s = 14")
    found = carry(parse_design(more, "more.toml"), seed=1)
    assert not found.holds
    (battery,) = (one.text for one in found.checks if not one.holds)
    told = re.search(r"the first battery then lasts (\d+) days of the (\d+) asked for", readme)
    assert told is not None
    assert f"its battery lasts {told[1]} to" in battery
    assert f"limits.battery_days is {told[2]}" in battery
    larger = re.search(r"until `(capacity_mah = [^`]*)`", readme)
    assert larger is not None
    assert carry(parse_design(mended(more, capacity_mah=larger[1]), "larger.toml"), seed=1).holds


def test_the_readme_tells_what_the_burst_showed(
    keys: Callable[[str], str], measured: Callable[[str], MeasuredBurst]
) -> None:
    share = measured("footbridge").arrived
    text = " ".join((EXAMPLES.parent / "README.md").read_text(encoding="utf-8").split())
    told = f"{share.count} of {share.trials} packets arrived, {share.least:.1%} to {share.most:.1%}"
    assert told in text
    share = measured("archive").arrived
    assert f"{share.count} of {share.trials} came in. One is fewer than planned" in text
    assert share.count == share.trials - 1
    known = known_of(keys, "archive")
    assert measure(EXAMPLES / "archive-burst.pcap", burst="sixty", **known).is_outside
    found_in = {name: audited(f"{name}-burst", "--keys", keys(name)) for name in NAMES}
    names = {
        name: {one["name"] for one in found if one["has_weight"]}
        for name, (_, found) in found_in.items()
    }
    assert names == {"footbridge": {"loss-over-plan", "messages-never-sent"}, "archive": set()}


@pytest.mark.parametrize("name", NAMES)
def test_audit_finds_what_is_planted_and_nothing_else(
    made: dict[str, Any], keys: Callable[[str], str], name: str
) -> None:
    code, findings = audited(name, "--keys", keys(name))
    assert code == 1
    planted: dict[str, list[int]] = made[name].planted
    assert {one["name"] for one in findings} == set(planted)
    remarks = {one["name"] for one in findings if one["severity"] == Severity.REMARK.word}
    assert remarks == REMARKS[name]
    subjects: dict[str, int] = {}
    for one in findings:
        subjects[one["name"]] = subjects.get(one["name"], 0) + 1
    # one node each, but for the two senders at the relay whose datagrams never became whole
    more = {"fragments-unfinished": 2} if name == "footbridge" else {}
    assert subjects == {**dict.fromkeys(planted, 1), **more}
    for rule, numbers in planted.items():
        found = [number for one in findings if one["name"] == rule for number in one["frames"]]
        assert sorted(found) == sorted(numbers)[:MOST_FRAMES], rule


@pytest.mark.parametrize("name", NAMES)
def test_what_is_planted_stands_in_the_script(script: Any, made: dict[str, Any], name: str) -> None:
    _, bridge, store = re.split(
        r"^(?=footbridge\.pcap:|archive\.pcap:)", script.__doc__, flags=re.MULTILINE
    )
    told = bridge if name == "footbridge" else store.rpartition("\n\n")[0] + "\n"
    named = set(re.findall(r"(?<= )[a-z]+(?:-[a-z]+)+(?=[,;\n])", told.partition("finds:\n")[2]))
    assert named == set(made[name].planted)
    assert all(rule in script.__doc__.rpartition("\n\n")[2] for rule in REMARKS[name])


def test_headers_alone_prove_less(made: dict[str, Any]) -> None:
    """Without keys sealed frames are judged by their headers, and everything that is then found is planted."""
    code, findings = audited("archive")
    assert code == 1
    planted = made["archive"].planted
    heavy = {one["name"]: one["frames"] for one in findings if one["has_weight"]}
    assert heavy.keys() < planted.keys()
    assert all(set(numbers) <= set(planted[rule]) for rule, numbers in heavy.items())
    assert heavy.keys() == {
        "checksum-elided-without-cover", "frame-counter-used-twice", "frame-counter-went-back",
        "pan-id-carried-twice", "security-not-as-planned",
    }  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_survey_counts_what_the_script_sent(
    made: dict[str, Any], keys: Callable[[str], str], name: str
) -> None:
    sent, counts = made[name], made[name].counts
    found = survey(records_of(name), **known_of(keys, name))
    total = found.total
    assert total.frames == len(sent.records)
    assert {kind: tally.frames for kind, tally in found.kinds.items()} == {
        kind: counts[kind]
        for kind in ("beacon", "data", "acknowledgement", "command")
        if counts[kind]
    }
    assert total.datagrams == counts["datagrams"]
    assert total.fragments == counts["fragments"]
    assert total.retransmissions == counts["retransmissions"]
    # fragments that come again 0.4 s later, behind an acknowledgement, are no copies of a MAC
    assert total.duplicates == 0
    assert total.damaged == counts["damaged"]
    assert total.lost == counts["damaged"]  # their numbers are missing


@pytest.mark.parametrize("name", NAMES)
def test_expand_shrink_expand_is_the_identity(
    made: dict[str, Any], keys: Callable[[str], str], name: str
) -> None:
    datagrams = list(expand(records_of(name), **known_of(keys, name)))
    assert len(datagrams) == made[name].counts["datagrams"]
    design = load_design(str(EXAMPLES / f"{name}.toml"))
    left_out = LeftOut()
    frames = list(shrink(datagrams, Shrinker(design, unprotected=True), left_out=left_out))
    again = list(expand(frames, design=design, left_out=left_out))
    assert [one.octets for one in again] == [one.octets for one in datagrams]
    assert not left_out.reasons


@pytest.mark.parametrize("name", NAMES)
def test_scapy_reads_the_same_frames_and_times(name: str) -> None:
    from scapy.utils import RawPcapReader

    ours = records_of(name)
    reader = RawPcapReader(str(EXAMPLES / f"{name}.pcap"))
    assert reader.linktype == {"footbridge": 283, "archive": 195}[name]
    theirs = [(octets, meta.sec * 10**9 + meta.usec) for octets, meta in reader]
    reader.close()
    assert [(one.octets, one.time_ns) for one in ours] == theirs


def test_scapy_reads_the_same_headers(keys: Callable[[str], str]) -> None:
    from scapy.layers.dot15d4 import Dot15d4FCS

    for sighting in trace_of(keys, "archive").follow(records_of("archive")):
        packet = Dot15d4FCS(sighting.octets)
        assert packet.seqnum == sighting.sequence
        mac = sighting.template.example.mac if sighting.template is not None else None
        assert mac is not None
        assert packet.fcf_frametype == mac.frame_type
        assert packet.fcf_security == (mac.security is not None)
        if mac.source is not None:
            assert packet.src_addr == int.from_bytes(mac.source, "big")
            assert packet.dest_addr == int.from_bytes(mac.destination or b"", "big")


def test_scapy_computes_the_same_checksums_but_for_those_planted(
    made: dict[str, Any], keys: Callable[[str], str]
) -> None:
    """Scapy fills in what it holds right for the restored addresses; the planted ones alone differ."""
    from scapy.layers.inet import UDP
    from scapy.layers.inet6 import IPv6, _ICMPv6

    wrong = set()
    for sighting in trace_of(keys, "archive").follow(records_of("archive")):
        if sighting.datagram is None:
            continue
        told, asked = IPv6(sighting.datagram), IPv6(sighting.datagram)
        upper = asked.payload
        assert isinstance(upper, UDP | _ICMPv6)
        name = "chksum" if isinstance(upper, UDP) else "cksum"
        carried = getattr(told[type(upper)], name)
        delattr(upper, name)
        if getattr(IPv6(bytes(asked))[type(upper)], name) != carried:
            wrong.add(sighting.record.number)
    planted = made["archive"].planted
    rules = ("identifier-by-old-rule", "context-table-differs", "universal-local-bit-wrong")
    assert wrong == {number for rule in rules for number in planted[rule]}


def test_the_example_keys_are_refused_while_others_may_read_them(
    keys: Callable[[str], str],
) -> None:
    path = Path(keys("archive"))
    path.chmod(0o644)
    done = CliRunner().invoke(
        program, ["audit", str(EXAMPLES / "archive.pcap"), "--keys", str(path)]
    )
    assert done.exit_code == 2
