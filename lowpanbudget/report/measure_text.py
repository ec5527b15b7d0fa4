"""A measurement for people: whether it is as planned, then burst, messages, links, nodes, and what stays open."""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.deployment.measured import PlanNumber
from lowpanbudget.deployment.rhythm import lasts
from lowpanbudget.errors import plural
from lowpanbudget.report import chart_text, layout
from lowpanbudget.report.audit_text import receptions
from lowpanbudget.report.layout import Cell
from lowpanbudget.report.measure_answer import (
    LOST_TABLE,
    answer,
    flow_words,
    link_words,
    node_words,
    recovery_text,
)
from lowpanbudget.report.measure_charts import burst_chart
from lowpanbudget.report.measurements import quantile
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, paragraph

MOST = 12  # rows of a table; --json has all
CAUTION = (
    "What was heard in one capture, and no promise: measure again before you rely on it. A burst disturbs a network "
    "that works; radio use follows the rules of the place."
)
_LEAST = 5e-7  # half a microsecond: captures have their times in such steps
_STEPS = 10  # numbers of a burst that are named
# what each link or node has, and the tables tell anyway
_BRIEF = {PlanNumber.LOSS.value, PlanNumber.DUTY_CYCLE.value}


def measurement(console: Console, screen: Screen, found: dict[str, Any]) -> None:
    """Print what a capture shows, the answer first."""
    heading(console, screen, f"{_source(found['capture'])}: {answer(found)}")
    text = plural(found["frames"], "frame")
    if found["seconds"] is not None:
        text += f" in {lasts(found['seconds'])}"
    if found["left_out"]:
        text += f"; {found['left_out']} more were not asked for"
    if len(found["networks"]) > 1:
        text += f"; what is told is of network {found['networks'][0]}"
    paragraph(console, screen, f"{text}.")
    for line in receptions(found["receivers"]):
        paragraph(console, screen, line)
    console.print()
    _plan(console, screen, found["checks"])
    if found["burst"] is not None:
        _burst(console, screen, found["burst"])
    table_of(console, screen, "flows", found["flows"])
    table_of(console, screen, "lost", found["lost"])
    if found["recovery"] is not None:
        paragraph(console, screen, recovery_text(found["recovery"]))
        console.print()
    table_of(console, screen, "links", found["links"])
    table_of(console, screen, "nodes", found["nodes"])
    if found["unknown"]:
        console.print(Text("What this capture cannot tell", "bold"))
        for line in found["unknown"]:
            _point(console, screen, line)
        console.print()
    paragraph(console, screen, CAUTION, "dim")
    console.print()


# --- the plan -------------------------------------------------------------------------------------------


# what is judged by how sure it is, all flows together
_SHARES = {one.value for one in (PlanNumber.DELIVERY, PlanNumber.LATENCY)}
_EACH = (
    "The {count} shares are judged together, those of arrivals and those of latencies, one-sided with 95 %: where all "
    "only just keep the plan, 1 capture in 20 has one that looks outside of it by chance. So are the losses of links."
)


def _plan(console: Console, screen: Screen, checks: Sequence[dict[str, Any]]) -> None:
    for verdict, title, style in (
        ("outside", "Outside of the plan", "bold red"),
        ("open", "Too little to say", "bold yellow"),
    ):
        found = [check for check in checks if check["verdict"] == verdict]
        brief = [one for one in found if verdict == "open" and one["what"] in _BRIEF]
        told = _grouped([one for one in found if one not in brief])
        if not found:
            continue
        console.print(Text(title, style))
        rows = [_check(screen, check, others) for check, others in told[:MOST]]
        titles = ("what", "of", "planned", "seen", "why")
        if rows:
            layout.put(console, layout.table(titles, rows, console.width, right=(2, 3)))
        _more(console, screen, len(told))
        if brief:
            paragraph(console, screen, f"{_counted(brief)}: see the tables below", indent=2)
        shares = sum(one["what"] in _SHARES for one in checks)
        if verdict == "outside" and shares > 1 and any(one["what"] in _SHARES for one in found):
            paragraph(console, screen, _EACH.format(count=shares), indent=2)
        console.print()
    kept = [check for check in checks if check["verdict"] == "within"]
    if kept:
        paragraph(console, screen, f"As planned: {_counted(kept)}.")
        console.print()


def _counted(checks: Sequence[dict[str, Any]]) -> str:
    counts = Counter(check["what"] for check in checks)
    return ", ".join(f"{what} ({count})" for what, count in counts.items())


def _grouped(checks: Sequence[dict[str, Any]]) -> list[tuple[dict[str, Any], int]]:
    """Return checks that say the same of several subjects as one, with the number of the others."""
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for check in checks:
        groups.setdefault((check["what"], check["planned"], check["why"]), []).append(check)
    return [(same[0], len(same) - 1) for same in groups.values()]


def _check(screen: Screen, check: dict[str, Any], others: int) -> list[Cell]:
    texts = check_numbers(check)
    subject = check["subject"] + (f" and {others} more" if others else "")
    return [check["what"], screen.text(subject), *texts, screen.text(check["why"])]


# --- tables ---------------------------------------------------------------------------------------------

_FLOWS = "Messages, each datagram counted once"
_FLOW_TITLES = ("message", "arrived", "95 % sure", "every s", "hops", "took s", "95 % in")
_LINK_TITLES = ("from", "to", "frames", "tries", "heard", "95 % sure", "never")
_NODE_TITLES = ("node", "frames", "answers", "on air ms", "duty", "worst", "missed")


def tables(found: dict[str, Any]) -> Iterator[tuple[str, Sequence[str], list[list[str]], str]]:
    """Yield title, titles of columns, rows and an explanation of each table that has any rows."""
    for key, (title, titles, row, words) in _TABLES.items():
        if entries := found[key]:
            yield title, titles, [list(row(entry)) for entry in entries], words(entries)


# what the units are called that count
_ONE = {"hops": "hop", "messages": "message", "packets": "packet", "tries": "try"}


def check_numbers(check: dict[str, Any]) -> tuple[str, str]:
    """Return what was planned and what was seen, as people write it."""
    of_all, unit = check["unit"] == "share", check["unit"]
    texts = []
    for name in ("planned", "seen"):
        value = check[name]
        text = "-" if value is None else _share(value) if of_all else _number(value)
        texts.append(
            text
            if of_all or value is None
            else f"{text} {_ONE.get(unit, unit) if text == '1' else unit}"
        )
    return texts[0], texts[1]


def table_of(console: Console, screen: Screen, key: str, entries: Sequence[dict[str, Any]]) -> None:
    """Print the table of "flows", "lost", "links" or "nodes" that were measured, where there are any."""
    if not entries:
        return
    title, titles, row, words = _TABLES[key]
    console.print(Text(title, "bold"))
    rows = [[screen.text(cell) for cell in row(entry)] for entry in entries[:MOST]]
    right = tuple(range(1, len(titles)))
    layout.put(console, layout.table(titles, rows, console.width, right=right, names=True))
    _more(console, screen, len(entries))
    if told := words(entries):
        paragraph(console, screen, told, "dim", 2)
    console.print()
    if key == "flows":
        _by_own_clock(console, screen, entries)


def _more(console: Console, screen: Screen, count: int) -> None:
    if count > MOST:
        paragraph(console, screen, f"and {count - MOST} more, which --json has", "dim", 2)


def _flow(flow: dict[str, Any]) -> Iterator[str]:
    arrived = flow["arrived"]
    yield flow["title"]
    yield "-" if arrived is None else f"{arrived['count']} of {arrived['trials']}"
    yield _interval(arrived)
    yield _rhythm(flow["interval"])
    hops = flow["hops"]
    yield (
        ", ".join(hops if len(hops) == 1 else (f"{at}: {count}" for at, count in hops.items()))
        or "-"
    )
    yield _middle(flow["took"])
    high = quantile(flow["took"], 0.95)
    yield "-" if high is None else _number(high)


def _by_own_clock(console: Console, screen: Screen, flows: Sequence[dict[str, Any]]) -> None:
    """Print how old messages were by their own time, where the first link was not heard."""
    told = [flow for flow in flows if flow["dated"] is not None and flow["took"] is None]
    for flow in told[:MOST]:
        dated, step = flow["dated"], flow["dated_step_s"]
        text = (
            f"{flow['title']}: by its own time {_middle(dated)} s old when it arrived, from {dated['least']:.3g} to "
            f"{dated['most']:.3g} s, in steps of {step:g} s; both clocks must agree."
        )
        paragraph(console, screen, text, indent=2)
    if told:
        console.print()


def _link(link: dict[str, Any]) -> Iterator[str]:
    answered = link["answered"]
    yield from (link["sender"], link["receiver"])
    yield str(link["frames"])
    yield f"{link['tries'] / link['frames']:.2f}"
    yield "-" if answered is None or answered["share"] is None else _share(answered["share"])
    yield _interval(answered)
    yield "-" if link["unanswered"] is None else str(link["unanswered"])


def _node(node: dict[str, Any]) -> Iterator[str]:
    yield node["node"]
    yield str(node["frames"])
    yield str(node["acknowledgements"])
    yield "-" if node["on_air_s"] is None else _number(node["on_air_s"] * 1000)
    for key in ("duty_cycle", "worst"):
        yield "-" if node[key] is None else _share(node[key])
    yield f"{node['missing']} of {node['numbers']}"


def _interval(share: dict[str, Any] | None) -> str:
    """Return the exact interval of a share, in per cent."""
    if share is None or not share["trials"]:
        return "-"
    return f"{100 * share['least']:.1f}–{100 * share['most']:.1f}"


def _rhythm(spread: dict[str, Any] | None) -> str:
    """Return the interval in the middle and how much intervals differ: their standard deviation."""
    if spread is None or spread["values"] < 2:
        return _middle(spread)
    deviation = float(f"{spread['deviation']:.2g}")
    return f"{_middle(spread)}±{_number(deviation)}"


def _middle(spread: dict[str, Any] | None) -> str:
    """Return the time in the middle, of few the mean."""
    if spread is None:
        return "-"
    middle = quantile(spread, 0.5)
    return _number(spread["mean"] if middle is None else middle)


# --- the burst ------------------------------------------------------------------------------------------


def _burst(console: Console, screen: Screen, burst: dict[str, Any]) -> None:
    arrived, planned = burst["arrived"], burst["packets"]
    console.print(Text(screen.text(f"Burst {burst['name']}"), "bold"))
    if not burst["seen"]:
        paragraph(console, screen, "No datagram of its flow has its octets.", indent=2)
        console.print()
        return
    text = (
        f"{burst['seen']} of {plural(planned, 'packet')} heard, {arrived['count']} at the end of their way, from "
        f"{burst['source']}; the share that arrives is {_interval(arrived)} % (95 % sure, two-sided)"
    )
    if burst["due"] < planned:
        text += f"; due while it was captured: {burst['due']}, of the others nothing is known"
    paragraph(console, screen, f"{text}.", indent=2)
    if burst["missing"]:
        shown = ", ".join(map(str, burst["missing"][:_STEPS]))
        more = len(burst["missing"]) - _STEPS
        shown += f" and {more} more" if more > 0 else ""
        paragraph(console, screen, f"Not heard at all: number {shown}{_behind(burst)}.", indent=2)
    if burst["arrivals_s"]:
        console.print()
        chart_text.draw(console, screen, burst_chart(burst))
    console.print()


# --- words ----------------------------------------------------------------------------------------------


def _behind(burst: dict[str, Any]) -> str:
    """Return how many packets were not heard behind the last one that was: nobody knows whether they were sent."""
    more = burst["due"] - burst["seen"] - len(burst["missing"])
    return f"; {more} more before the first or behind the last that was" if more > 0 else ""


def _point(console: Console, screen: Screen, text: str) -> None:
    lines = layout.beside(
        [[("-", "")], [(screen.text(f"{text}."), "")]], [1, console.width - 6], gap=1, indent=2
    )
    layout.put(console, lines)


def _number(value: float) -> str:
    """Return a number with three digits, and no power of ten; 0 for less than the times of a capture tell apart."""
    if abs(value) < _LEAST:
        return "0"
    if value == int(value) or abs(value) >= 1000:
        return f"{value:.0f}"
    return f"{value:.3g}" if abs(value) >= 0.001 else f"{value:.6f}"


def _share(value: float) -> str:
    """Return a share in per cent; of small ones two digits."""
    if value >= 0.01 or not value:
        return f"{value:.1%}"
    return f"{100 * value:.2g}%" if value >= 1e-6 else f"{value:.6%}"


def _source(capture: str) -> str:
    return "standard input" if capture == "-" else capture


_TABLES: dict[str, tuple[str, Sequence[str], Any, Any]] = {
    "flows": (_FLOWS, _FLOW_TITLES, _flow, flow_words),
    "lost": LOST_TABLE,
    "links": ("Links", _LINK_TITLES, _link, link_words),
    "nodes": ("Nodes", _NODE_TITLES, _node, node_words),
}
