"""What differs between the hops of a flow: which headers are longer or shorter, and which fields go in line there."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple

from lowpanbudget.bits import Nature
from lowpanbudget.report import ledger_text

WHY = "`lowpanbudget explain second hop` says why"


class ShownHop(NamedTuple):
    """One hop of a flow: its budget, a row for each span of its frame, and the runs of spans of one layer."""

    result: dict[str, Any]
    rows: Sequence[dict[str, Any]]
    segments: Sequence[dict[str, Any]]


def runs_of(hop: ShownHop) -> Iterator[Sequence[dict[str, Any]]]:
    """Yield the rows of each run of spans of one layer."""
    start = 0
    for segment in hop.segments:
        yield hop.rows[start : start + segment["spans"]]
        start += segment["spans"]


def contents(run: Sequence[dict[str, Any]]) -> list[tuple[Any, ...]]:
    """Return what tells runs apart, wherever they stand in a frame and whatever values they hold."""
    return [tuple(row[name] for name in ("layer", "name", "bits", "meaning")) for row in run]


def differences(hop: ShownHop, before: ShownHop) -> str:
    """Return in words which headers are longer or shorter than on another hop."""
    now, then = (
        {
            part.label: part.size
            for part in ledger_text.parts_of(one.segments)
            if part.kind is not Nature.PAYLOAD
        }
        for one in (hop, before)
    )
    changed = [
        f"{label} {size} instead of {then.get(label, 0)}"
        for label, size in now.items()
        if size != then.get(label)
    ]
    changed += [f"no {label}, {size} before" for label, size in then.items() if label not in now]
    return ", ".join(changed) or "as on the first hop"


def added(hop: ShownHop, before: ShownHop) -> str:
    """Return in words which fields have more octets in line than on the hop before, of headers that both have."""
    then = {run["label"]: _octets(rows) for run, rows in _labelled(before)}
    more = [
        f"{name} +{size - then[run['label']].get(name, 0)}"
        for run, rows in _labelled(hop) if run["label"] in then
        for name, size in _octets(rows).items() if size > then[run["label"]].get(name, 0)
    ]  # fmt: skip
    return ", ".join(more)


def _labelled(hop: ShownHop) -> Iterator[tuple[dict[str, Any], Sequence[dict[str, Any]]]]:
    return zip(hop.segments, runs_of(hop), strict=True)


def _octets(rows: Iterable[dict[str, Any]]) -> dict[str, int]:
    """Return the octets of each field that has whole ones."""
    sizes: dict[str, int] = {}
    for row in rows:
        if row["octets"]:
            sizes[row["name"]] = sizes.get(row["name"], 0) + row["octets"]
    return sizes
