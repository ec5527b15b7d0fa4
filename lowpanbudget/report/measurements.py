"""Measurements of captures as plain data, and as rows for other programs."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from lowpanbudget.deployment.measured import MeasuredFlow, MeasuredLink, MeasuredNode, Measurement
from lowpanbudget.deployment.on_the_way import LostOnLink
from lowpanbudget.env import link_text
from lowpanbudget.report.view import Data, data_of, networks, receivers

COLUMNS = (
    "capture", "group", "name", "value", "unit", "count", "of", "least", "most", "planned", "verdict", "why",
    "networks",
)  # fmt: skip


def measured(capture: str, found: Measurement) -> Data:
    """Return what was measured in a capture, and whether it is outside of the plan."""
    back, leap = found.put_back, found.leap
    return {
        "capture": capture,
        "outside_plan": found.is_outside,
        **{
            name: data_of(getattr(found, name))
            for name in (
                "frames",
                "seconds",
                "checks",
                "burst",
                "unknown",
                "without_header",
                "has_plan",
                "recovery",
            )
        },
        "links": links(found.links),
        "lost": lost(found.lost),
        "nodes": nodes(found.nodes),
        "flows": flows(found.flows),
        "networks": networks(found.networks),
        "receivers": receivers(found.receptions),
        "left_out": found.outside,
        "notices": data_of(found.notices),
        "put_back": None if back is None else {**data_of(back), "text": str(back)},
        "leap": None if leap is None else {**data_of(leap), "text": str(leap)},
    }


def flows(several: Iterable[MeasuredFlow]) -> list[Data]:
    """Return flows that were measured, each with what it is called."""
    return [
        {
            **data_of(flow),
            "title": flow.title,
            "dropped": flow.dropped,
            "lost": lost(flow.lost),
        }
        for flow in several
    ]


def lost(several: Iterable[LostOnLink]) -> list[Data]:
    """Return where messages were lost, addresses as they are shown everywhere."""
    return [
        {
            **one._asdict(),
            "sender": link_text(one.sender),
            "receiver": link_text(one.receiver),
        }
        for one in several
    ]


def links(several: Iterable[MeasuredLink]) -> list[Data]:
    """Return links that were measured, addresses as they are shown everywhere."""
    return [
        {**data_of(link), "sender": link_text(link.sender), "receiver": link_text(link.receiver)}
        for link in several
    ]


def nodes(several: Iterable[MeasuredNode]) -> list[Data]:
    """Return nodes that were measured, addresses as they are shown everywhere."""
    return [
        {
            **data_of(node),
            "node": link_text(node.node),
            "other": None if node.other is None else link_text(node.other),
        }
        for node in several
    ]


def rows(found: Data) -> Iterator[Data]:
    """Yield a row for each number that was measured, and for each number of the plan."""
    told = {"capture": found["capture"], "networks": found["networks"]}
    for check in found["checks"]:
        yield {
            **told, "group": "plan", "name": f"{check['what']}: {check['subject']}", "value": check["seen"],
            "unit": check["unit"], "planned": check["planned"], "verdict": check["verdict"], "why": check["why"],
        }  # fmt: skip
    for flow in found["flows"]:
        yield {
            **told,
            "group": "flow",
            "name": flow["title"],
            "value": flow["datagrams"],
            "unit": "datagrams",
        }
        yield from _share(told, "flow", f"heard: {flow['title']}", flow["heard"])
        yield from _share(told, "flow", f"arrived: {flow['title']}", flow["arrived"])
        yield from _spread(told, f"interval: {flow['title']}", flow["interval"])
        yield from _spread(told, f"took: {flow['title']}", flow["took"])
        for hops, count in flow["hops"].items():
            yield {
                **told, "group": "flow", "name": f"hops: {flow['title']}", "value": hops, "unit": "hops",
                "count": count,
            }  # fmt: skip
    for link in found["lost"]:
        yield {
            **told, "group": "lost", "name": f"{link['sender']} to {link['receiver']}", "value": link["messages"],
            "unit": "datagrams", "count": link["taken"],
        }  # fmt: skip
    recovery = found["recovery"]
    if recovery is not None:
        yield {
            **told, "group": "recovery", "name": "acknowledged as whole", "value": recovery["acknowledged"],
            "unit": "datagrams", "of": recovery["begun"],
        }  # fmt: skip
    for link in found["links"]:
        name = f"{link['sender']} to {link['receiver']}"
        yield {
            **told,
            "group": "link",
            "name": name,
            "value": link["tries"],
            "unit": "tries",
            "of": link["frames"],
        }
        yield from _share(told, "link", f"answered: {name}", link["answered"])
    for node in found["nodes"]:
        name = node["node"]
        yield {
            **told, "group": "node", "name": f"on air: {name}", "value": node["on_air_s"], "unit": "s",
            "count": node["frames"],
        }  # fmt: skip
        yield {
            **told,
            "group": "node",
            "name": f"duty cycle: {name}",
            "value": node["duty_cycle"],
            "unit": "share",
        }
    burst = found["burst"]
    if burst is not None:
        yield from _share(told, "burst", f"arrived: {burst['name']}", burst["arrived"])
        for number, at in enumerate(burst["arrivals_s"], 1):
            yield {**told, "group": "burst", "name": f"arrival {number}", "value": at, "unit": "s"}


def _share(told: Data, group: str, name: str, share: Data | None) -> Iterator[Data]:
    if share is not None:
        yield {
            **told, "group": group, "name": name, "value": share["share"], "unit": "share",
            "count": share["count"], "of": share["trials"], "least": share["least"], "most": share["most"],
        }  # fmt: skip


def _spread(told: Data, name: str, spread: Data | None) -> Iterator[Data]:
    if spread is not None:
        yield {
            **told, "group": "flow", "name": name, "value": spread["mean"], "unit": "s", "count": spread["values"],
            "least": spread["least"], "most": spread["most"],
        }  # fmt: skip


def quantile(spread: Data | None, part: float) -> float | None:
    """Return a quantile of plain data, None where there are too few values for it."""
    if spread is None:
        return None
    found: Sequence[Any] = [one["value"] for one in spread["quantiles"] if one["part"] == part]
    return found[0] if found else None
