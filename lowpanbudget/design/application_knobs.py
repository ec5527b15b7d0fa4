"""Knobs of what stands between a message and UDP: every key of CoAP, OSCORE and DTLS that may be turned."""

from collections.abc import Iterator
from functools import partial

from lowpanbudget.cites import rfc
from lowpanbudget.design.application import (
    ADDED_DTLS,
    ADDED_OSCORE,
    Application,
    Coap,
    Dtls,
    Oscore,
)
from lowpanbudget.design.knob import Knob, replacing
from lowpanbudget.layers.internet.coap.options import CoapOption
from lowpanbudget.layers.internet.coap.registry import OBSERVE
from lowpanbudget.layers.internet.dtls.suites import FORGEABLE, SUITES, WARNED, DtlsSuite
from lowpanbudget.values import replace

_SUITE, _IDS = "dtls.suite", "oscore.sender_id"  # the dimensions
_SAFEGUARDS = f"other safeguards against forgery stand beside its short tag ({WARNED})"


def application_knobs(application: Application) -> Iterator[Knob[Application]]:
    """Yield every change of CoAP, OSCORE or DTLS keys that may free octets."""
    if application.dtls is not None:
        for dtls_knob in _dtls_knobs(application.dtls):
            yield dtls_knob.within(_dtls_of, lambda outer, dtls: replace(outer, dtls=dtls), "dtls.")
    if application.coap is None:
        return
    for coap_knob in _coap_knobs(application.coap):
        yield coap_knob.within(_coap_of, lambda outer, coap: replace(outer, coap=coap), "coap.")
    ids = application.oscore
    if ids is not None and len(ids.sender_id) > 1 and ids.recipient_id != b"\x01":
        knob = Knob[Oscore](
            "sender_id",
            "01",
            "flow.oscore.sender_id",
            "a sender identifier of 1 octet",
            rfc(8613, "3.3"),
            replacing(sender_id=b"\x01"),
            "identifiers stay unique under one master secret: 256 senders at most",
            now=ids.sender_id.hex(),
        )
        yield knob.within(_oscore_of, lambda outer, ids: replace(outer, oscore=ids), "oscore.")


def _coap_of(application: Application) -> Coap:
    assert application.coap is not None
    return application.coap


def _oscore_of(application: Application) -> Oscore:
    assert application.oscore is not None
    return application.oscore


def _dtls_of(application: Application) -> Dtls:
    assert application.dtls is not None
    return application.dtls


def _coap_knobs(message: Coap) -> Iterator[Knob[Coap]]:
    if len(message.token) > 1:
        yield Knob(
            "token_octets",
            "1",
            "flow.coap.token_octets",
            f"a token of 1 octet instead of {len(message.token)}",
            rfc(7252, "5.3.1"),
            lambda coap: replace(coap, token=coap.token[:1]),
            "few requests are open at a time; without OSCORE or DTLS a short token is easier to guess",
            now=str(len(message.token)),
        )
    elective = {
        option.name: option
        for option in message.options
        if option.number != OBSERVE and option.octets and not option.definition.critical
    }
    for name, option in elective.items():
        yield Knob(
            name,
            "none",
            "flow.coap",
            f"no {name} option",
            option.definition.cite,
            partial(_without_option, name=name),
            "both sides know it without being told",
        )
    paths = [option for option in message.options if option.name == "Uri-Path"]
    if len(paths) > 1 or (paths and len(paths[0].octets) > 1):
        yield Knob(
            "path",
            "a",
            "flow.coap.path",
            "a path of one letter",
            rfc(7252, "5.10.1"),
            _short_path,
            "the server offers it",
        )


def _without_option(coap: Coap, name: str) -> Coap:
    return replace(coap, options=tuple(option for option in coap.options if option.name != name))


def _short_path(coap: Coap) -> Coap:
    rest = _without_option(coap, "Uri-Path")
    return replace(rest, options=(*rest.options, CoapOption.of("Uri-Path", "a")))


def _dtls_knobs(dtls: Dtls) -> Iterator[Knob[Dtls]]:
    aead = dtls.suite.aead
    for newer in _of_1_3(dtls.suite) if dtls.suite.version == "1.2" else ():
        yield Knob(
            "suite",
            newer.name,
            "flow.dtls.suite",
            f"DTLS 1.3 ({newer.name}) instead of 1.2",
            rfc(9147, "4"),
            replacing(suite=newer),
            _with_safeguards(
                newer,
                "both ends speak DTLS 1.3; one record a datagram, whose length is then left out",
            ),
            now=dtls.suite.name,  # never marked as stronger: also with a longer tag it frees octets
            protects=(newer.aead.tag - aead.tag,),
        )
    if dtls.suite.version == "1.3" and dtls.number_octets > 1:
        yield Knob(
            "number_octets",
            "1",
            "flow.dtls.number_octets",
            "1 octet of the record number instead of 2",
            rfc(9147, "4"),
            replacing(number_octets=1),
            "never are more than 127 records in a row lost (RFC 9147 section 4.2.2)",
            now="2",
        )
    if dtls.suite.version == "1.3" and dtls.length_present:
        yield Knob(
            "length_present",
            "false",
            "flow.dtls.length_present",
            "no length in the record",
            rfc(9147, "4"),
            replacing(length_present=False),
            "the record is the last of its datagram",
            now="true",
        )
    if len(dtls.cid) > 1:
        yield Knob(
            "cid",
            dtls.cid[:1].hex(),
            "flow.dtls.cid",
            f"a connection ID of 1 octet instead of {len(dtls.cid)}",
            rfc(9146, "3"),
            lambda record: replace(record, cid=record.cid[:1]),
            "the receiver has at most 256 connections",
            now=dtls.cid.hex(),
        )
    for suite in SUITES.values():
        other = suite.aead
        same = suite.version == dtls.suite.version and other.family == aead.family
        if not same or other.key != aead.key or other.tag == aead.tag:
            continue
        # one of several suites that differ in their handshake only
        if any(s.aead == other and s.version == suite.version for s in _before(suite)):
            continue
        yield Knob(
            "suite",
            suite.name,
            "flow.dtls.suite",
            f"{suite.name}, a tag of {other.tag} octets instead of {aead.tag}",
            suite.cite,
            replacing(suite=suite),
            caution="" if other.tag > aead.tag else _shorter(suite),
            stronger=other.tag > aead.tag,
            now=dtls.suite.name,
            protects=(other.tag - aead.tag,),
        )


def _of_1_3(old: DtlsSuite) -> list[DtlsSuite]:
    """Return the suite of DTLS 1.3 with the same cipher, else the one nearest to it that protects no less.

    Where RFC 9147 warns of it, the nearest of the others goes before it.
    """
    enough = [
        suite
        for suite in SUITES.values()
        if suite.version == "1.3"
        and suite.aead.key >= old.aead.key
        and suite.aead.tag >= old.aead.tag
    ]
    mine = old.aead
    enough.sort(
        key=lambda one: (
            one.aead != mine,
            one.aead.family != mine.family,
            one.aead.tag,
            one.aead.key,
        )
    )
    return enough[1::-1] if enough[0] is FORGEABLE else enough[:1]


def _with_safeguards(suite: DtlsSuite, condition: str) -> str:
    return f"{condition}; {_SAFEGUARDS}" if suite is FORGEABLE else condition


def _shorter(suite: DtlsSuite) -> str:
    wanted = f", and wants that {_SAFEGUARDS}" if suite is FORGEABLE else ""
    return f"a shorter tag is easier to forge{wanted}; this weakens protection and is no advice"


def _before(suite: DtlsSuite) -> list[DtlsSuite]:
    suites = list(SUITES.values())
    return suites[: suites.index(suite)]


def _dtls_added(suite: DtlsSuite) -> Knob[Application]:
    return Knob(
        _SUITE,
        suite.name,
        "flow.dtls.suite",
        f"DTLS records of {suite.name} around the payload",
        rfc(9147, "4"),
        replacing(dtls=replace(ADDED_DTLS, suite=suite)),
        _with_safeguards(suite, "both ends keep a session and its keys"),
        stronger=True,
        now="none",
        protects=(suite.aead.tag,),
    )


def _oscore_added(coap: Coap) -> Knob[Application]:
    ids, number = len(ADDED_OSCORE.sender_id), ADDED_OSCORE.sequence
    return Knob(
        _IDS,
        ADDED_OSCORE.sender_id.hex(),
        "flow.oscore",
        f"OSCORE around the CoAP message, with identifiers of {ids} octet and sequence numbers up to {number}",
        rfc(8613, "6.1"),
        replacing(oscore=replace(ADDED_OSCORE, response_sequence=coap.notifies)),
        "both ends keep a security context and its sequence numbers",
        stronger=True,
        now="none",
    )


def application_protections(application: Application) -> Iterator[Knob[Application]]:
    """Yield what protects a message from end to end where nothing does: DTLS, and OSCORE where it is one of CoAP."""
    if application.is_sealed:
        return
    yield _dtls_added(ADDED_DTLS.suite)
    if application.coap is not None:
        yield _oscore_added(application.coap)


def application_positions(application: Application) -> Iterator[Knob[Application]]:
    """Yield the other positions: DTLS or OSCORE added where nothing protects the message, or left out."""
    dtls, oscore = application.dtls, application.oscore
    if not application.is_sealed:
        yield _dtls_added(ADDED_DTLS.suite)
        yield _dtls_added(FORGEABLE)
        if application.coap is not None:
            yield _oscore_added(application.coap)
    if dtls is not None:
        yield Knob(
            _SUITE,
            "none",
            "flow.dtls",
            "no DTLS around the payload",
            rfc(9147, "4"),
            replacing(dtls=None),
            caution=_unprotected(oscore is not None),
            now=dtls.suite.name,
            protects=(-dtls.suite.aead.tag,),
        )
    if oscore is not None:
        yield Knob(
            _IDS,
            "none",
            "flow.oscore",
            "no OSCORE around the CoAP message",
            rfc(8613, "6.1"),
            replacing(oscore=None),
            caution=_unprotected(dtls is not None),
            now=oscore.sender_id.hex() or "empty",
        )


def _unprotected(otherwise: bool) -> str:
    whose = (
        "one of two layers of protection goes"
        if otherwise
        else "nothing protects the message from end to end"
    )
    return f"{whose}; this weakens protection and is no advice"
