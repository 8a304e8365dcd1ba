// The takes of a line phrase by phrase: paths through them to be heard.
import { compose } from "./players.js";
import { lineList } from "./lines.js";

const tools = `
<p class="keyline"><span><kbd>P</kbd> play the path</span> · <span><kbd>B</kbd> the best single take</span> · <span>arrows and <kbd>Enter</kbd> in the grid</span> · <span><kbd>U</kbd> use a phrase</span> · <span><kbd>[</kbd> <kbd>]</kbd> line</span></p>`;

export const { show, leave } = lineList("phrases", {
  tools,
  begin: ({ section, play, now, signal }) => compose(section, [play], now, signal),
  extend: () => {},
});
