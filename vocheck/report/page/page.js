"use strict";
(() => {
  const lines = JSON.parse(document.getElementById("play").textContent);
  const sections = [...document.querySelectorAll(".line")];
  const now = document.getElementById("now");
  let current = null; // {l, t}: the line and the take that plays, or that Space would play

  const card = (l, t) => sections[l].querySelector(`.take[data-take="${t}"]`);
  const audio = (l, t) => card(l, t).querySelector("audio");

  // Where in take `to` the moment `s` of take `from` is: the same share of the same phrase.
  const mapped = (l, from, to, s) => {
    const a = lines[l].takes[from].phrases, b = lines[l].takes[to].phrases;
    const p = a.findIndex(([start, end]) => s >= start && s < end);
    if (p < 0) return a.length ? Math.max(0, s - a[0][0] + b[0][0]) : s;
    return b[p][0] + (s - a[p][0]) / (a[p][1] - a[p][0] || 1) * (b[p][1] - b[p][0]);
  };

  const say = (text) => { now.textContent = text; };

  const stop = () => {
    if (!current) return;
    audio(current.l, current.t).pause();
    card(current.l, current.t).classList.remove("playing");
    card(current.l, current.t).querySelector(".play").textContent = "Play";
  };

  const start = async (l, t, s) => {
    stop();
    current = { l, t };
    const element = audio(l, t);
    element.volume = lines[l].takes[t].volume;
    if (s !== undefined) element.currentTime = s;
    card(l, t).classList.add("playing");
    card(l, t).querySelector(".play").textContent = "Stop";
    try {
      await element.play();
      say(`${lines[l].name}, ${lines[l].takes[t].name}`);
    } catch {
      if (current && current.l === l && current.t === t) {
        stop();
        say(`${lines[l].takes[t].name} cannot be played: keep this page beside the takes, in a format that the browser plays.`);
      }
    }
  };

  const toggle = (l, t) => (current && current.l === l && current.t === t && !audio(l, t).paused ? stop() : start(l, t));

  const switchTo = (t) => {
    if (!current || !lines[current.l].takes[t] || t === current.t) return;
    const from = audio(current.l, current.t);
    const s = mapped(current.l, current.t, t, from.currentTime);
    card(current.l, t).scrollIntoView({ block: "nearest" });
    start(current.l, t, s);
  };

  const phraseStep = (step) => {
    if (!current) return;
    const element = audio(current.l, current.t);
    const phrases = lines[current.l].takes[current.t].phrases;
    const here = phrases.findIndex(([, end]) => element.currentTime < end);
    const next = Math.min(Math.max(0, (here < 0 ? phrases.length : here) + step), phrases.length - 1);
    if (phrases[next]) start(current.l, current.t, phrases[next][0]);
  };

  sections.forEach((section, l) => {
    section.addEventListener("click", (event) => {
      const cell = event.target.closest(".cell");
      if (cell) return start(l, +cell.dataset.take, lines[l].takes[+cell.dataset.take].phrases[+cell.dataset.phrase][0]);
      const item = event.target.closest(".take");
      if (!item) return undefined;
      const t = +item.dataset.take;
      if (event.target.closest(".play")) return toggle(l, t);
      const jump = event.target.closest(".jump");
      if (jump) return start(l, t, Math.max(0, +jump.dataset.s - 0.4));
      const svg = event.target.closest(".wave svg");
      if (svg) {
        const box = svg.getBoundingClientRect();
        const element = audio(l, t), share = (event.clientX - box.left) / box.width;
        const last = lines[l].takes[t].phrases.at(-1);
        return start(l, t, share * (element.duration || +item.querySelector(".wave").dataset.s || (last ? last[1] : 0)));
      }
      return undefined;
    });
    section.querySelectorAll("audio").forEach((element) => {
      const item = element.closest(".take"), head = item.querySelector(".head-line");
      const width = item.querySelector("svg").viewBox.baseVal.width;
      element.addEventListener("timeupdate", () => {
        const x = element.duration ? element.currentTime / element.duration * width : 0;
        head.setAttribute("x1", x);
        head.setAttribute("x2", x);
      });
      element.addEventListener("ended", () => { stop(); say("Nothing is playing."); });
    });
  });

  document.addEventListener("keydown", (event) => {
    if (event.target.closest("input, select, textarea") || event.ctrlKey || event.metaKey || event.altKey) return;
    const onControl = event.target.closest("button, summary, a");
    if (event.key === " " && !onControl) { event.preventDefault(); current ? toggle(current.l, current.t) : start(0, 0); }
    else if (/^[1-9]$/.test(event.key)) switchTo(+event.key - 1);
    else if (event.key === "ArrowDown" && current) { event.preventDefault(); switchTo(current.t + 1); }
    else if (event.key === "ArrowUp" && current) { event.preventDefault(); switchTo(current.t - 1); }
    else if (event.key === "ArrowRight" && current) { event.preventDefault(); phraseStep(1); }
    else if (event.key === "ArrowLeft" && current) { event.preventDefault(); phraseStep(-1); }
  });

  // Order and filter
  const takesOf = (section) => [...section.querySelectorAll(".take")];
  const rating = (item) => parseFloat(item.querySelector(".rating").value) || 0;
  const orders = {
    place: (a, b) => a.dataset.place - b.dataset.place,
    number: (a, b) => a.dataset.number - b.dataset.number,
    rating: (a, b) => rating(b) - rating(a) || a.dataset.place - b.dataset.place,
  };
  const arrange = () => {
    const order = orders[document.getElementById("order").value];
    const shown = [...document.querySelectorAll(".show:checked")].map((box) => box.value);
    const onlyCircled = document.getElementById("only-circled").checked;
    sections.forEach((section) => {
      takesOf(section).sort(order).forEach((item) => {
        item.parentNode.append(item);
        item.hidden = !shown.includes(item.dataset.verdict) || (onlyCircled && !item.querySelector(".circled").checked);
      });
    });
  };
  document.querySelector(".tools").addEventListener("change", arrange);

  // Notes, saved as the CSV that vocheck reads
  const cell = (text) => {
    const safe = /^[=+\-@\t\r]/.test(text) ? `'${text}` : text;
    return /[",\n\r]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
  };
  document.getElementById("save").addEventListener("click", () => {
    const rows = sections.flatMap((section) => takesOf(section).sort(orders.number).map((item) => [
      item.dataset.key,
      item.querySelector(".circled").checked ? "x" : "",
      item.querySelector(".rating").value,
      item.querySelector(".remark").value.trim(),
    ].map(cell).join(",")));
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([["take,circled,rating,remark", ...rows, ""].join("\n")], { type: "text/csv" }));
    link.download = "notes.csv";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    document.getElementById("saved").textContent = "Saved as notes.csv: put it beside the takes.";
  });

  // Dark and light
  const root = document.documentElement, theme = document.getElementById("theme");
  const paint = (dark) => {
    root.classList.toggle("dark", dark);
    theme.setAttribute("aria-pressed", dark);
  };
  paint(matchMedia("(prefers-color-scheme: dark)").matches);
  theme.addEventListener("click", () => paint(!root.classList.contains("dark")));
})();
