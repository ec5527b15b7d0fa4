"""Sentences that begin with what is no word: octets, addresses and names stay as they are."""

import pytest

from lowpanbudget.report.audit_text import sentence


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
