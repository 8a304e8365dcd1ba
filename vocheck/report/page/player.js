  // The player: one take sounds at a time; another take of the line goes on at the same phrase.
  // Whoever includes it gives `root` (where the lines stand), `lines` (what is to be known of them),
  // `now` (where it is said what plays) and `signal` (which ends it).
  const sections = [...root.querySelectorAll(".line")];
  let current = null; // {l, t}: the line and the take that plays, or that Space would play
  let path = null; // {l, steps, i}: what is played one after the other

  const takeOf = (l, t) => sections[l].querySelector(`.take[data-take="${t}"]`);
  const audioOf = (l, t) => takeOf(l, t).querySelector("audio");
  const phrasesOf = (l, t) => lines[l].takes[t].phrases;
  const say = (text) => { now.textContent = text; };
  const clock = (s) => `${Math.floor(s / 60)}:${(s % 60).toFixed(1).padStart(4, "0")}`;
  const isPlaying = () => current !== null && !audioOf(current.l, current.t).paused;

  // The seconds that a drawing shows: all, or what was zoomed into.
  const shownOf = (wave) => [+(wave.dataset.from ?? 0), +(wave.dataset.to ?? wave.dataset.s)];

  const phraseAt = (l, t, s) => phrasesOf(l, t).findIndex(([start, end]) => s >= start && s < end);

  // Where in take `to` the moment `s` of take `from` is: the same share of the same phrase.
  const mapped = (l, from, to, s) => {
    const a = phrasesOf(l, from), b = phrasesOf(l, to), p = phraseAt(l, from, s);
    if (p < 0) return a.length ? Math.max(0, s - a[0][0] + b[0][0]) : s;
    return b[p][0] + (s - a[p][0]) / (a[p][1] - a[p][0] || 1) * (b[p][1] - b[p][0]);
  };

  const silence = (except) => root.querySelectorAll("audio").forEach((a) => { if (a !== except) a.pause(); });

  const mark = (l, t, playing) => {
    takeOf(l, t).classList.toggle("playing", playing);
    takeOf(l, t).querySelector(".play").textContent = playing ? "Stop" : "Play";
    if (!playing) sections[l].querySelectorAll(".sounding").forEach((cell) => cell.classList.remove("sounding"));
  };

  const stop = () => {
    path = null;
    silence();
    if (current) mark(current.l, current.t, false);
  };

  // What sounded before goes on until the new take does, so that switching leaves no hole.
  const begin = async (l, t, s) => {
    if (current) mark(current.l, current.t, false);
    if (!current || current.l !== l) sections[l].querySelectorAll("audio").forEach((a) => { a.preload = "auto"; });
    current = { l, t };
    const element = audioOf(l, t), here = () => current.l === l && current.t === t;
    element.volume = lines[l].takes[t].volume;
    if (s !== undefined) element.currentTime = s;
    mark(l, t, true);
    try {
      await element.play();
      if (here()) silence(element);
    } catch (error) {
      if (!here() || error.name === "AbortError") return;
      stop();
      say(`${lines[l].takes[t].name} cannot be played: keep this page beside the sound, in a format that the browser plays.`);
    }
  };

  const start = (l, t, s) => {
    const part = lines[l].takes[t].part; // of a file that holds other lines, too
    if (part) return playPath(l, [{ t, s: part[0], e: part[1] }], 0, s ?? part[0], lines[l].takes[t].name);
    path = null;
    say(lines[l].name === lines[l].takes[t].name ? lines[l].name : `${lines[l].name}, ${lines[l].takes[t].name}`);
    return begin(l, t, s);
  };

  const toggle = (l, t) => {
    if (current && current.l === l && current.t === t && isPlaying()) { stop(); say("Nothing is playing."); } else start(l, t);
  };

  const switchTo = (t) => {
    if (!current || !lines[current.l].takes[t] || t === current.t) return;
    const s = mapped(current.l, current.t, t, audioOf(current.l, current.t).currentTime);
    takeOf(current.l, t).scrollIntoView({ block: "nearest" });
    start(current.l, t, s);
  };

  const step = (by) => {
    const { l, t } = current, s = audioOf(l, t).currentTime, phrases = phrasesOf(l, t);
    if (!phrases.length) return start(l, t, Math.max(0, s + 5 * by));
    const here = phrases.findIndex(([, end]) => s < end);
    const next = Math.min(Math.max(0, (here < 0 ? phrases.length : here) + by), phrases.length - 1);
    return start(l, t, phrases[next][0]);
  };

  // Plays stretches [{t, s, e}, ...] of a line's takes one after the other.
  const playPath = (l, steps, i, s, name) => {
    stop();
    path = { l, steps, i, name };
    enter(s);
    follow(path);
  };

  const enter = (s) => {
    const { l, steps, i, name } = path, here = steps[i], next = steps[i + 1];
    say(`${lines[l].name}, ${name}: ${lines[l].takes[here.t].name}`);
    begin(l, here.t, s);
    if (next && next.t !== here.t) audioOf(l, next.t).currentTime = next.s; // to be there in time
  };

  const follow = (mine) => {
    if (path !== mine) return;
    const { l, steps, i } = mine, here = steps[i], next = steps[i + 1], element = audioOf(l, here.t);
    if (element.ended || (!element.seeking && element.currentTime >= here.e - 0.01)) {
      if (!next) { stop(); say(`${lines[l].name}: the ${mine.name} has ended.`); return; }
      mine.i += 1;
      if (next.t !== here.t || Math.abs(next.s - here.e) > 0.02) enter(next.s);
    }
    setTimeout(() => follow(mine), 10);
  };

  sections.forEach((section, l) => {
    section.addEventListener("click", (event) => {
      const cell = event.target.closest(".cell");
      if (cell) { start(l, +cell.dataset.take, phrasesOf(l, +cell.dataset.take)[+cell.dataset.phrase][0]); return; }
      const item = event.target.closest(".take");
      if (!item) return;
      const t = +item.dataset.take;
      if (event.target.closest(".play")) { toggle(l, t); return; }
      const jump = event.target.closest(".jump");
      if (jump) { start(l, t, Math.max(0, +jump.dataset.s - 0.4)); return; }
      const wave = event.target.closest(".wave");
      if (wave) {
        const box = wave.querySelector("svg").getBoundingClientRect();
        const [from, to] = shownOf(wave);
        start(l, t, from + Math.max(0, event.clientX - box.left) / box.width * (to - from));
      }
    });
    section.querySelectorAll("audio").forEach((element) => {
      const item = element.closest(".take"), t = +item.dataset.take, seek = item.querySelector(".seek");
      const heads = [...item.querySelectorAll(".head-line")];
      element.addEventListener("timeupdate", () => {
        const s = element.currentTime;
        heads.forEach((head) => {
          const [from, to] = shownOf(head.closest(".wave"));
          const x = (s - from) / (to - from || 1) * head.ownerSVGElement.viewBox.baseVal.width;
          head.setAttribute("x1", x);
          head.setAttribute("x2", x);
        });
        if (seek) { seek.value = s; seek.setAttribute("aria-valuetext", clock(s)); }
        if (element.paused || !current || current.l !== l || current.t !== t) return;
        const p = phraseAt(l, t, s);
        section.querySelectorAll(".cell").forEach((cell) => {
          cell.classList.toggle("sounding", +cell.dataset.take === t && +cell.dataset.phrase === p);
        });
      });
      element.addEventListener("ended", () => { if (!path) { stop(); say("Nothing is playing."); } });
      if (seek) seek.addEventListener("input", () => { element.currentTime = +seek.value; });
    });
  });

  // Keys. Inside a grid the arrows go from cell to cell, and what plays goes along.
  const arrows = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0] };
  const keysOn = (event) => document.getElementById("shortcuts").checked
    && !event.target.closest("input, select, textarea") && !event.ctrlKey && !event.metaKey && !event.altKey;

  document.addEventListener("keydown", (event) => {
    if (!keysOn(event)) return;
    const arrow = arrows[event.key], cell = event.target.closest(".cell");
    if (arrow && cell) {
      event.preventDefault();
      const next = cell.closest(".line").querySelector(`.cell[data-take="${+cell.dataset.take + arrow[0]}"][data-phrase="${+cell.dataset.phrase + arrow[1]}"]`);
      if (!next) return;
      next.focus();
      if (isPlaying()) next.click();
    } else if (event.key === " " && !event.target.closest("button, summary, a")) {
      event.preventDefault();
      if (current) toggle(current.l, current.t); else if (sections.length) start(0, 0);
    } else if (/^[1-9]$/.test(event.key)) switchTo(+event.key - 1);
    else if (arrow && current) {
      event.preventDefault();
      if (arrow[0]) switchTo(current.t + arrow[0]); else step(arrow[1]);
    }
  }, { signal });
