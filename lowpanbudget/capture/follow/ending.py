"""Where a frame of a capture ends: what is FCS, what is radio status, and what is neither."""

from collections.abc import Callable, Iterable
from typing import NamedTuple

from lowpanbudget.capture.files.link_types import FRAME, RecordBody, unwrap
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.fcs_check import PRESENT, FcsVerdict, judge
from lowpanbudget.errors import RequestError, repeated

_MOST_LINK_TYPES = 64  # a mangled file may name any number of them


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

    ``fcs``: the octets of FCS that somebody told, or None to test. Raises ``RequestError`` for another number.
    """

    def __init__(self, fcs: int | None) -> None:
        if fcs not in (None, 0, 2, 4):
            raise RequestError(
                f"fcs {repeated(fcs)} is not 0, 2 or 4", hint="Leave it out to have it tested"
            )
        self._told = fcs
        self.of_text = False
        self.verdicts: dict[int, FcsVerdict] = {}
        self._rules: dict[tuple[int, int | None], tuple[int, int]] = {}

    @property
    def found(self) -> dict[int, FcsVerdict]:
        """Return the verdicts for people: a text names no link type, and what it is taken for claims nothing."""
        if not self.of_text:
            return self.verdicts
        return {kind: one._replace(claimed=None) for kind, one in self.verdicts.items()}

    def test(self, records: Iterable[Record], fits: Callable[[bytes], bool | None]) -> None:
        """Judge by some records; ``fits`` tells whether a frame without FCS proves that it ends where it should."""
        if self._told is not None:
            return
        self._rules.clear()
        frames: dict[int, dict[int | None, list[bytes]]] = {}
        for record in records:
            body = unwrap(record)
            if body.kind == FRAME and len(record.octets) >= record.original_length:
                claims = frames.setdefault(record.link_type, {})
                claims.setdefault(body.fcs, []).append(body.octets)
        for link_type, claims in list(frames.items())[:_MOST_LINK_TYPES]:
            self.verdicts[link_type] = _judged(claims, fits)

    def of(self, record: Record, body: RecordBody) -> Ending:
        """Return how the frame of a record ends."""
        octets = body.octets
        missing = record.original_length - len(record.octets)
        claim = record.link_type, body.fcs
        fcs, status = self._rules.get(claim) or self._ruled(claim)
        if missing > 0:
            return _front(octets, missing, fcs or status)
        if status:
            return Ending(octets[:-status], 0, octets[-status:])
        return Ending(octets, fcs)

    def _ruled(self, claim: tuple[int, int | None]) -> tuple[int, int]:
        rule = self.rule(*claim)
        if len(self._rules) < _MOST_LINK_TYPES:
            self._rules[claim] = rule
        return rule

    def rule(self, link_type: int, claimed: int | None) -> tuple[int, int]:
        """Return the octets of FCS and of radio status that end whole frames of a link type which claims so many."""
        if self._told is not None:
            return self._told, 0
        verdict = self.verdicts.get(link_type)
        if verdict is None:
            return 2 if claimed is None else claimed, 0
        if verdict.status:
            return 0, verdict.status
        if verdict.as_claimed and claimed is not None:
            return claimed, 0  # one link type may tell each frame's own length
        return verdict.octets, 0

    def is_certain(self, link_type: int) -> bool:
        """Return whether an FCS is known to be there, so that a wrong one means damage."""
        verdict = self.verdicts.get(link_type)
        return self._told is not None or (verdict is not None and verdict.state == PRESENT)


def _front(octets: bytes, missing: int, ending: int) -> Ending:
    """Return how the front of a frame ends of which the capture left out so many octets, an ending among them.

    Some programs tell the length with an FCS that they do not keep, whatever their link type says of it.
    """
    if missing == (ending or 2):
        return Ending(octets, 0)
    begun = max(ending - missing, 0)  # too few octets of an FCS to tell anything
    return Ending(octets[: len(octets) - begun], 0, left_out=max(missing - ending, 0))


def _judged(
    claims: dict[int | None, list[bytes]], fits: Callable[[bytes], bool | None]
) -> FcsVerdict:
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
