"""What a simulated channel is given: the rules of access, who hears whom, and what is sent how often."""

from typing import NamedTuple


class CsmaRules(NamedTuple):
    """How a node gets onto the air: exponents and counts of unslotted CSMA-CA, and times in microseconds.

    ``backoffs`` come after the first, ``retries`` after the first transmission. ``spacing_us`` is the pause behind a
    frame before the next wait begins. ``busy_tries_again``: a channel that was busy too often counts as a transmission,
    else the frame is lost.
    """

    min_be: int
    max_be: int
    backoffs: int
    retries: int
    unit_us: float
    cca_us: float
    turnaround_us: float
    ack_wait_us: float
    spacing_us: float = 0.0
    busy_tries_again: bool = False


class HearingRanges(NamedTuple):
    """Who hears whom: for each node those that hear it, and those whose reception it spoils."""

    hears: tuple[tuple[int, ...], ...]
    disturbs: tuple[tuple[int, ...], ...]


class SimulatedFrame(NamedTuple):
    """A frame and its acknowledgement: microseconds on the air (0: none), and the shares that noise loses."""

    air_us: float
    answer_us: float
    loss: float = 0.0
    answer_loss: float = 0.0


class Sending(NamedTuple):
    """A stream of messages: the nodes from the sender to the last receiver, the mean interval, and their frames.

    The frames are those of the first hop; ``forwarded`` are those of later hops where they differ. A way of one node is
    a message to all that are near: it is sent once, and nobody acknowledges it. ``apart``: each frame goes on by
    itself, and has its own among those ``forwarded``; they begin ``pause_us`` one after the other. Where they are
    ``led`` they go on only where the first one was received, which told the way.
    """

    way: tuple[int, ...]
    every_s: float
    frames: tuple[SimulatedFrame, ...]
    forwarded: tuple[SimulatedFrame, ...] = ()
    apart: bool = False
    pause_us: float = 0.0
    led: bool = True
