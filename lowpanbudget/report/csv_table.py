"""Tables for other programs: rows of plain data as RFC 4180 has them, with nothing that a spreadsheet would run."""

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain
from typing import Any

from lowpanbudget.payload.cells import EMPTY, guarded

# what each table has, by the names that --json has
AUDIT = (
    "capture", "severity", "name", "subject", "title", "cause", "evidence", "frames", "count", "advice",
    "certainty", "cite", "networks",
)  # fmt: skip
SURVEY = (
    "group", "name", "in_design", "frames", "octets", "datagrams", "datagram_octets", "application", "unused",
    "avoidable", "byte_code", "expanded", "fragments", "retransmissions", "duplicates", "lost", "assembled",
    "dropped", "given_up", "unread", "damaged", "first_ns", "last_ns", "start_ns", "cut", "network",
)  # fmt: skip
BUDGET = ("flow", "hop", "direction", "room")
LEDGER = (
    *BUDGET, "offset_bits", "bits", "layer", "name", "value", "meaning", "source", "removed_by", "cite", "nature",
    "order", "stand_in",
)  # fmt: skip
CHANGES = (*BUDGET, "kind", "id", "text", "gain", "condition", "caution", "cite", "elsewhere")
CARRYING = (
    "flow", "direction", "hop", "octets", "most_frames", "carries", "room", "fits",
    "set.kind", "set.carries", "set.ids", "set.texts", "set.elsewhere",
)  # fmt: skip
HOPS = ("flow", "direction", "hops", "room", "first", "forwarded", "refused")
FIT = (
    "message", "flow", "hop", "direction", "octets", "least_octets", "bits", "room", "fits", "spare", "frames",
    "most_frames", "batch", "batch_of", "wait_s", "readings", "sends_every_s", "batch_ends",
)  # fmt: skip
ENCODINGS = (
    "message", "encoding", "octets.least", "octets.typical", "octets.greatest", "largest", "exact",
    "cannot", "missing", "batch_of", "note",
)  # fmt: skip
AIRTIME = (
    "flow", "hop", "message", "first_frame", "last_frame", "frame_octets", "part", "phase", "start_us", "us", "octets",
    "sender", "receiver", "energy_uj.least", "energy_uj.typical", "energy_uj.most",
)  # fmt: skip
CARRY = (
    "name", "hop", "parent", "behind", "own_per_s", "own_frames_per_s", "frames_per_s", "tries_per_s",
    "tries_down_per_s", "cells_needed", "cells", "cells_needed_down", "cells_down", "used", "shared_frames",
    "queue_frames", "queue_wait_s", "queue_full", "duty_cycle", "current_ua.least", "current_ua.typical",
    "current_ua.most", "battery_days.least", "battery_days.typical", "battery_days.most",
    "always_listens",
)  # fmt: skip
BURST = (
    "number", "sent_s", "arrives", "in_time", "lost_queue", "lost_link", "median_s", "most_s", "lost_access",
)  # fmt: skip


THERE = object()  # a value that is there and has an empty text


def csv_of(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Return a table with a line of titles; a list becomes one cell, what a row lacks an empty one.

    A column ``a.b`` is what stands under b in the row's a.
    """
    return lines_of(chain([columns], ([_under(row, name) for name in columns] for row in rows)))


def ledger_rows(budgets: Iterable[Mapping[str, Any]]) -> Iterator[dict[str, Any]]:
    """Yield every span of the frames of budgets, each with its flow and hop."""
    for one in budgets:
        for span in one["ledger"]["spans"]:
            yield {**{name: one[name] for name in BUDGET}, **span}


def change_rows(budgets: Iterable[Mapping[str, Any]]) -> Iterator[dict[str, Any]]:
    """Yield every change of budgets with its flow, its hop and its kind: ``savings``, ``weaker`` or ``stronger``."""
    for one in budgets:
        for kind in ("savings", "weaker", "stronger"):
            for change in one[kind]:
                told = {name: one[name] for name in BUDGET} | {"kind": kind} | change
                yield told | {"elsewhere": _elsewhere(change)}


def carrying_rows(flows: Iterable[Mapping[str, Any]]) -> Iterator[dict[str, Any]]:
    """Yield the sets of changes that let flows carry a payload, one a row; one row for a flow without sets."""
    for one in flows:
        sets = [(kind, several) for kind in ("sets", "weaker") for several in one[kind]]
        for kind, several in sets or [("", None)]:
            if several is None:
                yield dict(one)
                continue
            texts = [saving["text"] for saving in several["savings"]]
            told = {"kind": kind, "texts": texts, "elsewhere": _elsewhere(several)}
            yield {**one, "set": {**several, **told}}


def _elsewhere(change: Mapping[str, Any]) -> list[str]:
    return [f"{lost['flow']} ({lost['hop']} hop): {lost['gain']}" for lost in change["elsewhere"]]


def lines_of(table: Iterable[Sequence[Any]]) -> str:
    """Return the lines of a table, with the ends and the quotes of RFC 4180 section 2."""
    page = io.StringIO()
    writer = csv.writer(page, lineterminator="\r\n")
    writer.writerows([_cell(value) for value in line] for line in table)
    return page.getvalue()


def _under(row: Mapping[str, Any], name: str) -> Any:
    found: Any = row
    for key in name.split("."):
        found = found.get(key) if isinstance(found, Mapping) else None
    return found


def _cell(value: Any) -> str:
    """Return a value as the text of a cell."""
    if value is THERE:
        return EMPTY
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return str(value)
    if isinstance(value, Mapping):
        value = [f"{key}: {item}" for key, item in value.items()]
    return guarded("; ".join(map(str, value)) if isinstance(value, list | tuple) else str(value))
