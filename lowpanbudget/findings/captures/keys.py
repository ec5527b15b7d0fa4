"""Keys that frames name: who leaves one for another, who stays behind, and who names one that nobody else does."""

from itertools import pairwise
from math import isnan

from lowpanbudget.errors import plural
from lowpanbudget.findings import concerns
from lowpanbudget.findings.captures.security import secured_sender
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.key_users import LEAST_OTHERS, KeyName, KeyUse, KeyUser, key_words
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.link.mac import Mac

KEYS = Subject("keys", across=True)

# our choices
_LEAST_FRAMES = 5  # under a key that nobody else names


@KEYS.rule("key-changed", Mac, varies=True, concerns=concerns.link_security)
def key_used(scene: Scene, mac: Mac) -> None:
    """Note who uses which key, by what the frame names, and to whom it goes."""
    security, users = mac.security, scene.known.keys
    if security is None or mac.source is None or secured_sender(scene, mac) is None:
        return
    user = users.entry((mac.pan_id, mac.source), lambda: KeyUser(scene.sender))
    if user is not None:
        key = KeyName(key_words(security), security.key_source)
        user.use(key, scene.number, scene.time_s, scene.counter or 0, scene.sequence)
        user.send(key, mac.destination, mac.frame_type)
    if mac.destination is not None:
        receiver = users.get((mac.pan_id, mac.destination))
        if receiver is not None:
            receiver.asked += 1


@KEYS.at_end("key-changed")
def key_changed(known: Surroundings) -> Hits:
    """Tell which key nodes left for which, and who goes on with the one that those left, if they are not the few."""
    users = known.keys
    moved: dict[tuple[int | None, KeyName, KeyName], list[tuple[KeyUse, str]]] = {}
    for (pan, _), user in users.items():
        for (old, before), (new, after) in pairwise(user.uses.items()):
            if before.last < after.first:  # who uses both by turns changes nothing
                moved.setdefault((pan, old, new), []).append((after, user.name))
    for (pan, old, new), nodes in moved.items():
        nodes.sort()
        evidence = tuple(f"{name} from frame {use.first} on" for use, name in nodes[:3])
        frames = tuple(use.first for use, _ in nodes)
        cause = f"nodes go from {old} to {new}{_turned(old, new)}"
        yield Hit(cause, evidence, _pan_text(pan), frames, times=len(nodes))
        (begun, _), (ended, _) = nodes[0], nodes[-1]
        behind = [
            (user.uses[old], user.name)
            for (other, _), user in users.items()
            if other == pan and new not in user.uses
            if old in user.uses and user.uses[old].last > ended.first
        ]
        if len(behind) > len(nodes):
            continue  # most have the old one: who left it is early, or wrong
        for use, name in behind:
            past_s = use.last_s - begun.first_s
            later = "" if isnan(past_s) else f", {seconds_text(past_s)} later"
            told = f"frame {begun.first} is the first under the other key, frame {use.last}{later}, its last"
            cause = f"{name} stays with {old}, which others left for {new}"
            yield Hit(cause, (told,), name, (begun.first, use.last), Severity.RISK, _BEHIND)


def _turned(one: KeyName, other: KeyName) -> str:
    """Return in words that two keys are named alike but for the order of the octets of their source."""
    if one.source is None or other != one._replace(source=one.source[::-1]):
        return ""
    return ": the octets of the key source in reverse"


def _pan_text(pan: int | None) -> str:
    return "the network" if pan is None else f"PAN {pan:#06x}"


_BEHIND = (
    "See whether the node was told of the new key, and whether it has room for it: once the others forget the old one, "
    "none of its frames is taken any more."
)


def _nodes(named: tuple[KeyName, list[KeyUse]]) -> int:
    return len(named[1])


@KEYS.at_end("key-named-by-one-node")
def key_named_by_one_node(known: Surroundings) -> Hits:
    """Look for a node that others, who name one key together, do not send to while it names a key of its own."""
    named: dict[int | None, dict[KeyName, list[KeyUse]]] = {}
    for (pan, _), user in known.keys.items():
        for key, use in user.uses.items():
            named.setdefault(pan, {}).setdefault(key, []).append(use)
    most = {pan: max(keys.items(), key=_nodes)[0] for pan, keys in named.items()}
    for (pan, _), user in known.keys.items():
        (key, use), usual = list(user.uses.items())[-1], most[pan]
        if len(named[pan][key]) > 1 or use.frames < _LEAST_FRAMES:
            continue
        if user.is_spoken_to:
            continue
        if any(one.last > use.first for other, one in user.uses.items() if other != key):
            continue  # it has several keys, and this one is for something else
        others = sum(one.last > use.first for one in named[pan][usual])
        if others < LEAST_OTHERS:
            continue
        cause = f"{user.name} names {key}, and no other node does{_turned(usual, key)}"
        evidence = (
            f"{plural(others, 'node')} with {usual}",
            f"{plural(use.frames, 'frame')} of it from frame {use.first} on, {user.asked} to it",
        )
        yield Hit(cause, evidence, user.name, (use.first, use.last))
