"""Which stop, how sure, what does one stop further cost, does my rule of thumb hold?

The answers of a session, a card for each magnification, before anything else. Each is
read from the records; every reason and figure stands further down the page.
"""

from __future__ import annotations

import math

from lab.inference.results import RuleResult, SeriesResult, SessionResult
from reports import words
from reports.markup import prose, text

__all__ = ["first_screen", "rule_answers"]

_ANSWERS = {
    "holds": "Yes.",
    "too cautious": "No, too cautious.",
    "too bold": "No, too bold.",
    "cannot tell": "Cannot tell.",
}


def first_screen(result: SessionResult, parts: tuple[str, ...]) -> str:
    """Heading and cards.

    Parameters
    ----------
    result : SessionResult
    parts : tuple of str
        For each series the part of the page that it belongs to, see
        ``reports.page_controls``.
    """
    if not result.series:
        return "<h2>Which stop to use</h2>\n<p>No magnification of this session was measured.</p>"
    cards = "\n".join(
        _card(result, series, index, part)
        for index, (series, part) in enumerate(zip(result.series, parts, strict=True), start=1)
    )
    return f'<h2 id="answers">Which stop to use</h2>\n<div class="answers">\n{cards}\n</div>'


def _card(result: SessionResult, series: SeriesResult, index: int, part: str) -> str:
    best = words.recommended_point(series)
    stop = "unknown" if best is None else words.marked_stop(best.marked_stop)
    sure = words.optimum_words(series)
    if best is not None and words.is_bracketed(series):
        sure = f"Optimum {sure}"
    rules = "".join(f"<dd>{answer}</dd>" for answer in rule_answers(result, series))
    return (
        f'<section class="answer" aria-labelledby="answer-{index}" data-part="{part}">\n'
        f'<h3 id="answer-{index}">At {words.magnification_words(series.magnification)}</h3>\n'
        f'<p class="stop">{stop}</p>\n<dl>\n'
        f"<dt>How sure?</dt><dd>{prose(sure)}</dd>\n"
        f"<dt>What does one stop further cost?</dt><dd>{prose(words.cost_words(series))}</dd>\n"
        f"<dt>Does a rule of thumb hold?</dt>{rules}\n"
        f"<dt>Deepest sharp stop</dt><dd>{prose(words.deepest_words(series))}</dd>\n</dl>\n"
        "</section>"
    )


def rule_answers(result: SessionResult, series: SeriesResult) -> tuple[str, ...]:
    """Whether each rule of thumb holds at a magnification, each as HTML; one at least."""
    rules = tuple(
        rule
        for one in (() if result.lens is None else result.lens.series)
        if math.isclose(one.magnification, series.magnification)
        for rule in one.rules
    )
    if not rules:
        return ("No rule was put to the test here.",)
    return tuple(_answer(series, rule) for rule in rules)


def _answer(series: SeriesResult, one: RuleResult) -> str:
    limit = words.stop_words(series, one.limit_stop)
    name = f"<strong>{_ANSWERS[one.verdict]}</strong> “{text(one.rule)}”"
    if one.verdict == "cannot tell":
        reason = f": {text(one.reason)}" if one.reason else ""
        return f"{name} ends at {limit} here{reason}."
    known = one.loss_percent is not None and math.isfinite(one.loss_percent)
    if one.verdict == "too cautious":
        rest = ": one may stop down further"
    elif known:
        rest = f", where {words.number(one.loss_percent, 0)} % of MTF50 is lost"
    else:
        rest = ""
    return f"{name} ends at {limit} here{prose(rest)} ({_chance(one.probability)})."


def _chance(probability: float) -> str:
    percent = 100 * probability
    if not math.isfinite(percent):
        return "probability unknown"
    return (
        "probability over 99\xa0%"
        if percent >= 99.5
        else f"probability {words.number(percent, 0)}\xa0%"
    )
