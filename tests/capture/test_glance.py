"""Frames that are counted at a glance add what they do when each is followed, and cost little."""

import random
from itertools import chain
from typing import Any

import pytest
from capture.captures import (
    CONTEXTS,
    KEY,
    SECOND,
    frames_of,
    ip_of,
    mixed,
    records,
    short,
    udp_datagram,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from work import calls

from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.survey import Survey
from lowpanbudget.capture.surveyor import survey, surveyed

A, B = short(1), short(2)


def followed(made: list[Record], **known: Any) -> Survey:
    """Return the survey of records that are followed one by one, as whoever watches them has it."""
    return surveyed(made, None, (lambda _: None,), columns=False, **known)


def check_alike(made: list[Record], **known: Any) -> None:
    found, expected = survey(made, columns=False, **known), followed(made, **known)
    assert found == expected
    assert found.shares == expected.shares
    assert list(found.cells) == list(expected.cells)
    for cell, tally in expected.cells.items():  # octet for octet: layers stand in the same order
        assert list(found.cells[cell].layer_bits) == list(tally.layer_bits)


def readings(count: int, octets: int) -> list[bytes]:
    """Return the frames of a node that reports again and again, each time something else."""
    said = (number.to_bytes(octets, "big") for number in range(count))
    datagrams = (udp_datagram(ip_of(A), ip_of(B), payload) for payload in said)
    parts = (frames_of(one, A, B, sequence=at, tag=at) for at, one in enumerate(datagrams))
    return list(chain.from_iterable(parts))


@pytest.mark.parametrize("link_type", [195, 230, 283])
@pytest.mark.parametrize("fcs", [None, 0])
def test_a_network_is_counted_alike(link_type: int, fcs: int | None) -> None:
    made = records(mixed(600), link_type, step_ns=SECOND // 10)
    check_alike(made, contexts=CONTEXTS, keys=KEY, fcs=fcs)


@settings(max_examples=25)
@given(st.integers(0, 1 << 32))
def test_a_disturbed_network_is_counted_alike(seed: int) -> None:
    """Frames come again, late, early, damaged and cut; clocks go back, or are not there."""
    rng = random.Random(seed)
    frames = [*mixed(120, nodes=2), *readings(40, rng.choice([20, 150]))]
    made, now = [], 0
    for number in range(1, 260):
        octets = bytearray(rng.choice(frames[: number + 20]))
        original = len(octets)
        now += rng.choice([0, SECOND // 100, SECOND, 5 * SECOND, 70 * SECOND, -30 * SECOND])
        what = rng.random()
        if what < 0.05:
            octets[rng.randrange(len(octets))] ^= 1 << rng.randrange(8)
        elif what < 0.1:
            del octets[rng.randrange(len(octets)) :]
        elif what < 0.12:
            original = len(octets) + 3
        time_ns = None if what > 0.98 else max(now, 0)
        made.append(Record(number, time_ns, 195, bytes(octets), original))
    check_alike(made, contexts=CONTEXTS, keys=KEY)


@pytest.mark.parametrize(("octets", "most"), [(20, 60), (150, 150)])
def test_a_frame_that_is_like_one_before_costs_few_calls(octets: int, most: int) -> None:
    """One that is followed costs twice as many, a fragment that a frame and a sighting are made of a half more."""
    few, many = records(readings(100, octets)), records(readings(300, octets))
    survey(few, contexts=CONTEXTS)  # what is compiled once counts for none
    before = calls(lambda: survey(few, contexts=CONTEXTS))
    cost = calls(lambda: survey(many, contexts=CONTEXTS)) - before
    assert cost < most * (len(many) - len(few))


@pytest.mark.parametrize("port", [0xF0B2, 5683])
def test_datagrams_that_only_look_alike_are_counted_alike(port: int) -> None:
    """Messages of CoAP (RFC 7252 section 3) of one length in fragments, each with one octet of payload less."""
    made = []
    for number in range(40):
        options = 1 + number % 8
        coap = b"\x50\x02" + number.to_bytes(2, "big") + b"\xb1a" + b"\x01a" * options + b"\xff"
        said = coap + bytes(150 - len(coap))
        datagram = udp_datagram(ip_of(A), ip_of(B), said, (0xF0B1, port))
        made += frames_of(datagram, A, B, sequence=2 * number, tag=number)
    check_alike(records(made), contexts=CONTEXTS)
    told = survey(records(made), contexts=CONTEXTS).total
    assert told.assembled == 40
    lengths = (150 if port != 5683 else 143 - 2 * (1 + number % 8) for number in range(40))
    assert told.application == sum(lengths)
