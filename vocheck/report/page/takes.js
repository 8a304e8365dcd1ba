// The takes of a line, ranked: to be listened to, looked at and noted on.
import { listen } from "./players.js";
import { lineList } from "./lines.js";
import { noting } from "./noting.js";
import { zooming } from "./zoom.js";

const tools = `
<form class="tools" aria-label="Order and filter">
  <label>Order <select id="order"><option value="place">as ranked</option><option value="number">by take number</option><option value="rating">by rating</option></select></label>
  <fieldset><legend>Show</legend>
    <label><input type="checkbox" class="show" value="keep" checked> Keep</label>
    <label><input type="checkbox" class="show" value="fixable" checked> Fixable</label>
    <label><input type="checkbox" class="show" value="retake" checked> Retake</label>
    <label><input type="checkbox" id="only-circled"> circled only</label>
  </fieldset>
</form>
<p class="keyline"><span><kbd>Space</kbd> play or stop</span> · <span><kbd>1</kbd>–<kbd>9</kbd> <kbd>↑</kbd> <kbd>↓</kbd> another take at the same phrase</span> · <span><kbd>←</kbd> <kbd>→</kbd> a phrase</span> · <span><kbd>C</kbd> circle</span> · <span><kbd>N</kbd> note</span> · <span><kbd>[</kbd> <kbd>]</kbd> line</span> · <span><kbd>+</kbd> <kbd>−</kbd> zoom</span> · <span><kbd>Z</kbd> undo</span></p>`;

export const { show, leave } = lineList("takes", {
  tools,
  begin: ({ section, play, now, signal, form }) => listen(section, [play], now, signal, form),
  extend: (parts) => { noting(parts); zooming(parts); },
});
