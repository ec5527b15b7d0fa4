"""Sentences that begin with what is no word: octets, addresses and names stay as they are."""

import pytest

from lowpanbudget.report.audit_text import sentence
from lowpanbudget.report.measure_text import check_numbers


@pytest.mark.parametrize(
    ("cause", "subject", "shown"),
    [
        ("the hop limit ends", "0x0012", "The hop limit ends."),
        ("retries, and no answer", "", "Retries, and no answer."),
        ("node's own clock", "", "Node's own clock."),
        ("fe80::1 could not pass datagrams on", "0x0012", "fe80::1 could not pass datagrams on."),
        ("aa:bb:cc:dd:ee:ff:00:11 sent it", "", "aa:bb:cc:dd:ee:ff:00:11 sent it."),
        ("beef is no code", "", "beef is no code."),
        ("climate cannot be read as designed", "climate from fe80::1", "climate cannot be read as designed."),
        ("climate is sealed", "flow climate", "climate is sealed."),
        ("door_alarm is sealed", "", "door_alarm is sealed."),
        ("0x0012 went back.", "0x0012", "0x0012 went back."),
    ],
)  # fmt: skip
def test_a_sentence(cause: str, subject: str, shown: str) -> None:
    assert sentence(cause, subject) == shown


@pytest.mark.parametrize(
    ("unit", "planned", "seen", "shown"),
    [
        ("messages", 1, 0, ("1 message", "0 messages")),
        ("hops", 1.0, 2, ("1 hop", "2 hops")),
        ("tries", 4, 1, ("4 tries", "1 try")),
        ("packets", 1, None, ("1 packet", "-")),
        ("s", 1, 1.5, ("1 s", "1.5 s")),
        ("share", 1, 0.5, ("100.0%", "50.0%")),
    ],
)
def test_one_of_a_kind_is_one(
    unit: str, planned: float, seen: float | None, shown: tuple[str, str]
) -> None:
    assert check_numbers({"unit": unit, "planned": planned, "seen": seen}) == shown
