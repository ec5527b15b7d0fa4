"""What is built is not read again: a budget encodes, and decodes nothing."""

import sys
from collections import Counter
from types import FrameType
from typing import Any

import pytest
from design.designs import EXAMPLES

from lowpanbudget import budget, load_design

# an option of CoAP is kept as its octets, and its span says what these mean: that is no header read again
OPTIONS = ("layers/internet/coap/", "layers/internet/oscore/", "fields/limited.py")
READERS = {"decode", "read", "read_lowpan", "read_chain", "decode_frame", "walk"}


@pytest.mark.parametrize("name", ["footbridge", "archive"])
def test_a_budget_reads_no_header(name: str) -> None:
    design = load_design(EXAMPLES / f"{name}.toml")
    calls: Counter[str] = Counter()

    def count(frame: FrameType, event: str, _argument: Any) -> None:
        code = frame.f_code
        if event != "call" or "lowpanbudget" not in code.co_filename:
            return
        if code.co_name in READERS and not any(part in code.co_filename for part in OPTIONS):
            calls[f"{code.co_filename.rpartition('lowpanbudget')[2]}:{code.co_qualname}"] += 1

    sys.setprofile(count)
    try:
        found = budget(design)
    finally:
        sys.setprofile(None)
    assert found
    assert not calls
