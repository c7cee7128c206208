"""Rules of thumb put to the test, as a table over magnifications, 80 columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from lab.cli.summary import rule_text, stop_text
from lab.cli.terminal import print_table, print_wrapped

if TYPE_CHECKING:
    from lab.inference.results import RuleResult

__all__ = ["print_rules"]


def print_rules(verdicts: Sequence[tuple[float, Sequence[RuleResult]]]) -> None:
    """Each magnification's rules: verdict, how sure, and what the rule costs or gives away.

    Parameters
    ----------
    verdicts : sequence of (magnification, sequence of RuleResult)
        "sure" is the likeliest verdict's probability where none can be told.
    """
    rows = [_row(size, one) for size, several in verdicts for one in several]
    if not rows:
        return
    print_table(["size", "rule", "verdict", "sure", "limit", "loss, 95 %", "depth"], rows)
    print_wrapped(
        "holds: the limit lies within half a stop of the deepest sharp stop, as near as rules that "
        "name whole stops can be. loss: of MTF50 at the rule's limit; depth: of field at the "
        "deepest sharp stop over that at the limit, by the wave criterion."
    )
    for size, several in verdicts:
        for one in several:
            if one.reason:
                print_wrapped(f"{size:.4g}x, {rule_text(one.rule)}: {one.reason}")


def _row(size: float, one: RuleResult) -> list[str]:
    from reports.words import telling_digits

    loss, low, high = one.loss_percent, one.loss_low95, one.loss_high95
    depth = one.depth_given_away
    digits = telling_digits(low, high, 0)
    return [
        f"{size:.4g}x",
        rule_text(one.rule),
        one.verdict,
        f"{100 * one.probability:.0f} %",
        stop_text(one.limit_stop),
        "-"
        if loss is None or low is None or high is None
        else f"{loss:.{digits}f} % ({low:.{digits}f} to {high:.{digits}f})",
        "-" if depth is None else f"{depth:.1f}x",
    ]
