"""A design that fires each finding about how a network carries its messages, and a near miss.

The store of ``cases_planning``: a reading of 20 octets takes 42 on later hops (11 of MAC header and check sequence, 11
of compressed headers), at 32 µs an octet with 6 of preamble, delimiter and PHY header 1536 µs. In slots frames have
version 2, and an acknowledgement 15 octets: control 2, number 1, PAN ID 2, two short addresses, time correction 4,
check 2.
"""

from findings.cases_planning import UP, Further, store
from findings.judge import DesignCase, Told

CSMA = '[access]\nmethod = "csma"\n'
SLOTS = '[access]\nmethod = "slots"\n[access.slots]\n'
RUNS = "[loss.runs]\ngood = 0.01\nbad = 0.9\nbad_ms = {0}\n"
BEYOND = "retries = 7\nmin_be = 9\nmax_be = 9\nbackoffs = 6\n"
LOSS = "[loss]\nframes = 0.1\n"


def heard(tables: str, flow: str = "", octets: int = 20, to: str = "sink") -> str:
    """The store whose nodes listen before they send."""
    return store(flow=flow, octets=octets, to=to) + CSMA + tables


def slotted(keys: str, tables: str = "", flow: str = "", octets: int = 20, to: str = "sink") -> str:
    """The store in slots."""
    text = store(flow=flow, octets=octets, to=to).replace(
        "frame_version = 1", "frame_version = 2\nslotted = true"
    )
    return text + SLOTS + keys + "\n" + tables


DEPLOYMENT_CASES = {
    # nothing cuts a beacon, and 42 octets of a message are fewer: the 41 of what stands below with one shared cell, and
    # 24 for times that are not the default's (IEEE 802.15.4-2015 clause 7.4.4.4, from memory)
    "slot-too-short-for-frame": DesignCase(
        lambda: slotted("max_frame_us = 2250", "[upkeep]\nbeacon_s = 10\n"),
        lambda: slotted("max_frame_us = 2272", "[upkeep]\nbeacon_s = 10\n"),
        Told(
            "failure",
            "beacon of the upkeep",
            "a frame of 65 octets takes 2272 µs, the slot leaves it 2250",
            ("first hop",),
        ),
        also=frozenset({"advertisement-does-not-fit"}),
    ),
    "slot-too-short-for-acknowledgement": DesignCase(
        lambda: slotted("max_ack_us = 600"),
        lambda: slotted("max_ack_us = 672"),
        Told(
            "failure",
            "the slots",
            "an acknowledgement of 15 octets takes 672 µs, the slot leaves it 600",
        ),
    ),
    # 2 120 + 4 256 + 1 000 + 2 400 of the default template
    "slot-shorter-than-its-parts": DesignCase(
        lambda: slotted("slot_us = 9000"),
        lambda: slotted("slot_us = 9776"),
        Told(
            "failure",
            "the slots",
            "its parts take 9776 µs, the slot has 9000",
            ("2120 before the frame, 4256 for it, 1000 until the acknowledgement, 2400 for that",),
        ),
    ),
    # 1.1 ms at 80 ppm together last 13.75 s (RFC 7554 appendix B.3 has 100 s for 1 ms at 10 ppm)
    "guard-shorter-than-drift": DesignCase(
        lambda: slotted("drift_ppm = 40", "[upkeep]\nkeep_alive_s = 16\n"),
        lambda: slotted("drift_ppm = 40", "[upkeep]\nkeep_alive_s = 13\n"),
        Told(
            "failure",
            "the slots",
            "two clocks are 1280 µs apart after 16 s, the guard is 1100 µs",
            ("the guard lasts 13.8 s", "nothing stated sets clocks more often than keep-alives"),
        ),
    ),
    # 101 slots until the first cell, then two gaps of 100, or of 1
    "cells-in-reverse-order": DesignCase(
        lambda: slotted('order = "down"', flow="every_s = 20"),
        lambda: slotted('order = "up"', flow="every_s = 20"),
        Told(
            "risk",
            "flow up",
            "3 hops against the order of their cells take up to 3.01 s",
            ("in order they take up to 1.03 s, without loss or queues",),
        ),
    ),
    "poll-longer-than-timeout": DesignCase(
        lambda: heard("[sleep]\npoll_s = 600\ntimeout_s = 240\n"),
        lambda: heard("[sleep]\npoll_s = 100\ntimeout_s = 240\n"),
        Told("failure", "sleep", "a node polls each 600 s, its parent forgets it after 240 s"),
    ),
    # 105 octets fit one frame of later hops
    "held-frames-fewer-than-message": DesignCase(
        lambda: heard("[sleep]\npoll_s = 60\n", "most_frames = 2", 106, to="probe"),
        lambda: heard("[sleep]\npoll_s = 60\n", "most_frames = 2", 105, to="probe"),
        Told("failure", UP, "it takes 2 frames, a parent holds 1 frame for a sleeping child"),
        also=frozenset({"later-hop-decides", "message-just-over-a-cliff"}),
    ),
    # the receiver stays on for what follows the acknowledgement (IEEE 802.15.4-2015 clause 6.7.3, from memory)
    "sleeping-node-never-listens": DesignCase(
        lambda: heard("[sleep]\npoll_s = 60\nlisten_ms = 0\n", to="probe"),
        lambda: heard("[sleep]\npoll_s = 60\nlisten_ms = 1\n", to="probe"),
        Told("failure", UP, "it waits for nodes that listen 0 ms behind their polls"),
    ),
    # 96 octets in the first, 104 in each of the others
    "queue-shorter-than-message": DesignCase(
        lambda: heard("[queue]\nframes = 4\n", "most_frames = 5", 500),
        lambda: heard("[queue]\nframes = 5\n", "most_frames = 5", 500),
        Told("failure", UP, "it takes 5 frames, a node holds 4"),
        also=frozenset({"message-takes-many-frames", "first-fragment-without-slack"}),
    ),
    # MAC 9, end of header elements 2, MLME 2, synchronization 8, slotframe 7 and 5 a cell, times 3, hopping 3, check 2
    "beacon-does-not-fit": DesignCase(
        lambda: slotted("shared_cells = 19", "[upkeep]\nbeacon_s = 10\n"),
        lambda: slotted("shared_cells = 18", "[upkeep]\nbeacon_s = 10\n"),
        Told("failure", "beacon of the upkeep", "it has 131 octets, a frame 127 at most"),
        also=frozenset({"slot-too-short-for-frame"}),
    ),
    "over-own-limit": DesignCase(
        lambda: heard("[limits]\nframe_ms = 1\n"),
        lambda: heard("[limits]\nframe_ms = 1.536\n"),
        Told("failure", UP, "a frame takes 1.536 ms, limits.frame_ms is 1"),
    ),
    # a clock of 128 ticks a second; macMinBE 3 draws from 0 to 7 units
    "coarse-backoff-clock": DesignCase(
        lambda: heard("").replace(CSMA, CSMA + "unit_backoff_us = 7812.5\n"),
        lambda: heard("").replace(CSMA, CSMA + "unit_backoff_us = 639\n"),
        Told(
            "waste",
            "access",
            "backoffs count in 7812.5 µs, the PHY's unit is 320",
            ("the first backoff takes 27.3 ms on average",),
        ),
    ),
    # macMaxFrameRetries 0-7, macMaxCSMABackoffs 0-5, macMaxBE 3-8, macMinBE 0-macMaxBE (IEEE 802.15.4-2020 table 8-94,
    # from memory)
    "access-beyond-the-standard": DesignCase(
        lambda: heard("").replace(CSMA, CSMA + BEYOND),
        lambda: heard("").replace(CSMA, CSMA + BEYOND.replace("6", "5").replace("9", "8")),
        Told(
            "risk",
            "access",
            "min_be is 9, macMinBE 0 to 8; max_be is 9, macMaxBE 3 to 8; backoffs is 6, macMaxCSMABackoffs 0 to 5",
        ),
    ),
    # 1120 + 128 + 192 before, 1536 and 192 + 352 for the acknowledgement, 640 behind it: 4160 µs a try
    "retries-end-within-a-run": DesignCase(
        lambda: heard(LOSS + RUNS.format(40)),
        lambda: heard(LOSS + RUNS.format(12)),
        Told(
            "risk",
            "loss",
            "3 retries end after 12.5 ms, a bad time lasts 40",
            ("0.9 of the frames are lost meanwhile",),
        ),
    ),
    # 1 - 0.9^(42/40)
    "loss-measured-with-shorter-frames": DesignCase(
        lambda: heard(LOSS + "octets = 40\n"),
        lambda: heard(LOSS + "octets = 42\n"),
        Told(
            "remark",
            "loss",
            "measured with 40 octets, frames have up to 42: 0.1 becomes 0.105",
        ),
    ),
    "nodes-hidden-from-each-other": DesignCase(
        lambda: heard("[tree]\nby_hop = [2, 2, 2]\n"),
        lambda: heard("[tree]\nby_hop = [2, 2, 2]\ndisturbs = 1\n"),
        Told("risk", "tree", "nodes are heard over 1 hop and disturb over 2"),
    ),
}
DRIFT = "drift_ppm = 40"
# two hops, and a station of the second that no flow leads through
LEAF = """
[[station]]
name = "leaf"
role = "node"
short = 0x0018
prefix = "2001:db8:1::/64"
parent = "relay"
[[station]]
name = "relay"
role = "node"
short = 0x0019
prefix = "2001:db8:1::/64"
parent = "gate"
"""


def named(every_s: int, upkeep: str = "") -> str:
    """The store in slots with a tree of names, in which the probe alone sends."""
    tables = f'[tree]\nsenders = "named"\n{upkeep}'
    text = slotted(DRIFT, tables + LEAF, flow=f"every_s = {every_s}")
    text = text.replace('name = "probe"', 'name = "probe"\nparent = "relay"')
    return text.replace('name = "sink"', 'name = "sink"\nparent = "gate"')


# what sets the clock of every node each 13 s or more often, where the guard lasts 13.75 s
CLOCKS_SET = {
    "by its own messages": slotted(DRIFT, "[upkeep]\nkeep_alive_s = 100\n", flow="every_s = 13"),
    "by messages that come": slotted(DRIFT, flow="every_s = 13", to="probe"),
    "by beacons": slotted(DRIFT, "[upkeep]\nbeacon_s = 13\n", flow="every_s = 60"),
    "by own messages or keep-alives": named(60, "[upkeep]\nkeep_alive_s = 13\n"),
    "nobody knows how often": slotted(DRIFT),
}
DEPLOYMENT_FURTHER = (
    # silent for a minute, and no keep-alives: 60 s at 80 ppm
    Further(
        "guard-shorter-than-drift",
        slotted(DRIFT, flow="every_s = 60"),
        Told(
            "failure",
            "the slots",
            "two clocks are 4800 µs apart after 60 s, the guard is 1100 µs",
            (
                "the guard lasts 13.8 s",
                "nothing stated sets clocks more often than reading on flow up",
            ),
        ),
    ),
    # macTsRxOffset 1900, macTsRxWait 3000, macTsTxOffset 3800: 1900 before, 1100 after
    Further(
        "guard-shorter-than-drift",
        slotted('template = "sun-fsk-50"\ndrift_ppm = 40', "[upkeep]\nkeep_alive_s = 16\n"),
        Told(
            "failure",
            "the slots",
            "two clocks are 1280 µs apart after 16 s, the guard is 1100 µs",
            (
                (
                    "receivers listen 1900 µs before the time of a frame and 1100 µs after: the shorter counts, "
                    "access.slots.guard_us makes both one"
                ),
                "the guard lasts 13.8 s",
                "nothing stated sets clocks more often than keep-alives",
            ),
        ),
    ),
    # the way of the messages is set each 13 s, and the leaf beside it by its DIOs: 20 s at 80 ppm
    Further(
        "guard-shorter-than-drift",
        named(13, "[upkeep]\ndio_s = 20\n"),
        Told(
            "failure",
            "the slots",
            "two clocks are 1600 µs apart after 20 s, the guard is 1100 µs",
            (
                "the guard lasts 13.8 s",
                "nothing stated sets the clock of node sink more often than DIOs",
            ),
        ),
    ),
    Further(
        "cells-in-reverse-order",
        slotted('order = "down"'),
        Told(
            "remark",
            "flow up",
            "3 hops against the order of their cells take up to 3.01 s",
            ("in order they take up to 1.03 s, without loss or queues",),
        ),
    ),
    Further(
        "poll-longer-than-timeout",
        heard("[sleep]\npoll_s = 150\ntimeout_s = 240\n"),
        Told(
            "risk",
            "sleep",
            "one lost poll leaves 300 s between two, its parent forgets it after 240 s",
        ),
    ),
    # the example of the case, sent from the root
    Further(
        "queue-shorter-than-message",
        heard("[queue]\nframes = 5\nroot_frames = 4\n", "most_frames = 5", 500, to="probe"),
        Told("failure", UP, "it takes 5 frames, the root holds 4"),
    ),
    # 1536 µs each second
    Further(
        "over-own-limit",
        heard('[limits]\nduty_cycle = 0.001\nsource = "an invented rule"\n', "every_s = 1"),
        Told(
            "failure",
            UP,
            "its sender alone is on the air 0.154 % of the time, limits.duty_cycle is 0.1 %",
            ("the limit comes from: an invented rule",),
        ),
    ),
    Further(
        "over-own-limit",
        heard("[limits]\nduty_cycle = 0.001\nwindow_s = 1.5\n", "every_s = 3600"),
        Told(
            "failure",
            UP,
            "a frame takes 1.536 ms, limits.duty_cycle leaves it 1.5: 0.1 % of limits.window_s, 1.5 s",
        ),
    ),
    # in slots no backoffs are counted; exponents are those of shared cells
    Further(
        "access-beyond-the-standard",
        slotted("").replace('"slots"\n', '"slots"\nretries = 8\nbackoffs = 6\nmax_be = 2\n'),
        Told(
            "risk",
            "access",
            "retries is 8, macMaxFrameRetries 0 to 7; max_be is 2, macMaxBE 3 to 8",
        ),
    ),
)
