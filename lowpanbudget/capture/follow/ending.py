"""Where a frame of a capture ends: what is FCS, what is radio status, and what is neither.

Of several receivers each may do another thing with the FCS, whatever the link type says of all.
"""

from collections import Counter
from collections.abc import Callable, Iterable
from typing import NamedTuple

from lowpanbudget.capture.files.link_types import FRAME, LINK_TYPES, RecordBody, unwrap
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.fcs_check import PRESENT, WINDOW, FcsVerdict, judge
from lowpanbudget.errors import RequestError, repeated

LEAST_OWN = (
    8  # frames of one receiver that prove that they end otherwise than those of others; our choice
)
_MOST_TESTED = 4 * WINDOW  # frames, with those of receivers that begin to hear later
_MOST_LINK_TYPES = 64  # a mangled file may name any number of them
_new = tuple.__new__
_Claims = dict[int | None, list[bytes]]  # frames, by the octets of FCS that they claim


class Ending(NamedTuple):
    """A frame's octets with its FCS, the length of that, and the radio status that stood in its place.

    ``left_out`` octets before those were not captured: the frame is cut.
    """

    octets: bytes
    fcs: int
    status: bytes = b""
    left_out: int = 0


class Endings:
    """Knows, for each link type of a capture, how its frames end; ``verdicts`` are what the test found.

    They stand under the link type and a receiver that differs, or None for all others.
    ``fcs``: the octets of FCS that somebody told, or None to test. Raises ``RequestError`` for another number.
    """

    def __init__(self, fcs: int | None) -> None:
        if fcs not in (None, 0, 2, 4):
            raise RequestError(
                f"fcs {repeated(fcs)} is not 0, 2 or 4", hint="Leave it out to have it tested"
            )
        self._told = fcs
        self.of_text = False
        self.verdicts: dict[tuple[int, str | None], FcsVerdict] = {}
        self._rules: dict[tuple[int, int | None, str | None], tuple[int, int]] = {}
        self._bare: dict[int, int | None] = {}
        self._tested: list[Record] = []
        self._heard: Counter[str | None] = Counter()

    @property
    def found(self) -> dict[tuple[int, str | None], FcsVerdict]:
        """Return the verdicts for people: a text names no link type, and what it is taken for claims nothing."""
        if not self.of_text:
            return self.verdicts
        return {of: one._replace(claimed=None) for of, one in self.verdicts.items()}

    def test(self, records: Iterable[Record], fits: Callable[[bytes], bool | None]) -> None:
        """Judge by some records; ``fits`` tells whether a frame without FCS proves that it ends where it should."""
        if self._told is not None:
            return
        self._rules.clear()
        self._bare.clear()
        self._tested = [*records]
        self._heard = Counter(record.receiver for record in self._tested)
        frames: dict[int, dict[str | None, _Claims]] = {}
        for record in self._tested:
            body = unwrap(record)
            if body.kind == FRAME and len(record.octets) >= record.original_length:
                claims = frames.setdefault(record.link_type, {}).setdefault(record.receiver, {})
                claims.setdefault(body.fcs, []).append(body.octets)
        self.verdicts.clear()
        for link_type, heard in list(frames.items())[:_MOST_LINK_TYPES]:
            for receiver, verdict in _by_receiver(heard, fits).items():
                self.verdicts[link_type, receiver] = verdict

    def hear(self, record: Record, fits: Callable[[bytes], bool | None]) -> None:
        """Take a later record: once a receiver that began to hear later has enough of them, test again."""
        heard = self._heard[record.receiver]
        if heard >= LEAST_OWN or len(self._tested) >= _MOST_TESTED:
            return
        self._tested.append(record)
        self._heard[record.receiver] += 1
        if heard + 1 == LEAST_OWN:
            self.test(self._tested, fits)

    def of(self, record: Record, body: RecordBody) -> Ending:
        """Return how the frame of a record ends."""
        octets = body.octets
        missing = record.original_length - len(record.octets)
        claim = record.link_type, body.fcs, record.receiver
        fcs, status = self._rules.get(claim) or self._ruled(claim)
        if missing > 0:
            return _front(octets, missing, fcs or status)
        if status:
            return Ending(octets[:-status], 0, octets[-status:])
        return _new(Ending, (octets, fcs, b"", 0))

    def bare(self, link_type: int) -> int | None:
        """Return the octets of FCS of records that are a frame and nothing else; None of other link types.

        So it is of frames that are whole and of no receiver with a name.
        """
        try:
            return self._bare[link_type]
        except KeyError:
            known = LINK_TYPES.get(link_type)
            fcs, status = (None, 0) if known is None else self.rule(link_type, known.bare_fcs)
            bare = None if known is None or known.bare_fcs is None or status else fcs
            if len(self._bare) < _MOST_LINK_TYPES:
                self._bare[link_type] = bare
            return bare

    def _ruled(self, claim: tuple[int, int | None, str | None]) -> tuple[int, int]:
        rule = self.rule(*claim)
        if len(self._rules) < _MOST_LINK_TYPES:
            self._rules[claim] = rule
        return rule

    def rule(
        self, link_type: int, claimed: int | None, receiver: str | None = None
    ) -> tuple[int, int]:
        """Return the octets of FCS and of radio status that end whole frames of a link type which claims so many."""
        if self._told is not None:
            return self._told, 0
        verdict = self._verdict(link_type, receiver)
        if verdict is None:
            return 2 if claimed is None else claimed, 0
        if verdict.status:
            return 0, verdict.status
        if verdict.as_claimed and claimed is not None:
            return claimed, 0  # one link type may tell each frame's own length
        return verdict.octets, 0

    def is_certain(self, record: Record) -> bool:
        """Return whether an FCS is known to end a record, so that a wrong one means damage."""
        verdict = self._verdict(record.link_type, record.receiver)
        return self._told is not None or (verdict is not None and verdict.state == PRESENT)

    def _verdict(self, link_type: int, receiver: str | None) -> FcsVerdict | None:
        return self.verdicts.get((link_type, receiver)) or self.verdicts.get((link_type, None))


def _front(octets: bytes, missing: int, ending: int) -> Ending:
    """Return how the front of a frame ends of which the capture left out so many octets, an ending among them.

    Some programs tell the length with an FCS that they do not keep, whatever their link type says of it.
    """
    if missing == (ending or 2):
        return Ending(octets, 0)
    begun = max(ending - missing, 0)  # too few octets of an FCS to tell anything
    return Ending(octets[: len(octets) - begun], 0, left_out=max(missing - ending, 0))


def _by_receiver(
    heard: dict[str | None, _Claims], fits: Callable[[bytes], bool | None]
) -> dict[str | None, FcsVerdict]:
    """Return the verdict over the frames of each receiver that differs from all, and over those of the others."""
    found: dict[str | None, FcsVerdict] = {}
    whole = _judged(_together(heard.values()), fits)
    for receiver, claims in heard.items() if len(heard) > 1 else ():
        own = _judged(claims, fits)
        if own.tested >= LEAST_OWN and (own.octets, own.status) != (whole.octets, whole.status):
            found[receiver] = own._replace(text=f"{own.text}, as {receiver} wrote them")
    if not found:
        return {None: whole}
    others = [claims for receiver, claims in heard.items() if receiver not in found]
    return {None: _judged(_together(others), fits), **found} if others else found


def _together(heard: Iterable[_Claims]) -> _Claims:
    together: _Claims = {}
    for claims in heard:
        for claimed, frames in claims.items():
            together.setdefault(claimed, []).extend(frames)
    return together


def _judged(claims: _Claims, fits: Callable[[bytes], bool | None]) -> FcsVerdict:
    """Return what stands at the end of frames of one link type, by the length that each claims."""
    apart = [judge(frames, claimed, fits) for claimed, frames in claims.items()]
    if len(apart) == 1:
        return apart[0]
    if all(
        verdict.as_claimed for verdict in apart
    ):  # such as two receivers, of which one keeps the FCS
        lasting = max(apart, key=lambda verdict: verdict.matched)
        tested, matched = (
            sum(verdict.tested for verdict in apart),
            sum(verdict.matched for verdict in apart),
        )
        text = f"each of {tested} frames tells its own FCS, and {matched} have one that is right"
        return lasting._replace(tested=tested, matched=matched, text=text, claimed=None)
    together = [frame for frames in claims.values() for frame in frames]
    return judge(together, next(iter(claims)), fits)
