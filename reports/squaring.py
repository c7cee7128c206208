"""How is a target brought square to the lens, in words?"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["squaring_words"]


def squaring_words(sides: Sequence[str]) -> str:
    """What to do with a target whose sides lie too far away, without a full stop.

    Parameters
    ----------
    sides : sequence of str
        Those too far from the lens, "left" or "right", "upper" or "lower", as the frame
        shows them; one or two.

    Raises
    ------
    ValueError
        If there is no side.
    """
    if not sides:
        raise ValueError("a target without a far side needs no squaring")
    return f"bring the target's {' and '.join(sides)} side nearer to the lens"
