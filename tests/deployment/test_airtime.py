"""Frames on the time axis: sums by hand and published ones, what is encoded, and what parts of a transmission keep."""

from fractions import Fraction
from math import isclose
from pathlib import Path
from typing import Any

import pytest
from findings.cases_deployment import CSMA, heard, slotted
from findings.cases_planning import store
from hypothesis import given
from hypothesis import strategies as st
from room.random_paths import random_designs

from lowpanbudget import Span, airtime, decode_frame, load_design, parse_design
from lowpanbudget.deployment.airtime import MessageAirtime
from lowpanbudget.deployment.timeline import RadioState, transmission
from lowpanbudget.design.access import Access
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.design.radio import Radio
from lowpanbudget.design.upkeep import UpkeepFrames, upkeep_frames
from lowpanbudget.design.upkeep_shape import Upkeep
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.internet.rpl.messages import Dao, DaoAck, Dio
from lowpanbudget.layers.link.phy import timing
from lowpanbudget.stack.encoding import Encoded
from lowpanbudget.values import replace

EXAMPLES = Path(__file__).parents[2] / "examples"
USUAL = Access("csma", 3, 3, 5, 4, None, False, None)
OQPSK = timing("o-qpsk-2450")
RADIO = Radio(
    "invented", Estimate(2, 3, 4), Estimate(20, 21, 22), Estimate(10, 11, 12), Estimate(1, 2, 3), Estimate(3, 4, 5),
    Estimate(0, 0, 0), backoff_listens=False,
)  # fmt: skip


def octets(count: int) -> Encoded:
    """A frame of so many octets."""
    return Encoded(bytes(count), (Span(0, 8 * count, "frame", "octets", None, "", None),))


ANSWER = octets(5)


def design_of(name: str) -> Design:
    return load_design(EXAMPLES / f"{name}.toml")


def one(text: str, hop: str = "forwarded") -> MessageAirtime:
    (found,) = (each for each in airtime(parse_design(text)) if each.hop == hop)
    return found


def test_a_frame_of_79_octets_with_its_acknowledgement() -> None:
    """Backoff 3.5 x 320, CCA 128, turnaround 192, 85 x 32, turnaround 192, 11 x 32; then LIFS."""
    found = transmission(octets(79), ANSWER, OQPSK, USUAL)
    waits = [part.us for part in found.parts if part.octets is None]
    assert waits == [1120, 128, 192, 192, 640]
    assert (found.on_air_us, found.acknowledgement_us) == (2720, 352)
    assert sum(waits) + 2720 + 352 == 4704 + 640


@pytest.mark.parametrize(
    ("payload", "without", "acknowledged"),
    # no addresses, short ones, extended ones in a frame of 127 octets
    [(122, 162_234, 148_780), (114, 151_596, 139_024), (102, 135_638, 124_390)],
)
def test_published_throughput(payload: int, without: int, acknowledged: int) -> None:
    """Latré et al., Journal of Networks 2006, whose abstract has 64.9 % of 250 kb/s; CCA and turnaround left out."""
    for answer, published in ((None, without), (ANSWER, acknowledged)):
        found = transmission(octets(127), answer, OQPSK, USUAL)
        before = {part.name: part.us for part in found.parts if part.start_us < 1440}
        left_out = before["CCA"] + before["turnaround"]
        assert left_out == 128 + 192
        assert round(payload * 8e6 / (found.total_us - left_out)) == published
    assert round(162_234 / 250_000, 3) == 0.649


def test_throughput_with_all_that_is_waited() -> None:
    """The same with CCA and turnaround: 6336 µs a frame of 127 octets, 6880 with its acknowledgement."""
    alone = transmission(octets(127), None, OQPSK, USUAL)
    answered = transmission(octets(127), ANSWER, OQPSK, USUAL)
    assert round(122 * 8e6 / alone.total_us) == 154_040
    assert [round(payload * 8e6 / answered.total_us) for payload in (122, 114)] == [
        141_860,
        132_558,
    ]


def test_the_examples_as_counted_by_hand() -> None:
    """21 of MAC header, 2 of security, 14 of headers, 32, integrity code 4, check 2: 75 octets, 81 on the air.

    The enhanced acknowledgement: control 2, number 1, PAN ID 2, addresses 16, security 2, time correction 4, code 4,
    check 2. The plain one has 5 octets (IEEE 802.15.4-2006 section 7.2.2.3, from memory).
    """
    first = airtime(design_of("footbridge"), "features")[0]
    (group,) = first.frames
    assert (group.times.octets, group.times.on_air_us) == (75, 81 * 32)
    assert (group.times.acknowledgement_octets, group.times.acknowledgement_us) == (33, 39 * 32)
    assert airtime(design_of("archive"), "climate")[0].frames[0].times.acknowledgement_octets == 5


def test_readings_are_collected_and_sent_together() -> None:
    """The README's ``fit``: 11 readings fit later hops, one each 10 minutes."""
    every = {each.message: each for each in airtime(design_of("footbridge"), "features")}
    assert (every["features"].readings, every["features"].sends_every_s) == (1, 600)
    readings = every["readings"]
    assert (readings.readings, readings.every_s, readings.sends_every_s) == (11, 600, 6600)
    assert readings.duty_cycle == pytest.approx(readings.on_air_us / 6600e6, rel=1e-12)


def test_fragments_are_counted_and_those_alike_told_once() -> None:
    """96 octets in the first frame of a later hop, 104 in each other one: 500 take five."""
    found = one(heard("", "most_frames = 5", 500))
    assert [(group.first, group.last) for group in found.frames] == [(1, 1), (2, 4), (5, 5)]
    sizes = [group.times.octets for group in found.frames for _ in range(group.count)]
    assert found.on_air_us == sum((6 + size) * 32 for size in sizes)
    assert found.count == 5


@pytest.mark.parametrize("name", ["footbridge", "archive"])
def test_parts_follow_each_other_and_add_up(name: str) -> None:
    design = design_of(name)
    for found in airtime(design):
        for group in found.frames:
            times = group.times
            at = 0.0
            for part in times.parts:
                assert isclose(part.start_us, at, abs_tol=1e-6)
                assert part.us > 0
                at += part.us
            assert isclose(at, times.total_us, rel_tol=1e-12)
            sent = sum(p.octets or 0 for p in times.parts if p.sender is RadioState.SENDS)
            answered = sum(p.octets or 0 for p in times.parts if p.receiver is RadioState.SENDS)
            assert sent == times.octets + 6
            assert answered == (times.acknowledgement_octets or -6) + 6
            assert times.energy_uj is not None
            spent = [part.energy_uj for part in times.parts]
            for index in range(3):
                total = sum(each[index] for each in spent if each is not None)
                assert isclose(total, times.energy_uj[index], rel_tol=1e-12)
            assert times.energy_uj.least < times.energy_uj.typical < times.energy_uj.most
            if design.access is not None and design.access.slots is not None:
                slot = sum(part.us for part in times.parts if part.name != "wake-up")
                assert isclose(slot, design.access.slots.template.length, rel_tol=1e-12)


@given(
    st.integers(0, 8), st.integers(5, 127), st.sampled_from(["o-qpsk-2450", "bpsk-868", "sun-fsk"])
)
def test_longer_frames_and_larger_exponents_never_take_less(
    exponent: int, count: int, phy: str
) -> None:
    access = Access("csma", 3, exponent, 8, 4, None, False, None)
    shorter = transmission(octets(count), ANSWER, timing(phy), access, RADIO)
    longer = transmission(octets(count + 1), ANSWER, timing(phy), access, RADIO)
    assert longer.total_us > shorter.total_us
    later = Access("csma", 3, exponent + 1, 9, 4, None, False, None)
    assert (
        transmission(octets(count), ANSWER, timing(phy), later, RADIO).total_us > shorter.total_us
    )
    for low, high in zip(shorter.energy_uj or (), longer.energy_uj or (), strict=True):
        assert high > low


def test_energy_is_current_times_volts_times_time() -> None:
    """A receiver listens 2.2 ms around the time of a frame: 44 µC at 20 mA, 132 µJ at 3 V, before a frame comes."""
    text = slotted(
        "", '[radio]\nsource = "x"\nsupply_v = 3\nsend_ma = 10\nreceive_ma = 20\nsleep_ua = 0\n'
    )
    times = one(text).frames[0].times
    guard = next(part for part in times.parts if part.name == "guard")
    assert guard.us * 2 == 2200
    heard_us = guard.us + times.on_air_us
    assert times.receiver_uj is not None
    receiver = heard_us * 20 * 3 / 1000 + times.acknowledgement_us * 10 * 3 / 1000
    assert times.receiver_uj.typical == pytest.approx(receiver, rel=1e-12)
    sender = (times.on_air_us * 10 + (200 + times.acknowledgement_us) * 20) * 3 / 1000
    assert times.energy_uj is not None
    assert times.energy_uj.typical == pytest.approx(sender, rel=1e-12)


def test_a_message_is_cut_to_what_a_slot_has_time_for() -> None:
    """42 octets take 1536 µs, one frame of 1500 has no more than 46 - 6 = 40: there are two, and each is in time."""
    found = one(slotted("max_frame_us = 1500"))
    assert found.fits
    assert found.count == 2
    assert all(group.times.on_air_us <= 1500 for group in found.frames)


def test_a_cca_in_a_slot_stands_where_the_template_says() -> None:
    """macTsCcaOffset 1800, macTsCca 128, macTsTxOffset 2120."""
    parts = one(slotted("listens_first = true")).frames[0].times.parts
    (cca,) = (part for part in parts if part.name == "CCA")
    assert (cca.start_us, cca.us, cca.sender) == (1800, 128, RadioState.LISTENS)
    assert next(part.start_us for part in parts if part.sender is RadioState.SENDS) == 2120


def test_a_coarse_clock_makes_backoffs_longer() -> None:
    text = heard("").replace(CSMA, CSMA + "unit_backoff_us = 7812.5\n")
    assert one(text).frames[0].times.parts[0].us == 3.5 * 7812.5


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (slotted("max_ack_us = 600"), "the acknowledgement takes 672 µs, the slot leaves it 600"),
        (heard("[limits]\nframe_ms = 1.5\n"), "a frame takes 1.536 ms, limits.frame_ms is 1.5"),
        (
            heard("[limits]\nduty_cycle = 0.001\n", "every_s = 1"),
            "its sender alone is on the air 0.154 % of the time, limits.duty_cycle is 0.1 %",
        ),
        # 1536 µs each 1.53 s: 0.100392 %, which two digits do not tell from a tenth
        (
            heard("[limits]\nduty_cycle = 0.001\n", "every_s = 1.53"),
            "its sender alone is on the air 0.1004 % of the time, limits.duty_cycle is 0.1 %",
        ),
        # one frame is more than a window leaves, however seldom it is sent
        (
            heard("[limits]\nduty_cycle = 0.001\nwindow_s = 1.535\n", "every_s = 3600"),
            "a frame takes 1.536 ms, limits.duty_cycle leaves it 1.535: 0.1 % of limits.window_s, 1.535 s",
        ),
        (heard("", octets=1300), "it is larger than any datagram, and is not sent"),
    ],
)
def test_what_may_not_be_sent_so(text: str, said: str) -> None:
    found = one(text)
    assert found.over == (said,)
    assert not found.fits


def test_what_is_needed_is_named() -> None:
    with pytest.raises(RequestError, match=r"the design has no \[access\]"):
        airtime(parse_design(store()))
    text = heard("").replace("[link]", '[link]\nphy = "sun-ofdm"')
    with pytest.raises(RequestError, match="no timing of sun-ofdm is known"):
        airtime(parse_design(text))
    with pytest.raises(RequestError, match="no flow 'down'"):
        airtime(parse_design(heard("")), "down")


def test_the_rate_of_the_link_counts() -> None:
    """A frame of 44 octets (a check sequence of 4) with 12 before it, at 50 and 150 kb/s."""
    text = heard("").replace("[link]", '[link]\nphy = "sun-fsk"')
    assert one(text).on_air_us == 56 * 160
    faster = one(text.replace('sun-fsk"', 'sun-fsk"\ndata_rate = 150'))
    assert faster.on_air_us == pytest.approx(float(56 * Fraction(160, 3)), rel=1e-12)


UPKEEP = (
    "[upkeep]\nbeacon_s = 16\ndio_s = 1000\ndao_s = 900\ndao_acknowledged = true\nkeep_alive_s = 12\n"
    "[sleep]\npoll_s = 60\n"
)


def upkeep_of(text: str) -> dict[tuple[str, str], UpkeepFrames]:
    return {(each.name, each.hop): each for each in upkeep_frames(parse_design(text))}


@pytest.mark.parametrize("text", [heard(UPKEEP), slotted("", UPKEEP)], ids=["csma", "slots"])
def test_upkeep_is_read_back_as_what_it_is(text: str) -> None:
    design = parse_design(text)
    found = upkeep_of(text)
    wanted = {"DIO": Dio, "DAO": Dao, "DAO-ACK": DaoAck}
    for (name, _), upkeep in found.items():
        for frame in upkeep.frames:
            read = decode_frame(frame.octets, contexts=design.contexts)
            assert read.fault is None
            assert not read.notices
            if name in wanted:
                (icmpv6,) = (head for head in read.layers if hasattr(head, "message"))
                assert isinstance(icmpv6.message, wanted[name])
    for name, kind in (("beacon", 0), ("keep-alive", 1), ("data request", 3)):
        mac = decode_frame(found[name, "first"].frames[0].octets).mac
        assert mac is not None
        assert mac.frame_type == kind
    assert found["beacon", "first"].acknowledgement is None
    assert found["keep-alive", "first"].acknowledgement is not None


def test_a_dao_goes_to_the_parent_or_in_non_storing_mode_to_the_root() -> None:
    assert upkeep_of(heard(UPKEEP))["DAO", "first"].to == "parent"
    routed = heard(UPKEEP, "[flow.routing]\nroute = 2\n", to="probe")
    found = upkeep_of(routed)
    assert (found["DAO", "first"].to, found["DAO-ACK", "first"].to) == ("root", "node")
    assert ("DAO", "forwarded") in found


@pytest.mark.long
@given(random_designs())
def test_any_design_has_upkeep_and_acknowledgements_that_are_read_back(
    random: tuple[Design, FlowPath],
) -> None:
    """Every frame form, security and address form; versions 0 and 1 are acknowledged by 3 octets and an FCS."""
    design, path = random
    link = design.link
    design = replace(design, upkeep=Upkeep(16, 1000, 900, dao_acknowledged=True, keep_alive_s=12))
    answers = [link.acknowledgement(path.hop.source, path.hop.destination)]
    frames = [frame for upkeep in upkeep_frames(design) for frame in upkeep.frames]
    for made in [*frames, *(answer for answer in answers if answer is not None)]:
        sealed = decode_frame(made.octets, fcs=link.fcs).mac
        assert sealed is not None
        sender = sealed.source or b""
        known = {int.from_bytes(sender, "big"): bytes(8)} if len(sender) == 2 else {}
        opened: dict[str, Any] = {"keys": [bytes(16)], "asn": 0, "devices": known}
        read = decode_frame(made.octets, fcs=link.fcs, contexts=design.contexts, **opened)
        assert read.fault is None
        assert read.mac is not None
        assert read.mac.fcs_ok
        assert read.payload is not None
    if answers[0] is not None and link.version < 2:
        assert len(answers[0].octets) == 3 + link.fcs
