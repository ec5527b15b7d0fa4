"""Every finding: a capture that fires it and what it says, a near miss that does not, and the same from a trace."""

from functools import cache

import pytest
from findings.air import Capture, names
from findings.cases_answers import ANSWERS_CASES, ANSWERS_NEAR
from findings.cases_application import APPLICATION_CASES, APPLICATION_NEAR
from findings.cases_compression import COMPRESSION_CASES, COMPRESSION_NEAR
from findings.cases_culprits import CULPRITS_FURTHER, CULPRITS_NEAR
from findings.cases_delivery import DELIVERY_CASES, DELIVERY_NEAR
from findings.cases_deployment import DEPLOYMENT_CASES
from findings.cases_editions import EDITIONS_CASES, EDITIONS_FURTHER, EDITIONS_NEAR
from findings.cases_exchanges import EXCHANGES_CASES, EXCHANGES_FURTHER, EXCHANGES_NEAR
from findings.cases_floods import FLOODS_CASES, FLOODS_NEAR
from findings.cases_formulas import FORMULAS_CASES, FORMULAS_FURTHER
from findings.cases_fragments import FRAGMENT_CASES, FRAGMENT_NEAR
from findings.cases_further import FURTHER, Further
from findings.cases_instances import INSTANCES_CASES, INSTANCES_FURTHER, INSTANCES_NEAR
from findings.cases_joining import JOINING_CASES, JOINING_NEAR
from findings.cases_lifetimes import LIFETIME_CASES, LIFETIME_FURTHER, LIFETIME_NEAR
from findings.cases_link import LINK_CASES, LINK_NEAR
from findings.cases_loads import LOADS_CASES
from findings.cases_lorh import LORH_CASES, LORH_FURTHER, LORH_NEAR
from findings.cases_mesh import MESH_CASES, MESH_FURTHER, MESH_NEAR
from findings.cases_misplaced import MISPLACED_CASES, MISPLACED_FURTHER, MISPLACED_NEAR
from findings.cases_neighbours import NEIGHBOUR_CASES, NEIGHBOUR_FURTHER, NEIGHBOUR_NEAR
from findings.cases_nodes import NODES_CASES, NODES_NEAR
from findings.cases_notified import NOTIFIED_FURTHER, NOTIFIED_NEAR
from findings.cases_offsets import OFFSETS_FURTHER, OFFSETS_NEAR
from findings.cases_planning import CASES as FRAME_CASES
from findings.cases_protection import (
    BEYOND_FURTHER,
    PROTECTION_CASES,
    PROTECTION_FURTHER,
    PROTECTION_NEAR,
)
from findings.cases_reading import READING_CASES, READING_FURTHER, READING_NEAR, READING_TOLD
from findings.cases_records import RECORDS_CASES, RECORDS_FURTHER, RECORDS_NEAR
from findings.cases_recovery import RECOVERY_FURTHER, RECOVERY_NEAR
from findings.cases_replays import REPLAYS_CASES, REPLAYS_FURTHER, REPLAYS_NEAR
from findings.cases_routing import ROUTING_CASES, ROUTING_NEAR
from findings.cases_rpl import RPL_CASES, RPL_FURTHER, RPL_NEAR
from findings.cases_sealing import SEALING_CASES, SEALING_FURTHER, SEALING_NEAR
from findings.cases_source_routes import SOURCE_ROUTE_CASES, SOURCE_ROUTE_FURTHER, SOURCE_ROUTE_NEAR
from findings.cases_stopped import STOPPED_FURTHER
from findings.cases_unsealing import UNSEALING_FURTHER
from findings.judge import (
    CAPTURE_NAMES,
    DESIGN_NAMES,
    MANUAL_SECTIONS,
    Case,
    Told,
    about,
    manual_of,
    told,
)

from lowpanbudget.findings.finding import Certainty, Finding

CASES: dict[str, Case] = (
    LINK_CASES
    | EDITIONS_CASES
    | NODES_CASES
    | JOINING_CASES
    | LIFETIME_CASES
    | MESH_CASES
    | COMPRESSION_CASES
    | FORMULAS_CASES
    | FRAGMENT_CASES
    | ROUTING_CASES
    | APPLICATION_CASES
    | ANSWERS_CASES
    | RECORDS_CASES
    | EXCHANGES_CASES
    | SEALING_CASES
    | REPLAYS_CASES
    | PROTECTION_CASES
    | DELIVERY_CASES
    | FLOODS_CASES
    | SOURCE_ROUTE_CASES
    | MISPLACED_CASES
    | READING_CASES
    | LORH_CASES
    | NEIGHBOUR_CASES
    | RPL_CASES
    | INSTANCES_CASES
)
NEAR = (
    LINK_NEAR
    | EDITIONS_NEAR
    | NODES_NEAR
    | ANSWERS_NEAR
    | NOTIFIED_NEAR
    | RECORDS_NEAR
    | EXCHANGES_NEAR
    | SEALING_NEAR
    | REPLAYS_NEAR
    | PROTECTION_NEAR
    | JOINING_NEAR
    | LIFETIME_NEAR
    | MESH_NEAR
    | COMPRESSION_NEAR
    | FRAGMENT_NEAR
    | ROUTING_NEAR
    | RPL_NEAR
    | APPLICATION_NEAR
    | FLOODS_NEAR
    | DELIVERY_NEAR
    | SOURCE_ROUTE_NEAR
    | MISPLACED_NEAR
    | LORH_NEAR
    | NEIGHBOUR_NEAR
    | OFFSETS_NEAR
    | RECOVERY_NEAR
    | READING_NEAR
    | INSTANCES_NEAR
    | CULPRITS_NEAR
)
DESIGN_CASES = FRAME_CASES | DEPLOYMENT_CASES | LOADS_CASES


@cache
def firing(name: str) -> Capture:
    return CASES[name].fires()


@cache
def staying(name: str) -> Capture:
    return CASES[name].stays()


@cache
def fired(name: str) -> list[Finding]:
    return firing(name).fed()


@cache
def stayed(name: str) -> list[Finding]:
    return staying(name).fed()


def test_every_finding_has_a_case() -> None:
    assert set(CAPTURE_NAMES) == set(CASES) | set(READING_TOLD)


# of one case all tests come in a row (scope): what one worked out the next one has
@pytest.mark.parametrize("name", CASES, scope="module")
def test_fires(name: str) -> None:
    case = CASES[name]
    assert about(name, fired(name)) == [case.told, *case.more]
    assert set(names(fired(name))) == {name} | case.also


@pytest.mark.parametrize(
    "further",
    [
        *FURTHER,
        *EDITIONS_FURTHER,
        *SOURCE_ROUTE_FURTHER,
        *MISPLACED_FURTHER,
        *UNSEALING_FURTHER,
        *STOPPED_FURTHER,
        *READING_FURTHER,
        *FORMULAS_FURTHER,
        *RECORDS_FURTHER,
        *LORH_FURTHER,
        *NEIGHBOUR_FURTHER,
        *OFFSETS_FURTHER,
        *RECOVERY_FURTHER,
        *EXCHANGES_FURTHER,
        *LIFETIME_FURTHER,
        *MESH_FURTHER,
        *SEALING_FURTHER,
        *REPLAYS_FURTHER,
        *RPL_FURTHER,
        *NOTIFIED_FURTHER,
        *PROTECTION_FURTHER,
        *BEYOND_FURTHER,
        *CULPRITS_FURTHER,
        *INSTANCES_FURTHER,
    ],
    ids=lambda further: further.name,
)
def test_says_otherwise_in_other_branches(further: Further) -> None:
    capture = further.fires()
    for findings in (capture.fed(), capture.followed()):
        assert about(further.name, findings) == [further.told]


@pytest.mark.parametrize("name", ["checksum-without-length", "prefix-of-context-differs"])
def test_what_several_readings_fit_is_not_called_proved(name: str) -> None:
    assert Certainty.OPEN not in {one.certainty for one in fired(name)}
    for further in [one for one in FURTHER if one.name == name]:
        found = [one for one in further.fires().fed() if one.name == name]
        assert {one.certainty for one in found} == {Certainty.OPEN}


@pytest.mark.parametrize("name", CASES, scope="module")
def test_stays_silent(name: str) -> None:
    assert name not in names(stayed(name))


@pytest.mark.parametrize("what", NEAR)
def test_stays_silent_about(what: str) -> None:
    name, capture = NEAR[what]
    assert name not in names(capture().followed())


@pytest.mark.parametrize("name", CASES, scope="module")
def test_a_trace_tells_the_same(name: str) -> None:
    """Frames that are alike are decoded once there; nothing may be lost by that."""
    for capture, fed in ((firing(name), fired(name)), (staying(name), stayed(name))):
        followed = capture.followed()
        assert {(one.name, told(one)) for one in followed} == {(one.name, told(one)) for one in fed}


@pytest.mark.parametrize("name", [*CAPTURE_NAMES, *DESIGN_NAMES])
def test_has_a_manual(name: str) -> None:
    pages = manual_of(name)
    assert pages["title"].endswith(".")
    assert set(pages) == set(MANUAL_SECTIONS)
    assert all(len(text) > 5 for text in pages.values())


TOLD: dict[str, tuple[Told, ...]] = {
    **{name: (case.told, *case.more) for name, case in (CASES | DESIGN_CASES).items()},
    **{name: (said,) for name, said in READING_TOLD.items()},
}


@pytest.mark.parametrize("name", [*CAPTURE_NAMES, *DESIGN_NAMES])
def test_the_example_of_a_manual_is_what_a_case_says(name: str) -> None:
    """It holds a sentence of the case word for word, and no number beside such sentences."""
    example = rest = manual_of(name)["Example"]
    sentences = [text for said in TOLD[name] for text in said.sentences()]
    assert any(text in example for text in sentences)
    for text in sorted(sentences, key=len, reverse=True):
        rest = rest.replace(text, "")
    assert not any(letter.isdigit() for letter in rest), rest


def test_names_are_told_apart() -> None:
    found = [*CAPTURE_NAMES, *DESIGN_NAMES]
    assert len(set(found)) == len(found)
    assert all(name == name.lower() and name.replace("-", "").isalpha() for name in found)
