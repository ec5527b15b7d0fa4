"""A small design for tests, and what to do with it. All names and values are invented."""

from pathlib import Path

import pytest

from lowpanbudget.design.load import parse_design
from lowpanbudget.errors import DesignError, Fault

EXAMPLES = Path(__file__).parents[2] / "examples"
# the key files beside them have a second dot in their names
DESIGN_FILES = sorted(path for path in EXAMPLES.glob("*.toml") if "." not in path.stem)
EXAMPLE_TEXTS = [path.read_text(encoding="utf-8") for path in DESIGN_FILES]

# non-ASCII comments, sub-tables, inline tables, dotted keys and arrays of tables: what columns trip over
SMALL = """\
# Kältekammer – µε, “ein Entwurf”
title = "A cold store"

[link]  # Funk
frame_version = 2
addresses = "extended"
pan_id = 0x1a2b
slotted = true

[link.security]
level = 5

[network]
mtu = 1280

[[context]]
id = 0
prefix = "2001:db8:1::/64"

[[station]]
name = "probe"
role = "node"
extended = "02:00:00:00:00:00:00:05"
prefix = "2001:db8:1::/64"

[[station]]
name = "sink"
role = "collector"
extended = "02:00:00:00:00:00:00:06"
prefix = "2001:db8:1::/64"

[[station]]
name = "gate"
role = "border"
extended = "02:00:00:00:00:00:00:07"
prefix = "2001:db8:1::/64"

[[station]]
name = "far"
role = "outside"
address = "2001:db8:2::9"

[[flow]]
name = "up"
source = "probe"
destination = "sink"
hops = 3
source_port = 0xf0b1
destination_port = 5683
messages = ["reading"]

[[flow]]
name = "out"
source = "probe"
destination = "far"
hops = 2
source_port = 0xf0b1
destination_port = 5683

[[message]]
name = "reading"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"

[[message.field]]
kind = "number"
name = "temperature"
min = -40
max = 60
step = 0.5
unit = "Cel"

[[message.field]]
kind = "enumeration"
name = "door"
names = { shut = 0, open = 1 }

[[message.field]]
kind = "array"
name = "more"
max_length = 3
element = { kind = "number", min = 0, max = 9 }

[[message.field]]
kind = "union"
name = "detail"
tag = "door"

[[message.field.option]]
when = "shut"

[[message.field.option.field]]
kind = "boolean"
name = "locked"

[[message.field.option]]
when = "open"
"""


def changed(*pairs: tuple[str, str]) -> str:
    """Return the small design with each old text, which stands there once, replaced by the new one."""
    text = SMALL
    for old, new in pairs:
        assert text.count(old) == 1, (old, text.count(old))
        text = text.replace(old, new)
    return text


def place(text: str, mark: str) -> tuple[int, int]:
    """Return line and column, from 1, of a mark that stands in the text once."""
    assert text.count(mark) == 1, (mark, text.count(mark))
    at = text.index(mark)
    return text.count("\n", 0, at) + 1, at - text.rfind("\n", 0, at)


def faults_of(text: str) -> tuple[Fault, ...]:
    """Return all faults of a text that is no right design."""
    with pytest.raises(DesignError) as caught:
        parse_design(text, "store.toml")
    for fault in caught.value.faults:
        assert f"store.toml:{fault.line}:{fault.column}: {fault.key}: " in str(caught.value)
    return caught.value.faults


def fault_of(text: str) -> Fault:
    """Return the one fault of a text."""
    (fault,) = faults_of(text)
    return fault
