// Notes: each is saved as it is made; what others note is shown as it comes; the last can be undone.
import { send } from "./live.js";
import { toast } from "./toast.js";

const client = crypto.getRandomValues(new Uint32Array(4)).join("-");
const mayWrite = document.body.dataset.write === "yes";
const valueOf = (input) => (input.type === "checkbox" ? (input.checked ? "x" : "") : input.value.trim());
const fieldOf = (input) => ["circled", "rating", "remark"].find((name) => input.classList.contains(name));
let following = null; // shows the notes of others in the line that is open

const set = (input, value) => {
  if (input.type === "checkbox") input.checked = value !== ""; else input.value = value;
  input.dataset.base = value;
};

export const undo = async () => {
  const { error, undone } = await send("/undo", { client });
  if (error) toast(error, { wrong: true });
  else toast(undone ? `Undone: ${undone}.` : "Nothing to undo.");
};

const save = async (input) => {
  const value = valueOf(input), base = input.dataset.base;
  if (value === base) return;
  input.dataset.base = value;
  const take = input.closest(".take").dataset.id, field = fieldOf(input);
  const { saved, error } = await send("/note", { take, field, value, base, client });
  if (error !== undefined) {
    input.dataset.base = base;
    toast(error, { wrong: true });
    return;
  }
  if (input !== document.activeElement || input.type === "checkbox") set(input, saved);
  input.dataset.base = saved;
  toast("Saved.", { undo });
};

export const follow = (state) => following?.(state);

export const noting = ({ section, state, signal, player, form }) => {
  const inputs = [...section.querySelectorAll(".notes input")];
  const waiting = new Map();
  inputs.forEach((input) => {
    input.dataset.base = valueOf(input);
    input.disabled = !mayWrite;
  });
  section.addEventListener("input", ({ target }) => {
    if (!target.closest(".notes")) return;
    clearTimeout(waiting.get(target));
    // Half a sentence is saved as well: nothing is lost when the lamp goes out.
    waiting.set(target, setTimeout(() => save(target), target.type === "checkbox" ? 0 : 700));
  }, { signal });
  section.addEventListener("change", ({ target }) => {
    if (!target.closest(".notes")) return;
    clearTimeout(waiting.get(target));
    save(target);
  }, { signal });
  signal.addEventListener("abort", () => {
    waiting.forEach((timer, input) => { clearTimeout(timer); if (mayWrite) save(input); });
    following = null;
  });
  following = (news) => {
    const notes = news.get("notes") ?? {};
    inputs.forEach((input) => {
      const value = (notes[input.closest(".take").dataset.id] ?? {})[fieldOf(input)] ?? "";
      if (input.dataset.base === value || (input === document.activeElement && valueOf(input) !== input.dataset.base)) return;
      set(input, value);
    });
    if (form.querySelector("#order").value === "rating" || form.querySelector("#only-circled").checked) player.arrange();
  };
  following(state);
  const cardOf = (event) => event.target.closest?.(".take") ?? (player.current() ? section.querySelector(`.take[data-take="${player.current().t}"]`) : null);
  document.addEventListener("keydown", (event) => {
    if (section.closest(".view").hidden || event.target.closest("input[type=text], input[type=number], input[type=search], select") || event.metaKey || event.altKey) return;
    if (!document.getElementById("shortcuts").checked) return;
    const key = event.key.toLowerCase();
    if (key === "z" && mayWrite) { event.preventDefault(); undo(); return; }
    if (event.ctrlKey) return;
    const card = cardOf(event);
    if (key === "c" && card) card.querySelector(".circled").click();
    else if (key === "n" && card) { event.preventDefault(); card.querySelector(".remark").focus(); }
  }, { signal });
};
