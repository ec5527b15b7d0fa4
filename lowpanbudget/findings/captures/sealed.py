"""What ends seal for each other: contents that do not open, and nonces used twice."""

from ipaddress import IPv6Address

from lowpanbudget.capture.follow.opened import OpenedContent
from lowpanbudget.capture.recent import Recent
from lowpanbudget.cites import rfc
from lowpanbudget.errors import plural
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet.dtls.record import SHORTEST_CITE, SHORTEST_UNIFIED
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.values import dataclass, field

SEALED = Subject("sealed", across=True)
_MOST_NONCES = 4096


@SEALED.rule(
    "nonce-used-twice", HeardDatagram, memory=lambda: Recent(_MOST_NONCES), concerns=concerns.coap
)
def nonce_used_twice(
    memory: Recent[bytes, tuple[bytes, int]], scene: Scene, datagram: HeardDatagram
) -> Hits | None:
    """Compare what was opened with what was sealed under its nonce before: the same sent again is no second use."""
    if scene.opened is None or datagram.is_dropped:
        return None
    number, hits = datagram.numbers[0], []
    for use in scene.opened.nonces:
        sealed, before = memory.setdefault(use.nonce, (use.sealed, number))
        if sealed != use.sealed:
            cause = "two different contents are sealed with one nonce under one key"
            evidence = (f"{use.told} in frames {before} and {number}",)
            source, frames = str(datagram.header.source), (before, number)
            hits.append(Hit(cause, evidence, source, frames, cite=use.cite))
    return hits


_MOST_TEXTS = 3


@dataclass(slots=True)
class _SealedContents:
    """What a node sent sealed to another end: how much opened, did not though keys fit, and did not for want of keys.

    ``short`` are records that may not be as short as they are, ``cut`` the first frames of those and ``short_text`` how
    that was told.
    ``answers`` are those to its requests that stay shut with them, ``unasked`` its answers to requests that were not
    heard here, ``missed`` the first frames of those. ``why`` are the words of what did not open,
    ``frames`` the first of those, ``first`` is the notice of the first, and
    ``records`` tells whether some, or the others, are DTLS records.
    """

    opened: int = 0
    refused: int = 0
    keyless: int = 0
    short: int = 0
    short_text: str = ""
    cut: Frames = field(default_factory=Frames)
    answers: int = 0
    unasked: int = 0
    missed: Frames = field(default_factory=Frames)
    why: list[str] = field(default_factory=list)
    frames: Frames = field(default_factory=Frames)
    first: Notice | None = None
    records: set[bool] = field(default_factory=set)

    @property
    def advice(self) -> str:
        """Return what to compare, where all are of one kind; nothing of both."""
        compared = [_COMPARED[kind] for kind in self.records]
        return (
            f"Compare {compared[0]} with those of the node; {_GIVE}." if len(compared) == 1 else ""
        )


# of OSCORE (RFC 8613 section 3.2), and of DTLS records
_COMPARED = {False: "master secret, salt and both IDs", True: "the record keys and the epoch"}
_ANSWER = rfc(8613, "8.4")
_GIVE = "give the keys that are missing in the key file (--keys)"

SealedContents = FirstNamed[IPv6Address, _SealedContents]


@SEALED.rule("sealed-content-not-opened", HeardDatagram, memory=FirstNamed, concerns=concerns.coap)
def content_sealed(memory: SealedContents, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Note what became of sealed contents, once on their way; without a key file none are looked into."""
    opened = scene.opened
    if opened is None or datagram.is_dropped:
        return None
    who = datagram.destination if opened.shut_with_request else datagram.header.source
    contents = memory.entry(who, _SealedContents)
    if contents is None:
        return None
    mark = None
    if not opened.is_open:
        mark = (Hit("", (), _subject(who, opened), datagram.numbers),)
    if scene.passage is None:
        _note(contents, datagram, opened)
    return mark


_ANSWERS, _SHORT = "answers", "short records"


def _subject(who: IPv6Address, opened: OpenedContent) -> str:
    if opened.unasked:
        return f"{who}: {_ANSWERS}"
    return str(who) if _too_short_in(opened) is None else f"{who}: {_SHORT}"


def _too_short_in(opened: OpenedContent) -> Notice | None:
    """Return the notice of a record of which no receiver can tell the number; None without one."""
    return next((one for one in opened.notices if one.cite == SHORTEST_CITE), None)


def _note(contents: _SealedContents, datagram: HeardDatagram, opened: OpenedContent) -> None:
    if opened.is_open:
        contents.opened += 1
        return
    if opened.unasked:
        contents.unasked += 1
        contents.missed.note(*datagram.numbers[:1])
        return
    short = _too_short_in(opened)
    if short is not None:
        contents.short += 1
        contents.cut.note(*datagram.numbers[:1])
        contents.short_text = contents.short_text or short.text
        return
    contents.frames.note(*datagram.numbers[:1])
    if opened.shut_with_request:
        contents.answers += 1
        return
    contents.refused += opened.refused
    contents.keyless += not opened.refused
    contents.records.add(datagram.udp is None or not datagram.udp.is_coap)
    for notice in opened.notices:
        contents.first = contents.first or notice
        if len(contents.why) < _MOST_TEXTS and notice.text not in contents.why:
            contents.why.append(notice.text)


_NOT_ASKED = "The keys may be right. An earlier capture, or one of another receiver beside it, may have the requests."


def _not_asked(source: IPv6Address, contents: _SealedContents) -> Hit:
    """Return the hit of answers that stay shut since what they answer was not heard."""
    cause = f"{plural(contents.unasked, 'answer')} sealed with the numbers of requests that were not heard here"
    frames, cite = tuple(contents.missed), _ANSWER
    return Hit(
        cause, (), f"{source}: {_ANSWERS}", frames, Severity.REMARK, _NOT_ASKED, contents.unasked, cite=cite
    )  # fmt: skip


_PAD = (
    "Let the node pad what is short with zeros before it seals it, until ciphertext and tag have 16 octets: of these "
    "no receiver can tell the number, whatever the keys."
)


def _too_short(source: IPv6Address, contents: _SealedContents) -> Hit:
    """Return the hit of records that any receiver rejects."""
    cause = f"{plural(contents.short, 'record')} of DTLS 1.3 with fewer than {SHORTEST_UNIFIED} octets of ciphertext"
    return Hit(
        cause, (contents.short_text,), f"{source}: {_SHORT}", tuple(contents.cut), Severity.FAILURE, _PAD,
        contents.short, cite=SHORTEST_CITE,
    )  # fmt: skip


@SEALED.at_end("sealed-content-not-opened")
def sealed_content_not_opened(memory: SealedContents, _known: Surroundings) -> Hits:
    """Judge each node: keys that fit and open nothing are others than the node's."""
    for source, contents in memory.items():
        shut = contents.refused + contents.keyless
        if contents.unasked:
            yield _not_asked(source, contents)
        if contents.short:
            yield _too_short(source, contents)
        severity = Severity.REMARK if contents.opened or not contents.refused else None
        if not shut:
            continue
        if not contents.refused:
            cause = "the key file does not have what opens it"
        elif contents.opened:
            total = contents.opened + shut
            cause = f"{shut} of {total} messages do not open with keys that open the others"
        else:
            cause = "nothing opens with the keys that fit by their names"
        answers = contents.answers
        with_them = (f"answers that stay shut with their requests: {answers}",) if answers else ()
        evidence, frames = (*contents.why, *with_them), tuple(contents.frames)
        cite = None if contents.first is None else contents.first.cite
        yield Hit(
            cause, evidence, str(source), frames, severity, contents.advice, shut, cite=cite,
        )  # fmt: skip
