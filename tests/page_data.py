"""What a page holds: its data, unpacked as its script does."""

import json
import re
import zlib
from base64 import b64decode
from typing import Any


def data_in(html: str) -> Any:
    """Return the data of a page."""
    packed = re.search(r'id="data">([^<]*)</script>', html)
    assert packed is not None
    return json.loads(zlib.decompress(b64decode(packed[1])))
