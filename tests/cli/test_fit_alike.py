"""A design of many nodes that say the same: what holds for several is told once, with all their names."""

from pathlib import Path

from contract.entry import invoke

NODES = "".join(
    f"""
[[flow]]
name = "{name}"
source = "node"
destination = "root"
source_port = {port}
destination_port = 61616
messages = ["level-{name}"]
every_s = 60
[[message]]
name = "level-{name}"
byte_order = "little"
bit_order = "msb-first"
layout = "bit-packed"
field = [{{ kind = "number", name = "level", min = 0, max = 4000, step = 1 }}]
"""
    for name, port in (("north", 61617), ("south", 61618))
)
DESIGN = f"""
title = "Two basins of a waterworks"
[link]
addresses = "short"
pan_id = 1
[[station]]
name = "node"
role = "node"
short = 0x11
prefix = "2001:db8:1::/64"
[[station]]
name = "root"
role = "border"
short = 1
prefix = "2001:db8:1::/64"
{NODES}"""


def test_a_remark_on_several_messages_is_told_once_and_counted_for_each(tmp_path: Path) -> None:
    file = tmp_path / "alike.toml"
    file.write_text(DESIGN, encoding="utf-8")
    told = " ".join(invoke("fit", file).stdout.split())
    named = "(message level-north, level; message level-south, level)"
    assert told.count(named) == 1
    assert told.count("Little byte order with msb-first bits cuts a number") == 1
    assert told.count("Nothing tells a receiver which version") == 1
    assert "4 remarks" in told


def test_a_message_of_several_flows_has_a_row_for_those_it_fits_alike(tmp_path: Path) -> None:
    file = tmp_path / "alike.toml"
    file.write_text(
        DESIGN.replace('messages = ["level-south"]', 'messages = ["level-north"]'), encoding="utf-8"
    )
    lines = invoke("fit", file, "--message", "level-north").stdout.splitlines()
    assert sum("north, south  first" in line for line in lines) == 1
