// The takes of a line phrase by phrase: paths through them to be heard.
import { compose } from "./players.js";
import { lineList } from "./lines.js";

const tools = `
<p class="keyline"><kbd>P</kbd> play the path · <kbd>B</kbd> the best single take · arrows and <kbd>Enter</kbd> in the grid · <kbd>U</kbd> use a phrase · <kbd>[</kbd> <kbd>]</kbd> line</p>`;

export const { show, leave } = lineList("phrases", {
  tools,
  begin: ({ section, play, now, signal }) => compose(section, [play], now, signal),
  extend: () => {},
});
