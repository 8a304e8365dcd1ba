// The numbers that judge: looked up, and a studio's own ones set.
import { send } from "./live.js";
import { toast } from "./toast.js";

const mayWrite = document.body.dataset.write === "yes";
let box = null, tag = null, state = null;
const find = (selector) => box.querySelector(selector);

const set = async (path, value, words) => {
  const { before, error } = await send("/limit", { path, value });
  if (error !== undefined) { toast(error, { wrong: true }); tag = null; load(); return; }
  toast(words, { undo: () => set(path, before, "Undone.") });
};

const filter = () => {
  const words = find("input[type=search]").value.trim().toLowerCase(), own = find(".only-own").checked;
  box.querySelectorAll(".group").forEach((group) => {
    let left = 0;
    group.querySelectorAll("tbody tr").forEach((row) => {
      row.hidden = !row.dataset.words.includes(words) || (own && !row.classList.contains("own"));
      left += !row.hidden;
    });
    group.hidden = left === 0;
    if (words || own) group.open = left > 0;
  });
};

const build = (panel) => {
  panel.innerHTML = `<div class="limits-view"><h1>Limits and targets</h1>
    <p>Every number that judges, on whose word, and whether it is yours. A change is saved to vocheck.toml in the folder; its comments stay. Takes are judged anew at once, and nothing is measured again.</p>
    <p class="hint" hidden></p>
    <form class="tools" aria-label="Find"><label class="wide">Search <input type="search" autocomplete="off"></label> <label><input type="checkbox" class="only-own"> yours only</label></form>
    <div class="numbers-shown"></div></div>`;
  box = panel.firstElementChild;
  find("form").addEventListener("submit", (event) => event.preventDefault());
  find("form").addEventListener("input", filter);
  box.addEventListener("change", ({ target }) => {
    if (!target.matches(".number") || target.value === target.dataset.value) return;
    set(JSON.parse(target.dataset.path), target.value, "Saved to vocheck.toml.");
  });
  box.addEventListener("click", ({ target }) => {
    if (target.matches(".back")) set(JSON.parse(target.previousElementSibling.dataset.path), "", "As shipped again.");
  });
};

const load = async () => {
  const told = state.get("limits");
  if (!told) return;
  const hint = find(".hint"), words = told.error || told.why_not;
  hint.hidden = !words;
  hint.textContent = words;
  if (told.tag === tag) return;
  tag = told.tag;
  try {
    const reply = await fetch("/limits");
    const { html } = await reply.json();
    const here = document.activeElement?.dataset?.path, open = [...box.querySelectorAll(".group[open]")].map((group) => group.id), first = !box.querySelector(".group");
    find(".numbers-shown").innerHTML = html;
    if (!first) box.querySelectorAll(".group").forEach((group) => { group.open = open.includes(group.id); });
    box.querySelectorAll(".number, .back").forEach((control) => { control.disabled = !mayWrite || Boolean(told.why_not); });
    if (here) [...box.querySelectorAll(".number")].find((input) => input.dataset.path === here)?.focus({ preventScroll: true });
    filter();
  } catch { tag = null; }
};

export const show = (panel, news) => {
  state = news;
  if (!box) build(panel);
  load();
};
