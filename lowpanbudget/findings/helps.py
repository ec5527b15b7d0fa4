"""What would help a network that does not carry its messages: each change alone, everything calculated again."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cache, partial
from typing import NamedTuple

from lowpanbudget.arguments import function_or_none, value_of
from lowpanbudget.deployment.airtime import airtime
from lowpanbudget.deployment.carried import CarriedNetwork, LimitCheck
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.clock_helps import clock_changes
from lowpanbudget.deployment.helps import possible_ladders
from lowpanbudget.deployment.ladder import Ladder
from lowpanbudget.design.access import Access
from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.deployed import deployment_failures
from lowpanbudget.findings.designs.clocks import clock_check
from lowpanbudget.findings.easing import (
    CLEARLY,
    PLAYED,
    eased,
    is_all_late,
    is_less,
    is_promising,
    over,
)
from lowpanbudget.findings.helpful import HelpfulChange, Helping
from lowpanbudget.findings.looks import (
    OF_MESSAGES,
    first_look,
    is_played,
    is_refuted,
    looked_at,
    may_be_luck,
    may_hold,
    same_check,
)
from lowpanbudget.findings.nearest import nearest

Tell = Callable[[int, int], None]  # how many changes were tried, of how many
_LONGER = 3  # times as many, where a first look is too close to tell
_ROUNDS = 2  # of values next to the least that is enough: where it is still open then the next one is taken
_MOST_LONGER = (
    2  # changes that are played so: the most promising ones; all of them would take too long
)


class _Tried(NamedTuple):
    """A change that came out better, but not clearly beyond what was left open."""

    search: "_ChangeSearch"
    value: float
    then: CarriedNetwork
    after: LimitCheck


def changes_that_help(
    design: Design, network: CarriedNetwork, *, tell: Tell | None = None
) -> tuple[HelpfulChange, ...]:
    """Return the changes that ease what decides in a network that does not carry its messages, best first.

    Those of which that is doubtful come last.
    Where clocks drift out of the guard, which is a failure of the design, the changes that set them follow.
    ``network`` is what ``carry(design)`` gave; each change is made alone, and everything is calculated again. Empty
    where the network carries its messages. ``tell`` is called with how many were tried, and of how many. Raises
    ``RequestError`` as ``carry``.
    """
    design = Design.of(design)
    function_or_none(tell, "tell")
    network = value_of(CarriedNetwork, network, "Give what carry(design) returned")
    return tuple(one.told for one in helping(design, network, tell))


def helping(design: Design, network: CarriedNetwork, tell: Tell | None = None) -> list[Helping]:
    """Return the changes that ``changes_that_help`` tells, with what they make of the design."""
    if design.access is None:
        return []
    return [*_helping(design, design.access, network, tell), *_setting_clocks(design, network)]


def _setting_clocks(design: Design, network: CarriedNetwork) -> Iterator[Helping]:
    """Yield the changes that keep clocks within the guard where they drift out of it, whatever else is in the way."""
    slots = None if design.access is None else design.access.slots
    if slots is None or slots.synchronised_s is None:
        return
    before = clock_check(design, airtime(design))
    if before is None or before.holds:
        return
    for change in clock_changes(design, slots.synchronised_s):
        after = clock_check(change.design, change.messages)
        if after is None or not after.holds:
            continue
        if network.decides is None or network.decides.holds:
            # a yes is said of nothing that was looked at less than the design itself
            then = looked_at(change, network, plays=True)
        else:
            then = looked_at(change, network, first_look(design), plays=is_played(network))
        fails = deployment_failures(change.design, change.messages, then)
        told = HelpfulChange(
            change.key, change.text, before, after, then.holds and not fails, then.decides, change.caution,
            then.is_close and not fails, fails,
        )  # fmt: skip
        yield Helping(told, change)


def _helping(
    design: Design, access: Access, network: CarriedNetwork, tell: Tell | None
) -> list[Helping]:
    decides = network.decides
    if decides is None or decides.holds:
        return []
    as_it_is, own = PossibleChange("", "", design, airtime(design)), network
    if access.slots is not None:
        own = looked_at(as_it_is, network, plays=False)
    before = decides
    if is_played(network):
        again = looked_at(as_it_is, network, first_look(design), plays=True)
        before = same_check(again, decides, design) or decides
    elif network.played is None:
        before = same_check(own, decides, design) or decides
    found: list[Helping] = []
    open_: list[_Tried] = []
    ladders = list(possible_ladders(design, access, network))
    for number, ladder in enumerate(ladders):
        if tell is not None:
            tell(number, len(ladders))
        one = _ChangeSearch(ladder, network, own, before).found()
        if isinstance(one, Helping):
            found.append(one)
        elif one is not None:
            open_.append(one)
    surer = min(before, decides, key=lambda one: one.half_width)
    found += _longer(_LONGER * first_look(design), open_, surer)
    return sorted(found, key=_place)


class _ChangeSearch:
    """Seeks the least that a ladder must be changed by; whatever is played of a value is played once.

    ``own`` is what is calculated of the design as it is, ``before`` what decides there.
    """

    def __init__(
        self, ladder: Ladder, network: CarriedNetwork, own: CarriedNetwork, before: LimitCheck
    ) -> None:
        self.ladder, self._network, self._own, self._before = ladder, network, own, before
        decides = network.decides
        self._decides = before if decides is None else decides
        self.change = cache(ladder.change)
        self.played = cache(self._play)
        self._calculated = cache(self._calculate)
        self._nearly_whole = cache(self._play_nearly_whole)
        self._again = cache(self._play_again)
        self._mended: list[float] = []

    def found(self) -> Helping | _Tried | None:
        """Return the change that helps, or one of which that is open; None: it does not."""
        if not self.ladder.rungs:
            return None
        value = self._first_rung()
        then = self._first(value)
        after = self._same(then, value)
        if after is None and self._decides.matter in OF_MESSAGES:
            # too few of what fails were played to compare it with what it was
            then = self.played(value, None)
            after = self._same(then, value)
            if after is None:
                return None
        if after is not None and not eased(self._before, after, times=CLEARLY):
            # a short look may flatter what it is now
            was = max(self._before, self._decides, key=over)
            return _Tried(self, value, then, after) if is_less(was, after) else None
        least = self._least()
        if least is not None:
            return least
        if self._mended and self._mended[0] != value:
            value = self._mended[0]
            then = self._first(value)
        told = self.helpful(value, then, self._decides)
        after = told.after
        # played for longer it may be no better than it was
        is_eased = after is None or eased(
            self._decides if after.half_width else self._before, after
        )
        return self._helping(value, told) if is_eased else None

    def _first_rung(self) -> float:
        """Return the first rung, or where nothing is in time with it the first with which something is, if any."""
        rungs = self.ladder.rungs
        first, last = rungs[0], rungs[-1]
        if not (is_all_late(self._before) and self._is_all_late(first)) or self._is_all_late(last):
            return first
        return next(one for one in rungs if not self._is_all_late(one))

    def _is_all_late(self, value: float) -> bool:
        after = self._same(self._first(value), value)
        return after is not None and is_all_late(after)

    def helpful(self, value: float, then: CarriedNetwork, decides: LimitCheck) -> HelpfulChange:
        """Return what a value makes of the network, which was ``then`` at a first look; it is played for longer."""
        network, after = self._network, same_check(then, decides, self.change(value).design)
        is_eased = after is None or after.holds or after.is_close
        if is_eased and network.played and not is_played(network):
            # what was played of the old network says nothing of what comes next in the way
            then = self._played_shortly(value)
        if (
            then.is_close
            or (then.is_unchecked and then.not_checked)
            or (then.holds and network.played is None and not is_played(network))
        ):
            # a yes is said of nothing that was looked at less than the design itself
            then = self.played(value, None)
        return self._told(value, then, decides)

    def _least(self) -> Helping | None:
        """Return the least change that is enough, where one is."""
        shortly, longer = (partial(self._look_at_played, is_first=first) for first in (True, False))

        def sure(value: float) -> Sequence[LimitCheck]:
            return longer(value) or self._by_luck(value, self._nearly_whole(value))

        value = nearest(self.ladder, (self._look_at_calculated, shortly, sure))
        if value is None:
            return None
        return self._helping(value, self._told(value, self._nearly_whole(value), self._decides))

    def _look_at_calculated(self, value: float) -> list[LimitCheck]:
        """Return what is in the way by what needs not be played: contention says nothing of messages."""
        then = self._own if value == self.ladder.start else self._calculated(value)
        is_in_slots = then.played is None and self._own is not self._network
        return self._in_the_way(
            value, then, (
                one for one in then.checks
                if not one.holds and not one.is_close and (is_in_slots or one.matter not in PLAYED)
            ),
        )  # fmt: skip

    def _look_at_played(self, value: float, *, is_first: bool) -> list[LimitCheck]:
        """Return what is in the way where it was played: at a first look what is too close to tell may pass."""
        then = self._network
        if value != self.ladder.start:
            then = self._played_shortly(value) if is_first else self._nearly_whole(value)
        failing = (one for one in then.checks if not (one.holds or (is_first and may_hold(one))))
        return self._in_the_way(value, then, failing)

    def _in_the_way(
        self, value: float, then: CarriedNetwork, checks: Iterable[LimitCheck]
    ) -> list[LimitCheck]:
        found, decides = list(checks), self._decides
        if decides.matter in OF_MESSAGES and self._same(then, value) is None:
            found = [decides, *found]  # of which too few were played to tell
        if value in self.ladder.rungs and decides.matter not in {one.matter for one in found}:
            self._mended.append(value)
        return found

    def _first(self, value: float) -> CarriedNetwork:
        if is_played(self._network):
            return self._played_shortly(value)
        return self._calculated(value)

    def _played_shortly(self, value: float) -> CarriedNetwork:
        return self.played(value, first_look(self.change(value).design))

    def _play(self, value: float, transmissions: int | None) -> CarriedNetwork:
        return looked_at(self.change(value), self._network, transmissions, plays=True)

    def _play_nearly_whole(self, value: float) -> CarriedNetwork:
        """Return what comes of a value as ``carry`` has it, but where that is too close to tell for long."""
        return looked_at(self.change(value), self._network, plays=True, rounds=_ROUNDS)

    def _by_luck(self, value: float, then: CarriedNetwork) -> list[LimitCheck]:
        """Return what is in the way after all, played from a seed that had no part in choosing the value."""
        again = self._again(value).checks if may_be_luck(then.checks) else ()
        return [one for one in again if is_refuted(one)]

    def _play_again(self, value: float) -> CarriedNetwork:
        change, network = self.change(value), self._network
        return looked_at(change, network, plays=True, rounds=_ROUNDS, seed=network.seed + 1)

    def _calculate(self, value: float) -> CarriedNetwork:
        return looked_at(self.change(value), self._network, plays=False)

    def _same(self, then: CarriedNetwork, value: float) -> LimitCheck | None:
        return same_check(then, self._decides, self.change(value).design)

    def _helping(self, value: float, told: HelpfulChange) -> Helping:
        return Helping(told, self.change(value), ladder=self.ladder)

    def _told(self, value: float, then: CarriedNetwork, decides: LimitCheck) -> HelpfulChange:
        change = self.change(value)
        fails = deployment_failures(change.design, change.messages, then)
        is_luck = then.holds and bool(self._by_luck(value, then))
        return HelpfulChange(
            change.key, change.text, decides, same_check(then, decides, change.design),
            then.holds and not is_luck and not fails, then.decides, change.caution,
            (then.is_close or is_luck) and not fails, fails,
        )  # fmt: skip


def _place(one: Helping) -> tuple[bool, bool, bool, bool, float]:
    """Return the place of a change: those that are enough as they are tried, one with which less is sent last."""
    told = one.told
    left = 0.0 if told.after is None or told.holds else over(told.after)
    asks_less = told.holds and one.change.asks_less
    return told.is_doubtful, not told.holds, not told.is_close, asks_less, left


def _longer(transmissions: int, tried: Sequence[_Tried], before: LimitCheck) -> Iterator[Helping]:
    """Yield what was too close to tell at a first look, the most promising ones played for longer."""
    for number, one in enumerate(sorted(tried, key=lambda one: over(one.after))):
        search, then, after = one.search, one.then, one.after
        change = search.change(one.value)
        if number < _MOST_LONGER:
            then = search.played(one.value, transmissions)
            after = same_check(then, before, change.design) or after
        if eased(before, after):
            yield Helping(search.helpful(one.value, then, before), change, ladder=search.ladder)
        elif is_promising(before, after):
            told = HelpfulChange(
                change.key, change.text, before, after, holds=False, then=then.decides, caution=change.caution,
                is_doubtful=True,
            )  # fmt: skip
            yield Helping(told, change, ladder=search.ladder)
