"""Change a file's bytes: at random, or by what its format makes interesting.

Each function takes the bytes and a ``random.Random`` and gives other bytes (now and then
the same ones). ``mutated`` chooses by content.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Callable
from random import Random

from tests.fuzz.mutate_archive import mutated_bundle, mutated_store

__all__ = ["mutated"]

_NUMBERS = (0, 1, 2, 3, 7, 8, 16, 127, 128, 255, 256, 1000, 4096, 32767, 32768, 65535, 65536)
_LARGE = (2**24, 2**31 - 1, 2**31, 2**32 - 1, 2**32 - 2, 0x0BADF00D)
_MOST_BYTES = 300_000  # small inputs do not grow beyond it, large ones not beyond twice theirs

Mutation = Callable[[bytes, Random], bytes]


def mutated(content: bytes, other: bytes, rng: Random) -> bytes:
    """A mutated input.

    Parameters
    ----------
    content : bytes
        What is mutated.
    other : bytes
        Another input of the same reader, for splicing.
    rng : Random

    Returns
    -------
    bytes
    """
    ways, most = _ways(content), max(_MOST_BYTES, 2 * len(content))
    if rng.random() < 0.08:
        content = _spliced(content, other, rng)
    for _ in range(1 + int(rng.expovariate(0.9))):
        content = rng.choice(ways)(content, rng)
    if content.startswith(_PNG) and rng.random() < 0.8:
        content = _checked_png(content)
    return content[:most]


def _ways(content: bytes) -> list[Mutation]:
    plain = [_bit, _run, _number, _cut, _inserted, _removed, _doubled]
    if content[:4] in (b"II*\0", b"MM\0*"):
        return plain + [_tiff] * 10
    if content.startswith(b"PK"):
        return plain + [_bundle] * 14
    if content.startswith(b"SQLite"):
        return plain + [mutated_store] * 7
    if b"\0" in content or content.startswith((b"\xff\xd8", _PNG)):
        return plain
    return plain + [_tokens] * 14


def _bundle(content: bytes, rng: Random) -> bytes:
    return mutated_bundle(content, rng, lambda member: mutated(member, member, rng))


# Bytes


def _bit(content: bytes, rng: Random) -> bytes:
    changed = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 8)) if changed else 0):
        changed[_place(changed, rng)] ^= 1 << rng.randrange(8)
    return bytes(changed)


def _place(content: bytes | bytearray, rng: Random) -> int:
    """Any byte, but more often one near the start, where the tables are."""
    near = min(len(content), 600)
    return rng.randrange(near if rng.random() < 0.5 else len(content))


def _run(content: bytes, rng: Random) -> bytes:
    if not content:
        return content
    at, size = _place(content, rng), rng.choice((1, 2, 4, 8, 64, 500))
    fill = rng.choice((b"\0", b"\xff", b"")) * size or rng.randbytes(size)
    return content[:at] + fill + content[at + size :]


def _number(content: bytes, rng: Random) -> bytes:
    size = rng.choice((1, 2, 4, 8))
    if len(content) < size:
        return content
    value = rng.choice((*_NUMBERS, *_LARGE, len(content))) % (1 << 8 * size)
    at = min(_place(content, rng), len(content) - size)
    coded = value.to_bytes(size, rng.choice(("little", "big")))  # type: ignore[arg-type]
    return content[:at] + coded + content[at + size :]


def _cut(content: bytes, rng: Random) -> bytes:
    return content[: rng.randrange(len(content) + 1)]


def _inserted(content: bytes, rng: Random) -> bytes:
    at = rng.randrange(len(content) + 1)
    return content[:at] + rng.randbytes(rng.choice((1, 2, 4, 30))) + content[at:]


def _removed(content: bytes, rng: Random) -> bytes:
    at = rng.randrange(len(content) + 1)
    return content[:at] + content[at + rng.choice((1, 2, 4, 30, 1000)) :]


def _doubled(content: bytes, rng: Random) -> bytes:
    start = rng.randrange(len(content) + 1)
    block = content[start : start + rng.choice((4, 12, 100, 2000))]
    at = rng.randrange(len(content) + 1)
    return content[:at] + block * rng.choice((1, 1, 3)) + content[at:]


def _spliced(content: bytes, other: bytes, rng: Random) -> bytes:
    return content[: rng.randrange(len(content) + 1)] + other[rng.randrange(len(other) + 1) :]


# PNG: a wrong checksum would hide what stands behind it

_PNG = b"\x89PNG\r\n\x1a\n"


def _checked_png(content: bytes) -> bytes:
    pieces, at = [content[:8]], 8
    while at + 12 <= len(content):
        (size,) = struct.unpack_from(">I", content, at)
        body = content[at + 4 : at + 8 + size]
        if at + 12 + size > len(content):
            break
        pieces += [content[at : at + 4], body, struct.pack(">I", zlib.crc32(body))]
        at += 12 + size
    return b"".join(pieces) + content[at:]


# TIFF: the entries of its directories

_TAGS = (254, 256, 257, 258, 259, 262, 273, 274, 277, 278, 279, 284, 317, 322, 323, 324, 325)
_TAGS += (330, 338, 339, 513, 514, 34665, 33421, 33422, 34675, 50706, 50713, 50714, 50717, 50719)
_TAGS += (50720, 50829, 37500, 33434, 33437, 36867, 50741, 50838)


def _tiff(content: bytes, rng: Random) -> bytes:
    """Change one entry of a directory, or how directories hang together."""
    order = "<" if content[:2] == b"II" else ">"
    entries, ends = _directories(content, order)
    if not entries:
        return _bit(content, rng)
    changed = bytearray(content)

    def put(code: str, at: int, value: int) -> None:
        size = struct.calcsize(order + code)
        if 0 <= at <= len(changed) - size:
            struct.pack_into(order + code, changed, at, value % (1 << 8 * size))

    at = rng.choice(entries)
    value = rng.choice((*_NUMBERS, *_LARGE, rng.randrange(65536), rng.randrange(len(content) + 1)))
    what = rng.randrange(9)
    if what == 0:
        put("H", at, rng.choice(_TAGS))
    elif what == 1:
        put("H", at + 2, rng.choice((*range(20), 255, 65535)))
    elif what == 2:
        put("I", at + 4, value)
    elif what in (3, 4):
        put("I", at + 8, value)
    elif what == 5:
        put("H", at + 8, value)
    elif what == 6:  # a chain that leads back, or anywhere
        put("I", rng.choice(ends), rng.choice((8, value, at)))
    elif what == 7:  # a sub-directory that is its own parent
        put("H", at, rng.choice((330, 34665)))
        put("H", at + 2, 4)
        put("I", at + 4, 1)
        put("I", at + 8, rng.choice((8, ends[0], value)))
    else:  # the value that an entry points at
        (where,) = struct.unpack_from(order + "I", content, at + 8)
        put(rng.choice("BHI"), where + rng.randrange(16), value)
    return bytes(changed)


def _directories(content: bytes, order: str) -> tuple[list[int], list[int]]:
    """Where the entries of all directories stand, and the offsets of the next ones."""
    entries: list[int] = []
    ends: list[int] = []
    if len(content) < 8:
        return entries, ends
    todo = [struct.unpack_from(order + "I", content, 4)[0]]
    done: set[int] = set()
    while todo and len(done) < 10:
        at = todo.pop()
        if at in done or not 0 < at <= len(content) - 6:
            continue
        done.add(at)
        (count,) = struct.unpack_from(order + "H", content, at)
        end = at + 2 + 12 * count
        if count > 200 or end + 4 > len(content):
            continue
        entries += range(at + 2, end, 12)
        ends.append(end)
        todo.append(struct.unpack_from(order + "I", content, end)[0])
        for entry in range(at + 2, end, 12):
            tag, _, number, value = struct.unpack_from(order + "HHII", content, entry)
            if tag in (330, 34665) and number == 1:
                todo.append(value)
    return entries, ends


# TOML, JSON, CSV, a slate's text: tokens and lines

_TOKEN = re.compile(rb'"[^"\n]*"|[0-9][0-9.eE+-]*|\w+|\s+|.', re.DOTALL)
_WORDS: tuple[bytes, ...] = (
    *(b"0 -1 1e999 -1e999 1e-320 nan inf -inf NaN Infinity -Infinity 1e308 0x7f 1_000".split()),
    *(b"9007199254740993 1.5 true false null 2.8 07 1979-05-27T07:32:00Z 12:30:00".split()),
    *('"" "a" "\\u0000" "\\ud800" "\\u202e" "\U0001f600" "\x1b[2J"'.encode().split()),
    *b"[] {} [[]] [0] [[0,0]] {a=1} [1,2]".split(),
    *b'".." "/etc" "a\\\\b" "C:/x" "**" "["'.split(),
    *b"; , = : . # ' \"\"\" [ ] { } [[ ]] % $ + / \\ ( )".split(),
    *"\u00b5 \u00e9 \u0663 \u00bd \uff41 \ufdfd \u202e \U0001d7db".encode().split(),
    b"\0",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\r",
    b"\r\n",
    b"\n",
    b"\t",
    b" ",
    b"=cmd|1",
)  # fmt: skip


def _tokens(content: bytes, rng: Random) -> bytes:
    what = rng.randrange(10)
    if what == 0:
        return _lines(content, rng)
    tokens = _TOKEN.findall(content)
    if not tokens:
        return rng.choice(_WORDS)
    at = rng.randrange(len(tokens))
    if what in (1, 2, 3):
        tokens[at] = rng.choice(_WORDS)
    elif what == 4:
        tokens.insert(at, rng.choice(_WORDS))
    elif what == 5:
        del tokens[at]
    elif what == 6:
        tokens.insert(at, rng.choice(tokens))
    elif what == 7:
        tokens[at] = rng.choice(tokens)
    elif what == 8:
        tokens[at] = _long(rng)
    else:  # a number a little or very different
        numbers = [i for i, token in enumerate(tokens) if token[:1].isdigit()]
        if numbers:
            at = rng.choice(numbers)
            tail = rng.choice((b"0" * 400, b"e300", b"e-300", b".5", b"1", b"e", b"_0"))
            tokens[at] = rng.choice((b"-", b"", b"")) + tokens[at] + tail
    return b"".join(tokens)


def _long(rng: Random) -> bytes:
    many = rng.choice((300, 3000, 30_000))
    start, middle, end = rng.choice(
        (
            (b"", b"9", b""),
            (b'"', b"a", b'"'),
            (b'"', "é".encode(), b'"'),
            (b"", b"[", b""),
            (b"", b"[[", b"]]"),
            (b"", b"{a=", b""),
            (b"", b'{"a":', b""),
            (b"", b"a.", b"a"),
            (b"[", b"1,", b"1]"),
            (b"0.", b"0", b"1"),
            (b"", b",", b""),
            (b"#", b" ", b"\n"),
            (b'"', b"%41", b'"'),
            (b"", b"\n", b""),
            (b'"', b'""', b'"'),
        )
    )
    return start + middle * many + end


def _lines(content: bytes, rng: Random) -> bytes:
    lines = content.split(b"\n")
    i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
    what = rng.randrange(5)
    if what == 0:
        lines[i], lines[j] = lines[j], lines[i]
    elif what == 1:
        lines.insert(i, lines[j])
    elif what == 2:
        del lines[i]
    elif what == 3:
        lines[i] = lines[i] + lines[j]
    else:
        return b"\xef\xbb\xbf" + content
    return b"\n".join(lines)
