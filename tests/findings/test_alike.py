"""What is told once of many subjects: what differs but in numbers, and what each of them has by itself."""

import pytest

from lowpanbudget.findings.alike import form_of, listed, spanning
from lowpanbudget.findings.captures.rules import CAPTURE_RULES
from lowpanbudget.findings.finding import Finding, Hit
from lowpanbudget.findings.tallies import MANY, Tallies


def told_of(*causes: str) -> list[Finding]:
    """What is found where nodes 1, 2 ... each have a cause, seen in the frame of that number."""
    (rule,) = [rule for rule in CAPTURE_RULES if rule.name == "frame-too-long"]
    tallies = Tallies()
    for node, cause in enumerate(causes, 1):
        tallies.count(rule, Hit(cause, (f"evidence {node}",), f"node {node}"), node)
    return tallies.findings()


def test_of_many_it_is_said_once_with_the_numbers_of_all() -> None:
    (found,) = told_of(
        *(f"{count} of 30 frames have 1{count % 2} octets" for count in (7, 9, 12, 28))
    )
    assert (found.subject, found.cause) == (
        "node 1, 2, 3, 4",
        "7 to 28 of 30 frames have 10 to 11 octets",
    )
    assert (found.count, found.frames, len(found.evidence)) == (4, (1, 2, 3, 4), 4)


def test_each_keeps_what_it_has_by_itself() -> None:
    (found,) = told_of(*(f"{count} octets" for count in (130, 140, 150, 160)))
    assert [
        (one.subject, one.cause, one.frames, one.evidence, one.count) for one in found.each
    ] == [
        (f"node {node}", f"{120 + 10 * node} octets", (node,), (f"evidence {node}",), 1)
        for node in (1, 2, 3, 4)
    ]
    assert not any(one.each for one in found.each)


def test_few_are_told_apart() -> None:
    found = told_of(*(f"{count} octets" for count in range(130, 130 + MANY - 1)))
    assert [one.subject for one in found] == ["node 1", "node 2", "node 3"]
    assert not any(one.each for one in found)


def test_what_differs_in_more_than_numbers_is_told_apart() -> None:
    assert len(told_of(*(f"octets of {name}" for name in "abcde"))) == 5


@pytest.mark.parametrize(
    ("texts", "both"),
    [
        (("1 message", "12 messages"), "1 to 12 messages"),
        (("3.5 to 4 V", "3 to 3.75 V"), "3 to 4 V"),
        (
            ("field a has code 5: 9 left", "field a has code 5: 9 left"),
            "field a has code 5: 9 left",
        ),
        (("30 s of 60", "4.5 s of 60"), "4.5 to 30 s of 60"),
    ],
)
def test_numbers_go_from_the_least_to_the_most(texts: tuple[str, str], both: str) -> None:
    assert form_of(texts[0]) == form_of(texts[1])
    assert spanning(texts) == spanning(texts[::-1]) == both


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (
            "context 0x12",
            "context 0x13",
        ),  # names in hexadecimal, addresses, clauses and octets are no counts
        ("prefix 2001:db8::1", "prefix 2001:db8::2"),
        ("RFC 4944 section 5.3.1", "RFC 4944 section 5.3.2"),
        ("octets 12ab", "octets 13ab"),
    ],
)
def test_what_is_no_number_keeps_texts_apart(one: str, other: str) -> None:
    assert form_of(one) != form_of(other)


@pytest.mark.parametrize(
    ("subjects", "row"),
    [
        (["0x0001"], "0x0001"),
        (["flow a, 0x0001", "flow a, 0x0002"], "flow a, 0x0001, 0x0002"),
        (["0x0001 to 0x0002", "0x0003 to 0x0002"], "0x0001 to 0x0002, 0x0003 to 0x0002"),
        (["a from b: x", "a from c: x"], "a from b, c: x"),
        (["n 1", "n 2", "n 3"], "n 1, 2 and 1 more"),
    ],
)
def test_what_all_subjects_begin_or_end_with_stands_once(subjects: list[str], row: str) -> None:
    assert listed(subjects, 2) == row
