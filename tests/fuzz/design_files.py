"""Design files made of the octets of an input: tables of whole designs with keys gone, doubled, moved and set anew."""

import datetime as dt
import json
import tomllib
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from fuzz.registry import Choices

from lowpanbudget import design_schema

EXAMPLES = Path(__file__).parents[2] / "examples"
SMALL = """
title = "A shelf"
[link]
pan_id = 0x51b7
addresses = "extended"
[[context]]
id = 0
prefix = "2001:db8:7:1::/64"
[[station]]
name = "logger"
role = "node"
extended = "02:00:5e:ef:10:00:00:01"
prefix = "2001:db8:7:1::/64"
[[station]]
name = "sink"
role = "collector"
short = 0x0002
extended = "02:00:5e:ef:10:00:00:02"
prefix = "2001:db8:7:1::/64"
[[flow]]
name = "climate"
source = "logger"
destination = "sink"
source_port = 0xf0b1
destination_port = 0xf0b2
messages = ["climate"]
[[message]]
name = "climate"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
[[message.field]]
name = "t"
kind = "number"
min = -40
max = 85
step = 0.01
unit = "Cel"
[[message.field]]
name = "state"
kind = "enumeration"
names = ["good", "worn", "failed"]
optional = true
[[message.field]]
name = "readings"
kind = "series"
min = 0
max = 100
step = 0.5
deltas = "fixed"
delta_bits = 4
min_length = 1
max_length = 12
"""
# what the network needs beside: few nodes, so that what is played takes milliseconds
NETWORK = """
[access]
method = "csma"
retries = 3
[tree]
by_hop = [2, 1]
hears = 1
disturbs = 1
[loss]
frames = 0.05
octets = 110
[queue]
frames = 4
[radio]
source = "invented"
supply_v = [2.8, 3.0, 3.3]
send_ma = [10, 12, 15]
receive_ma = [9, 11, 14]
processor_ma = [1.5, 2, 3]
sleep_ua = [2, 3, 8]
wake_up_us = [200, 300, 600]
[battery]
capacity_mah = [6500, 7200, 7800]
usable = [0.6, 0.8, 0.9]
[limits]
source = "invented"
delivery = 0.9
latency_s = 60
battery_days = 30
[[burst]]
name = "all"
flow = "climate"
packets = 3
octets = 15
every_s = 0.5
all_in_s = 31
"""
AROUND = """
hops = 2
every_s = 600
[flow.routing]
rpi = true
[flow.coap]
code = "POST"
path = "r"
token_octets = 1
[flow.dtls]
suite = "TLS_PSK_WITH_AES_128_CCM_8"
epoch = 1
[flow.answer]
code = "2.04"
"""
WHOLE = SMALL.replace("\n[[message]]", AROUND + "[[message]]", 1) + NETWORK
VALUES: tuple[Any, ...] = (
    0, 1, -1, 2, 7, 8, 15, 16, 64, 127, 128, 255, 256, 65535, 65536, 2**31, 2**63, 2**64, -(2**63), 0.5, -0.0, 1e-9,
    1e300, float("inf"), float("nan"), True, False, "", "0", "x", "short", "extended", "both", "none", "2001:db8::/64",
    "::1", "ff02::1", "02:00:5e:ef:10:00:00:03", "<script>alert(1)</script>", "\x1b[31m", "\u202e", "é" * 40, "a" * 300,
    [], {}, [0], [""], [{}], {"a": 1}, [1, 2, 3], 10**40, 10**6000, Decimal("1e-40"),
    dt.date(2031, 5, 4), "constant", "union", "array",
    "group", "octets",
)  # fmt: skip
Place = tuple[Any, Any]  # a table or list, and a key or index of it


@cache
def bases() -> tuple[str, ...]:
    """Return the texts that mutations begin from, the small ones first: most inputs take them."""
    return (
        SMALL,
        WHOLE,
        *((EXAMPLES / f"{name}.toml").read_text() for name in ("archive", "footbridge")),
    )


@cache
def keys() -> tuple[str, ...]:
    """Return all keys that any table of a design may have."""
    schema = design_schema()
    tables = [schema, *schema.get("$defs", {}).values()]
    return tuple(sorted({name for table in tables for name in table.get("properties", {})}))


@cache
def words() -> tuple[Any, ...]:
    """Return all values that a key of a design may be limited to."""
    found: set[Any] = set()

    def walk(value: Any) -> None:
        if isinstance(value, dict):
            found.update(one for one in value.get("enum", ()) if isinstance(one, str | int))
            found.update([value["const"]] if isinstance(value.get("const"), str | int) else [])
            for inner in value.values():
                walk(inner)
        elif isinstance(value, list):
            for inner in value:
                walk(inner)

    walk(design_schema())
    return tuple(sorted(found, key=str))


def places(value: Any) -> list[Place]:
    """Return all places inside of a value, outermost first."""
    pairs = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    found: list[Place] = []
    for key, inner in pairs:
        found.append((value, key))
        found += places(inner)
    return found


def edit(choices: Choices, design: dict[str, Any]) -> None:
    """Make one change somewhere in a design: most leave a value of the kind that was there."""
    what, at = choices.octet(), choices.number(2)
    there = places(design)
    if not there:
        return
    holder, key = there[at % len(there)]
    value = holder[key]
    match what & 15:
        case 0:
            del holder[key]
        case 1:
            holder[key] = choices.of(VALUES)
        case 2 if isinstance(holder, list):
            holder.insert(choices.octet() % (len(holder) + 1), copied(value))
        case 3 if isinstance(holder, dict):
            holder[choices.of(keys())] = choices.of(VALUES)
        case 4 | 5:
            named = [place for place in there if place[1] == key and place[0] is not holder]
            holder[key] = copied(choices.of([one[name] for one, name in named] or [value]))
        case 6 if isinstance(value, list):
            value.reverse()
        case 7 | 8 if isinstance(value, str):
            holder[key] = choices.of([word for word in words() if isinstance(word, str)])
        case 9 | 10 if isinstance(value, int | Decimal) and not isinstance(value, bool):
            holder[key] = value + choices.octet() - 128
        case 11 | 12 if isinstance(value, int | Decimal) and not isinstance(value, bool):
            holder[key] = choices.of((value * 2, value // 2, value + 1, value - 1, 0, 1, 16))
        case 13 if type(value) in (bool, str, int, Decimal, list, dict):
            holder[key] = choices.of([one for one in VALUES if type(one) is type(value)] or [value])
        case _ if isinstance(value, bool):
            holder[key] = not value
        case _:
            alike = [
                one[name] for one, name in there if type(one[name]) is type(value) and name == key
            ]
            holder[key] = copied(choices.of(alike))


def copied(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: copied(inner) for key, inner in value.items()}
    return [copied(inner) for inner in value] if isinstance(value, list) else value


def made(data: bytes) -> str:
    """Return the text of the design that an input stands for."""
    choices = Choices(data)
    which = choices.octet()
    base = bases()[which & 1 if which & 15 < 14 else (which & 15) - 12]
    design = tomllib.loads(base, parse_float=Decimal)
    for _ in range(1 + (which >> 7)):
        if choices:
            edit(choices, design)
    return "".join(f"{name(key)} = {written(value)}\n" for key, value in design.items())


def name(key: str) -> str:
    return key if key.isidentifier() and key.isascii() else json.dumps(key)


def written(value: Any) -> str:
    """Return a value in TOML, on one line."""
    match value:
        case bool():
            return str(value).lower()
        case str():
            return json.dumps(value)
        case float():
            return repr(value)
        case int() if abs(value) > 1 << 64:  # in decimal the language itself refuses the longest
            return hex(value) if value > 0 else str(-(1 << 64))
        case Decimal():
            return str(value) if "." in str(value) or "E" in str(value) else f"{value}.0"
        case dict():
            return (
                "{"
                + ", ".join(f"{name(key)} = {written(inner)}" for key, inner in value.items())
                + "}"
            )
        case list():
            return "[" + ", ".join(map(written, value)) + "]"
    return str(value)
