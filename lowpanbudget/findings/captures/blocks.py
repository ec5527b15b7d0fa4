"""Blocks of CoAP that come for others, and bodies that change while they are fetched."""

from lowpanbudget.capture.recent import Recent
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.exchanges import message_answered, message_heard
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet.coap.block import Block
from lowpanbudget.layers.internet.coap.codes import CoapType, class_of
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import BLOCK2, ETAG, OSCORE, URI_PATH, URI_QUERY
from lowpanbudget.values import dataclass

BLOCKS = Subject("blocks")

_SUCCESS = 2
_RESERVED = 7  # size exponent: told with the message
_FIRST = Block(0, more=False, szx=6)  # what a request without Block2 asks for, in whatever size


def _block(message: CoapMessage) -> Block | None:
    option = message.first(BLOCK2)
    block = None if option is None else option.value
    return block if isinstance(block, Block) and block.szx != _RESERVED else None


def _answer(scene: Scene, datagram: HeardDatagram) -> tuple[CoapMessage, Block, CoapMessage] | None:
    """Return an answer on an acknowledgement, the block in it, and its request; None of anything else."""
    head, message = datagram.coap_head, message_heard(scene, datagram)
    if head is None or message is None or head.type != CoapType.ACK or scene.passage is not None:
        return None
    block = _block(message)
    if block is None or class_of(message.code) != _SUCCESS:
        return None
    request, begun = message_answered(scene), scene.begun
    # of two requests under one ID nobody knows which this answers
    if request is None or begun is None or begun.reused:
        return None
    if request.first(OSCORE) is not None:
        # what is sealed may ask for other blocks inside
        is_open = scene.opened is not None and scene.opened.is_open
        return (message, block, begun.inside) if is_open and begun.inside is not None else None
    return message, block, request


@BLOCKS.rule("block-not-as-asked", HeardDatagram, varies=True, concerns=concerns.blocks)
def block_not_as_asked(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Compare number and place of the block with those asked for: with a smaller size the number may be another."""
    answer = _answer(scene, datagram)
    if answer is None:
        return None
    _, block, request = answer
    asked = _block(request) or _FIRST
    if asked.num == block.num or asked.offset == block.offset or scene.begun is None:
        return None
    cause = "an answer brings another block than its request asks for"
    told = f"block {asked.num} of {asked.size} in frame {scene.begun.number}"
    came = f"block {block.num} of {block.size} in frame {scene.number}"
    frames = scene.begun.number, scene.number
    return (Hit(cause, (f"{told}, {came}",), str(datagram.header.source), frames),)


@dataclass(slots=True)
class _Body:
    """The last block of a body that a client fetches: where it begins, its ETag and frame, how often that changed."""

    offset: int
    etag: bytes
    number: int
    changes: int = 0


# client, server, what is asked for: path and query
Bodies = Recent[tuple[int, int, tuple[bytes, ...]], _Body]


@BLOCKS.rule("body-changes-while-fetched", HeardDatagram, memory=Recent, concerns=concerns.blocks)
def body_changes_while_fetched(
    memory: Bodies, scene: Scene, datagram: HeardDatagram
) -> Hits | None:
    """Compare ETags from block to block: once it may change, and earlier blocks be fetched again (section 2.4)."""
    answer = _answer(scene, datagram)
    if answer is None:
        return None
    message, block, request = answer
    option = message.first(ETAG)
    if option is None:
        return None
    what = (option.octets for number in (URI_PATH, URI_QUERY) for option in request.all(number))
    key = (*datagram.ends[::-1], tuple(what))
    now = _Body(block.offset, option.octets, scene.number)
    before = memory.renew(key, now)
    if before is None or not block.offset:
        return None
    now.changes = before.changes
    if block.offset <= before.offset or before.etag == now.etag:
        return None
    now.changes += 1
    if now.changes < 2:
        return None
    cause = "a body changes again and again while its blocks are fetched, so that it is never whole"
    told = f"frame {before.number}: {before.etag.hex()}; frame {scene.number}: {now.etag.hex()}"
    frames = before.number, scene.number
    return (Hit(cause, (f"ETag in {told}",), str(datagram.header.source), frames),)
