// The room: claps, a sweep or room tone of the folder, measured.
import { asking, files } from "./asking.js";

const form = `
<h1>Measure the room</h1>
<p>Clap three times at the place of the talent, two seconds apart, and record half a minute of room tone. Choose both.</p>
<fieldset class="places"><legend>Recordings</legend><div class="boxes" tabindex="0" role="group" aria-label="Recordings"></div></fieldset>
<p class="source empty-files" hidden>No recording is in the folder.</p>
<p><button type="submit" class="main-button">Measure</button></p>`;

let filled = "";

const wire = {
  asked: (box) => ({ files: [...box.querySelectorAll(".boxes input:checked")].map((input) => input.value) }),
  fill: (box, state) => {
    const all = files(state), words = JSON.stringify(all);
    if (words === filled) return;
    filled = words;
    const kept = [...box.querySelectorAll(".boxes input:checked")].map((input) => input.value);
    box.querySelector(".boxes").replaceChildren(...all.map((file) => {
      const label = document.createElement("label"), input = Object.assign(document.createElement("input"), { type: "checkbox", value: file.id });
      input.checked = kept.length ? kept.includes(file.id) : !file.take && /clap|tone|room|balloon|shot/i.test(file.name);
      label.append(input, ` ${file.name}`);
      return label;
    }));
    box.querySelector(".empty-files").hidden = !state.has("files") || all.length > 0;
  },
};

export const { show, leave } = asking("room", { form, wire, sentence: (told) => told.answers?.[0] ?? "" });
