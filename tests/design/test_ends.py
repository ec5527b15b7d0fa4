"""What protects messages from end to end, as a design plans it where it does not say all."""

import pytest
from findings.cases_planning import COAP, DTLS, OSCORE, store

from lowpanbudget import budget, fit
from lowpanbudget.design.application import LASTING_SEQUENCE
from lowpanbudget.design.application_knobs import application_knobs, application_positions
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.skeleton import Skeleton, text_of


@pytest.mark.parametrize(
    ("coap", "stated", "number"),
    [
        # RFC 8613 section 4.1.3.5.2: "a Partial IV MUST be included in all notifications ... except for the first one
        # where the Partial IV MAY be omitted"; section 8.3: other responses have none of their own as a rule
        ('code = "2.05"\nobserve = 5', "", True),
        ('code = "2.05"\noption = [{ name = "Observe", number = 5 }]', "", True),
        ('code = "2.05"\nobserve = 5', "response_sequence = false", False),
        ('code = "2.05"', "", False),
        ('code = "2.05"', "response_sequence = true", True),
    ],
)
def test_notifications_carry_a_number_of_their_own(coap: str, stated: str, number: bool) -> None:
    design = parse_design(store(flow=f"[flow.coap]\n{coap}\n{OSCORE}{stated}"))
    for one in budget(design):
        names = [span.name for span in one.ledger]
        assert ("Partial IV" in names) == number


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        # RFC 8613 section 6.1: n octets of Partial IV; section 5: a request always has one
        (COAP.format(code="POST") + OSCORE, "planned as 0 and grows"),
        (COAP.format(code="POST") + OSCORE + "sequence = 255", "planned as 255 and grows"),
        (COAP.format(code="POST") + OSCORE + "sequence = 256", ""),
        (COAP.format(code="2.05") + "observe = 5\n" + OSCORE, "planned as 0 and grows"),
        (COAP.format(code="2.05") + OSCORE, ""),
        (COAP.format(code="POST"), ""),
    ],
)
def test_a_budget_tells_of_numbers_that_nobody_planned(tables: str, said: str) -> None:
    """From 256 on 2 octets, from 65536 on 3: the rooms are as the caution says."""
    text = store(flow=tables)
    for one in budget(parse_design(text)):
        told = [caution for caution in one.cautions if "OSCORE" in caution]
        assert bool(told) == bool(said)
        assert all(said in caution for caution in told)
    if "as 0" in said:
        rooms = [
            min(
                one.room for one in budget(parse_design(store(flow=f"{tables}sequence = {number}")))
            )
            for number in (0, 255, 256, 65535, 65536)
        ]
        assert [rooms[0] - room for room in rooms] == [0, 0, 1, 1, 2]


@pytest.mark.parametrize(
    ("suite", "stated", "octets"),
    [
        # RFC 9147 section 4: 001CSLEE, E the low bits of the epoch, which section 6.1 begins at 3 for application data
        ("TLS_AES_128_CCM_SHA256", "", "23"),
        ("TLS_AES_128_CCM_SHA256", "epoch = 4", "20"),
        # RFC 6347 section 4.1: type 23, version fe fd, epoch: "initially zero and ... incremented each time a
        # ChangeCipherSpec message is sent"
        ("TLS_PSK_WITH_AES_128_CCM_8", "", "17fefd0001"),
        ("TLS_PSK_WITH_AES_128_CCM_8", "epoch = 3", "17fefd0003"),
    ],
)
def test_application_data_begin_in_the_epoch_of_their_version(
    suite: str, stated: str, octets: str
) -> None:
    flow = parse_design(store(flow=f"{DTLS.format(suite)}\n{stated}")).flows[0]
    assert bytes(flow.application.write(b"a").data).hex().startswith(octets)


@pytest.mark.parametrize("transport", ["dtls", "oscore"])
def test_a_design_to_begin_with_is_none_that_an_rfc_warns_of(transport: str) -> None:
    """RFC 9147 section 4.5.3 about TLS_AES_128_CCM_8_SHA256; RFC 8613 section 6.1: numbers below 2^24 take 3."""
    text = text_of(Skeleton(transport=transport))  # type: ignore[arg-type]
    assert "TLS_AES_128_CCM_8_SHA256" not in text
    for flow in parse_design(text).flows:
        if transport == "oscore":
            assert flow.application.oscore is not None
            assert flow.application.oscore.sequence == LASTING_SEQUENCE == (1 << 24) - 1
    assert LASTING_SEQUENCE * 19 > 10 * 365 * 86400
    assert all(len(line) <= 120 for line in text.splitlines())


def test_a_suite_that_is_easy_to_forge_is_offered_last_and_with_its_clause() -> None:
    """RFC 9147 section 4.5.3: "MUST NOT be used in DTLS without additional safeguards against forgery"."""
    forged = "TLS_AES_128_CCM_8_SHA256"
    for tables in ("", COAP.format(code="POST"), DTLS.format("TLS_PSK_WITH_AES_128_CCM_8")):
        application = parse_design(store(flow=tables)).flows[0].application
        offered = [
            knob
            for knob in (*application_knobs(application), *application_positions(application))
            if knob.value.startswith("TLS_AES_128_CCM")
        ]
        assert [knob.value for knob in offered] == ["TLS_AES_128_CCM_SHA256", forged]
        for knob in offered:
            assert ("safeguards against forgery" in knob.condition) == (knob.value == forged)
            assert ("RFC 9147 §4.5.3" in knob.condition) == (knob.value == forged)
    application = (
        parse_design(store(flow=DTLS.format("TLS_AES_128_CCM_SHA256"))).flows[0].application
    )
    (shorter,) = (knob for knob in application_knobs(application) if knob.value == forged)
    assert "RFC 9147 §4.5.3" in shorter.caution


@pytest.mark.parametrize(
    ("octets", "suite"),
    [
        # 105 less the 29 of DTLS 1.2 (13, a nonce of 8, a tag of 8) are 76; of 1.3 the least header has 2 octets, and a
        # content type 1: with a tag of 16 octets 86 are left, with one of 8 octets 94
        (76, None),
        (86, "TLS_AES_128_CCM_SHA256"),
        (94, "TLS_AES_128_CCM_8_SHA256"),
    ],
)
def test_a_suite_that_is_easy_to_forge_is_advised_where_no_other_is_enough(
    octets: int, suite: str | None
) -> None:
    tables = DTLS.format("TLS_PSK_WITH_AES_128_CCM_8")
    found = fit(parse_design(store(octets=octets, flow=tables)))
    advice = {saving.id for one in found for saving in one.advice}
    assert advice == ({f"flow[up].dtls.suite={suite}"} if suite else set())
