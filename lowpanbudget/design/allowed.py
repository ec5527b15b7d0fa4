"""Whether a design that was changed still is one that a file may state: its new value, as reading would judge it."""

import re
from typing import Any

from lowpanbudget.design.meaning import Design
from lowpanbudget.design.shape import DesignShape, FlowShape
from lowpanbudget.design.table import ShapeTable, Subtable
from lowpanbudget.design.takes import ValuePlace

_OF_A_FLOW = re.compile(r"flow\[(?P<name>.*)\]\.(?P<key>\w+)")


def is_allowed(design: Design, key: str) -> bool:
    """Return whether the value that ``design`` has under a key is one that the key takes.

    ``key`` is written as ``access.slots.cells`` or ``flow[NAME].every_s``.
    """
    table: type[ShapeTable] = DesignShape
    value: Any = design
    of_flow = _OF_A_FLOW.fullmatch(key)
    if of_flow is not None:
        table, value, key = FlowShape, design.flow(of_flow["name"]), of_flow["key"]
    *tables, name = key.split(".")
    for part in tables:
        inner, value = table.keys[part].takes, getattr(value, part)
        if isinstance(inner, Subtable):
            table = inner.table
    place = ValuePlace((), [])
    table.keys[name].takes.read(getattr(value, name), place)
    return not place.flaws
