"""Interface identifiers from link addresses, contexts with their masks."""

from ipaddress import IPv6Address

import pytest

from lowpanbudget import Context, Env, RequestError
from lowpanbudget.env import Contexts, interface_identifier, old_interface_identifier


@pytest.mark.parametrize(
    ("link", "identifier"),
    [
        ("0001", "0000:00ff:fe00:0001"),  # RFC 6282 section 3.2.2: 0000:00ff:fe00:XXXX
        ("ffff", "0000:00ff:fe00:ffff"),
        ("3456789abcde", "3656:78ff:fe9a:bcde"),  # RFC 2464 section 4, its example
        ("0011223344556677", "0211:2233:4455:6677"),  # the universal/local bit inverted
        ("0211223344556677", "0011:2233:4455:6677"),  # in either direction
        ("fdffffffffffffff", "ffff:ffff:ffff:ffff"),
    ],
)
def test_identifiers(link: str, identifier: str) -> None:
    expected = int(IPv6Address("::" + identifier))
    assert interface_identifier(bytes.fromhex(link)) == expected


def test_no_address_no_identifier() -> None:
    assert interface_identifier(None) is None


@pytest.mark.parametrize(
    ("pan_id", "link", "address"),
    [
        (
            0xABCD,
            "0001",
            "fe80::a9cd:ff:fe00:1",
        ),  # a field report; RFC 4944 section 6, U/L bit zero
        (0x0000, "0001", "fe80::ff:fe00:1"),  # "if no PAN ID is known, 16 zero bits may be used"
        (0x0200, "0001", "fe80::ff:fe00:1"),
    ],
)
def test_old_identifiers(pan_id: int, link: str, address: str) -> None:
    iid = old_interface_identifier(pan_id, bytes.fromhex(link))
    assert IPv6Address(0xFE80 << 112 | iid) == IPv6Address(address)


@pytest.mark.parametrize(
    ("prefix", "mask"), [("::/0", 0), ("8000::/1", 1 << 127), ("2001:db8::1/128", (1 << 128) - 1)]
)
def test_a_context_knows_its_mask(prefix: str, mask: int) -> None:
    context = Context(prefix)
    assert context.mask == mask
    assert context.value == int(context.prefix.network_address)
    assert context.may_compress


def test_contexts_are_read_only_and_pass_unchanged() -> None:
    contexts = Contexts({1: "2001:db8::/64"})
    assert Contexts.of(contexts) is contexts
    assert Env(contexts=contexts).contexts is contexts
    assert dict(contexts) == {1: Context("2001:db8::/64")}
    assert repr(contexts) == "Contexts({1: 2001:db8::/64})"
    with pytest.raises(TypeError):
        contexts[2] = Context("::/0")  # type: ignore[index]
    with pytest.raises(KeyError):
        _ = contexts[2]


def test_between_keeps_the_rest() -> None:
    env = Env("0001", "0002", 5, {1: "2001:db8::/64"}, "2001:db8::1", 0x23)
    other = env.between(b"\x00\x03", None)
    assert (other.source, other.destination) == (b"\x00\x03", None)
    assert (other.pan_id, other.contexts, other.root, other.rpi_type) == (
        5, env.contexts, IPv6Address("2001:db8::1"), 0x23,
    )  # fmt: skip


def test_an_environment_does_not_change() -> None:
    with pytest.raises(AttributeError):
        Env().source = b"\x00\x01"  # type: ignore[misc]


@pytest.mark.parametrize(
    "prefix", ["2001:db8::/-1", "", "2001:db8::/64/64", None, b"2001:db8::/64"]
)
def test_no_prefix(prefix: str) -> None:
    with pytest.raises(RequestError, match="not an IPv6 prefix"):
        Context(prefix)


@pytest.mark.parametrize("root", ["fe80::1%eth0", IPv6Address("fe80::1%eth0")])
def test_an_address_with_a_zone_is_refused(root: str | IPv6Address) -> None:
    """A zone is text for people on one node (RFC 4007 section 11, from memory): no header has a place for it.

    RFC 8200 section 3: addresses have 128 bits, which are those without the zone.
    """
    assert IPv6Address("fe80::1%eth0").packed == IPv6Address("fe80::1").packed
    with pytest.raises(RequestError, match="is not an IPv6 address") as caught:
        Env(root=root)
    assert caught.value.hint.startswith("Give fe80::1: a zone (%)")
    with pytest.raises(RequestError, match="not an IPv6 prefix"):
        Context("fe80::%eth0/64")


def test_two_colons_that_come_twice_are_named() -> None:
    # RFC 4291 section 2.2: 'The "::" can only appear once in an address.'
    with pytest.raises(RequestError, match="is not an IPv6 prefix") as caught:
        Contexts.of({0: "2001::db8::/64"})
    assert "may stand once" in caught.value.hint
