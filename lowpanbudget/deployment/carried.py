"""What is said of a network: its nodes, how messages arrive, and everything that it must keep to."""

from collections.abc import Sequence
from typing import Literal, NamedTuple

from lowpanbudget.deployment.contention import ContentionResult
from lowpanbudget.deployment.played_load import HopLoad
from lowpanbudget.deployment.service import HopService
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.values import dataclass, field, replace

Matter = Literal[
    "readings",
    "frame",
    "acknowledgement",
    "cells",
    "relay",
    "queue",
    "delivery",
    "latency",
    "duty",
    "battery",
    "poll",
    "held",
    "shared",
    "clock",  # of what helps: no check of the network itself
]


@dataclass(frozen=True, slots=True)
class LimitCheck:
    """One thing that a network must keep to: ``about`` which node, link or message, in words what it has and may have.

    ``measured`` against ``allowed`` in ``unit``; ``strain`` is 1 where it just holds, more where it does not. It
    ``holds``, or does not, where that is sure; where what was played is too close to tell it ``is_close``, and does
    not hold; ``why_open`` says what else leaves that open. What was played is ``measured`` plus or minus
    ``half_width`` (0: exact).
    """

    matter: Matter
    about: str
    text: str
    measured: float
    allowed: float
    unit: str
    strain: float
    holds: bool
    is_close: bool = False
    why_open: str = ""
    half_width: float = 0.0


def opened(check: LimitCheck, why: str) -> LimitCheck:
    """Return a check that is open, and why."""
    return replace(check, text=f"{check.text}: {why}", holds=False, is_close=True, why_open=why)


def are_close(checks: Sequence[LimitCheck]) -> bool:
    """Return whether some of them are too close to tell, and all others hold."""
    return any(check.is_close for check in checks) and all(
        check.holds or check.is_close for check in checks
    )


class Rhythm(NamedTuple):
    """How often messages of one kind come: readings, how many go into one message, and how often that is sent.

    Of keep-alives ``sends_every_s`` is the silence after which one is sent. ``frames`` is how many a message takes on
    its first hop: relays, whose frames may have more header, may send more, and what nodes carry counts those.
    """

    flow: str
    message: str
    reading_every_s: float | None
    readings: int
    sends_every_s: float
    frames: int


@dataclass(frozen=True, slots=True)
class CarriedNode:
    """What one node of the tree carries.

    Rates are a second: ``own_per_s`` its own messages, ``own_frames_per_s`` the frames of these and of its own upkeep,
    ``frames_per_s`` on the link to its parent, of all that it carries and the upkeep, ``tries_per_s`` with retries,
    ``tries_down_per_s`` on the link from it. Where contention is played a relay carries what came to it, in slots what
    would come if nothing were lost. ``cells_needed`` and ``cells`` are those of a slotframe to the parent (None without
    slots), ``cells_needed_down`` and ``cells_down`` those from it. ``used`` is the part of the cells, or of the time on
    the channel that it hears, that is taken. ``shared_frames`` are sent to all near it in a slotframe (None without
    slots).
    ``queue_frames`` wait on average, ``queue_wait_s`` from joining to the last try, ``queue_full`` is the share
    that finds no place, plus or minus ``queue_half_width`` where it was played (None without slots).
    These and batteries are None as well where a slotframe has no place for all cells of a node.
    ``duty_cycle`` is the part of time that it sends. ``current_ua`` and
    ``battery_days`` are None without their tables; ``parts_ua`` says what the typical current is for.
    """

    name: str
    hop: int
    parent: str
    behind: int
    own_per_s: float
    own_frames_per_s: float
    frames_per_s: float
    tries_per_s: float
    tries_down_per_s: float
    cells_needed: int | None
    cells: int | None
    cells_needed_down: int | None
    cells_down: int | None
    used: float
    shared_frames: float | None
    queue_frames: float | None
    queue_wait_s: float | None
    queue_full: float | None
    duty_cycle: float
    current_ua: Estimate | None
    battery_days: Estimate | None
    always_listens: bool
    parts_ua: tuple[tuple[str, float], ...] = field(repr=False, default=())
    queue_half_width: float = 0.0


@dataclass(frozen=True, slots=True)
class SleepWait:
    """What sleeping children wait for what is sent to them: seconds, on average and in 95 of 100 cases.

    ``held_full`` is the chance that a message down finds its parent's places for the child taken, so that not all of
    its frames are held (None: none is sent): of ``held_message``, which loses most and ``held_takes`` so many frames.
    """

    children: int
    mean_s: float
    most_s: float
    held_full: float | None
    held_message: str = ""
    held_takes: int = 1


@dataclass(frozen=True, slots=True)
class CarriedNetwork:
    """Whether a network carries its messages.

    ``checks`` are all that was looked at, what decides first: one that does not hold, or the one that comes nearest.
    ``services`` tell how messages arrive. ``played`` and ``played_in_runs`` are simulations of contention, None in
    slots. ``unknown`` names messages of which the design does not say how often: they are not counted.
    ``hops``: what meeting frames and losses on the way make of the loads, by hop of who sends (empty in slots): the
    nodes are told with it. ``taken`` says what was taken for granted, since the design does not say; ``hastened`` names
    messages that were played more often than they come, since they are rare beside the others; ``not_checked`` those of
    which all the same too few were played to judge how they arrive, ``together`` those that were judged for several
    hops as one, since too few of each were played. ``over_frames`` names those that take more frames than their flow
    allows: the loads count all of these. ``open_limits``: limits of the design that could not be looked at, and what is
    missing for it; ``unfollowed``: messages beside others of which that is so. ``is_limited``: the design says which
    share is to arrive, or how soon.
    """

    title: str
    checks: tuple[LimitCheck, ...]
    rhythms: tuple[Rhythm, ...]
    nodes: tuple[CarriedNode, ...]
    services: tuple[HopService, ...]
    sleep: SleepWait | None
    played: ContentionResult | None
    played_in_runs: ContentionResult | None
    unknown: tuple[str, ...]
    seed: int
    hops: tuple[HopLoad, ...] = ()
    taken: tuple[str, ...] = ()
    not_checked: tuple[str, ...] = ()
    hastened: tuple[str, ...] = ()
    is_limited: bool = False
    together: tuple[str, ...] = ()
    over_frames: tuple[str, ...] = ()
    open_limits: tuple[str, ...] = ()
    unfollowed: tuple[str, ...] = ()

    @property
    def holds(self) -> bool:
        """Return whether everything that was looked at holds; not where too little was (``is_unchecked``).

        What keeps the design from working at all, whatever it carries, ``review`` tells, and whether all goes in as
        many frames as a flow allows ``over_frames``.
        """
        return all(check.holds for check in self.checks) and not self.is_unchecked

    @property
    def is_unchecked(self) -> bool:
        """Return whether all that was looked at holds, and too little was: it is open how some messages arrive.

        Of none it was looked at, or not of some that have a limit to keep: the design does not say how often they are
        sent, or they are too rare beside what else is; or a limit could not be looked at (``open_limits``).
        """
        if not all(check.holds for check in self.checks):
            return False
        return self.lacks_arrivals or bool(self.open_limits)

    @property
    def lacks_arrivals(self) -> bool:
        """Return whether of no message, or not of all that have a limit, it was looked at how they arrive."""
        return self.is_blind or (self.is_limited and bool(self.not_checked))

    @property
    def is_blind(self) -> bool:
        """Return whether of no message it was looked at how it arrives."""
        has_messages = bool(self.services or self.unknown)
        return has_messages and not any(check.matter == "delivery" for check in self.checks)

    @property
    def is_close(self) -> bool:
        """Return whether nothing that was looked at is broken for sure, and something is too close to tell."""
        return are_close(self.checks)

    @property
    def decides(self) -> LimitCheck | None:
        """Return the check that decides; None where there was nothing to check."""
        return self.checks[0] if self.checks else None
