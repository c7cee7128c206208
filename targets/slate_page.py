"""How does a phone show slates, each code at its true size?

One HTML file with everything in it, for a phone laid under the lens: it requests
nothing, and its policy lets no other script than its own run. Codes are black on
white in light and dark, their modules whole pixels of the screen. A page cannot
know how large those pixels are, so it asks once: a bar is made as long as a bank
card, which is 85.60 mm by 53.98 mm (ISO/IEC 7810, ID-1; from memory).

The script asks for little (no framework, no network) and names of the user's go
into the page as text alone. Without a script the page says so.
"""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Iterable
from hashlib import sha256
from html import escape

from targets.code import quiet_modules
from targets.slates import SlateCard, slate_words

__all__ = ["slate_page"]

_STYLE = """
:root{color-scheme:light dark;--ground:#f3f5f6;--paper:#fcfcfa;--ink:#1f2a33;--quiet:#5c6872;
--line:#8a959e;--act:#17557f;--warn:#f5e6bf}
@media(prefers-color-scheme:dark){:root{--ground:#12171b;--paper:#1a2026;--ink:#e7eaed;
--quiet:#a3aeb8;--line:#66727c;--act:#86c1ee;--warn:#453a1f}}
*{box-sizing:border-box}
body{margin:0;background:var(--ground);color:var(--ink);overflow-wrap:anywhere;
font:1rem/1.45 system-ui,"Segoe UI","Noto Sans","DejaVu Sans",sans-serif}
main{max-width:34rem;margin:0 auto;padding:.75rem 1rem 2rem}
h1{font-size:1rem;font-weight:400;color:var(--quiet);margin:0}
h2{font-size:2.5rem;line-height:1.1;margin:.2rem 0 0}
p{margin:.4rem 0}
#names{font-size:1.15rem;white-space:pre-line}
#plate{background:#fff;border:1px solid var(--line);margin:.6rem 0;display:flex;
align-items:center;justify-content:center;overflow:hidden}
.guide[hidden]{visibility:hidden;display:block}
.guide{flex:1;min-width:0;height:1px;margin:0 8px;background:#000}
canvas{display:block;image-rendering:pixelated;flex:none}
.quiet{color:var(--quiet)}
.warning{margin:.6rem 0 .9rem;background:var(--warn);border-left:4px solid var(--act);
padding:.4rem .7rem}
.warning:empty{display:none}
button,summary{font:inherit;cursor:pointer}
button{color:var(--ink);background:var(--paper);border:1px solid var(--line);border-radius:.4rem;
min-height:2.75rem;padding:.4rem .9rem}
button:disabled{opacity:.45;cursor:default}
:focus-visible{outline:3px solid var(--act);outline-offset:2px}
nav{display:grid;grid-template-columns:1fr 1fr;gap:.6rem}
nav button{min-height:3.4rem;font-size:1.15rem;font-weight:600}
details{border-top:1px solid var(--line)}
details[open]{padding-bottom:1rem}
summary{padding:.7rem 0;font-weight:600}
ol{list-style:none;margin:0;padding:0;display:grid;gap:.4rem}
li button{width:100%;text-align:left}
li button[aria-current]{border:2px solid var(--act);font-weight:600}
.measure{display:flex;gap:1rem;align-items:flex-start;margin-top:.8rem}
#bar{flex:none;width:1.2rem;background:var(--act)}
.measure>div+div{flex:1;min-width:0}
input[type=range]{width:100%;margin:0;min-height:2.75rem;accent-color:var(--act)}
.steps{display:grid;grid-template-columns:1fr 1fr;gap:.6rem}
label{display:block}
.check{display:flex;gap:.6rem;align-items:center;min-height:2.75rem}
.check input{width:1.4rem;height:1.4rem;flex:none;accent-color:var(--act)}
"""

_BODY = """
<main>
<h1 id="page">Slates</h1>
<h2 id="headline"></h2>
<p id="names"></p>
<div id="plate"><span class="guide"></span><canvas id="code" role="img"></canvas>
<span class="guide"></span></div>
<nav aria-label="Slates">
<button type="button" id="previous">Previous</button>
<button type="button" id="next">Next</button>
</nav>
<p id="state" role="status"></p>
<p id="warning" class="warning" role="status"></p>
<noscript><p>This page needs its script. Allow it, or use the printed cards.</p></noscript>
<details open>
<summary>All slates</summary>
<ol id="all"></ol>
</details>
<details id="size">
<summary>Size of this screen</summary>
<p>Once on each screen: hold a bank card along the bar and make the bar as long as the card.</p>
<label class="check"><input type="checkbox" id="short">
Use the card's short side (53.98 mm), not its long one (85.60 mm)</label>
<div class="measure">
<div id="bar"></div>
<div>
<label for="scale">Length of the bar</label>
<input type="range" id="scale">
<div class="steps">
<button type="button" id="shorter">Shorter</button>
<button type="button" id="longer">Longer</button>
</div>
<p><button type="button" id="keep">It is as long as the card</button></p>
<p id="kept" role="status"></p>
</div>
</div>
</details>
<details>
<summary>How to use</summary>
<p>Before the frames that a slate announces, photograph it: all of its code in focus and in the
frame, turned as you like. Then go to the next one. Arrow keys work too.</p>
<p>Set the screen to full brightness and to stay on. Expose for 1/30 s or longer: many screens
flicker (common practice, no published source). Keep glass and metal off the screen.</p>
</details>
</main>
"""

_SCRIPT = """
"use strict";
const {name, slates} = JSON.parse(document.getElementById("data").textContent);
const at = id => document.getElementById(id);
const LONG_MM = 85.6, SHORT_MM = 53.98, KEY = "stopwise-screen-px-per-mm";
const GUIDED_MM = 10;
const LOWEST = 2.5, HIGHEST = 40;  // pixels of the screen to a mm: wall display to phone
// A guess until the bar is set: phones have about 6.2 CSS pixels to a mm, others 3.8.
const guess = matchMedia("(pointer: coarse)").matches ? 6.2 : 3.78;
const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
let known = false, perMm = guess * devicePixelRatio, current = 0;

try {
  const kept = Number(localStorage.getItem(KEY));
  if (kept >= LOWEST && kept <= HIGHEST) { perMm = kept; known = true; }
} catch { /* storage is closed to this page: the bar is set anew each time */ }

function drawCode() {
  const slate = slates[current], n = slate.rows.length;
  const fits = Math.floor(slate.module_mm * perMm);
  const room = Math.floor((at("plate").clientWidth * devicePixelRatio) / (n + 2 * slate.quiet));
  const px = Math.max(1, Math.min(fits, room));
  const canvas = at("code"), ink = canvas.getContext("2d");
  canvas.width = canvas.height = n * px;
  canvas.style.width = canvas.style.height = n * px / devicePixelRatio + "px";
  // Lines at both sides lead to a small code and stay out of the camera's sight.
  const clear = (slate.field_mm / 2 + 2) * perMm / devicePixelRatio;
  const side = n * px / devicePixelRatio / 2, widest = at("plate").clientWidth / 2 - side;
  canvas.style.margin = "0 " + clamp(clear - side, 0, widest) + "px";
  for (const line of document.getElementsByClassName("guide"))
    line.hidden = n * px / perMm > GUIDED_MM;
  ink.fillStyle = "#fff";
  ink.fillRect(0, 0, n * px, n * px);
  ink.fillStyle = "#000";
  slate.rows.forEach((row, y) => [...row].forEach((dark, x) => {
    if (dark === "1") ink.fillRect(x * px, y * px, px, px);
  }));
  // The browser sets it on whole pixels of the screen; moved by a transform it would not.
  canvas.setAttribute("aria-label", "Code of the slate " + slate.headline);
  tell(slate, px);
}

function tell(slate, px) {
  const mm = px / perMm;
  at("state").textContent = `${current + 1} of ${slates.length}. The code is ` +
    `${(mm * slate.rows.length).toFixed(1)} mm wide, each module ${px} screen ` +
    `pixel${px === 1 ? "" : "s"}.`;
  const doubts = [];
  if (!known) doubts.push("This size is a guess. Set \\u201cSize of this screen\\u201d below.");
  if (px < 2) doubts.push("Modules under 2 pixels may not be read: shorten the names on the " +
    "slate, use a finer screen or the printed card.");
  if (mm < slate.module_min_mm) doubts.push("The lens blurs modules this small: photograph the " +
    "slate at another stop, or use the printed card.");
  if (mm > slate.module_mm * 1.001) doubts.push("The code is larger than it should be and may " +
    "not fit the frame.");
  if (window.visualViewport && Math.abs(visualViewport.scale - 1) > 0.01)
    doubts.push("The page is zoomed: the code is not at its true size.");
  at("warning").textContent = doubts.join(" ");
}

function show(index) {
  current = clamp(index, 0, slates.length - 1);
  const slate = slates[current];
  at("headline").textContent = slate.headline;
  at("names").textContent = slate.names.join("\\n");
  at("previous").disabled = current === 0;
  at("next").disabled = current === slates.length - 1;
  [...at("all").children].forEach((item, i) => {
    if (i === current) item.firstChild.setAttribute("aria-current", "true");
    else item.firstChild.removeAttribute("aria-current");
  });
  try { history.replaceState(null, "", "#" + (current + 1)); } catch { /* not for every file */ }
  drawCode();
}

function layOut() {
  // One height for all codes, so that the buttons stay where they are.
  const mm = Math.max(...slates.map(s => s.module_mm * (s.rows.length + 2 * s.quiet)));
  at("names").style.minHeight = 1.45 * Math.max(...slates.map(s => s.names.length)) + "em";
  const wide = at("plate").clientWidth;
  at("plate").style.height = clamp(mm * perMm / devicePixelRatio + 16, 120, wide) + "px";
  at("bar").style.height =
    (at("short").checked ? SHORT_MM : LONG_MM) * perMm / devicePixelRatio + "px";
  at("scale").value = perMm / devicePixelRatio;
  drawCode();
}

function setScale(cssPerMm) {
  perMm = clamp(cssPerMm * devicePixelRatio, LOWEST, HIGHEST);
  layOut();
}

at("page").textContent = "Slates: " + name;
for (const [i, slate] of slates.entries()) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = `${i + 1}.  ${[slate.headline, ...slate.names].join(", ")}`;
  button.addEventListener("click", () => { show(i); scrollTo(0, 0); });
  const item = document.createElement("li");
  item.append(button);
  at("all").append(item);
}
const scale = at("scale");
scale.min = LOWEST / devicePixelRatio;
scale.max = Math.min(HIGHEST / devicePixelRatio, 12);
scale.step = 0.01;
scale.addEventListener("input", () => setScale(Number(scale.value)));
at("shorter").addEventListener("click", () => setScale(perMm / devicePixelRatio - 0.02));
at("longer").addEventListener("click", () => setScale(perMm / devicePixelRatio + 0.02));
at("short").addEventListener("change", layOut);
at("keep").addEventListener("click", () => {
  known = true;
  at("kept").textContent = "Kept.";
  try { localStorage.setItem(KEY, perMm); } catch {
    at("kept").textContent = "Set, until the page is closed: this browser keeps nothing for it.";
  }
  drawCode();
});
at("previous").addEventListener("click", () => show(current - 1));
at("next").addEventListener("click", () => show(current + 1));
addEventListener("keydown", event => {
  if (event.altKey || event.ctrlKey || event.metaKey || event.target === scale) return;
  const go = {ArrowLeft: current - 1, PageUp: current - 1, ArrowRight: current + 1,
    PageDown: current + 1, Home: 0, End: slates.length - 1}[event.key];
  if (go === undefined) return;
  event.preventDefault();
  show(go);
});
addEventListener("resize", layOut);
if (window.visualViewport) visualViewport.addEventListener("resize", drawCode);
show(Number(location.hash.slice(1)) - 1 || 0);
layOut();
"""


def slate_page(cards: Iterable[SlateCard], *, name: str) -> str:
    """The page as one HTML text; the same cards give the same text.

    Parameters
    ----------
    cards : iterable of SlateCard
        At least one, in the order of shooting.
    name : str
        Name of the session, for the page's head.

    Raises
    ------
    ValueError
        If there is no card.
    """
    slates = [_entry(card) for card in cards]
    if not slates:
        raise ValueError("a page needs at least one card")
    # "<" as an escape: no name can end the element that holds the data.
    data = json.dumps({"name": name, "slates": slates}).replace("<", "\\u003c")
    policy = (
        f"default-src 'none'; style-src {_hash(_STYLE)}; script-src {_hash(_SCRIPT)}; "
        "base-uri 'none'; form-action 'none'"
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>Slates: {escape(name)}</title>\n<style>{_STYLE}</style>\n</head>\n"
        f'<body>{_BODY}<script type="application/json" id="data">{data}</script>\n'
        f"<script>{_SCRIPT}</script>\n</body>\n</html>\n"
    )


def _entry(card: SlateCard) -> dict[str, object]:
    headline, names = slate_words(card.slate)
    return {
        "headline": headline,
        "names": names,
        "rows": ["".join("01"[dark] for dark in row) for row in card.modules],
        "quiet": quiet_modules(card.modules),
        "field_mm": card.field_mm[0],
        "module_mm": card.module_mm,
        "module_min_mm": card.module_min_mm,
    }


def _hash(content: str) -> str:
    return f"'sha256-{b64encode(sha256(content.encode()).digest()).decode()}'"
