// Zooming into the waveform and the spectrogram of a take: both show the same stretch.
const SHORTEST_S = 0.2;

const buttons = [["in", "+", "Zoom in"], ["out", "−", "Zoom out"], ["left", "◀", "Earlier"], ["right", "▶", "Later"], ["all", "All", "All of"]];

export const zooming = ({ section, signal, player }) => {
  section.querySelectorAll(".take").forEach((card) => {
    const wave = card.querySelector(".wave"), image = card.querySelector(".more img"), name = card.querySelector("h3").textContent;
    const first = { wave: wave.querySelector(".shape").getAttribute("d"), columns: wave.querySelector("svg").viewBox.baseVal.width, spectrum: image.src, from: 0, to: +wave.dataset.s };
    const tools = document.createElement("div");
    tools.className = "zoom";
    tools.setAttribute("role", "group");
    tools.setAttribute("aria-label", `Stretch shown of ${name}`);
    buttons.forEach(([what, sign, words]) => {
      const button = Object.assign(document.createElement("button"), { type: "button", textContent: sign });
      button.dataset.zoom = what;
      button.setAttribute("aria-label", what === "all" ? `${words} ${name}` : `${words}: ${name}`);
      tools.append(button);
    });
    const told = document.createElement("output");
    tools.append(told);
    wave.after(tools);
    let asked = 0;

    const paint = ({ wave: path, columns, spectrum, from, to }) => {
      const svg = wave.querySelector("svg"), whole = to - from >= first.to - 0.01;
      wave.dataset.from = from;
      wave.dataset.to = to;
      svg.setAttribute("viewBox", `0 0 ${columns} ${svg.viewBox.baseVal.height}`);
      wave.querySelector(".shape").setAttribute("d", path);
      image.src = spectrum;
      wave.querySelectorAll(".mark").forEach((mark) => {
        const x = (+mark.dataset.s - from) / (to - from) * columns;
        mark.setAttribute("x1", x);
        mark.setAttribute("x2", x);
      });
      told.textContent = whole ? "" : `${from.toFixed(2)} to ${to.toFixed(2)} s`;
      tools.querySelectorAll("button").forEach((button) => { button.disabled = whole && button.dataset.zoom !== "in"; });
    };

    const to = async (from, end) => {
      const length = Math.max(SHORTEST_S, Math.min(first.to, end - from));
      const start = Math.max(0, Math.min(from, first.to - length)), mine = ++asked;
      if (length >= first.to) { paint(first); return; }
      try {
        const reply = await fetch(`/picture/${card.dataset.id}?from=${start.toFixed(3)}&to=${(start + length).toFixed(3)}`, { signal });
        if (reply.ok && mine === asked) paint(await reply.json());
      } catch { /* the line is shown anew, or the computer does not answer, which is told */ }
    };

    const zoom = (what) => {
      const from = +(wave.dataset.from ?? 0), end = +(wave.dataset.to ?? first.to), length = end - from;
      const sound = card.querySelector("audio").currentTime;
      const middle = sound > from && sound < end ? sound : (from + end) / 2;
      if (what === "in") to(middle - length / 4, middle + length / 4);
      else if (what === "out") to(middle - length, middle + length);
      else if (what === "left") to(from - length / 2, end - length / 2);
      else if (what === "right") to(from + length / 2, end + length / 2);
      else to(0, first.to);
    };
    paint(first);
    tools.addEventListener("click", (event) => {
      const what = event.target.closest("button")?.dataset.zoom;
      if (what) zoom(what);
    });
    card.zoom = zoom;
  });
  document.addEventListener("keydown", (event) => {
    if (section.closest(".view").hidden || event.target.closest("input, select") || event.ctrlKey || event.metaKey || event.altKey) return;
    if (!document.getElementById("shortcuts").checked) return;
    const what = { "+": "in", "=": "in", "-": "out", "0": "all" }[event.key];
    const current = player.current();
    const card = event.target.closest?.(".take") ?? (current ? section.querySelector(`.take[data-take="${current.t}"]`) : section.querySelector(".take"));
    if (what && card) { event.preventDefault(); card.zoom(what); }
  }, { signal });
};
