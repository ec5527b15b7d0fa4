"""Frames that ask for an acknowledgement, hop by hop: how often each was tried, and whether one was heard."""

from lowpanbudget.capture.follow.parts import REPEAT_NS
from lowpanbudget.capture.follow.repeats import ACK_WITHIN_NS
from lowpanbudget.deployment.confidence import CONFIDENCE, lower, upper
from lowpanbudget.findings.corrections import Corrections, limits_of
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import Station
from lowpanbudget.values import dataclass, field

_RETRY_S = REPEAT_NS / 10**9
_WAIT_S = ACK_WITHIN_NS / 1e9
_MOST_GIVEN_UP = 256  # frames of a hop that are remembered
_SELDOM = (
    1e-4  # the chance that more are missed here of frames tried often than of others; our choice
)


@dataclass(slots=True)
class AskedOnHop:
    """Frames of a hop that asked, those that got no acknowledgement, and of these those that were tried again.

    ``receiver``: in which PAN, and who. A frame without an acknowledgement is ``given_up`` after ``tries_each``; who
    stops before that had one, which was not heard here. ``row`` of them were the last, since frame ``since``;
    ``longest`` is the longest such row, with its first and last frame. ``often`` of them were tried ``most_tries``
    times. The last frame is still open: its ``sequence``, how often it was tried, whether it was acknowledged, accepted
    or not. Of the ``late`` ones all tries were heard, or all but one, and some were in vain:
    who gives none up is not acknowledged less often, as heard here, where he tries more often.
    ``refusals`` are tries that were not accepted, ``refused`` frames that never were, ``refusing`` the
    acknowledgements that say so; ``corrections`` are those of the sender's clock that acknowledgements bring,
    ``corrected`` how many do, ``uncorrected`` how many do not and are of a form that could.
    """

    receiver: Station
    tries_each: int
    frames: int = 0
    unanswered: int = 0
    repeated: int = 0
    given_up: int = 0
    row: int = 0
    since: int = 0
    longest: tuple[int, int, int] = (0, 0, 0)
    late: int = 0
    late_in_vain: int = 0
    most_tries: int = 0
    often: int = 0
    first: Frames = field(default_factory=Frames)
    first_given_up: Frames = field(default_factory=Frames)
    refusals: int = 0
    refused: int = 0
    refusing: Frames = field(default_factory=Frames)
    sequence: int | None = None
    tries: int = 0
    answered: bool = False
    accepted: bool = False
    time_s: float = 0.0
    number: int = 0
    corrections: Corrections | None = None
    corrected: int = 0
    uncorrected: int = 0
    first_uncorrected: Frames = field(default_factory=Frames)

    def ask(self, scene: Scene) -> None:
        """Take a frame: another try of the last, or the next."""
        now, sequence = scene.time_s, scene.sequence
        if sequence == self.sequence and not now - self.time_s > _RETRY_S and self.tries:
            self.tries += 1
        else:
            self.close()
            self.frames += 1
            self.sequence, self.tries, self.number = sequence, 1, scene.number
            self.answered = self.accepted = False
        self.time_s = now

    def close(self) -> None:
        """Count what became of the last frame."""
        if self.tries > 1 and self.tries >= self.tries_each - 1:
            self.late += 1
            self.late_in_vain += not self.answered
        if self.tries and not self.answered:
            self.unanswered += 1
            self.repeated += self.tries > 1
            if self.tries > self.most_tries:
                self.most_tries, self.often = self.tries, 0
            self.often += self.tries == self.most_tries
            self.first.note(self.number)
            if self.tries >= self.tries_each:
                self.given_up, self.row = self.given_up + 1, self.row + 1
                self.since = self.number if self.row == 1 else self.since
                if self.row >= self.longest[0]:
                    self.longest = self.row, self.since, self.number
                self.first_given_up.note(self.number, most=_MOST_GIVEN_UP)
        elif self.tries:
            self.refused += not self.accepted
            self.row = 0
        self.tries = 0

    @property
    def surplus(self) -> int:
        """Return how many of those tried often had no acknowledgement, beside those missed here; 0 if these may be all.

        Those heard less often say how often one is missed here, and rather too often: some of them were given up as
        well, and their other tries were missed.
        """
        in_vain, early = self._early
        if not early or self.late_in_vain * early <= in_vain * self.late:
            return 0  # as is usual: that is quicker to see
        missed = upper(in_vain, early, 1 - CONFIDENCE)
        if lower(self.late_in_vain, self.late, _SELDOM) <= missed:
            return 0
        return int(self.late_in_vain - missed * self.late)

    @property
    def missed_here(self) -> str:
        """Return in words what tells that."""
        late = f"{self.late_in_vain} of {self.late} heard {self.tries_each - 1} times or more"
        in_vain, early = self._early
        return f"not answered as heard here: {late}, and {in_vain} of {early} heard less often"

    @property
    def _early(self) -> tuple[int, int]:
        return self.unanswered - self.late_in_vain, self.frames - self.late


@dataclass(slots=True)
class Asking:
    """Frames that asked, by PAN, sender and receiver; how many acknowledgements were heard, up to a few."""

    hops: FirstNamed[tuple[int | None, bytes, bytes], AskedOnHop] = field(
        default_factory=FirstNamed
    )
    given: int = 0
    last: dict[int | None, AskedOnHop] = field(default_factory=dict)  # by sequence number

    def acknowledge(self, scene: Scene, *, refuses: bool) -> Station | None:
        """Take an acknowledgement: of the last frame with that number. Return who gave it."""
        asked = self.last.pop(scene.sequence, None)
        if asked is None or asked.sequence != scene.sequence:
            return None
        if scene.time_s - asked.time_s > _WAIT_S:
            return None
        asked.answered = True
        asked.accepted |= not refuses
        if refuses:
            asked.refusals += 1
            asked.refusing.note(scene.number)
        self.given += 1
        mac = scene.mac
        if mac is None or not mac.later:
            return asked.receiver
        told = [one for one in mac.header_ies if "time_correction" in one.fields]
        for element in told:
            asked.corrections = asked.corrections or Corrections(limits_of(scene.known.design))
            asked.corrections.take(element.fields["time_correction"], scene.time_s, scene.number)
            asked.corrected += 1
        if not told:
            asked.uncorrected += 1
            asked.first_uncorrected.note(scene.number)
        return asked.receiver
