"""Which session is sharper, at what, on one page that needs nothing else?

``render_comparison`` words a `Comparison` as one HTML file: the answer to each stated
question first, then magnification by magnification curves, figures and differences, the
fields held over a depth, and what to doubt. No script, no request, no overall figure.
``comparison_csv`` gives the same figures as a table. Nothing is measured here.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence

from lab.inference.compare_records import (
    ComparedSession,
    ComparedValue,
    Comparison,
    FieldComparison,
    MagnificationComparison,
    PairDifference,
    Question,
)
from reports import compare_words, words
from reports.compare_figures import MOST_OVERLAID, draw_differences, draw_size
from reports.markup import document, figure, prose, table, text

__all__ = ["comparison_csv", "render_comparison"]

_LONGEST_NAME = 80
_MOST_ROWS = 30  # of a table; all are in data.csv
_MOST_NAMED = 60  # sessions introduced
_MOST_VERDICTS = 12  # on pairs of one question, where sessions are many
_VALUE_FLAGS = {
    "optimum-not-bracketed": "at the end of the stops measured: the optimum may lie beyond",
    "interpolated": "interpolated between the stops",
}
_COLUMNS = (
    "question",
    "magnification",
    "effective_f_number",
    "depth_um",
    "kind",
    "session",
    "against",
    "lens",
    "name",
    "value",
    "unit",
    "low95",
    "high95",
    "p",
    "p_corrected",
    "told_apart",
    "place",
)


def render_comparison(comparison: Comparison) -> str:
    """The page of a comparison as one HTML text; the same comparison gives the same bytes."""
    count = len(comparison.sessions)
    header = (
        f"<h1>{count} sessions compared</h1>\n"
        '<p class="quiet">Object-side MTF50, green channel, centre of the field. Sessions go by '
        "letter.</p>"
    )
    simulated = compare_words.simulated_words(comparison)
    if simulated:
        header += f'\n<p class="simulated" role="note">{prose(simulated)}</p>'
    main = [_answers(comparison), _who(comparison)]
    differences = draw_differences(comparison)
    if differences is not None:
        main += ["<h2>Differences at each one's own optimum</h2>", figure(differences)]
    main += [_size(one, k, comparison) for k, one in enumerate(comparison.magnifications, start=1)]
    if comparison.fields:
        main.append(_fields(comparison))
    main += [_doubt(comparison), _METHOD, _provenance(comparison)]
    return document(
        f"{count} sessions compared | stopwise",
        header,
        "\n".join(part for part in main if part),
        "<p>Made by stopwise. This page is one file and asks nothing of any network.</p>",
    )


def _answers(comparison: Comparison) -> str:
    rows = [
        (prose(statement), prose(places)) for statement, places in compare_words.answers(comparison)
    ]
    parts = ['<h2 id="answers">What can be told</h2>']
    if rows:
        parts.append(
            table(
                "Places, question by question: one more than the number of sessions told to be "
                "ahead. Tied: as many are ahead of each. There is no overall order.",
                ("Question", "Answer"),
                rows,
            )
        )
    else:
        parts.append("<p>The sessions share no magnification and no field: nothing compares.</p>")
    unshared = compare_words.unshared_words(comparison)
    if unshared is not None:
        parts.append(f"<p>{prose(unshared)}</p>")
    if comparison.warnings:
        items = "\n".join(f"<li>{text(words.with_micro(one))}</li>" for one in comparison.warnings)
        parts.append(f"<h3>What to know of these sessions</h3>\n<ul>\n{items}\n</ul>")
    parts.append('<p><a href="#doubt">What to doubt</a></p>')
    return "\n".join(parts)


def _who(comparison: Comparison) -> str:
    named = compare_words.named_sessions(comparison, _MOST_NAMED)
    has_source = any(one.source for one in comparison.sessions)
    rows = [
        (
            one.letter,
            _name(one.lens_name),
            _name(one.body_name),
            _name(one.name) + (" (simulated)" if one.simulated else ""),
            *((_name(one.source),) if has_source else ()),
            f"{one.pixel_pitch_um:g}",
            ", ".join(words.magnification_words(m) for m in one.magnifications),
        )
        for one in (comparison.sessions[k] for k in named)
    ]
    head = (
        *("", "Lens", "Body", "Session"),
        *(("Folder or bundle",) if has_source else ()),
        *("Pitch, µm", "Magnifications"),
    )
    rest = len(comparison.sessions) - len(rows)
    return "<h2>Who is compared</h2>\n" + table(
        "Sessions in the order given."
        + (f" Those that come first somewhere; {rest} more are in data.csv." if rest else ""),
        head,
        rows,
    )


def _name(name: str) -> str:
    short = name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"
    return text(short)


def _size(size: MagnificationComparison, index: int, comparison: Comparison) -> str:
    at = words.magnification_words(round(size.magnification, 2))
    sessions = comparison.sessions
    parts = [f'<h2 id="size-{index}">At {at}</h2>']
    if size.measured_high > 1.01 * size.measured_low:
        parts.append(
            f'<p class="quiet">Measured magnifications run from {size.measured_low:.3f} to '
            f"{size.measured_high:.3f}: image sides do not compare, object sides do.</p>"
        )
    if size.missing:
        lack = compare_words.listed([sessions[k].letter for k in size.missing])
        parts.append(f'<p class="quiet">Not measured at {at}: {prose(lack)}.</p>')
    parts.append(figure(draw_size(size, sessions, name=f"curves-{index}")))
    parts.append("<h3>Each at its own optimum</h3>")
    parts.append(_optimum_table(size, sessions, at))
    parts.append(_verdicts(size.optimum, sessions))
    parts.append("<h3>All at one effective f\N{NON-BREAKING HYPHEN}number</h3>")
    if size.equal_stops:
        parts.append(_equal_table(size, sessions, at))
    else:
        parts.append(
            "<p>No effective f\N{NON-BREAKING HYPHEN}number was measured by all: nothing compares "
            "here. Name fewer sessions, or measure more stops.</p>"
        )
    if size.depth_at_optimum is not None:
        parts.append(
            f"<h3>Depth within {size.loss_percent:g}\N{NO-BREAK SPACE}% of the optimum</h3>"
        )
        rows = [
            (
                sessions[v.session].letter,
                words.number(v.value),
                words.interval_words(v.low95, v.high95, 1),
                words.estimated_stop(v.stop),
            )
            for v in _by_place(size.depth_at_optimum)
        ]
        caption = f"Depth in the subject at {at}, each at its own optimum."
        caption += _more(size.depth_at_optimum)
        head = ("", "Depth, µm", "95 % interval", "Ring at")
        parts += [table(caption, head, rows), _verdicts(size.depth_at_optimum, sessions)]
    return "\n".join(part for part in parts if part)


def _by_place(question: Question) -> Iterator[ComparedValue]:
    """Figures by place, the first of many."""
    values = {value.session: value for value in question.values}
    return (values[one.session] for one in question.places[:_MOST_ROWS])


def _more(question: Question) -> str:
    """What a caption says of the rows that are not shown."""
    rest = len(question.values) - _MOST_ROWS
    return f" The first {_MOST_ROWS}; {rest} more are in data.csv." if rest > 0 else ""


def _places(question: Question) -> dict[int, int]:
    return {one.session: one.place for one in question.places}


def _optimum_table(
    size: MagnificationComparison, sessions: Sequence[ComparedSession], at: str
) -> str:
    places = _places(size.optimum)
    rows = []
    for v in _by_place(size.optimum):
        digits = words.decimals([(v.high95 - v.low95) / 4])
        notes = ", ".join(_VALUE_FLAGS[flag] for flag in v.flags) or "none"
        rows.append(
            (
                sessions[v.session].letter,
                str(places[v.session]),
                f"{words.number(v.value, digits)} "
                f"({words.interval_words(v.low95, v.high95, digits)})",
                f"{words.number(v.mtf50_image_cyc_per_mm, digits)} "
                f"({words.interval_words(v.image_low95, v.image_high95, digits)})",
                words.estimated_stop(v.stop),
                f"f/{words.number(v.effective_f_number)}",
                f"{words.number(v.percent_of_diffraction, 0)} %",
                prose(notes),
            )
        )
    head = (
        "",
        "Place",
        "MTF50, object side",
        "MTF50, image side",
        "Ring at",
        "Effective",
        "Of diffraction",
        "Notes",
    )
    caption = f"Sharpest of each session at {at}, cycles/mm, with its own 95 % interval."
    return table(caption + _more(size.optimum), head, rows, wide=True)


def _equal_table(
    size: MagnificationComparison, sessions: Sequence[ComparedSession], at: str
) -> str:
    span = f"f/{words.number(size.shared_low)} to f/{words.number(size.shared_high)}"
    if len(size.sessions) > MOST_OVERLAID:
        rows = [
            (
                f"f/{words.number(one.effective_f_number)}",
                prose(compare_words.place_words(one, sessions)),
            )
            for one in size.equal_stops
        ]
        caption = f"Places at one effective f-number, {at}; measured by all: {span}."
        return table(caption, ("Effective", "Answer"), rows)
    full: list[tuple[str, ...]] = []
    for one in size.equal_stops:
        cells = [
            f"{words.number(v.value)} ({words.interval_words(v.low95, v.high95, 1)})"
            for v in one.values
        ]
        told = [
            prose(compare_words.pair_words(one, pair, sessions))
            for pair in one.pairs
            if pair.told_apart
        ]
        full.append(
            (
                f"f/{words.number(one.effective_f_number)}",
                *cells,
                "<br>".join(told) or "none can be told apart",
            )
        )
    head = ("Effective", *(sessions[k].letter for k in size.sessions), "Told apart")
    caption = (
        f"Object-side MTF50 at one effective f-number, {at}, cycles/mm with 95 % intervals; "
        f"measured by all: {span}."
    )
    return table(caption, head, full, wide=True)


def _verdicts(question: Question, sessions: Sequence[ComparedSession]) -> str:
    """Each pair's verdict; past a handful of sessions, of the first with those after it."""
    pairs = list(question.pairs)
    if len(question.values) > MOST_OVERLAID:
        first = question.places[0].session
        of = {pair.first + pair.second - first: pair for pair in pairs if first in _both(pair)}
        pairs = [of[one.session] for one in question.places[1 : _MOST_VERDICTS + 1]]
    items = "\n".join(
        f"<li>{prose(compare_words.pair_words(question, pair, sessions))}.</li>" for pair in pairs
    )
    rest = question.pair_count - len(pairs)
    more = ""
    if rest:
        more = f'\n<p class="quiet">{prose(compare_words.rest_words(question, rest))}</p>'
    return f"<ul>\n{items}\n</ul>{more}"


def _both(pair: PairDifference) -> tuple[int, int]:
    return pair.first, pair.second


def _fields(comparison: Comparison) -> str:
    parts = [
        "<h2>One field, one depth</h2>",
        f"<p>{prose(_FIELD_WORDS)}"
        + (
            " The depth is a hundredth of the field's width, chosen by us: name another with "
            "--depth."
            if comparison.depth_is_chosen
            else ""
        )
        + "</p>",
    ]
    for field in comparison.fields:
        parts.append(_field(field, comparison.sessions))
    return "\n".join(parts)


def _field(field: FieldComparison, sessions: Sequence[ComparedSession]) -> str:
    places = _places(field.held)
    rows = [
        (
            sessions[v.session].letter,
            str(places[v.session]),
            f"{words.number(v.value)} ({words.interval_words(v.low95, v.high95, 1)})",
            words.estimated_stop(v.stop),
            f"f/{words.number(v.effective_f_number)}",
            f"{words.number(v.magnification, 2)}\N{MULTIPLICATION SIGN}",
            "unknown" if v.crop_width is None else f"{words.number(100 * v.crop_width, 0)} %",
        )
        for v in _by_place(field.held)
    ]
    head = ("", "Place", "MTF50 held", "Ring at", "Effective", "Magnification", "Of the width")
    title = words.capital(compare_words.field_words(field))
    left = ""
    if field.left_out:
        who = compare_words.listed([sessions[k].letter for k in field.left_out])
        left = f'<p class="quiet">Left out (a smaller field, or no model): {prose(who)}.</p>'
    caption = "Object-side MTF50 at the worst place in the depth, cycles/mm, 95 % intervals."
    caption += _more(field.held)
    return "\n".join(
        (
            f"<h3>{prose(title)}</h3>",
            table(caption, head, rows),
            _verdicts(field.held, sessions),
            left,
        )
    )


def _doubt(comparison: Comparison) -> str:
    sentences = [
        compare_words.repeatability_words(comparison),
        *comparison.cautions,
        compare_words.tests_words(comparison),
    ]
    items = "\n".join(f"<li>{prose(one)}</li>" for one in sentences)
    return f'<h2 id="doubt">What to doubt</h2>\n<ul>\n{items}\n</ul>'


def _provenance(comparison: Comparison) -> str:
    named = compare_words.named_sessions(comparison, _MOST_NAMED)
    keys = list(dict.fromkeys(key for k in named for key in comparison.provenance[k]))
    rows = [
        (
            comparison.sessions[k].letter,
            *(
                f"<span>{text(_cut(comparison.provenance[k].get(key, 'unknown')))}</span>"
                for key in keys
            ),
        )
        for k in named
    ]
    rest = len(comparison.sessions) - len(named)
    return "<h2>Where it comes from</h2>\n" + table(
        "What each result rests on; long values are cut."
        + (f" Of {rest} more: --json." if rest else ""),
        ("", *(text(words.capital(key)) for key in keys)),
        rows,
        wide=True,
    )


def _cut(value: str) -> str:
    return value if len(value) <= 40 else value[:16] + "…"


_FIELD_WORDS = (
    "What every session that can show this field holds over the depth, focus set best, each at its "
    "own best stop for it. A lower magnification, or a larger sensor, is cropped."
)
_METHOD = (
    "<h2>How it was compared</h2>\n<p>"
    + prose(
        "MTF50 is set against each other on the object side: cycles per mm in the subject do not "
        "depend on pixel pitch or magnification as a scale. Between measured stops a session's "
        "curve is the fitted model of the lens where that describes its frames, else an "
        "interpolation, and never goes beyond the stops measured by all. The differences add up "
        "what is not shared: scatter, focus, the fit with its f-numbers, the wavelength, the "
        "target's edge."
    )
    + "</p>"
)


def comparison_csv(comparison: Comparison) -> str:
    """Every figure, and the differences that the comparison lists, a row each, as CSV.

    Text that a spreadsheet could take for a formula has an apostrophe before it.
    """
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(_COLUMNS)
    for where, depth_um, question in _every(comparison):
        n = question.effective_f_number
        common = (question.key, _digits(where), _digits(n), _digits(depth_um))
        places = _places(question)
        for v in question.values:
            one = comparison.sessions[v.session]
            rows.writerow(
                (
                    *common,
                    "figure",
                    one.letter,
                    "",
                    _cell(one.lens_name),
                    _cell(one.name),
                    _digits(v.value),
                    question.unit,
                    _digits(v.low95),
                    _digits(v.high95),
                    "",
                    "",
                    "",
                    places[v.session],
                )
            )
        for pair in question.pairs:
            one, other = (comparison.sessions[k] for k in (pair.first, pair.second))
            rows.writerow(
                (
                    *common,
                    "difference",
                    one.letter,
                    other.letter,
                    _cell(one.lens_name),
                    _cell(one.name),
                    _digits(pair.percent),
                    "percent",
                    _digits(pair.low95),
                    _digits(pair.high95),
                    _digits(pair.p),
                    _digits(pair.p_corrected),
                    "yes" if pair.told_apart else "no",
                    "",
                )
            )
    return out.getvalue()


def _every(comparison: Comparison) -> Iterator[tuple[float, float | None, Question]]:
    for size in comparison.magnifications:
        for question in (size.optimum, *size.equal_stops, size.depth_at_optimum):
            if question is not None:
                yield size.magnification, None, question
    for field in comparison.fields:
        yield field.magnification, field.depth_um, field.held


def _digits(value: float | None) -> str:
    return "" if value is None else f"{value:.7g}"


def _cell(value: str) -> str:
    """Text on one line, never a formula."""
    line = "".join(c if c.isprintable() else " " for c in value)
    return f"'{line}" if line.lstrip()[:1] in ("=", "+", "-", "@") else line
