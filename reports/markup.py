"""How does a text or a table become safe, readable HTML?

``text`` is the one way for a value of the records into the page: escaped,
isolated from the direction of its neighbours, control characters made visible.
``table`` writes a captioned table that scrolls within its own box. The style
sheet and the page's frame are here too; no script, no request to anywhere.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from html import escape

from reports.drawing import PALETTE, Drawing

__all__ = ["DARK_PALETTE", "document", "figure", "prose", "table", "text"]

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

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"

_CSS = """
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%;text-size-adjust:100%}
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
.quiet,figcaption,caption{color:var(--quiet)}
.simulated{border:2px solid var(--optimum);background:var(--band);padding:.6rem .9rem;
margin:1rem 0;max-width:none}
.answers{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(100%,15.5rem),1fr));
gap:1rem;margin-top:1rem}
.answer{background:var(--paper);border:1px solid var(--faint);border-top:3px solid var(--measured);
padding:.8rem 1rem 1rem}
.answer h3{margin:0;font-size:1rem}
.answer p{margin:.1rem 0}
.answer .stop{font-size:2.4rem;line-height:1.15;font-weight:650;color:var(--measured)}
.answer dt{margin-top:.6rem;font-size:.875rem;color:var(--quiet)}
.answer dd{margin:0}
figure{margin:1rem 0;background:var(--paper);border:1px solid var(--faint);padding:.75rem}
figure svg{display:block;width:100%;height:auto;max-width:36rem;margin:0 auto}
figcaption{font-size:.9rem;margin:.6rem auto 0;max-width:36rem}
@media(max-width:30rem){
header,main,footer{padding-left:.9rem;padding-right:.9rem}
figure{padding:.3rem}figcaption{padding:0 .4rem .3rem}
}
.pair{display:grid;gap:1rem;grid-template-columns:repeat(auto-fit,minmax(min(100%,27rem),1fr))}
.pair figure{margin:0}
.scroll{overflow-x:auto;margin:1rem 0}
.scroll:focus-visible,a:focus-visible{outline:2px solid var(--measured);outline-offset:2px}
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
nav{display:none}a{color:inherit;text-decoration:none}
h2,h3,caption{break-after:avoid}
figure,.answer,tr,.simulated{break-inside:avoid}
figure{border:0;padding:0;margin:2mm 0}
figcaption{font-size:8pt;line-height:1.4;margin-top:1mm;max-width:none}
main>figure{display:grid;grid-template-columns:82mm 1fr;gap:5mm;align-items:center}
figure svg{max-width:82mm}.pair svg{max-width:72mm}
h2[id^=series]{break-before:page;border:0;margin:0;padding:0}table{break-inside:avoid}
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


def table(
    caption: str, head: Sequence[str], rows: Sequence[Sequence[str]], *, wide: bool = False
) -> str:
    """A table from cells that are HTML already and a plain caption.

    The first cell of a row is its header. A wide one keeps a readable width
    and scrolls within its box.
    """
    columns = "".join(f'<th scope="col">{cell}</th>' for cell in head)
    body = "\n".join(
        f'<tr><th scope="row">{first}</th>{"".join(f"<td>{cell}</td>" for cell in rest)}</tr>'
        for first, *rest in rows
    )
    kind = ' class="wide"' if wide else ""
    # A box that scrolls must take the keyboard's focus to be scrolled by it.
    focus = ' tabindex="0" role="region" aria-label="Table, scrolls sideways"' if wide else ""
    return (
        f'<div class="scroll"{focus}><table{kind}>\n'
        f"<caption><span>{prose(caption)}</span></caption>\n"
        f"<thead><tr>{columns}</tr></thead>\n<tbody>\n{body}\n</tbody></table></div>"
    )


def figure(drawing: Drawing) -> str:
    """A drawing inline, its colours tied to the page's scheme."""
    svg = drawing.svg.replace(' xmlns="http://www.w3.org/2000/svg"', "", 1)
    for name, colour in PALETTE.items():
        svg = svg.replace(colour, f"var(--{name})")
    return f"<figure>\n{svg}\n<figcaption>{prose(drawing.caption)}</figcaption></figure>"


def document(title: str, header: str, main: str, footer: str) -> str:
    """The whole page around its three parts."""
    light, dark = _variables(PALETTE, "#f3f5f6"), _variables(DARK_PALETTE, "#12171b")
    style = (
        f":root{{color-scheme:light dark;{light}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}{_CSS}"
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(_printable(title))}</title>\n<style>\n{style}</style>\n</head>\n<body>\n"
        f"<header>\n{header}\n</header>\n<main>\n{main}\n</main>\n<footer>\n{footer}\n</footer>\n"
        "</body>\n</html>\n"
    )


def _variables(colours: dict[str, str], ground: str) -> str:
    return f"--ground:{ground};" + "".join(f"--{name}:{c};" for name, c in colours.items())


def _printable(value: str) -> str:
    spaced = " ".join(value.splitlines())
    return "".join("\ufffd" if unicodedata.category(c) in {"Cc", "Cs"} else c for c in spaced)
