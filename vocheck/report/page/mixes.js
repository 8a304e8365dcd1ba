// The mix: a file of the folder against where it goes.
import { asking, files } from "./asking.js";
import { hear } from "./players.js";

const form = `
<h1>Check a mix</h1>
<label class="wide">File <select class="file"></select></label>
<p class="source empty-files" hidden>No recording is in the folder. Put the mix or the video there.</p>
<fieldset class="places"><legend>Where it goes</legend>
  <label class="wide"><span class="unseen">Search destinations</span><input type="search" placeholder="Search destinations" autocomplete="off"></label>
  <div class="boxes" tabindex="0" role="group" aria-label="Destinations"></div>
</fieldset>
<label><input type="checkbox" class="encode" checked> Predict what the destination's codec does to the peaks</label>
<p><button type="submit" class="main-button">Check</button></p>`;

let filled = "", places = "";

const wire = {
  asked: (box) => ({
    file: box.querySelector(".file").value,
    to: [...box.querySelectorAll(".boxes input:checked")].map((input) => input.value),
    encode: box.querySelector(".encode").checked,
  }),
  fill: (box, state) => {
    const all = files(state), words = JSON.stringify(all);
    if (words !== filled) {
      filled = words;
      const select = box.querySelector(".file"), kept = select.value;
      const group = (label, takes) => {
        const made = Object.assign(document.createElement("optgroup"), { label });
        made.append(...all.filter((file) => file.take === takes).map((file) => new Option(file.name, file.id)));
        return made;
      };
      select.replaceChildren(...[group("Mixes and other recordings", false), group("Takes", true)].filter((g) => g.children.length));
      const first = all.find((file) => !file.take && /mix|master|final/i.test(file.name)) ?? all[0];
      select.value = all.some((file) => file.id === kept) ? kept : first?.id ?? "";
      box.querySelector(".empty-files").hidden = !state.has("files") || all.length > 0;
    }
    const list = state.get("destinations") ?? [], told = JSON.stringify(list);
    if (told !== places) {
      places = told;
      box.querySelector(".boxes").replaceChildren(...list.map((place) => {
        const label = document.createElement("label"), input = Object.assign(document.createElement("input"), { type: "checkbox", value: place.name, checked: place.name === "social" });
        label.append(input, ` ${place.title}`, Object.assign(document.createElement("span"), { className: "source", textContent: ` ${place.name}` }));
        label.dataset.words = `${place.name} ${place.title} ${place.family}`.toLowerCase();
        return label;
      }));
      box.querySelector("input[type=search]").oninput = ({ target }) => {
        box.querySelectorAll(".boxes label").forEach((label) => { label.hidden = !label.dataset.words.includes(target.value.trim().toLowerCase()) && !label.firstElementChild.checked; });
      };
    }
  },
};

export const { show, leave } = asking("mix", {
  form,
  wire,
  sentence: (told) => `${told.sentence ?? ""}`,
  begin: ({ section, play, now, signal }) => hear(section, [play], now, signal),
});
