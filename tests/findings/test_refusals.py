"""Which answers count as such where requests are refused: each once, and no notification among them."""

from findings.air import Capture
from findings.cases_exchanges import CONTENT, NON, NOT_FOUND, Talk
from findings.judge import Told, about

OBSERVE = b"\x61\x05"  # RFC 7641 section 2: option 6, its sequence number 5


def refusals(capture: Capture) -> list[Told]:
    return about("request-refused", capture.followed())


def later(talk: Talk) -> Talk:
    """Hours behind the beginning of the capture."""
    ping = b"\x60\0\0\x01"
    return talk.say(ping).say(ping, after=9000.0)


def test_an_answer_that_comes_again_counts_once() -> None:
    """RFC 7252 section 4.2: an acknowledgement may come again for each try of a request."""
    talk = later(Talk())
    for mid in (1, 2):
        for _ in range(3):
            talk.ask(mid).answer(NOT_FOUND, mid)
    assert refusals(talk.capture()) == []
    talk.ask(3).answer(NOT_FOUND, 3)
    (told,) = refusals(talk.capture())
    assert (told.count, told.cause.split(" refuses ")[1]) == (3, "3 of 3 requests on port 5683")


def test_a_message_id_serves_again_when_its_time_is_over() -> None:
    """RFC 7252 section 4.8.2: EXCHANGE_LIFETIME is 247 s."""
    talk = later(Talk(100.0))
    for _ in range(3):
        talk.ask(1).say(b"\x60\0\0\x02", after=74.0).answer(NOT_FOUND, 1)
    (told,) = refusals(talk.capture())
    assert told.count == 3


def test_notifications_are_no_answers() -> None:
    """RFC 7641: a server may send any number of them for one request, and they make no refusal rarer."""
    talk = Talk()
    for mid in range(1, 4):
        talk.ask(mid).answer(NOT_FOUND, mid)
    for mid in range(50, 60):
        talk.answer(CONTENT, mid, OBSERVE, NON, b"21")
    (told,) = refusals(talk.capture())
    assert told.severity == "risk"
    assert told.cause.endswith(" refuses 3 of 3 requests on port 5683")


def test_the_first_notification_is_the_answer() -> None:
    """In the acknowledgement of the request that observes (RFC 7641 section 4.2)."""
    talk = Talk()
    for mid in range(1, 4):
        talk.ask(mid).answer(NOT_FOUND, mid)
    for mid in range(4, 8):
        talk.ask(mid).answer(CONTENT, mid, OBSERVE)
    (told,) = refusals(talk.capture())
    assert told.severity == "remark"
    assert told.cause.endswith(" refuses 3 of 7 requests on port 5683")
