"""What the network of a design carries, on its page: checks, and pictures that each have their table.

It is told as far as the design tells how: times on the air with ``[access]``, loads, arrivals and bursts with a tree.
"""

from collections.abc import Iterator, Sequence

from lowpanbudget.deployment.airtime import MessageAirtime, airtime
from lowpanbudget.deployment.burst import carry_burst
from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.carried import CarriedNetwork
from lowpanbudget.deployment.carry import carry
from lowpanbudget.deployment.digits import days_text
from lowpanbudget.deployment.service import HopService, of_all
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError
from lowpanbudget.findings.deployed import deployment_findings, failures
from lowpanbudget.findings.finding import Finding
from lowpanbudget.findings.helpful import HelpfulChange
from lowpanbudget.findings.helps import helping
from lowpanbudget.findings.planned import form_findings
from lowpanbudget.findings.together import ChangesTogether, network_together
from lowpanbudget.report import airtimes, carries
from lowpanbudget.report.arrival_text import SEEN, latency_texts, legend, queue_text, share_of
from lowpanbudget.report.audit_text import sentence
from lowpanbudget.report.burst_answer import burst_answer
from lowpanbudget.report.burst_text import beside as burst_beside
from lowpanbudget.report.carry_answer import (
    HELPS,
    MOST_HELPS,
    NO_HELP,
    answer,
    check_rows,
    help_words,
    together_words,
)
from lowpanbudget.report.carry_text import beside
from lowpanbudget.report.chart import Chart, ChartKind, ChartRow, number
from lowpanbudget.report.screen import harmless
from lowpanbudget.report.svg.document import inline
from lowpanbudget.report.view import Data

_HOUR = 3600
Rows = Sequence[Sequence[str]]


def network_part(design: Design) -> tuple[Data | None, list[Finding]]:
    """Return what a page tells of the network of a design, None where that does not tell how it carries, and findings.

    What cannot be worked out (a PHY without timing, a library that is not there) is told in words.
    """
    if design.access is None:
        return None, []
    try:
        messages = airtime(design)
        network = None if design.tree is None else carry(design)
        is_wanted = network is not None and not network.holds and not network.is_unchecked
        helps = helping(design, network) if network else []
        together = network_together(design, network, helps) if network and helps else None
        bursts = [] if network is None else [carry_burst(design, one.name) for one in design.bursts]
    except RequestError as fault:
        text = harmless(sentence(fault.message))
        return {"answer": text, "checks": [], "helps": None, "parts": [], "cautions": []}, []
    found = deployment_findings(design, messages, network)
    faults = failures([*found, *form_findings(design)])
    parts = [*_air(messages), *([] if network is None else _network(network))]
    for plan in bursts:
        parts.extend(_burst(plan, faults))
    for part in parts:
        part["svg"] = inline(part.pop("chart"))
    cautions = (
        [airtimes.CAUTION]
        if network is None
        else [*map(harmless, beside(network)), carries.CAUTION]
    )
    for plan in bursts:
        cautions += map(harmless, burst_beside(plan))
    if bursts:
        cautions.append(carries.BURST_CAUTION)
    told = {
        "answer": "" if network is None else harmless(sentence(answer(network, faults))),
        "checks": [] if network is None else list(_checks(network, faults)),
        "helps": _helps([one.told for one in helps], together) if helps or is_wanted else None,
        "parts": parts,
        "cautions": cautions,
    }
    return told, found


def _part(chart: Chart, columns: Sequence[str], rows: Rows, says: str = "") -> Data:
    """Return a picture with its table; columns in which nothing stands are left out."""
    shown = [index for index in range(len(columns)) if any(row[index] for row in rows)]
    return {
        "title": harmless(chart.title),
        "says": harmless(says or chart.says),
        "words": "",
        "chart": chart,
        "columns": [columns[index] for index in shown],
        "rows": [[harmless(row[index]) for index in shown] for row in rows],
    }


def _checks(network: CarriedNetwork, faults: Sequence[str]) -> Iterator[Data]:
    for verdict, matter, about, text in check_rows(network, faults):
        yield {
            "verdict": verdict,
            "matter": matter,
            "about": harmless(about),
            "text": harmless(text),
        }


def _helps(changes: Sequence[HelpfulChange], together: ChangesTogether | None) -> Data:
    """Return what would help as the command tells it, or that nothing that was tried does."""
    return {
        "title": HELPS if changes else NO_HELP,
        "rows": [list(map(harmless, help_words(one))) for one in changes[:MOST_HELPS]],
        "together": "" if together is None else harmless(together_words(together)),
    }


def _air(messages: Sequence[MessageAirtime]) -> Iterator[Data]:
    columns = ("flow, message", "hop", "frames", "µs on air", "duty", "µJ of the sender")
    rows = [
        (
            f"{one.flow} {one.message}", one.hop, str(one.count), number(one.on_air_us),
            airtimes.share_text(one.duty_cycle), "" if one.energy_uj is None else number(one.energy_uj.typical),
        )
        for one in messages
    ]  # fmt: skip
    yield _part(airtimes.overview_chart(messages), columns, rows)


def _network(network: CarriedNetwork) -> Iterator[Data]:
    columns = (
        "hop, node", "nodes behind", "own frames/h", "frames/h", "with retries", "cells", "used", "on the air", "µA",
        "days",
    )  # fmt: skip
    rows = [
        (
            f"{node.hop}, {node.name}", str(node.behind), number(node.own_frames_per_s * _HOUR),
            number(node.frames_per_s * _HOUR), number(node.tries_per_s * _HOUR),
            "" if node.cells is None else f"{node.cells_needed} of {node.cells}", airtimes.share_text(node.used),
            airtimes.share_text(node.duty_cycle),
            "" if node.current_ua is None else number(round(node.current_ua.typical, 1)),
            "" if node.battery_days is None else days_text(node.battery_days, " to "),
        )
        for _, node in carries.busiest(network)
    ]  # fmt: skip
    yield _part(carries.load_chart(network), columns, rows)
    arrivals = [
        _part(chart, _ARRIVE, list(map(_arrival, services)))
        for services in carries.streams(network)
        if (chart := carries.latency_chart(services)) is not None
    ]
    if arrivals:
        arrivals[-1]["words"] = harmless(sentence(legend(network)))
    yield from arrivals


_ARRIVE = (
    "hop",
    "arrive",
    "with losses in runs",
    "places in queues",
    "half within s",
    "95 % within s",
    "99 % within s",
    "queues add s",
    "in time",
)


def _arrival(one: HopService) -> tuple[str, ...]:
    return (
        str(one.hop), share_of(of_all(one, one.delivered)), share_of(of_all(one, one.in_runs), one.half_width),
        "" if one.queued is None or one.queued > 1 - SEEN else share_of(one.queued, one.half_width),
        *latency_texts(one), queue_text(one), share_of(one.in_time),
    )  # fmt: skip


def _burst(plan: BurstPlan, faults: Sequence[str]) -> Iterator[Data]:
    chart = carries.timeline_chart(plan)
    columns = ("packets", *(kind.name for kind in chart.kinds))
    rows = [(row.label, *_shares(row, chart.kinds)) for row in chart.rows]
    yield _part(chart, columns, rows, f"{burst_answer(plan, faults)}.")
    waiting = [
        "node",
        "most frames waiting at any one time, mean",
        "packets lost to a full queue",
        "lost on its link",
    ]
    queues = [
        [
            queue.node, number(round(queue.highest_mean, 2)), number(round(queue.lost_queue, 2)),
            number(round(queue.lost_link, 2)),
        ]
        for queue in plan.queues
    ]  # fmt: skip
    if plan.lost_access:
        waiting.append("of these for want of a free channel")
        for row, queue in zip(queues, plan.queues, strict=True):
            row.append(number(round(queue.lost_access, 2)))
    yield _part(carries.queue_chart(plan), waiting, queues)


def _shares(row: ChartRow, kinds: Sequence[ChartKind]) -> Iterator[str]:
    """Yield what each kind takes of a row, in percent."""
    for kind in kinds:
        share = sum(block.end - block.start for block in row.blocks if block.kind == kind)
        yield share_of(min(share / 100, 1.0))
