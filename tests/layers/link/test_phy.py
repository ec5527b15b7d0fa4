"""Timing of the PHYs: airtimes and waits as counted by hand from symbol periods, and what is refused by name.

Symbol periods: IEEE 802.15.4-2020 sections 12.3.3, 13.3.3 and table 19-1, as an open protocol stack cites them;
aTurnaroundTime 12 symbols (1 ms for SUN FSK), aCcaTime 8, SIFS 12 and LIFS 40 symbols.
"""

import pytest

from lowpanbudget.errors import RequestError
from lowpanbudget.layers.link.phy import PHYS, timing

# PHY, rate, airtime of 127 and of 5 octets, turnaround, CCA, unit backoff, SIFS, LIFS, wait for an acknowledgement; µs
TABLE = [
    ("o-qpsk-2450", None, 4256, 352, 192, 128, 320, 192, 640, 864),
    ("o-qpsk-915", None, 4256, 352, 192, 128, 320, 192, 640, 864),
    ("o-qpsk-868", None, 10_640, 880, 480, 320, 800, 480, 1600, 2160),
    ("bpsk-915", None, 26_600, 2200, 300, 200, 500, 300, 1000, 3000),
    ("bpsk-868", None, 53_200, 4400, 600, 400, 1000, 600, 2000, 6000),
    ("sun-fsk", None, 22_240, 2720, 1000, 160, 1160, 1000, 1000, None),
    ("sun-fsk", 50, 22_240, 2720, 1000, 160, 1160, 1000, 1000, None),
    ("sun-fsk", 100, 11_120, 1360, 1000, 160, 1160, 1000, 1000, None),
]


@pytest.mark.parametrize("row", TABLE, ids=[f"{row[0]} {row[1]}" for row in TABLE])
def test_times(row: tuple[str, int | None, int, int, int, int, int, int, int, int | None]) -> None:
    phy, rate, *wanted = row
    found = timing(phy, rate)
    assert [
        found.airtime(127), found.airtime(5), found.turnaround, found.cca, found.unit_backoff,
        found.spacing(18), found.spacing(19), found.ack_wait,
    ] == wanted  # fmt: skip


def test_an_octet_at_150_kilobits_is_no_whole_number_of_microseconds() -> None:
    """139 octets of 8 bits at 150 kb/s: 7413.33 µs."""
    assert timing("sun-fsk", 150).airtime(127) * 150 == 139 * 8 * 1000


def test_a_shorter_preamble() -> None:
    """4 + 2 + 2 + 127 octets of 160 µs."""
    assert timing("sun-fsk", 50, 4).airtime(127) == 21_600


@pytest.mark.parametrize("phy", ["sun-ofdm", "sun-o-qpsk"])
def test_what_is_not_known_is_refused_by_name(phy: str) -> None:
    with pytest.raises(RequestError, match=f"no timing of {phy} is known") as caught:
        timing(phy)
    assert all(name in caught.value.hint for name, one in PHYS.items() if one.rates)
    with pytest.raises(RequestError, match="no timing of o-qpsk-868 at 250 kb/s is known here"):
        timing("o-qpsk-868", 250)
