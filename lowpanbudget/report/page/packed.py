"""What a page's script unpacks: the data of the page, long lists of rows by their columns.

Neighbouring states have nearly the same frame. So a column changes seldom, and packs to a quarter of what rows take;
where it changes, often by the same step, so numbers that grow are told by their steps.
"""

import json
from base64 import b85encode
from collections.abc import Sequence
from typing import Any
from zlib import compress

from lowpanbudget.report.view import Data

_STILL = ("network", "measured", "survey", "review", "apart")  # what only the template shows
_SIGNS = str.maketrans("&<>", ",.:")  # base 85 (RFC 1924) without what means something in HTML
_STILL_OF_MESSAGES = ("rows", "fits", "encodings", "collects")


def packed(page: Data) -> str:
    """Return the data as text for the page's script; what stands in the page as it is, is not in it."""
    told = {name: value for name, value in page.items() if name not in _STILL}
    told["lists"] = columns_of(page["lists"])
    if "messages" in page:
        told["messages"] = [
            {name: value for name, value in message.items() if name not in _STILL_OF_MESSAGES}
            for message in page["messages"]
        ]
    if "flows" in page:
        told["flows"] = [_flow(flow) for flow in page["flows"]]
        told["further"] = columns_of([_cliff_steps(cliffs) for cliffs in page["further"]])
    octets = compress(json.dumps(told, separators=(",", ":")).encode(), 9)
    return b85encode(octets).decode().translate(_SIGNS)


def _flow(flow: Data) -> Data:
    hops = range(len(flow["hops"]))
    return flow | {
        "frames": [columns_of([state[hop] if state else [] for state in flow["frames"]]) for hop in hops],
        "rooms": steps_of([rooms or () for rooms in flow["rooms"]]),
        "offers": columns_of(flow["offers"]),
        "restored": steps_of(flow["restored"]),
        "cliffs": steps_of(flow["cliffs"]),
        "links": columns_of(flow["links"]),
    }  # fmt: skip


def _cliff_steps(cliffs: Sequence[tuple[int, int]]) -> list[int]:
    """Return what each cliff adds to the one before: octets, frames, octets and so on."""
    before = (0, 0)
    steps = []
    for cliff in cliffs:
        steps += [cliff[0] - before[0], cliff[1] - before[1]]
        before = cliff
    return steps


def steps_of(rows: Sequence[Sequence[int]]) -> list[Any]:
    """Return the columns of rows with the step to each number from the last one above it, the first from 0."""
    count, *columns = columns_of(rows)
    return [count, *map(_steps, columns)]


def _steps(column: Sequence[int | None]) -> list[int | None]:
    last = 0
    steps: list[int | None] = []
    for number in column:
        steps.append(None if number is None else number - last)
        last = last if number is None else number
    return steps


def columns_of(rows: Sequence[Sequence[int]]) -> list[Any]:
    """Return how many rows there are, then each column; a row that has ended has None in those that follow."""
    width = max(map(len, rows), default=0)
    return [
        len(rows),
        *([row[at] if at < len(row) else None for row in rows] for at in range(width)),
    ]
