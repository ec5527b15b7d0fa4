"""What a page's script unpacks: the data of the page, long lists of rows by their columns.

Neighbouring states have nearly the same frame. So a column changes seldom, and packs to a quarter of what rows take.
"""

import json
from base64 import b85encode
from collections.abc import Sequence
from typing import Any
from zlib import compress

from lowpanbudget.report.view import Data

_STILL = ("network", "measured", "survey", "review")  # what only the template shows
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
    octets = compress(json.dumps(told, separators=(",", ":")).encode(), 9)
    return b85encode(octets).decode().translate(_SIGNS)


def _flow(flow: Data) -> Data:
    hops = range(len(flow["hops"]))
    return flow | {
        "frames": [columns_of([state[hop] if state else [] for state in flow["frames"]]) for hop in hops],
        "offers": columns_of(flow["offers"]),
        "restored": columns_of(flow["restored"]),
        "cliffs": columns_of(flow["cliffs"]),
        "links": columns_of(flow["links"]),
    }  # fmt: skip


def columns_of(rows: Sequence[Sequence[int]]) -> list[Any]:
    """Return how many rows there are, then each column; a row that has ended has None in those that follow."""
    width = max(map(len, rows), default=0)
    return [
        len(rows),
        *([row[at] if at < len(row) else None for row in rows] for at in range(width)),
    ]
