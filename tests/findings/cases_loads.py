"""A design that fires each finding about what comes through the nodes of its tree, and a near miss.

The store of ``cases_planning`` in slots: a slotframe of 101 slots of 10 ms, no loss, one frame a report.
"""

from findings.cases_deployment import heard, slotted
from findings.judge import DesignCase, Told

LOADS_CASES = {
    # 3 nodes behind and at 1.1, a report each 1.5 s: 2 a second, 2.02 in 1.01 s; each 3.1 s they are 0.98
    "too-few-cells": DesignCase(
        lambda: slotted("", "[tree]\nby_hop = [1, 1, 1]\n", "every_s = 1.5"),
        lambda: slotted("", "[tree]\nby_hop = [1, 1, 1]\n", "every_s = 3.1"),
        Told(
            "failure",
            "link 1.1 to gate",
            "it needs 3 cells a slotframe and has 1",
            ("2 transmissions a second, retries counted; 2 links of the tree so",),
        ),
    ),
    # a cell to and one from each child, and a shared one: 2 x 60 + 1; 2 x 50 + 1 are all of them
    "more-cells-than-slots": DesignCase(
        lambda: slotted("", "[tree]\nby_hop = [60]\n"),
        lambda: slotted("", "[tree]\nby_hop = [50]\n"),
        Told(
            "failure",
            "node gate",
            "its links and the shared cells take 121 slots, a slotframe has 101",
        ),
    ),
    # one place, emptied in each cell: of 0.5 frames a cell 1 - e^-0.5 find it free, 1 - 0.3935 / 0.5 do not
    "queue-overflows": DesignCase(
        lambda: slotted("", "[tree]\nby_hop = [1]\n[queue]\nframes = 1\n", "every_s = 2.02"),
        lambda: slotted("", "[tree]\nby_hop = [1]\n[queue]\nframes = 4\n", "every_s = 2.02"),
        Told("risk", "node 1.1", "21.3 % of the frames find its 1 place taken"),
    ),
    "reports-overflow-queue": DesignCase(
        lambda: heard(
            "[tree]\nby_hop = [1, 2, 2]\ndisturbs = 1\n[queue]\nframes = 4\n", "every_s = 60"
        ),
        lambda: heard(
            "[tree]\nby_hop = [1, 2, 2]\ndisturbs = 1\n[queue]\nframes = 5\n", "every_s = 60"
        ),
        Told(
            "remark",
            "node 1.1",
            "5 nodes that send at once bring up to 5 frames to its 4 places",
            ("reading on flow up",),
        ),
    ),
}
