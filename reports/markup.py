"""How does a text or a table become safe, readable HTML?

``text`` is the one way for a value of the records into the page: escaped,
isolated from the direction of its neighbours, control characters made visible.
``table`` writes a captioned table that scrolls within its own box, ``switched`` a
value with its other form for the page's script. The style sheet and the page's frame
are here too; no request to anywhere, and no script but the one that is handed in.
"""

from __future__ import annotations

import unicodedata
from base64 import b64encode
from collections.abc import Sequence
from hashlib import sha256
from html import escape

from reports.drawing import PALETTE, Drawing

__all__ = ["DARK_PALETTE", "document", "figure", "prose", "switched", "table", "text"]

# The dark scheme's colour for each of the figures' colours, contrast >= 4.5 on
# its paper wherever it carries text.
DARK_PALETTE = {
    "paper": "#1a2026",
    "ink": "#e7eaed",
    "quiet": "#a3aeb8",
    "faint": "#38424b",
    "measured": "#86c1ee",
    "spread": "#2b4b63",
    "optimum": "#e4b85c",
    "band": "#453a1f",
}

_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'"
)
_LABEL = 80  # characters of a table's name

_CSS = """
*{box-sizing:border-box}
[hidden]{display:none!important}
html{scroll-padding-top:4rem;-webkit-text-size-adjust:100%;text-size-adjust:100%}
body{margin:0;background:var(--ground);color:var(--ink);
font:1rem/1.55 system-ui,"Segoe UI","Noto Sans","DejaVu Sans",sans-serif;overflow-wrap:break-word}
td bdi{overflow-wrap:anywhere}
header,main,footer{max-width:70rem;margin:0 auto;padding:0 1.25rem}
header{padding-top:1.75rem}footer{padding-bottom:3rem;color:var(--quiet)}
h1{font-size:1.6rem;line-height:1.2;margin:0 0 .25rem}
h2{font-size:1.3rem;line-height:1.25;margin:2.25rem 0 .75rem;padding-top:1rem;
border-top:1px solid var(--faint)}
h3{font-size:1.05rem;margin:1.75rem 0 .5rem}
p,ul,dl{margin:.5rem 0}p,li{max-width:44rem}
h2:first-child{margin-top:1.5rem;border:0;padding:0}
a{color:var(--measured)}
.skip{position:absolute;left:-999rem;background:var(--paper);padding:.4rem .8rem;z-index:3}
.skip:focus{left:.5rem;top:.5rem}
main:focus{outline:0}
.links{display:flex;flex-wrap:wrap;gap:.25rem 1.25rem;margin:1rem 0;padding:0;list-style:none}
.quiet,figcaption,caption{color:var(--quiet)}
.simulated{border:2px solid var(--optimum);background:var(--band);padding:.6rem .9rem;
margin:1rem 0;max-width:none}
.answers{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,15.5rem),1fr));
gap:1rem;margin-top:1rem}
.answer{background:var(--paper);border:1px solid var(--faint);border-top:3px solid var(--measured);
padding:.8rem 1rem 1rem;max-width:32rem}
.answer h3{margin:0;font-size:1rem}
.answer p{margin:.1rem 0}
.answer .stop{font-size:2.4rem;line-height:1.15;font-weight:650;color:var(--measured)}
.answer dt{margin-top:.6rem;font-size:.875rem;color:var(--quiet)}
.answer dd{margin:0}.answer dd+dd{margin-top:.3rem}
.view{position:sticky;top:0;z-index:2;margin:1rem -.5rem;padding:0 .5rem;
background:var(--ground);border-bottom:1px solid var(--faint)}
.view summary{padding:.55rem 0;color:var(--measured);cursor:pointer;font-weight:600}
.choices{display:flex;flex-wrap:wrap;gap:.25rem 2rem;max-height:50vh;overflow-y:auto;
padding:.25rem 0 .75rem}
fieldset{border:0;margin:0;padding:0;min-width:0}
legend{padding:0;color:var(--quiet);font-size:.875rem}
fieldset div{display:flex;flex-wrap:wrap;gap:0 1rem}
.choices label{display:flex;align-items:center;gap:.4rem;padding:.25rem 0;min-height:1.75rem}
input{width:1.05rem;height:1.05rem;margin:0;accent-color:var(--measured)}
.view p{margin:0;padding-bottom:.5rem;font-size:.9rem;max-width:none}.view p:empty{padding:0}
figure{margin:1rem 0;background:var(--paper);border:1px solid var(--faint);padding:.75rem}
.plot{position:relative;max-width:36rem;margin:0 auto}
.plot svg{display:block;width:100%;height:auto}
.point{position:absolute;width:1.5rem;height:1.5rem;margin:-.75rem 0 0 -.75rem;padding:0;
background:none;border:2px solid transparent;border-radius:50%;pointer-events:none}
.point.read{border-color:var(--optimum)}
.point:focus-visible{outline:2px solid var(--measured);outline-offset:1px}
.tip{position:absolute;z-index:1;width:max-content;max-width:min(19rem,80%);padding:.4rem .6rem;
background:var(--paper);border:1px solid var(--quiet);font-size:.85rem;line-height:1.4;
font-variant-numeric:tabular-nums;pointer-events:none}
.tip:empty{padding:0;border:0}.tip b,.tip span{display:block}
figcaption{font-size:.9rem;margin:.6rem auto 0;max-width:36rem}
@media(max-width:30rem){
header,main,footer{padding-left:.9rem;padding-right:.9rem}
figure{padding:.3rem}figcaption{padding:0 .4rem .3rem}
}
.pair{display:grid;gap:1rem;grid-template-columns:repeat(auto-fit,minmax(min(100%,27rem),1fr))}
.pair figure{margin:0}
.scroll{overflow-x:auto;margin:1rem 0}
.scroll:focus-visible,a:focus-visible,input:focus-visible,summary:focus-visible{
outline:2px solid var(--measured);outline-offset:2px}
table{border-collapse:collapse;font-size:.9rem;line-height:1.4;font-variant-numeric:tabular-nums}
caption{text-align:left;padding-bottom:.4rem}
caption>span{display:block;position:sticky;left:0;max-width:calc(100vw - 2.5rem)}
th,td{text-align:left;vertical-align:top;padding:.35rem .8rem .35rem 0;
border-bottom:1px solid var(--faint)}
thead th{vertical-align:bottom;font-weight:600;border-bottom:1px solid var(--quiet)}
tbody th{font-weight:600}
.wide{width:100%;min-width:56rem}
.wide td:not(:last-child){white-space:nowrap}.wide td:last-child{min-width:8rem}
@media(max-width:30rem){table{font-size:.8rem}th,td{padding-right:.45rem}}
@media print{
@page{margin:13mm}
:root{--ground:#fff;--paper:#fff}
body{font-size:9.5pt}header,main,footer{max-width:none;padding:0}
nav,.skip,.view details,.point,.tip{display:none}.view{position:static;border:0;margin:0}
a{color:inherit;text-decoration:none}
h2,h3,caption{break-after:avoid}
figure,.answer,tr,.simulated{break-inside:avoid}
figure{border:0;padding:0;margin:2mm 0}
figcaption{font-size:8pt;line-height:1.4;margin-top:1mm;max-width:none}
main>figure,.series>figure{display:grid;grid-template-columns:82mm 1fr;gap:5mm;align-items:center}
.plot{width:100%;max-width:82mm}.pair .plot{max-width:72mm}
h2[id^=series],h2#lens{break-before:page;border:0;margin:0;padding:0}table{break-inside:avoid}
.pair{grid-template-columns:1fr 1fr}
.answers{grid-template-columns:1fr 1fr}
.scroll{overflow:visible;margin:3mm 0}table{font-size:7.5pt}.wide{min-width:0}
th,td{padding:.2rem .5rem .2rem 0}
}
"""


def text(value: object) -> str:
    """A value of the records as HTML: escaped and bidirectionally isolated.

    Control characters and lone surrogates become U+FFFD, line breaks spaces.
    """
    return f"<bdi>{escape(_printable(str(value)))}</bdi>"


def prose(sentence: str) -> str:
    """A sentence of our own as HTML, its numbers kept together with ± and %."""
    return escape(sentence.replace(" %", "\xa0%").replace("± ", "±\xa0"))


def switched(shown: str, *, object_side: str = "", effective: str = "") -> str:
    """A plain value, with what stands in its place when the reader switches.

    Parameters
    ----------
    shown : str
        What the page shows by itself.
    object_side : str
        Shown instead where frequencies are chosen in the subject; empty for no switch.
    effective : str
        Shown instead where effective f-numbers are chosen; empty for no switch.

    Raises
    ------
    ValueError
        If both are given: a value follows one switch.
    """
    if object_side and effective:
        raise ValueError("a value follows one switch, not two")
    kind, other = ("object", object_side) if object_side else ("effective", effective)
    return f'<span data-{kind}="{escape(other)}">{escape(shown)}</span>' if other else escape(shown)


def table(
    caption: str,
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    wide: bool = False,
    name: str = "",
    parts: Sequence[str] = (),
) -> str:
    """A table from cells that are HTML already and a plain caption.

    The first cell of a row is its header. A wide one keeps a readable width
    and scrolls within its box.

    Parameters
    ----------
    caption : str
    head : sequence of str
        An empty one heads nothing.
    rows : sequence of sequence of str
    wide : bool
    name : str
        Identifier; distinct within one page.
    parts : sequence of str
        For each row the part of the page by which a reader hides it, see
        ``reports.page_controls``; empty for none.
    """
    columns = "".join(f'<th scope="col">{cell}</th>' if cell else "<td></td>" for cell in head)
    kept = [f' data-part="{part}"' if part else "" for part in parts or [""] * len(rows)]
    body = "\n".join(
        f'<tr{part}><th scope="row">{first}</th>{"".join(f"<td>{cell}</td>" for cell in rest)}</tr>'
        for part, (first, *rest) in zip(kept, rows, strict=True)
    )
    kind = (f' id="{name}"' if name else "") + (' class="wide"' if wide else "")
    # A box that scrolls must take the keyboard's focus to be scrolled by it, and its name
    # must tell it from the page's other tables.
    label = caption.partition(". ")[0].partition(":")[0].rstrip(".")[:_LABEL]
    focus = f' tabindex="0" role="group" aria-label="Table: {escape(label)}"'
    return (
        f'<div class="scroll"{focus}><table{kind}>\n'
        f"<caption><span>{prose(caption)}</span></caption>\n"
        f"<thead><tr>{columns}</tr></thead>\n<tbody>\n{body}\n</tbody></table></div>"
    )


def figure(drawing: Drawing, *, attributes: str = "", plot: str = "") -> str:
    """A drawing inline, its colours tied to the page's scheme.

    ``attributes`` and ``plot`` are HTML attributes of our own for the figure and for the
    box that holds the picture alone.
    """
    svg = drawing.svg.replace(' xmlns="http://www.w3.org/2000/svg"', "", 1)
    for name, colour in PALETTE.items():
        svg = svg.replace(colour, f"var(--{name})")
    return (
        f'<figure{attributes}>\n<div class="plot"{plot}>{svg}</div>\n'
        f"<figcaption>{prose(drawing.caption)}</figcaption></figure>"
    )


def document(title: str, header: str, main: str, footer: str, *, script: str = "") -> str:
    """The whole page around its three parts.

    Parameters
    ----------
    title : str
        Plain text.
    header, main, footer : str
        HTML.
    script : str
        Of our own; the page's policy lets this one run and no other.
    """
    light, dark = _variables(PALETTE, "#f3f5f6"), _variables(DARK_PALETTE, "#12171b")
    style = (
        f":root{{color-scheme:light dark;{light}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}{_CSS}"
    )
    policy = _POLICY
    if script:
        digest = b64encode(sha256(script.encode()).digest()).decode()
        policy += f"; script-src 'sha256-{digest}'"
        script = f"<script>{script}</script>\n"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(_printable(title))}</title>\n<style>\n{style}</style>\n</head>\n<body>\n"
        '<a class="skip" href="#main">Skip to the content</a>\n'
        f'<header>\n{header}\n</header>\n<main id="main" tabindex="-1">\n{main}\n</main>\n'
        f"<footer>\n{footer}\n</footer>\n{script}</body>\n</html>\n"
    )


def _variables(colours: dict[str, str], ground: str) -> str:
    return f"--ground:{ground};" + "".join(f"--{name}:{c};" for name, c in colours.items())


def _printable(value: str) -> str:
    spaced = " ".join(value.splitlines())
    return "".join("\ufffd" if unicodedata.category(c) in {"Cc", "Cs"} else c for c in spaced)
