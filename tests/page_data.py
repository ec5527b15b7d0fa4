"""What a page holds: its data, unpacked as its script does."""

import json
import re
import zlib
from base64 import b85decode
from collections.abc import Sequence
from typing import Any


def data_in(html: str) -> Any:
    """Return the data of a page, its columns as rows again."""
    packed = re.search(r'id="data">([^<]*)</script>', html)
    assert packed is not None
    data = json.loads(zlib.decompress(b85decode(packed[1].translate(str.maketrans(",.:", "&<>")))))
    data["lists"] = _rows(data["lists"])
    if "flows" in data:
        data["further"] = [_cliffs(steps) for steps in _rows(data["further"])]
    for flow in data.get("flows", ()):
        flow["rooms"] = [rooms or None for rooms in _sums(flow["rooms"])]
        hops = [_rows(frames) for frames in flow["frames"]]
        rooms = enumerate(flow["rooms"])
        flow["frames"] = [[] if room is None else [hop[at] for hop in hops] for at, room in rooms]
        for name in ("offers", "links"):
            flow[name] = _rows(flow[name])
        for name in ("restored", "cliffs"):
            flow[name] = _sums(flow[name])
    return data


def _rows(packed: list[Any]) -> list[list[int]]:
    count, *columns = packed
    rows = zip(*columns, strict=True) if columns else [()] * count
    return [[value for value in row if value is not None] for row in rows]


def _sums(packed: list[Any]) -> list[list[int]]:
    """Rows whose columns have the steps from one number to the next."""
    count, *columns = packed
    return _rows([count, *map(_summed, columns)])


def _summed(steps: Sequence[int | None]) -> list[int | None]:
    total = 0
    return [None if step is None else (total := total + step) for step in steps]


def _cliffs(steps: list[int]) -> list[list[int | None]]:
    """Octets and frames in turn, each told by what it adds."""
    return [list(cliff) for cliff in zip(_summed(steps[::2]), _summed(steps[1::2]), strict=True)]
