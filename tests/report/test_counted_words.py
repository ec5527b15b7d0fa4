"""One of a kind is one: sweeps, measurements and checks say neither "1 axes" nor "1 settings were"."""

import re

import pytest
from design.designs import SMALL

from lowpanbudget import parse_design, show, sweep
from lowpanbudget.report.measure_answer import link_words

# a number that is one alone, and a plural behind it
ONES = re.compile(r"(?<![\d.,])1 (axes|octets|settings|changes|of them were)\b")
AS_DESIGNED = {
    "addresses": "extended", "pan_ids": "one", "sequence_number": "carried", "frame_counter": "carried",
    "key_id_mode": "1", "level": "5", "station[probe].identifier": "link", "station[sink].identifier": "link",
    "station[sink].context": "none", "ports": "0xf0b1,0x1633", "context[0].id": "0", "dtls.suite": "none",
}  # fmt: skip


@pytest.mark.parametrize(
    ("hop_limits", "said"),
    [
        ([64, 255], "2 settings were added up from encodings of 1 axis;"),
        ([64], "1 setting was added up"),
    ],
)
def test_a_sweep_of_one_axis_and_of_one_setting(hop_limits: list[int], said: str) -> None:
    chosen = sweep(
        parse_design(SMALL), "up", axes=AS_DESIGNED | {"hop_limit": list(map(str, hop_limits))}
    )
    text = " ".join(str(show(chosen)).split())
    assert said in text
    assert not ONES.search(text)


def test_a_link_of_one_try() -> None:
    link = {"refused": 1, "tries": 1, "sender": "2.1", "receiver": "1.1"}
    assert "1 of 1 try 2.1 to 1.1" in link_words([link])
    assert "1 of 2 tries 2.1 to 1.1" in link_words([link | {"tries": 2}])
