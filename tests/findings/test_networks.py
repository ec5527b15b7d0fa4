"""Audits of whole networks: nothing of weight is said of one without faults, and of one fault no more than there is."""

from dataclasses import replace
from functools import cache
from random import Random

import pytest
from findings import faults
from findings.air import Capture, heavy, names
from findings.networks import PARENTS, Network

from lowpanbudget.findings.audited import CaptureFindings
from lowpanbudget.findings.finding import Finding
from lowpanbudget.findings.origins import Beginnings
from lowpanbudget.report import audit_text, view
from lowpanbudget.report.screen import Screen

NETWORKS = {
    "storing": Network(reports=38),
    "non-storing": Network(stored=False, reports=12),
    "slotted": Network(stored=False, slots=True, sealed=True, reports=12),
    "sleepy": Network(asleep=True, sealed=True, reports=8, every_s=300.0),
}


@cache
def sound(name: str) -> tuple[Capture, list[Finding]]:
    capture = NETWORKS[name].capture()
    return capture, capture.followed()


@pytest.mark.parametrize("name", NETWORKS)
def test_nothing_of_weight_is_said_of_a_network_without_faults(name: str) -> None:
    capture, found = sound(name)
    assert len(capture.air) > 600
    assert heavy(found) == []


FAULTS = {
    faults.NodeUnheard: {"frames-not-acknowledged"},
    faults.OutOfEarshot: set(),
    faults.OtherPan: {"pan-beside-the-network"},
    faults.Unsecured: {"unsecured-among-secured"},
    faults.NumberStuck: {"sequence-number-stuck"},
    faults.NodeMute: set(),
    faults.NodeSilent: {"node-fell-silent"},
    faults.Storm: {"control-out-of-proportion"},
    # and no router answers it
    faults.Solicits: {"control-out-of-proportion", "registration-never-answered"},
    faults.NotLowered: {"hop-limit-not-lowered"},
    # "rank errors" are how RPL itself sees a loop (RFC 6550 section 11.2.2.2)
    faults.Loop: {"datagram-in-a-loop", "rank-error-flagged", "request-never-answered"},
    # that an instance has several DODAGs is allowed (RFC 6550 section 3.1.2) and a remark
    faults.SecondRoot: {"version-jumps"},
    faults.LinkLocalSource: {"link-local-source-forwarded", "request-never-answered"},
    faults.TooFar: {
        "hop-limit-runs-out",
        "delivery-error-sent",
        "hop-limit-in-line",
        "request-never-answered",
    },
    faults.Twin: {"address-of-two-devices"},
    faults.NoAnswer: {"request-never-answered"},
    faults.LostFragments: {"fragments-unfinished"},
    faults.SameTag: {"tag-used-again", "tag-never-changes", "fragments-unfinished"},
}


@pytest.mark.long
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.__name__)
def test_one_fault_is_told_by_its_name(fault: type[Network]) -> None:
    sealed = fault is faults.Unsecured
    long_every = 2 if issubclass(fault, faults.LostFragments) else 8
    network = fault(sealed=sealed, reports=10, long_every=long_every)
    if issubclass(fault, faults.NodeMute):
        network.reports, network.every_s = 20, 30.0
    found = network.capture().followed()
    assert set(heavy(found)) == FAULTS[fault]


@pytest.mark.parametrize("columns", [80, 120])
def test_a_network_without_faults_ends_within_a_screen(columns: int) -> None:
    """What holds for seven nodes is said once: 2,000 frames, and no more than the 24 lines of a terminal."""
    capture, found = sound("storing")
    assert len(capture.air) >= 2000
    assert [one.subject.count(",") for one in found] == [6]
    screen, audited = Screen(columns), view.audited("a.pcap", CaptureFindings(2000, tuple(found)))
    text = screen.draw(lambda console: audit_text.audit(console, screen, audited))
    assert len(text.splitlines()) <= 24


SILENT = {"node-fell-silent", "node-was-silent", "node-reports-no-more"}


@pytest.mark.parametrize(("seed", "missed"), [(0, 0.7), (1, 0.7), (2, 0.85), (3, 0.85)])
def test_no_node_is_called_silent_where_the_receiver_misses_most_of_all_from_some_time_on(
    seed: int, missed: float
) -> None:
    """With 70 % missed a silence of four intervals is one in four, with which a rhythm without loss was broken."""
    capture, draw = Network(reports=20).capture(), Random(seed)
    begins_s = 0.8 * list(capture.timed())[-1][0]
    heard = [one for one in capture.timed() if one[0] < begins_s or draw.random() > missed]
    assert not SILENT & set(names(replace(capture, air=[*heard]).followed()))


def test_a_node_that_falls_silent_is_told_where_the_receiver_misses_some_of_all() -> None:
    capture, draw = faults.NodeSilent(reports=20, every_s=30.0).capture(), Random(1)
    heard = [one for one in capture.timed() if draw.random() > 0.2]
    assert "node-fell-silent" in names(replace(capture, air=[*heard]).followed())


def test_an_answer_whose_request_was_not_heard_begins_nothing_from_then_on() -> None:
    """Reports come each 9 s and are answered 0.3 s later: the first report is missed."""
    beginnings = Beginnings()
    assert beginnings.begins(1, 2, 0.3)
    told = [
        (beginnings.begins(2, 1, at), beginnings.begins(1, 2, at + 0.3)) for at in (9.0, 18.0, 27.0)
    ]
    assert told == [(False, True), (True, False), (True, False)]


@pytest.mark.parametrize("missed", [0.1, 0.2, 0.3])
def test_a_router_that_forgets_what_comes_in_fragments_is_told_where_the_receiver_misses_some(
    missed: float,
) -> None:
    """What goes on has a number of the router, heard or not; as much is missed of the network without the fault."""
    for kind, told in ((faults.LongForgotten, True), (Network, False)):
        capture, draw = kind(reports=30, long_every=2).capture(), Random(5)
        heard = [one for one in capture.timed() if draw.random() > missed]
        found = replace(capture, air=[*heard]).followed()
        subjects = [one.subject for one in found if one.name == "datagrams-not-sent-on"]
        assert subjects == ["0x0002"] * told


class Renewing(Network):
    """A network whose nodes register and advertise their paths again every 80 s, for 120 s."""

    def more(self) -> None:
        for at in range(0, 60 + int(self.reports * self.every_s), 80):
            for place, node in enumerate(PARENTS):
                self.registers(at + 30.0 + 2 * place, node, self.eui(node))
                self.dao(at + 31.0 + 2 * place, node, 128 + at // 80)


TOO_LATE = {"registration-used-too-late", "path-used-too-late"}


@pytest.mark.parametrize("stored", [True, False])
def test_renewals_that_a_receiver_misses_are_not_told_as_late(stored: bool) -> None:
    """Every node renews what it has in time; of its frames a receiver may miss the half, renewals among them."""
    capture = Renewing(stored=stored, reports=6, minutes=(2, 2)).capture()
    assert not TOO_LATE & set(names(capture.followed()))
    for missed, seed in ((0.3, 2), (0.5, 3)):
        draw = Random(seed)
        heard = replace(capture, air=[one for one in capture.air if draw.random() > missed])
        assert not TOO_LATE & set(heavy(heard.followed()))
