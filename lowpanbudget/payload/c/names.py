"""Names in C: made from the names of a message, refused where C has a use for them or two would be the same.

Names are never sent: renaming a field changes no octet. C99 section 7.26 also reserves every name
that begins with ``str``, ``mem``, ``is`` or ``to`` and a small letter for functions of later
editions; that would forbid ``strain`` and ``total``. All external names end in ``_pack`` and the
like, which no edition up to C23 uses, so they are accepted.
"""

import re
from typing import NamedTuple

from lowpanbudget.arguments import value_of
from lowpanbudget.errors import RequestError

_C = (
    "auto break case char const continue default do double else enum extern float for goto if inline int long "
    "register restrict return short signed sizeof static struct switch typedef union unsigned void volatile while "
    # C11 to C23, and what compilers take for keywords in their own dialect
    "alignas alignof bool constexpr false nullptr static_assert thread_local true typeof typeof_unqual asm fortran"
)
# A header of C is read by C++ as well.
_CPP = (
    "and and_eq bitand bitor catch char16_t char32_t char8_t class co_await co_return co_yield compl concept "
    "const_cast consteval constinit decltype delete dynamic_cast explicit export friend mutable namespace new "
    "noexcept not not_eq operator or or_eq private protected public reinterpret_cast requires static_cast template "
    "this throw try typeid typename using virtual wchar_t xor xor_eq"
)
# Types and macros of the headers that the code includes, and macros that compilers define unasked.
_TAKEN = (
    "NULL offsetof size_t ptrdiff_t max_align_t int8_t int16_t int32_t int64_t uint8_t uint16_t uint32_t uint64_t "
    "intptr_t uintptr_t intmax_t uintmax_t linux unix i386 AVR errno assert "
    # Macros without arguments of the other headers (C99 annex B): who includes one of them before ours would
    # find a member replaced. Those with arguments touch no member.
    "BUFSIZ CLOCKS_PER_SEC DECIMAL_DIG EDOM EILSEQ EOF ERANGE EXIT_FAILURE EXIT_SUCCESS FILENAME_MAX FOPEN_MAX "
    "HUGE_VAL HUGE_VALF HUGE_VALL I INFINITY L_tmpnam MB_CUR_MAX MB_LEN_MAX NAN RAND_MAX SEEK_CUR SEEK_END SEEK_SET "
    "TMP_MAX WEOF complex imaginary math_errhandling stderr stdin stdout"
)
# The same, by families: limits, floating point, formats, and what 7.26 keeps for signals, locales and rounding.
_FAMILIES = re.compile(
    r"(U?(CHAR|SHRT|INT|LONG|LLONG)|SCHAR|U?INT(_FAST|_LEAST)?\d+|U?INT(MAX|PTR)|PTRDIFF|SIG_ATOMIC|SIZE|WCHAR|WINT)"
    r"_(BIT|MAX|MIN|WIDTH)|(FLT|DBL|LDBL|FE|FP|LC|SIG|MATH)_[A-Z0-9_]+|SIG[A-Z][A-Z0-9]+|(PRI[diouxX]|SCN[dioux])"
    r"(FAST|LEAST)?(\d+|MAX|PTR)"
)
_DEFINED = "a name that C's headers or compilers define"
_REASONS = {
    **dict.fromkeys(_TAKEN.split(), _DEFINED),
    **dict.fromkeys(_CPP.split(), "a keyword of C++, which reads headers of C"),
    **dict.fromkeys(_C.split(), "a keyword of C"),
}
_HEADERS = (
    "assert complex ctype errno fenv float inttypes iso646 limits locale math setjmp signal stdalign stdarg "
    "stdatomic stdbit stdbool stdckdint stddef stdint stdio stdlib stdnoreturn string tgmath threads time uchar "
    "wchar wctype"
)
_SIGNIFICANT = (
    63  # "63 significant initial characters in an internal identifier or a macro name", C99 5.2.4.1
)
_MOST_TOLD = 20
_FIELD_HINT = "Rename it in the design file; names are not sent, so the octets stay the same"


class Spot(NamedTuple):
    """Where something stands in a message: its path for people, and the names on the way as they are."""

    path: str
    words: tuple[str, ...]

    def below(self, name: str, text: str = "") -> "Spot":
        """Return the spot of a field inside; ``text`` is how people write it."""
        path = f"{self.path}{text or '.' + name}" if self.path else text or name
        return Spot(path, (*self.words, name))


class Names:
    """The names of one message in C; ``judge`` refuses all together that cannot be, a prefix is refused at once."""

    def __init__(self, message: str, prefix: str | None) -> None:
        self._message = message
        given = message if prefix is None else value_of(str, prefix, "A prefix is text")
        self.prefix = c_name(given)
        what = "its name" if prefix is None else f"the prefix {prefix!r:.40}"
        hint = "Give another prefix"
        if not self.prefix.isascii() or not self.prefix.isidentifier() or self.prefix[0] == "_":
            raise self._refused(
                f"{what} is no name in C", "Use a letter, then letters, digits and '_'"
            )
        if len(self.prefix) > _SIGNIFICANT - 32:
            raise self._refused(
                f"{what} is too long to begin every name in C",
                f"{hint}, of at most {_SIGNIFICANT - 32} characters",
            )
        if self.prefix in _REASONS:
            reason = _REASONS[self.prefix]
            raise self._refused(f"{what} is {reason}, so nothing in C can be named so", hint)
        if self.prefix.lower() in _HEADERS.split():
            raise self._refused(f"{self.prefix}.h is a header of C itself", hint)
        self._known: dict[str, tuple[object, str]] = {}
        self._clashes: dict[str, str] = {}  # by whose they are: fields of one name clash in many
        for part in ("pack", "unpack", "unpack_prefix", "result", "self_test"):
            self._register(f"{self.prefix}_{part}", part, f"the function or type {part}")

    def of(self, suffix: str, spot: Spot | None = None) -> str:
        """Return a file-wide lower-case name: a function's, a structure's."""
        return self._wide("_".join(map(c_name, (self.prefix, *_words(spot)))), suffix, spot)

    def macro(self, suffix: str, spot: Spot | None = None, *, fresh: bool = False) -> str:
        """Return a constant's name, in capitals; ``fresh`` refuses it where the same field has it already."""
        words = "_".join(map(c_name, (self.prefix, *_words(spot)))).upper()
        return self._wide(words, c_name(suffix).upper(), spot, fresh=fresh)

    def error(self, spot: Spot) -> str:
        """Return the name of what is reported when this field is wrong."""
        words = "_".join(map(c_name, (self.prefix, "bad", *spot.words))).upper()
        return self._wide(words, "", spot)

    def _wide(self, words: str, suffix: str, spot: Spot | None, *, fresh: bool = False) -> str:
        name = f"{words}_{suffix}" if suffix else words
        owner = (_words(spot), suffix)
        told = f"field {spot.path}" if spot and spot.path else "the message"
        self._register(name, owner, told, fresh=fresh)
        return name

    def _register(self, name: str, owner: object, told: str, *, fresh: bool = False) -> None:
        key = name[:_SIGNIFICANT]
        if key not in self._known:
            self._known[key] = owner, told
            return
        other, other_told = self._known[key]
        if other == owner and not fresh:
            return
        alike = (
            "the same name"
            if len(name) <= _SIGNIFICANT
            else f"names alike in {_SIGNIFICANT} characters"
        )
        whom = f"{other_told} and {told}" if other_told != told else f"two parts of {told}"
        self._clashes.setdefault(whom, f"{whom} would have {alike} in C, {name}")

    def members(self, spot: Spot, members: list[tuple[str, Spot]]) -> None:
        """Note member names of one structure that C has a use for or that stand there twice."""
        seen: dict[str, Spot] = {}
        for name, owner in members:
            reason = _REASONS.get(name) or (_DEFINED if _FAMILIES.fullmatch(name) else "")
            if reason:
                text = f"field {owner.path} cannot be named {name} in C: it is {reason}"
                self._clashes.setdefault(f"{owner.path} {name}", text)
            if name in seen:
                where = f" of {spot.path}" if spot.path else ""
                both = f"fields {seen[name].path} and {owner.path}"
                text = f"{both} would both have a member {name}{where} in C"
                self._clashes.setdefault(both, text)
            seen[name] = owner

    def judge(self) -> None:
        """Raise ``RequestError`` for all names that were asked for and cannot be."""
        texts = list(self._clashes.values())
        if not texts:
            return
        if len(texts) == 1:
            raise self._refused(texts[0], _FIELD_HINT)
        more = f"; and {len(texts) - _MOST_TOLD} more" if len(texts) > _MOST_TOLD else ""
        told = "; ".join(texts[:_MOST_TOLD])
        raise self._refused(
            f"{len(texts)} names cannot be so in C: {told}{more}",
            _FIELD_HINT.replace("it", "them", 1),
        )

    def _refused(self, text: str, hint: str) -> RequestError:
        return RequestError(f"message {self._message}: {text}", hint=hint)


def c_name(name: str) -> str:
    """Return a name of a message with what C does not allow in names replaced."""
    return name.replace("-", "_")


def _words(spot: Spot | None) -> tuple[str, ...]:
    return spot.words if spot else ()
