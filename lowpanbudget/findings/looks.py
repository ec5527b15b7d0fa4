"""How long a changed network is looked at: calculated, played for a while, or as long as the design itself."""

from collections.abc import Sequence

from lowpanbudget.deployment.carried import CarriedNetwork, LimitCheck
from lowpanbudget.deployment.carry import judged
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.checks import rank, service_checks
from lowpanbudget.design.lacking import lacking
from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.easing import PLAYED

OF_MESSAGES = ("delivery", "latency")
_TRANSMISSIONS = 10_000  # of each simulation here: enough to tell which changes matter
_IN_SLOTS = 20_000  # of those in slots, which are quicker
_BEYOND_LUCK = 2  # times what 95 % leave open


def may_hold(check: LimitCheck) -> bool:
    """Return whether a first look leaves open that a check holds, and came out no worse by a standard error.

    Where the luck of a first look refuses what is enough nobody looks at it again.
    """
    best = check.measured - check.half_width / 2  # half of 95 % of a normal distribution
    return check.is_close and not check.why_open and best <= check.allowed


def is_refuted(check: LimitCheck) -> bool:
    """Return whether what surely holds from one seed came out as more than is allowed from another."""
    return not check.holds and not (check.is_close and check.measured <= check.allowed)


def first_look(design: Design) -> int:
    """Return the transmissions of a first look."""
    return _IN_SLOTS if design.access is not None and design.access.slots else _TRANSMISSIONS


def looked_at(
    change: PossibleChange,
    network: CarriedNetwork,
    transmissions: int | None = None,
    *,
    plays: bool,
    seed: int | None = None,
    **bounds: int | None,
) -> CarriedNetwork:
    """Return what a change makes of a network; where nothing ``plays`` contention stays as it was.

    It is played from the ``seed`` of the network where no other is given.
    """
    design, access = change.design, change.design.access
    if access is None:
        raise lacking(design, "access")
    services, hops = (None, ()) if plays else (network.services, network.hops)
    seed = network.seed if seed is None else seed
    return judged(design, access, change.messages, seed, transmissions, services, hops, **bounds)


def may_be_luck(checks: Sequence[LimitCheck]) -> bool:
    """Return whether what holds does so by less than twice what was left open: of many values one does by chance.

    By more, which is four standard errors, that is once in some ten thousand: it needs not be played again.
    """
    return any(
        one.half_width and one.measured + _BEYOND_LUCK * one.half_width > one.allowed
        for one in checks
    )


def is_played(network: CarriedNetwork) -> bool:
    """Return whether what decides came out of a simulation, so that it must be played again for each change."""
    decides = network.decides
    is_simulated = any(one.messages is not None for one in network.services)
    return is_simulated and decides is not None and decides.matter in PLAYED


def same_check(network: CarriedNetwork, check: LimitCheck, design: Design) -> LimitCheck | None:
    """Return the check of the same matter, the one that strains it most; of how messages arrive that of the same ones.

    Another message may arrive better, whatever becomes of the one that fails.
    """
    checks: Sequence[LimitCheck] = network.checks
    if check.matter in OF_MESSAGES:
        of_all = service_checks(network.services, design.limits)
        checks = sorted((one for one in of_all if one.about == check.about), key=rank)
    return next((one for one in checks if one.matter == check.matter), None)
