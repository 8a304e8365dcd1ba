"""The booth on a tablet: one page that shows the last verdict and the table of lines.

The page asks the server for its content twice a second and swaps it in, so that nothing flickers
and the place on the page is kept. Names of takes are untrusted text and are escaped.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from vocheck.booth import Booth, LineState
from vocheck.plain import plain
from vocheck.policy.judge import Finding
from vocheck.report.text.watch import MOST_FINDINGS
from vocheck.session.take import TakeResult
from vocheck.wording.booth import needed_words, title, warnings
from vocheck.wording.findings import instruction
from vocheck.wording.vocabulary import file_name, verdict_word

_STYLE = """
:root { color-scheme: light dark; --paper: #fbfaf7; --ink: #1b1a17; --quiet: #5d5a52;
  --line: #d8d4c9; --keep: #17633a; --fixable: #7d4e00; --retake: #a3161a; }
@media (prefers-color-scheme: dark) { :root { --paper: #16150f; --ink: #f1eee6; --quiet: #b3aea1;
  --line: #3b382f; --keep: #5fd28f; --fixable: #f0b347; --retake: #ff7a75; } }
* { box-sizing: border-box; }
body { margin: 0; padding: 4vmin; background: var(--paper); color: var(--ink);
  font: 400 clamp(18px, 2.6vmin, 28px)/1.4 system-ui, sans-serif; }
h1 { margin: 0; font-size: clamp(48px, min(22vmin, 17vw), 240px);
  line-height: 1; letter-spacing: -.02em; }
h2 { margin: .2em 0 1em; font-size: 1.5em; overflow-wrap: anywhere; }
.keep { color: var(--keep); } .fixable { color: var(--fixable); } .retake { color: var(--retake); }
p, li { max-width: 60ch; } ul { padding-left: 1.2em; } li { margin: .5em 0; }
table { border-collapse: collapse; width: 100%; margin-top: 1.5em; }
th, td { text-align: left; padding: .45em .6em .45em 0; border-top: 1px solid var(--line);
  vertical-align: top; overflow-wrap: anywhere; }
tbody th { min-width: 5.8em; }
thead th { border: 0; color: var(--quiet); font-weight: 400; }
td span { display: inline-block; margin-right: .7em; font-weight: 600; white-space: nowrap; }
#lost { position: fixed; inset: auto 0 0 0; margin: 0; padding: .6em 4vmin; max-width: none;
  background: var(--retake); color: var(--paper); font-weight: 600; }
"""

_SCRIPT = """
const booth = document.getElementById("booth"), lost = document.getElementById("lost");
let seen = "";
async function look() {
  try {
    const reply = await fetch("state", {headers: {"If-None-Match": seen}, cache: "no-store"});
    if (reply.status === 200) {
      booth.innerHTML = await reply.text();
      seen = reply.headers.get("ETag");
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
<main id="booth" aria-live="polite"><p>Standing by.</p></main>
<p id="lost" role="alert" hidden>The booth computer does not answer; this may be old.</p>
<noscript><p>This page needs JavaScript to keep itself up to date.</p></noscript>
<script>{_SCRIPT}</script>
</body>
</html>
"""
"""The page itself; what it shows is `render_state`."""


def render_state(booth: Booth, last: TakeResult | None) -> str:
    """Return what the page shows now, as a piece of HTML.

    Parameters
    ----------
    booth : Booth
    last : TakeResult or None
        The take that was recorded last.
    """
    parts = ["<p>Standing by for the next take.</p>"] if last is None else _verdict(last, booth)
    if booth.lines:
        parts.append(_table(booth.lines))
    return "\n".join(parts) + "\n"


def _verdict(take: TakeResult, booth: Booth) -> list[str]:
    word = verdict_word(take.verdict)
    told = [finding for finding in take.findings if finding.severity != "note"]
    items = [_item(finding) for finding in told[:MOST_FINDINGS]]
    items += [f"<li>{_shown(sentence)}</li>" for sentence in warnings(take, booth)]
    parts = [f'<h1 class="{take.verdict}">{word}</h1>', f"<h2>{_shown(title(take))}</h2>"]
    return [*parts, "<ul>", *items, "</ul>"] if items else parts


def _item(finding: Finding) -> str:
    return (
        f'<li><b class="{finding.severity}">{finding.severity}</b> '
        f"{_shown(instruction(finding))}</li>"
    )


def _table(lines: Sequence[LineState]) -> str:
    rows = "\n".join(_row(state) for state in lines)
    return (
        '<table>\n<thead><tr><th scope="col">line</th><th scope="col">still needed</th>'
        f'<th scope="col">takes</th></tr></thead>\n<tbody>\n{rows}\n</tbody>\n</table>'
    )


def _row(state: LineState) -> str:
    if not state.needed:
        status = '<span class="keep">done</span>'
    else:
        status = f'<span class="fixable">{needed_words(state.needed)}</span>'
    takes = " ".join(
        f'<span class="{take.verdict}">{_shown(_name(take.take, take.path))} {take.verdict}</span>'
        for take in state.takes
    )
    return f'<tr><th scope="row">{_shown(state.line)}</th><td>{status}</td><td>{takes}</td></tr>'


def _name(take: int | None, path: str) -> str:
    return str(take) if take is not None else file_name(path)


def _shown(text: str) -> str:
    return escape(plain(text))
