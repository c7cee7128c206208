"""How do the words of ``stopwise watch`` fill a terminal, in large letters or a line a frame?

A common screen of 80 columns and 24 rows holds four answers in large letters. What does
not fit is cut at a sentence or marked with dots; the page holds all of it.
"""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING

from lab.cli.big_letters import big
from lab.cli.watch_text import WITHOUT_FIGURE, Answer, Words, sentence

if TYPE_CHECKING:
    from lab.session.quick_look import QuickLook

__all__ = ["look_line", "screen", "screen_line"]

_COLUMNS, _ROWS = 80, 24


def screen(w: Words, *, url: str, keys: str, columns: int, rows: int) -> str:
    """A whole terminal screen; plain text where 80 columns of large letters do not fit.

    Parameters
    ----------
    w : Words
    url : str
        Of the page.
    keys : str
        What the keys do.
    columns, rows : int
        Size of the terminal.
    """
    width = min(columns, _COLUMNS) - 1
    if columns < _COLUMNS or rows < _ROWS:
        lines = [
            f"{w.arrow} {w.trend}, {w.sharpness} {w.unit} (best {w.best})"
            if w.sharpness not in WITHOUT_FIGURE
            else f"{w.arrow} {w.sharpness}: {w.trend}",
            w.advice,
            *([w.trouble] if w.trouble else []),
            *(f"{a.name} {a.large}. {a.detail}" for a in _answers(w)),
            w.status,
            url,
            keys,
        ]
        return "\n".join(_cut(line, width) for line in lines[: max(rows - 1, 1)])
    lines = [_ends(w.place or w.folder, w.status, width)]
    lines += big(f"{w.arrow} {w.sharpness}  BEST {w.best}")
    room = rows - len(lines) - 4 * len(_answers(w)) - 2
    lines += _paragraphs(w, width, room)
    for answer in _answers(w):
        large = answer.large.replace(" of ", "/").upper()
        lines += big(_LARGE.get(answer.name, "{}").format(large))
        lines.append(_whole_sentences(answer.detail, width))
    lines += [_cut(keys, width), url]
    return "\n".join(lines)


def _paragraphs(w: Words, width: int, room: int) -> list[str]:
    """Focus, trouble and best frame in so many lines; what matters more gets them first."""
    focus = _folded(f"{sentence(w.trend)} {w.advice}", width)
    trouble = _folded(w.trouble, width)
    best = _folded(f"Best so far ({w.unit}): {w.best_detail}", width)
    # The best frame's figure stands above in large letters: without its name a frame that
    # went wrong can say all of why.
    is_wrong = w.sharpness in ("LOST", "MOVED")
    kept = min(len(trouble), 1) + (0 if is_wrong and len(focus) > 1 else min(len(best), 1))
    lines = _first(focus, max(room - kept, 1), width)
    lines += _first(trouble, room - len(lines), width)
    return lines + _first(best, room - len(lines), width)


def _folded(text: str, width: int) -> list[str]:
    return wrap(_printable(text), width, break_on_hyphens=False)


def _first(lines: list[str], most: int, width: int) -> list[str]:
    """So many lines, and whether there were more."""
    if len(lines) <= most:
        return lines
    return [*lines[: most - 1], _cut(" ".join(lines[most - 1 :]), width)] if most > 0 else []


def _whole_sentences(text: str, width: int) -> str:
    """As many of the first sentences as fit a line; a part of the first if it does not."""
    line = text
    while len(line) > width and ". " in line:
        line = f"{line[: line.rindex('. ')]}."
    return _cut(line, width)


# What the large letters say where the name is not clear from the answer.
_LARGE = {"Keepers": "KEEPERS {}", "Next shot": "NEXT {}"}


def _answers(w: Words) -> tuple[Answer, ...]:
    answers = (w.clipped, w.square, w.keepers, w.following)
    return answers if w.shot_list else answers[:3]


def look_line(look: QuickLook) -> str:
    """One line for a frame that is not the newest, where standard output is no terminal."""
    figure = "" if look.mtf50_cyc_per_px is None else f" {look.mtf50_cyc_per_px:.4f}"
    reason = f": {look.reason}" if look.reason else ""
    return f"{look.file}: {look.status}{figure}{reason}"


def screen_line(w: Words) -> str:
    """One line a frame, where standard output is no terminal."""
    why = f": {w.square.detail.removesuffix('.')}" if w.square.state == "bad" else ""
    parts = [
        f"{w.file}: {w.place}",
        f"{w.trend}, {w.sharpness} {w.unit}, best {w.best}",
        f"clipped? {w.clipped.large}",
        f"square? {w.square.large}{why}",
        f"keepers {w.keepers.large}",
    ]
    if w.following.large:
        parts.append(f"next {w.following.large}")
    if w.sharpness in ("LOST", "MOVED"):
        parts[1] = f"{w.trend}: {w.advice.removesuffix('.')}"
    return "; ".join(parts)


def _ends(left: str, right: str, width: int) -> str:
    room = width - len(right) - 2
    return f"{_cut(left, room):<{room}}  {right}" if room > 10 else _cut(left, width)


def _printable(text: str) -> str:
    """Foreign control characters cannot reach the terminal."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def _cut(line: str, width: int) -> str:
    """A line that fits."""
    clean = _printable(line)
    return clean if len(clean) <= width else clean[: width - 3] + "..."
