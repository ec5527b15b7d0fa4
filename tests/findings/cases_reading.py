"""What findings say that reading a file and learning from the air bring about: test_command.py, test_audit.py."""

from collections.abc import Callable
from functools import partial

from findings import air
from findings.air import Capture
from findings.cases_further import Further
from findings.judge import Case, Told

from lowpanbudget.findings.captures.capture import WAITED


def at(*times: float) -> Capture:
    """The same node sends at these times."""
    return Capture(
        [
            (time_s, air.frame(air.datagram(bytes([number])), sequence=number))
            for number, time_s in enumerate(times, 1)
        ]
    )


YEAR_S = 365 * 86400


# an hour back, two seconds later a few milliseconds; and a clock that only stands still
def minutes(leap_s: float, *, missed: int = 0, again: bool = False) -> Capture:
    """Three nodes send once a minute; after ten minutes the times leap, and after twenty ``again``.

    So many numbers of each were ``missed`` meanwhile.
    """
    frames, nodes = [], [bytes([0, n]) for n in (0x17, 0x18, 0x19)]
    for minute in range(30):
        later = (minute >= 10) + (again and minute >= 20)
        for place, node in enumerate(nodes):
            links = node, air.ROOT
            packet = air.datagram(bytes([minute, place]), links=links)
            at = 1 + 60.0 * minute + place + leap_s * later
            frames.append((at, air.frame(packet, minute + missed * later & 0xFF, links)))
    return Capture([*frames])


def by_day(*days: int) -> Capture:
    """Three nodes send each hour of these days from 8 to 17 o'clock."""
    frames, times = [], [86400.0 * day + 3600 * hour for day in days for hour in range(8, 18)]
    for number, time_s in enumerate(times):
        for place, node in enumerate((b"\x00\x17", b"\x00\x18", b"\x00\x19")):
            links = node, air.ROOT
            packet = air.datagram(bytes([number, place]), links=links)
            frames.append((time_s + place, air.frame(packet, number, links)))
    return Capture([*frames])


READING_CASES: dict[str, Case] = {
    "times-go-back": Case(
        lambda: at(7200, 7210, 7220, 7230, 7240, 7250, 3650, 3660, 3659.995, 3670),
        lambda: at(7200, 7210, 7220, 7220, 7220, 7220.5),
        Told(
            "risk",
            "",
            "the times go back in frame 7, by 1 h",
            ("2 times in all, by 1 h at most",),
            (7,),
        ),
    ),
    # a clock that counts from 1970 and is set 56 times 365 days later; the other waits for a frame for 360 days
    "times-leap": Case(
        lambda: at(10, 20, 20 + 56 * YEAR_S, 30 + 56 * YEAR_S),
        lambda: at(10, 20, 20 + 360 * 86400, 30 + 360 * 86400),
        Told("risk", "", "the times leap on by 56 years in frame 3", (), (3,)),
    ),
}

# the last before it came at 1 + 540 + 2 s, the first behind it at 1 + 600 + 7200 s: 58 s more than two hours
READING_FURTHER = (
    Further(
        "times-leap",
        partial(minutes, 7200.0),
        Told(
            "remark",
            "",
            "the times leap on by 2.02 h in frame 31, or nobody sent anything for so long",
            ("across it the frame numbers of 3 of 3 nodes go on without a hole",),
            (31,),
            advice=WAITED,
        ),
    ),
    # five weeks behind nights: 35 days and 15 hours
    Further(
        "times-leap",
        partial(by_day, 0, 1, 2, 3, 4, 40),
        Told(
            "remark",
            "",
            "the times leap on by 35.6 d in frame 151, or nobody sent anything for so long",
            ("across it the frame numbers of 3 of 3 nodes go on without a hole",),
            (151,),
            advice=WAITED,
        ),
    ),
    # 256 numbers of a minute each, 58 s more: sequence numbers have 8 bits
    Further(
        "times-leap",
        partial(minutes, 256 * 60.0, missed=256),
        Told(
            "remark",
            "",
            "the times leap on by 4.28 h in frame 31, or nobody sent anything for so long, or the receiver was off for "
            "256 frames of each or a multiple",
            ("across it the frame numbers of 3 of 3 nodes go on without a hole",),
            (31,),
            advice=WAITED,
        ),
    ),
)

READING_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "a receiver that was off for two hours": ("times-leap", partial(minutes, 7200.0, missed=120)),
    "a network that rests again and again": ("times-leap", partial(minutes, 7200.0, again=True)),
    "a weekend behind nights": ("times-leap", partial(by_day, 0, 1, 2, 3, 4, 7, 8)),
    "a pause of three minutes": ("times-leap", partial(minutes, 120.0)),
}

READING_TOLD = {
    # a file header of 24 octets, 8 records of 16 and a frame of 26: 9 of MAC header, 6 of headers, 9 of data, 2 of
    # check sequence; the last record begins at 24 + 7 x 42 and lacks 9 octets
    "capture-damaged": Told(
        "risk",
        "file-cut",
        "the last record has 17 of its 26 octets",
        ("octet 318 of the file",),
        (7,),
    ),
    # a line of 26 octets has 78 characters with its end; of the second the tenth octet has a letter at 3 x 9 + 2
    "text-not-read": Told(
        "risk",
        "line-garbled",
        "line 2 is left out: character 29: 'l' is no hex digit",
        ("octet 78 of the file",),
        (1,),
    ),
    # the same 8 frames of 26 octets, of which the file keeps 20
    "frames-cut-by-capture": Told(
        "risk",
        "",
        "of what was left out nothing is concluded",
        ("the capture kept 20 of 26 octets: its snap length is 20",),
        (1, 2, 3, 4, 5, 6, 7, 8),
        8,
    ),
    # of 100 messages one receiver misses 15, the other 10, and both 2: test_receiver_clocks.py
    "receiver-clock-differs": Told(
        "remark",
        "b.pcap",
        "its clock is 20 s fast beside that of a receiver before it, by 77 frames that both heard: its times are moved "
        "by that",
    ),
    # UDP's checksums tell that nothing stands in the place of the check sequence
    "check-sequence-not-as-said": Told(
        "remark",
        "stripped",
        "the FCS is right in none of 8 frames: "
        "it was stripped (by the checksums or lengths of 8 frames)",
        ("0 of 8 match",),
        (1,),
    ),
    "nothing-to-judge": Told("risk", "", "the capture holds no frame"),
    "context-announced-otherwise": Told(
        "risk",
        "0x0001",
        "contexts are announced otherwise than they hold",
        ("context 1 is given as 2001:db8:2::/64, and announced as 2001:db8:99::/64",),
        (1,),
    ),
}
