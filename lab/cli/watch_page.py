"""The page of ``stopwise watch``: how do its words become HTML that a tripod can read?

The server sends the part that changes as HTML, for the first load and for every update
alike, so that the page is whole without its script. Every foreign text is escaped here.
Colours are those of the report.
"""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256
from html import escape

from lab.cli.watch_text import WITHOUT_FIGURE, Answer, Words
from reports.drawing import PALETTE
from reports.markup import DARK_PALETTE, text

__all__ = ["POLICY", "main_html", "page_html"]

# The dark scheme and the two warning colours; contrast on their paper is at least 4.5.
_LIGHT = {**PALETTE, "ground": "#f3f5f6", "bad": "#a3231f"}
_DARK = {**DARK_PALETTE, "ground": "#12171b", "bad": "#ff9d94"}

_STYLE = """
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%;text-size-adjust:100%}
body{margin:0;background:var(--ground);color:var(--ink);min-height:100vh;
font:1.05rem/1.4 system-ui,"Segoe UI","Noto Sans","DejaVu Sans",sans-serif;
overflow-wrap:anywhere;font-variant-numeric:tabular-nums}
main,footer{max-width:110rem;margin:0 auto;padding:.75rem clamp(.75rem,2vw,2rem)}
h1{font-size:clamp(1.4rem,3vw,2.8rem);line-height:1.15;margin:0;font-weight:650}
h2{font-size:1.05rem;margin:0;color:var(--quiet);font-weight:600}
p{margin:.15rem 0}
.quiet{color:var(--quiet)}
.head{display:flex;flex-wrap:wrap;gap:.25rem 2rem;justify-content:space-between;
align-items:baseline;margin-bottom:.75rem}
.grid{display:grid;gap:.75rem;grid-template-columns:repeat(12,1fr)}
.card{background:var(--paper);border:1px solid var(--faint);border-top:.35rem solid var(--quiet);
padding:.6rem .9rem .8rem;grid-column:span 3;min-width:0}
.card.wide{grid-column:span 6}
.card.good{border-top-color:var(--measured)}
.card.bad{border-top:.35rem double var(--bad)}
.card.bad .large,.card.bad .huge{color:var(--bad)}
.large{font-size:clamp(2.1rem,4.4vw,5.2rem);line-height:1.1;font-weight:700;margin:.1rem 0}
.huge{font-size:clamp(3.6rem,9vw,11rem);line-height:1;font-weight:750;margin:.1rem 0;
white-space:nowrap}
.huge.long{font-size:clamp(3rem,7vw,8.5rem)}
.trouble{border-left:.35rem double var(--bad);padding:.2rem .8rem;margin:0 0 .75rem}
.huge .arrow{display:inline-block;min-width:.8em}
.word{font-size:clamp(1.5rem,2.6vw,3rem);line-height:1.15;font-weight:650;margin:.2rem 0}
.bars{display:flex;gap:.4rem;align-items:flex-end;height:clamp(5rem,12vw,11rem);
margin:.6rem 0 0;padding:0;list-style:none;overflow:hidden}
.bars li{flex:1 1 0;max-width:6rem;min-width:.6rem;height:100%;display:grid;
grid-template-rows:1.3em minmax(0,1fr) 1.3em;text-align:center;font-size:.95rem;line-height:1.3}
.bars b{display:flex;align-items:flex-end;min-height:0}
.bars i{flex:1;background:var(--spread);border:2px solid var(--spread);min-height:4px}
.bars .keep i{background:var(--measured);border-color:var(--measured)}
.bars .best i{background:var(--optimum);border-color:var(--optimum)}
.bars .lost i{background:none;border:2px dashed var(--bad)}
.list{display:flex;flex-wrap:wrap;gap:.4rem .6rem;margin:.4rem 0 0;padding:0;list-style:none}
.list li{border:1px solid var(--faint);padding:.15rem .6rem;background:var(--ground)}
.list .next{border:2px solid var(--optimum);background:var(--band);font-weight:650}
.lost-files{margin:.3rem 0 0;padding-left:1.2rem}
form{display:inline}
button{font:inherit;font-size:1.15rem;min-height:2.9rem;padding:.3rem 1.1rem;color:var(--ink);
background:var(--paper);border:2px solid var(--measured);cursor:pointer;margin:.2rem .5rem .2rem 0}
button:focus-visible{outline:3px solid var(--optimum);outline-offset:2px}
kbd{font:inherit;border:1px solid var(--quiet);padding:0 .35em}
#gone{background:var(--band);border:3px double var(--optimum);color:var(--ink);padding:.6rem 1rem;
font-size:1.3rem;margin:.5rem 0}
[hidden]{display:none!important}
.aloud{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%);
white-space:nowrap}
@media(max-width:62rem){.card,.card.wide{grid-column:span 6}.card.first{grid-column:span 12}}
@media(max-width:34rem){.card,.card.wide{grid-column:span 12}.grid{gap:.5rem}
.huge{font-size:17vw}.huge.long{font-size:14vw}.large{font-size:2.4rem}}
"""

_SCRIPT = """
'use strict';
const now = document.getElementById('now');
const aloud = document.getElementById('aloud');
const gone = document.getElementById('gone');
function show(event) {
  const update = JSON.parse(event.data);
  gone.hidden = true;
  if (update.html === undefined) return;
  now.innerHTML = update.html;
  now.dataset.number = update.number;
  if (aloud.textContent !== update.spoken) aloud.textContent = update.spoken;
  document.title = update.title;
}
const source = new EventSource('events');
source.onmessage = show;
source.onerror = () => { gone.hidden = false; };
source.addEventListener('stopped', () => { gone.hidden = false; source.close(); });
async function press(action) {
  try { await fetch(action, {method: 'POST', redirect: 'manual'}); } catch { gone.hidden = false; }
}
for (const form of document.forms) {
  form.addEventListener('submit', (event) => {
    event.preventDefault();
    press(form.getAttribute('action'));
  });
}
document.addEventListener('keydown', (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  const button = document.querySelector(`button[data-key="${CSS.escape(event.key)}"]`);
  if (button) { button.focus(); press(button.form.getAttribute('action')); }
});
"""


def _hash(source: str) -> str:
    return f"'sha256-{b64encode(sha256(source.encode()).digest()).decode()}'"


def _variables(colours: dict[str, str]) -> str:
    return "".join(f"--{name}:{colour};" for name, colour in colours.items())


_SHEET = (
    f":root{{color-scheme:light dark;{_variables(_LIGHT)}}}\n"
    f"@media(prefers-color-scheme:dark){{:root{{{_variables(_DARK)}}}}}{_STYLE}"
)

# Bars have their height in a style attribute: those are allowed by name alone.
POLICY = (
    f"default-src 'none'; script-src {_hash(_SCRIPT)}; style-src-elem {_hash(_SHEET)}; "
    "style-src-attr 'unsafe-inline'; connect-src 'self'; img-src data:; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)


def page_html(main: str, *, title: str, number: int) -> str:
    """The whole page around the part that changes.

    Parameters
    ----------
    main : str
        From ``main_html``.
    title : str
        Plain text of our own.
    number : int
        Of the update that ``main`` is.
    """
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<link rel="icon" href="data:,">\n'
        '<noscript><meta http-equiv="refresh" content="2"></noscript>\n'
        f"<title>{escape(title)}</title>\n"
        f"<style>{_SHEET}</style>\n</head>\n<body>\n<main>\n"
        '<p id="gone" role="alert" hidden>stopwise no longer answers. What you see is the last '
        "frame. Start it again and open the address that it prints.</p>\n"
        f'<div id="now" data-number="{number}">\n{main}\n</div>\n</main>\n'
        '<p id="aloud" class="aloud" role="status" aria-live="polite"></p>\n'
        "<footer>\n"
        '<form method="post" action="mark"><button data-key="n"><kbd>n</kbd> New bracket from '
        "the next frame</button></form>\n"
        '<form method="post" action="undo"><button data-key="u"><kbd>u</kbd> Undo the last mark'
        "</button></form>\n"
        f"</footer>\n<script>{_SCRIPT}</script>\n</body>\n</html>\n"
    )


def main_html(w: Words) -> str:
    """The part that changes.

    Parameters
    ----------
    w : Words
    """
    answers = [w.clipped, w.square, w.keepers]
    if w.shot_list:
        answers.append(w.following)
    lost = " bad" if w.sharpness in ("LOST", "MOVED") else ""
    long = " long" if len(w.sharpness) > 4 and not w.sharpness[0].isdigit() else ""
    unit = f' <span class="quiet">MTF50, {text(w.unit)}.</span>'
    unit = "" if w.sharpness in WITHOUT_FIGURE else unit
    span = "" if len(answers) == 4 else ' style="grid-column:span 4"'
    return "\n".join(
        [
            f'<div class="head"><h1>{text(w.place or w.folder)}</h1>'
            f'<p class="quiet">{text(w.file)} {"&middot;" if w.file else ""} '
            f"{text(w.status)}</p></div>",
            f'<p class="trouble" role="alert">{text(w.trouble)}</p>' if w.trouble else "",
            '<div class="grid">',
            f'<section class="card wide first{lost}"><h2>Focus</h2>'
            f'<p class="huge{long}"><span class="arrow" aria-hidden="true">{w.arrow}</span> '
            f"{text(w.sharpness)}</p>"
            f'<p class="word">{text(w.trend)}</p><p>{text(w.advice)}'
            f"{unit}</p></section>",
            '<section class="card wide"><h2>Best so far</h2>'
            f'<p class="large">{text(w.best)}</p><p>{text(w.best_detail)}</p>{_bars(w)}</section>',
            *(_card(answer, span) for answer in answers),
            "</div>",
            _shots(w),
            _lost(w),
        ]
    )


def _card(answer: Answer, style: str) -> str:
    return (
        f'<section class="card {answer.state}"{style}><h2>{text(answer.name)}</h2>'
        f'<p class="large">{text(answer.large)}</p><p>{text(answer.detail)}</p></section>'
    )


def _bars(w: Words) -> str:
    """The bracket's frames as bars; what they mean stands in words at each."""
    sharp = [f.mtf50_cyc_per_px for f in w.bracket if f.mtf50_cyc_per_px is not None]
    if not sharp:
        return ""
    items = []
    for frame in w.bracket[-24:]:
        kind, said = "", "frame"
        if frame.mtf50_cyc_per_px is None:
            kind, said, share = "lost", "no figure", 30.0  # a gap to be seen
        else:
            share = 100 * frame.mtf50_cyc_per_px / max(sharp)
            if frame.is_best:
                kind, said = "best", "best"
            elif frame.is_keeper:
                kind, said = "keep", "keeper"
        sign = {"best": "&#9733;", "keep": "&#10003;", "lost": "&#10005;"}.get(kind, "")
        items.append(
            f'<li class="{kind}" aria-label="frame {frame.number}: {said}"><span>{sign}</span>'
            f'<b><i style="height:{share:.1f}%"></i></b><span>{frame.number}</span></li>'
        )
    return f'<ol class="bars" aria-label="Sharpness of this bracket">{"".join(items)}</ol>'


def _shots(w: Words) -> str:
    if not w.shot_list:
        return ""
    items = "".join(
        f'<li class="{state}">{text(stop)}: {text(count)}'
        f"{f' ({state})' if state in ('done', 'next', 'short') else ''}</li>"
        for stop, count, state in w.shot_list
    )
    return f'<h2 style="margin-top:.9rem">Shot list</h2><ul class="list">{items}</ul>'


def _lost(w: Words) -> str:
    if not w.lost:
        return ""
    items = "".join(f"<li>{text(file)}: {text(reason)}</li>" for file, reason in w.lost[:5])
    more = len(w.lost) - 5
    rest = f"<p>and {more} more</p>" if more > 0 else ""
    return f'<h2 style="margin-top:.9rem">Lost frames</h2><ul class="lost-files">{items}</ul>{rest}'
