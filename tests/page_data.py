"""What a page holds: its data, unpacked as its script does."""

import json
import re
import zlib
from base64 import b85decode
from typing import Any


def data_in(html: str) -> Any:
    """Return the data of a page, its columns as rows again."""
    packed = re.search(r'id="data">([^<]*)</script>', html)
    assert packed is not None
    data = json.loads(zlib.decompress(b85decode(packed[1].translate(str.maketrans(",.:", "&<>")))))
    data["lists"] = _rows(data["lists"])
    for flow in data.get("flows", ()):
        hops = [_rows(frames) for frames in flow["frames"]]
        rooms = enumerate(flow["rooms"])
        flow["frames"] = [[] if room is None else [hop[at] for hop in hops] for at, room in rooms]
        for name in ("offers", "restored", "cliffs", "links"):
            flow[name] = _rows(flow[name])
    return data


def _rows(packed: list[Any]) -> list[list[int]]:
    count, *columns = packed
    rows = zip(*columns, strict=True) if columns else [()] * count
    return [[value for value in row if value is not None] for row in rows]
