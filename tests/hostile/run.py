"""Attackers against every reader of frames: is memory bounded, is time flat, and are honest nodes still read?

    PYTHONPATH=tests nice python -m hostile.run --frames 1000000 [--reader NAME] [ATTACK ...]

``--frames`` are those of all attacks together. Each attack runs against each reader in a process of its own, so that
memory is that of one. What is wrong is printed, and the exit code is 1 then. Figures are kept in build/hostile
until they are replaced, and those that are there are written to ``tests/trust/reports/hostile.json``. Which bounds hold
stands in DEVELOPERS.md.
"""

import argparse
import json
import multiprocessing
import sys
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from findings import air
from findings.air import ROOT
from hostile.attacks import ATTACKS, Attack
from hostile.mixing import Mixed, mixed
from hostile.network import NODES, PORTS
from hostile.readers import READERS, Datagrams, Outcome, digest, resident_mb, settle
from trust.report import Report, Row, write

from lowpanbudget import Finding, FlowKey, Survey
from lowpanbudget.env import link_text
from lowpanbudget.findings.tallies import MOST_SUBJECTS

MOST_GROWTH_MB = 12.0  # in the second half: what is bounded is full by then, but for the allocator
MOST_PEAK_MB = 260.0
MOST_SLOWDOWN = 2.5  # of the last tenth, beside the second
# findings whose subject is who is attacked
_ABOUT_VICTIMS = {"fragments-flood", "fragments-meet", "handshakes-never-ended"}
_TELLING = 15_000  # frames of an attack behind which tables are full
_SHORT = (
    f"Rows of fewer than {_TELLING} frames were cut short: tables still fill, and growth_mb says little; "
    "a request is not told as never answered before 93 s are over."
)
_SHARED = "--frames are those of all attacks together: of each attack there is its share, if it was not named alone."
WORK = Path("build/hostile")


@dataclass
class Judged:
    """One reader under one attack: figures, and what is wrong in words."""

    figures: dict[str, Any]
    wrong: list[str]


@dataclass
class Sent:
    """The captures of one attack: with the attacker, and of the same time without."""

    path: Path
    quiet: Path
    mix: Mixed
    peace: Mixed

    @classmethod
    def of(cls, name: str, frames: int, every_s: float, folder: Path) -> "Sent":
        """Write both into a folder."""
        path, quiet, attack = folder / "attack.pcap", folder / "quiet.pcap", ATTACKS[name]
        mix = mixed(attack, frames, every_s, path)
        return cls(path, quiet, mix, mixed(attack, frames, every_s, quiet, alone=True))


def judge(name: str, reader: str, sent: Sent) -> Judged:
    """Run one reader under one attack, and over the honest nodes alone."""
    attack, mix, peace = ATTACKS[name], sent.mix, sent.peace
    settle()
    before_mb = resident_mb()
    wanted = {number for number, _ in mix.datagrams}
    under = READERS[reader](sent.path, mix.frames, wanted, contexts=attack.contexts)
    after = {number for number, _ in peace.datagrams}
    alone = READERS[reader](sent.quiet, peace.frames, after, contexts=attack.contexts)
    watch = under.watch
    figures: dict[str, Any] = {
        "frames": mix.frames,
        "peak_mb": round(max(watch.memory_mb) - before_mb, 1),
        "growth_mb": round(watch.growth_mb, 1),
        "us_per_frame_first": round(watch.us_per_frame(0), 1),
        "us_per_frame_last": round(watch.us_per_frame(-1), 1),
    }
    wrong = []
    if figures["growth_mb"] > MOST_GROWTH_MB:
        wrong.append(f"memory grows by {figures['growth_mb']} MB in the second half")
    if figures["peak_mb"] > MOST_PEAK_MB:
        wrong.append(f"{figures['peak_mb']} MB are held")
    if len(watch.seconds) > 2 and watch.us_per_frame(-1) > MOST_SLOWDOWN * watch.us_per_frame(1):
        wrong.append("frames take longer and longer")
    _judge_honest(attack, mix, peace, under, alone, figures, wrong)
    if reader == "audit":
        _judge_findings(attack, under.findings, alone.findings, figures, wrong)
    return Judged(figures, wrong)


def _judge_honest(
    attack: Attack, sent: Mixed, peace: Mixed, under: Outcome, alone: Outcome,
    figures: dict[str, Any], wrong: list[str],
) -> None:  # fmt: skip
    """Compare what was read of honest nodes with what they sent, and with a run without attacker."""
    if under.survey is not None and alone.survey is not None:
        read, there = messages(under.survey), messages(alone.survey)
        figures["honest_read"], figures["honest_sent"] = read, there
        if not there:
            wrong.append("honest nodes are not counted even without attacker")
        if read < there and not attack.taken:
            wrong.append(f"{there - read} of {there} datagrams of honest nodes are not counted")
        return
    lost = missing(sent, under.datagrams)
    lost_alone = missing(peace, alone.datagrams)
    figures["honest_sent"] = len(sent.datagrams)
    figures["honest_read"] = len(sent.datagrams) - len(lost)
    if lost_alone:
        wrong.append(f"{len(lost_alone)} datagrams are lost even without attacker")
    unexpected = [link for link in lost if link not in attack.takes]
    if unexpected:
        wrong.append(
            f"{len(unexpected)} of {len(sent.datagrams)} datagrams of honest nodes are not read"
        )


def missing(mix: Mixed, got: Datagrams) -> list[bytes]:
    """The senders of the datagrams that were not read as they were sent, one for each."""
    return [
        said.source
        for number, said in mix.datagrams
        if said.datagram is not None and got.get(number) != digest(said.datagram)
    ]


def messages(survey: Survey) -> int:
    """How many reports of honest nodes were counted: datagrams from their addresses to the root's port."""
    sources = {air.address(air.PREFIX, link) for link in NODES}
    return sum(
        tally.datagrams
        for cell, tally in survey.cells.items()
        if isinstance(cell.flow, FlowKey)
        and cell.node in NODES
        and cell.flow.source in sources
        and cell.flow.destination_port == PORTS[1]
    )


def _judge_findings(
    attack: Attack, under: tuple[Finding, ...], alone: tuple[Finding, ...],
    figures: dict[str, Any], wrong: list[str],
) -> None:  # fmt: skip
    """See that the attack is named, in few findings, and that no honest node is blamed for it."""
    figures["findings"] = len(under)
    names = {finding.name for finding in under}
    figures["named_by"] = ", ".join(name for name in attack.names if name in names)
    if not names & set(attack.names):
        wrong.append(f"no finding names the attack: {', '.join(sorted(names))}")
    told = {(one.name, one.subject) for one in alone}
    honest = {link_text(link) for link in (ROOT, *NODES) if link not in attack.forges}
    for finding in under:
        if finding.name in _ABOUT_VICTIMS:
            continue
        blamed = honest & {
            one.split(" to ")[0] for one in finding.subject.split(":")[0].split(", ")
        }
        if blamed and (finding.name, finding.subject) not in told:
            wrong.append(f"blames {finding.subject}: {finding.name}: {finding.cause}")
    for name in names:
        several = [finding for finding in under if finding.name == name]
        if len(several) > MOST_SUBJECTS + 1:
            wrong.append(f"{len(several)} findings {name}")


def _in_process(name: str, reader: str, sent: Sent) -> Judged:
    """Judge in a process of its own: memory is that of one reader then. Nothing large is held here."""
    with multiprocessing.get_context("fork").Pool(1) as pool:
        return pool.apply(judge, (name, reader, sent))


def _kept(name: str, reader: str) -> Path:
    return WORK / f"{name}.{reader}.json"


def run(name: str, readers: list[str], frames: int, every_s: float) -> int:
    """Run readers under one attack, print and keep what came of it; return how much is wrong."""
    wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        sent = Sent.of(name, frames, every_s, Path(folder))
        for reader in readers:
            judged = _in_process(name, reader, sent)
            wrong += len(judged.wrong)
            print(f"{name:18} {reader:8} {judged.figures}", flush=True)
            for text in judged.wrong:
                print(f"{'':18} WRONG {text}", flush=True)
            _kept(name, reader).write_text(json.dumps({"tried": frames, **asdict(judged)}), "utf-8")
    return wrong


def report(command: str) -> None:
    """Write the report of the attacks and readers that ran, from what the last run of each kept."""
    rows = []
    for name, attack in ATTACKS.items():
        for reader in (one for one in READERS if _kept(name, one).exists()):
            kept = json.loads(_kept(name, reader).read_text("utf-8"))
            figures = kept["figures"]
            if attack.taken and reader in ("audit", "decoder"):
                figures["taken"] = attack.taken
            what = f"{name}, {reader}: {attack.what}"
            rows.append(Row(what, kept["tried"], "frames", len(kept["wrong"]), figures))
    short = [_SHORT] if any(row.tried < _TELLING for row in rows) else []
    write(Report("hostile", command, rows, [_SHARED, *short]))


def main() -> int:
    """Run what is asked for, and write the report once all has run."""
    parser = argparse.ArgumentParser(description="attackers against every reader of frames")
    parser.add_argument("attacks", nargs="*", help=", ".join(ATTACKS))
    parser.add_argument("--frames", type=int, default=1_000_000)
    parser.add_argument(
        "--every", type=float, default=5.0, help="seconds between reports of a node"
    )
    parser.add_argument("--reader", action="append", choices=list(READERS))
    given = parser.parse_args()
    attacks = given.attacks or list(ATTACKS)
    if unknown := set(attacks) - set(ATTACKS):
        parser.error(f"{', '.join(unknown)}: no such attack")
    WORK.mkdir(parents=True, exist_ok=True)
    each = max(given.frames // len(attacks), 1)
    readers = given.reader or list(READERS)
    wrong = sum(run(name, readers, each, given.every) for name in attacks)
    report(f"PYTHONPATH=tests python -m hostile.run --frames {given.frames}")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
