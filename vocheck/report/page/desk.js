// The desk: follows the server's news and shows the view that the address names.
import { follow } from "./live.js";
import { show as showBooth } from "./booth.js";
import { follow as followNotes } from "./noting.js";

const views = document.body.dataset.views.split(" ");
const panels = new Map(views.map((name) => [name, document.getElementById(`view-${name}`)]));
const modules = new Map([["booth", Promise.resolve({ show: showBooth })]]);
const load = { takes: "./takes.js", phrases: "./phrases.js", mix: "./mixes.js", room: "./room.js", limits: "./limits.js" };

const state = new Map(); // what the server shows, by name

// The address: #/view/what?t=seconds
const place = () => {
  const [path, query = ""] = location.hash.replace(/^#\/?/, "").split("?");
  const [view, ...rest] = path.split("/").map(decodeURIComponent);
  return { view: panels.has(view) ? view : views[0], rest, query: new URLSearchParams(query) };
};

const module = (name) => {
  if (!modules.has(name)) modules.set(name, import(load[name]));
  return modules.get(name);
};

const paint = async (changed) => {
  const here = place();
  panels.forEach((panel, name) => { panel.hidden = name !== here.view; });
  document.querySelectorAll(".views a").forEach((link) => {
    if (link.dataset.view === here.view) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  });
  const { show } = await module(here.view);
  if (last !== null && last !== here.view) (await module(last)).leave?.();
  last = here.view;
  show(panels.get(here.view), state, { ...here, changed });
  if (changed?.has("notes") && here.view === "takes") followNotes(state);
};
let last = null;

addEventListener("hashchange", () => {
  paint(null);
  document.getElementById("main").focus({ preventScroll: true });
});

follow(state, (changed) => {
  const trouble = document.getElementById("trouble"), told = state.get("trouble") ?? "";
  trouble.hidden = !told;
  if (trouble.textContent !== told) trouble.textContent = told;
  if (changed.has("booth") && place().view !== "booth") showBooth(null, state, { changed });
  paint(changed);
});
// The key has done its work: the cookie opens the desk from here on.
if (location.search) history.replaceState(null, "", location.pathname + location.hash);
