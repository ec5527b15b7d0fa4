"""Attackers against every reader of frames: is memory bounded, is time flat, and are honest nodes still read?

    PYTHONPATH=tests nice python -m hostile.run --frames 1000000 [--reader NAME] [ATTACK ...]

``--frames`` are those of all attacks together. Each attack runs against each reader in a process of its own, so that
memory is that of one. What is wrong is printed, and the exit code is 1 then; the figures are written to
``tests/trust/reports/hostile.json`` when all attacks ran. Which bounds hold stands in DEVELOPERS.md.
"""

import argparse
import multiprocessing
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from findings.air import ROOT
from hostile.attacks import ATTACKS, Attack
from hostile.mixing import Mixed, mixed
from hostile.network import NODES
from hostile.readers import READERS, Datagrams, Outcome, digest, resident_mb, settle
from trust.report import Report, Row, write

from lowpanbudget import Finding, Survey

MOST_GROWTH_MB = 12.0  # in the second half: what is bounded is full by then, but for the allocator
MOST_PEAK_MB = 260.0
MOST_SLOWDOWN = 2.5  # of the last tenth, beside the second
_HONEST = {link.hex(":") for link in (ROOT, *NODES)}


@dataclass
class Judged:
    """One reader under one attack: figures, and what is wrong in words."""

    figures: dict[str, Any]
    wrong: list[str]


def judge(name: str, reader: str, frames: int, every_s: float) -> Judged:
    """Run one reader under one attack, and over the honest nodes alone."""
    attack = ATTACKS[name]
    if reader not in READERS:
        raise SystemExit(f"{reader} is no reader: {', '.join(READERS)}")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "attack.pcap"
        quiet = Path(folder) / "quiet.pcap"
        sent = mixed(attack, frames, every_s, path)
        peace = mixed(attack, frames, every_s, quiet, alone=True)
        settle()
        before_mb = resident_mb()
        wanted = {number for number, _ in sent.datagrams}
        under = READERS[reader](path, sent.frames, wanted, contexts=attack.contexts)
        after = {number for number, _ in peace.datagrams}
        alone = READERS[reader](quiet, peace.frames, after, contexts=attack.contexts)
    watch = under.watch
    figures: dict[str, Any] = {
        "frames": sent.frames,
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
    _judge_honest(attack, sent, peace, under, alone, figures, wrong)
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
    """How many datagrams of honest nodes were counted, as far as their cells are told apart."""
    return sum(
        tally.datagrams
        for cell, tally in survey.cells.items()
        if cell.node in (ROOT, *NODES)
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
    for finding in under:
        blamed = [link for link in _HONEST if finding.subject.split(" to ")[0].startswith(link)]
        if blamed and (finding.name, finding.subject) not in told:
            wrong.append(f"blames {finding.subject}: {finding.name}: {finding.cause}")
    for name in names:
        several = [finding for finding in under if finding.name == name]
        if len(several) > 12:
            wrong.append(f"{len(several)} findings {name}")


def _in_process(name: str, reader: str, frames: int, every_s: float) -> Judged:
    """Judge in a process of its own: memory is that of one reader then."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(judge, (name, reader, frames, every_s))


def main() -> int:
    """Run, print, and write the report."""
    parser = argparse.ArgumentParser(description="attackers against every reader of frames")
    parser.add_argument("attacks", nargs="*", choices=[*ATTACKS, []])
    parser.add_argument("--frames", type=int, default=1_000_000)
    parser.add_argument("--every", type=float, default=5.0, help="seconds between reports of a node")
    parser.add_argument("--reader", action="append", choices=list(READERS))
    given = parser.parse_args()
    attacks = given.attacks or list(ATTACKS)
    each = max(given.frames // len(attacks), 1)
    start = time.monotonic()
    rows: list[Row] = []
    for name in attacks:
        row = Row(f"{name}: {ATTACKS[name].what}", each, "frames")
        for reader in given.reader or READERS:
            judged = _in_process(name, reader, each, given.every)
            row.wrong += len(judged.wrong)
            row.figures |= {f"{reader}_{key}": value for key, value in judged.figures.items()}
            print(f"{name:18} {reader:8} {judged.figures}", flush=True)
            for text in judged.wrong:
                print(f"{'':18} WRONG {text}", flush=True)
        if ATTACKS[name].taken:
            row.figures["taken"] = ATTACKS[name].taken
        rows.append(row)
    if not given.attacks and not given.reader:
        command = f"PYTHONPATH=tests python -m hostile.run --frames {given.frames}"
        write(Report("hostile", command, rows, seconds=round(time.monotonic() - start, 1)))
    return int(any(row.wrong for row in rows))


if __name__ == "__main__":
    sys.exit(main())
