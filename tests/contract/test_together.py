"""Changes that are enough together: what must be needed by counting is found, and nothing that is not needed is told.

That a frame is lost with the chance p in each of n tries with p^n is counted by hand; so are cells and slots of 10 ms
(IEEE 802.15.4-2015 clause 6.3.6, from memory: a slotframe of 101 slots lasts 1.01 s).
"""

import json
from pathlib import Path

import pytest
from contract import entry

from lowpanbudget import (
    ChangesTogether,
    RequestError,
    carry,
    carry_burst,
    changes_that_help,
    changes_that_help_together,
    parse_design,
)

COLD_STORE = """
title = "A cold store"
[link]
frame_version = 2
slotted = true
addresses = "short"
pan_id = 0x1a2b
[[station]]
name = "probe"
role = "node"
short = 0x0017
prefix = "2001:db8:1::/64"
[[station]]
name = "gate"
role = "border"
short = 0x0002
prefix = "2001:db8:1::/64"
[[flow]]
name = "up"
source = "probe"
destination = "gate"
hops = 2
source_port = 0xf0b1
destination_port = 0xf0b2
messages = ["reading"]
every_s = EVERY
[[message]]
name = "reading"
byte_order = "big"
bit_order = "msb-first"
layout = "octet-aligned"
[[message.field]]
kind = "octets"
name = "data"
length = 20
[access]
method = "slots"
retries = RETRIES
[access.slots]
drift_ppm = 0
"""
FOUR = '[[burst]]\nname = "four"\nflow = "up"\npackets = 4\noctets = 20\nevery_s = 0.01\nall_in_s = 2.9\n'


def cold_store(every_s: float, retries: int) -> str:
    return COLD_STORE.replace("EVERY", str(every_s)).replace("RETRIES", str(retries))


def four(cells: int, places: int) -> str:
    """Four packets within 0.03 s over two links, into so many places and cells a slotframe."""
    tables = f"cells = {cells}\n[tree]\nby_hop = [1, 1]\n[queue]\nframes = {places}\n{FOUR}"
    return cold_store(6000, 3) + tables


def test_a_burst_that_lacks_places_and_cells(tmp_path: Path) -> None:
    """Two places lose two of four; through one cell each 1.01 s the last of four goes 3 cells on, after 3.03 s.

    Four places and two cells: four cells lie within 2.02 s, and 0.51 s later the last is over the second link.
    """
    text = four(1, 2)
    design = parse_design(text)
    plan = carry_burst(design, "four")
    assert not plan.holds
    assert plan.in_time is not None
    assert plan.in_time == pytest.approx(2, abs=0.1)  # a cell among them: 3 of 101 times
    assert plan.enough_s is None  # packets are lost in more runs than may lose one
    found = changes_that_help_together(design, plan)
    assert isinstance(found, ChangesTogether)
    assert set(found.keys) == {"queue.frames", "access.slots.cells"}
    assert found.then.holds
    for cells, places, is_in in ((2, 4, True), (1, 4, False), (2, 2, False)):
        assert carry_burst(parse_design(four(cells, places)), "four").holds is is_in
    late = carry_burst(parse_design(four(1, 4)), "four")
    assert late.enough_s is not None
    # 3 slotframes between the first and the last, up to one before and one behind
    assert 3.03 <= late.enough_s <= 5.05
    file = tmp_path / "four.toml"
    file.write_text(text, encoding="utf-8")
    screen = " ".join(entry.invoke("carry", file, "--burst", "four").stdout.split())
    assert (
        "Together enough: 4 places in each queue and 2 cells to each parent. Then burst four: all are in in time with "
        "a chance of 100 %. It takes: it takes memory of every node; each of them is listened to."
        in screen
    )
    told = json.loads(entry.invoke("carry", file, "--burst", "four", "--json").stdout)["burst"]
    assert told["helps_together"]["keys"] == list(found.keys)
    assert told["answer"] == "no"
    assert told["says"].startswith(
        "No: all 4 packets of four are in after 2.9 s over 2 hops in 0 of 200 runs"
    )


def lossy(cells: int, retries: int) -> str:
    """Two nodes in a line, a message each 3 s; three of ten frames are lost."""
    return (
        f"{cold_store(3, retries)}cells = {cells}\n[tree]\nby_hop = [1, 1]\n[loss]\nframes = 0.3\n"
        "[limits]\ndelivery = 0.99\nlatency_s = 60\n"
    )


def test_a_network_that_lacks_cells_and_tries(tmp_path: Path) -> None:
    """Four tries lose 0.3^4 on each link, 1.6 % over two: 1 % may be; five lose 0.49 %.

    A try fails with 0.51, the frame or its acknowledgement: two messages take more than 2 tries in 3 s on the last
    link, which has one cell in 1.01 s: more than 1.3 cells are wanted where 1 is.
    """
    text = lossy(1, 3)
    design = parse_design(text)
    network = carry(design)
    assert not network.holds
    assert not any(one.holds for one in changes_that_help(design, network))
    found = changes_that_help_together(design, network)
    assert found is not None
    assert found.keys == ("access.slots.cells", "access.retries")
    assert found.then.holds
    for cells, retries, holds in ((2, 4, True), (2, 3, False), (1, 4, False)):
        assert carry(parse_design(lossy(cells, retries))).holds is holds
    file = tmp_path / "lossy.toml"
    file.write_text(text, encoding="utf-8")
    screen = " ".join(entry.invoke("carry", file).stdout.split())
    assert "Together enough: 2 cells to each parent and 4 retries." in screen
    told = json.loads(entry.invoke("carry", file, "--json").stdout)["carry"]
    assert told["helps_together"]["keys"] == ["access.slots.cells", "access.retries"]


def test_as_many_cells_as_are_enough_are_told_and_no_more() -> None:
    """Ten packets within half a second, one in ten frames lost: one try loses one of them nearly always.

    The first cells that are tried are one for each packet that comes in a slotframe of 1.01 s, 21.
    """
    ten = '[[burst]]\nname = "ten"\nflow = "up"\npackets = 10\noctets = 20\nevery_s = 0.05\nall_in_s = 4\n'

    def of(cells: int, retries: int) -> str:
        tables = f"cells = {cells}\n[tree]\nby_hop = [1, 1]\n[loss]\nframes = 0.1\n[queue]\nframes = 16\n{ten}"
        return cold_store(6000, retries) + tables

    design = parse_design(of(1, 0))
    found = changes_that_help_together(design, carry_burst(design, "ten"))
    assert found is not None
    words = dict(zip(found.keys, found.texts, strict=True))
    cells = int(words["access.slots.cells"].split()[0])
    assert set(words) == {"access.slots.cells", "access.retries"}
    holds = [carry_burst(parse_design(of(some, 7)), "ten").holds for some in (cells - 1, cells)]
    assert holds == [False, True]


def test_where_one_change_is_enough_none_are_told_together() -> None:
    design = parse_design(four(1, 4))
    assert changes_that_help_together(design, carry_burst(design, "four")) is None
    enough = parse_design(four(2, 4))
    assert changes_that_help_together(enough, carry_burst(enough, "four")) is None


def test_what_was_not_played_is_refused() -> None:
    design = parse_design(four(1, 4))
    with pytest.raises(RequestError, match="carry"):
        changes_that_help_together(design, "network")  # type: ignore[arg-type]
