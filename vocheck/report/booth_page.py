"""The booth on a tablet: one page with the last verdict, what to do now, and the table of lines.

The verdict is a block of color that is seen through the window of the booth; what to do is the
largest text after it, the reason is small. The page asks the server for its content twice a second
and swaps it in, so that nothing flickers and the place on the page is kept. A bell rings where
somebody has turned the sound on (browsers play none unasked); the block flashes in any case. Names
of takes are untrusted text and are escaped.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from vocheck.booth import Booth, LineState, TakeState
from vocheck.plain import plain
from vocheck.report.text.watch import MOST_DETAILS
from vocheck.wording.booth import Screen, needed_words, progress_words, standing_facts
from vocheck.wording.vocabulary import file_name

_STYLE = """
:root { color-scheme: light dark; --paper: #f6f4ee; --card: #fffefb; --ink: #1b1a17;
  --quiet: #5d5a52; --line: #ddd8cb; --keep: #17633a; --listen: #1f4f8c; --fixable: #7d4e00;
  --retake: #a3161a; }
@media (prefers-color-scheme: dark) { :root { --paper: #14130f; --card: #1e1d18; --ink: #f1eee6;
  --quiet: #b3aea1; --line: #37342c; --keep: #5fd28f; --listen: #8fbcff; --fixable: #f0b347;
  --retake: #ff8a85; } }
* { box-sizing: border-box; }
body { margin: 0; background: var(--paper); color: var(--ink);
  font: 400 17px/1.45 system-ui, sans-serif; }
main { display: grid; gap: clamp(14px, 2vw, 28px); padding: clamp(12px, 2vw, 28px);
  max-width: 1500px; margin: 0 auto; }
@media (min-width: 1000px) { main { grid-template-columns: minmax(0, 1.5fr) minmax(0, 1fr);
  align-items: start; } }
.now { border-radius: 18px; overflow: hidden; background: var(--card);
  border: 1px solid var(--line); }
.sign { padding: clamp(16px, 3vw, 40px) clamp(16px, 3vw, 44px); color: #fff; background: #4b4840; }
.sign.keep { background: #17633a; } .sign.listen { background: #1f4f8c; }
.sign.fixable { background: #8a5600; } .sign.retake, .sign.unread { background: #a3161a; }
h1 { margin: 0; font-size: clamp(64px, 17vw, 200px); line-height: .95; letter-spacing: -.03em;
  font-weight: 800; margin-left: -.05em; }
@media (min-width: 1000px) { h1 { font-size: clamp(64px, 10.6vw, 170px); } }
h2 { margin: .5em 0 0; font-size: clamp(18px, 2.2vw, 26px); font-weight: 500;
  overflow-wrap: anywhere; }
.sign h2:first-child { margin: 0; }
.do { margin: 0; padding: clamp(16px, 2.4vw, 36px) clamp(16px, 3vw, 44px) 0;
  font-size: clamp(26px, 3.6vw, 44px); line-height: 1.2; font-weight: 650; text-wrap: pretty;
  overflow-wrap: anywhere; }
.why { padding: .9em clamp(16px, 3vw, 44px) clamp(16px, 2.4vw, 36px); color: var(--quiet); }
.why p { margin: 0 0 .5em; max-width: 68ch; overflow-wrap: anywhere; }
.why p:last-child { margin: 0; }
.lines { container-type: inline-size;
  background: var(--card); border: 1px solid var(--line); border-radius: 18px;
  padding: clamp(14px, 1.6vw, 24px); }
.done { display: flex; justify-content: space-between; align-items: baseline; gap: 1em; margin: 0;
  font-size: 1.15em; font-weight: 650; }
.bar { height: 8px; border-radius: 4px; background: var(--line); margin: .6em 0 .4em; }
.bar i { display: block; height: 100%; border-radius: 4px; background: var(--keep); }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; padding: .55em .5em .55em 0; border-top: 1px solid var(--line);
  vertical-align: baseline; }
tr:first-child > * { border-top: 0; }
tr.current th { box-shadow: inset 4px 0 var(--ink); padding-left: .7em; }
th { font-weight: 600; overflow-wrap: anywhere; min-width: 5.5em; }
td:last-child { padding-right: 0; }
td.need { white-space: nowrap; color: var(--quiet); }
td.need.done { font-weight: 400; }
.takes { display: flex; flex-wrap: wrap; gap: .35em .9em; }
.take { font-weight: 600; white-space: nowrap; }
.keep { color: var(--keep); } .listen { color: var(--listen); }
.fixable { color: var(--fixable); } .retake { color: var(--retake); }
.sign.keep, .sign.listen, .sign.fixable, .sign.retake { color: #fff; }
dl { display: grid; grid-template-columns: auto 1fr; gap: .3em 1em; margin: 1em 0 0;
  padding-top: 1em; border-top: 1px solid var(--line); }
dt { color: var(--quiet); } dd { margin: 0; }
header { display: flex; justify-content: space-between; align-items: center; max-width: 1500px;
  margin: 0 auto; padding: 10px clamp(12px, 2vw, 28px) 0; color: var(--quiet); }
#sound { font: inherit; font-size: 15px; color: var(--ink); background: var(--card);
  border: 1px solid var(--quiet); border-radius: 999px; padding: .35em 1em; cursor: pointer; }
#sound:focus-visible { outline: 3px solid var(--listen); outline-offset: 2px; }
#lost { position: fixed; inset: auto 0 0 0; margin: 0; padding: .7em 4vmin; z-index: 1;
  background: #a3161a; color: #fff; font-weight: 600; }
@container (max-width: 470px) {
  tr { display: grid; grid-template-columns: 1fr auto; padding: .5em 0;
  border-top: 1px solid var(--line); } tr:first-child { border-top: 0; }
  th, td { border: 0; padding: 0; } td:last-child { grid-column: 1 / -1; }
  tr.current th { box-shadow: -10px 0 var(--card), -14px 0 var(--ink); padding: 0; } }
@keyframes ring { 50% { filter: brightness(1.9); } }
.ring .sign { animation: ring .4s 3; }
@media (prefers-reduced-motion: reduce) { .ring .sign { animation: none;
  outline: 8px solid var(--ink); outline-offset: -8px; } }
"""

_SCRIPT = """
const booth = document.getElementById("booth"), lost = document.getElementById("lost");
const sound = document.getElementById("sound");
let seen = "", rings = null, player = null;
function beep() {
  if (!player) return;
  for (const [at, hz] of [[0, 880], [.22, 660]]) {
    const tone = player.createOscillator(), level = player.createGain();
    tone.frequency.value = hz;
    level.gain.setValueAtTime(.2, player.currentTime + at);
    level.gain.exponentialRampToValueAtTime(.001, player.currentTime + at + .2);
    tone.connect(level).connect(player.destination);
    tone.start(player.currentTime + at);
    tone.stop(player.currentTime + at + .2);
  }
}
sound.onclick = () => {
  if (player) { player.close(); player = null; } else { player = new AudioContext(); beep(); }
  sound.setAttribute("aria-pressed", String(player !== null));
  sound.textContent = player ? "Bell is on" : "Bell is off";
};
async function look() {
  try {
    const reply = await fetch("state", {headers: {"If-None-Match": seen}, cache: "no-store"});
    if (reply.status === 200) {
      booth.innerHTML = await reply.text();
      seen = reply.headers.get("ETag");
      const now = booth.querySelector(".now"), count = Number(now.dataset.rings);
      booth.classList.remove("ring");
      if (rings !== null && count > rings) {
        void booth.offsetWidth;
        booth.classList.add("ring");
        beep();
      }
      rings = count;
      document.title = now.dataset.title;
    }
    lost.hidden = true;
  } catch (error) {
    lost.hidden = false;
  }
  setTimeout(look, 500);
}
look();
"""

PAGE = f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Booth</title>
<link rel="icon" href="data:,">
<style>{_STYLE}</style>
</head>
<body>
<header><span>Booth</span>
<button id="sound" type="button" aria-pressed="false">Bell is off</button></header>
<main id="booth" aria-live="polite"><p>Standing by.</p></main>
<p id="lost" role="alert" hidden>The booth computer does not answer; this may be old.</p>
<noscript><p>This page needs JavaScript to keep itself up to date.</p></noscript>
<script>{_SCRIPT}</script>
</body>
</html>
"""
"""The page itself; what it shows is `render_state`."""


def render_state(screen: Screen, booth: Booth, rings: int = 0) -> str:
    """Return what the page shows now, as a piece of HTML.

    Parameters
    ----------
    screen : Screen
        Of the recording that came last.
    booth : Booth
    rings : int
        How often the bell has rung; where it grows, the page rings.
    """
    head = " ".join(filter(None, (screen.word, screen.title))) or "Booth"
    parts = [
        f'<section class="now" data-rings="{rings}" data-title="{_shown(head)}">',
        *_sign(screen),
        f'<p class="do">{_shown(screen.action)}</p>',
        *_why(screen),
        "</section>",
    ]
    if booth.lines or standing_facts(booth):
        parts += ['<section class="lines">', *_progress(booth)]
        if booth.lines:
            parts.append(_table(booth.lines, screen.line))
        parts += [*_facts(booth), "</section>"]
    return "\n".join(parts) + "\n"


def _sign(screen: Screen) -> list[str]:
    if not screen.word:
        return []
    kind = screen.kind.replace(" ", "-")
    return [
        f'<div class="sign {kind}"><h1>{screen.word}</h1>',
        f"<h2>{_shown(screen.title)}</h2></div>",
    ]


def _why(screen: Screen) -> list[str]:
    told = [text for text in (screen.reason, *screen.details[:MOST_DETAILS]) if text]
    if len(screen.details) > MOST_DETAILS:
        told.append(f"And {len(screen.details) - MOST_DETAILS} more.")
    return ['<div class="why">', *(f"<p>{_shown(text)}</p>" for text in told), "</div>"]


def _progress(booth: Booth) -> list[str]:
    lines = booth.lines
    if not lines:
        return []
    share = sum(not line.needed for line in lines) / len(lines)
    return [
        f'<p class="done"><span>{progress_words(booth)}</span></p>',
        f'<div class="bar"><i style="width:{share:.0%}"></i></div>',
    ]


def _facts(booth: Booth) -> list[str]:
    facts = [f"<dt>{what}</dt><dd>{_shown(said)}</dd>" for what, said in standing_facts(booth)]
    return ["<dl>", *facts, "</dl>"] if facts else []


def _table(lines: Sequence[LineState], current: str) -> str:
    rows = "\n".join(_row(state, state.line == current) for state in lines)
    return f"<table>\n<tbody>\n{rows}\n</tbody>\n</table>"


def _row(state: LineState, current: bool) -> str:
    if not state.needed:
        status = '<td class="need keep">done</td>'
    else:
        status = f'<td class="need">needs {needed_words(state.needed)}</td>'
    takes = " ".join(map(_take, state.takes))
    mark = ' class="current"' if current else ""
    return (
        f'<tr{mark}><th scope="row">{_shown(state.line)}</th>{status}'
        f'<td><div class="takes">{takes}</div></td></tr>'
    )


def _take(take: TakeState) -> str:
    word = "listen" if take.listen else take.verdict
    name = str(take.take) if take.take is not None else file_name(take.path)
    return f'<span class="take {word}">{_shown(name)} {word}</span>'


def _shown(text: str) -> str:
    return escape(plain(text))
