  // The path: which take each phrase is used from. It starts as the cleanest one.
  const used = lines.map((line) => [...line.chosen]);
  const sum = (numbers) => numbers.reduce((a, b) => a + b, 0);
  const pointsOf = (line, choice) => sum(choice.map((t, p) => line.points[p][t]))
    + sum(choice.slice(1).map((t, p) => line.joins[p][choice[p]][t]));
  const show = (points) => points.toFixed(1);

  const stepsOf = (l, choice) => choice.map((t, p) => {
    const [s, e] = phrasesOf(l, t)[p];
    return { t, s, e };
  });

  const update = (l) => {
    const line = lines[l], section = sections[l], choice = used[l];
    const clean = choice.every((t, p) => t === line.chosen[p]);
    section.querySelectorAll(".cell").forEach((cell) => {
      cell.closest("td").classList.toggle("used", choice[+cell.dataset.phrase] === +cell.dataset.take);
    });
    section.querySelector(".reset").hidden = clean;
    const single = line.single, whole = pointsOf(line, choice.map(() => single));
    section.querySelector(".cost").replaceChildren(
      Object.assign(document.createElement("b"), { textContent: `${show(pointsOf(line, choice))} points` }),
      clean ? " along the cleanest path; " : ` along your path; ${show(pointsOf(line, line.chosen))} along the cleanest; `,
      `${show(whole)} for ${line.takes[single].name}, the best single take.`,
    );
  };

  const use = (l, p, t) => {
    used[l][p] = t;
    sections[l].querySelector(`input[name="use-${l}-${p}"][value="${t}"]`).checked = true;
    update(l);
  };

  // The cleanest path as it is joined, where it was rendered, is one more take of the line.
  const joinedOf = (l) => (lines[l].joined ? lines[l].takes.length - 1 : -1);
  const playJoined = (l, s, e, name) => {
    const t = joinedOf(l);
    if (path && path.l === l && path.name === name) { stop(); say("Nothing is playing."); return; }
    let here = s;
    if (isPlaying() && current.l === l && name === "path") {
      const at = audioOf(l, current.t).currentTime;
      here = current.t === t ? at : mapped(l, current.t, t, at);
    }
    playPath(l, [{ t, s, e }], 0, Math.min(Math.max(s, here), e), name);
  };

  // Plays a path, from where this line is just being heard.
  const audition = (l, choice, name) => {
    const steps = stepsOf(l, choice);
    if (path && path.l === l && path.name === name) { stop(); say("Nothing is playing."); return; }
    if (!isPlaying() || current.l !== l) { playPath(l, steps, 0, steps[0].s, name); return; }
    const s = audioOf(l, current.t).currentTime, p = Math.max(0, phraseAt(l, current.t, s));
    playPath(l, steps, p, Math.max(steps[p].s, mapped(l, current.t, steps[p].t, s)), name);
  };
  const playUsed = (l) => {
    const clean = used[l].every((t, p) => t === lines[l].chosen[p]);
    if (clean && lines[l].joined) playJoined(l, ...lines[l].joined.span, "path");
    else audition(l, used[l], "path");
  };
  const playSingle = (l) => audition(l, used[l].map(() => lines[l].single), "best single take");

  sections.forEach((section, l) => {
    if (!lines[l].chosen.length) return;
    section.querySelector(".path").addEventListener("click", () => playUsed(l));
    section.querySelector(".single").addEventListener("click", () => playSingle(l));
    section.querySelector(".reset").addEventListener("click", () => {
      lines[l].chosen.forEach((t, p) => use(l, p, t));
      section.querySelector(".path").focus();
    });
    section.querySelector(".save").addEventListener("click", () => {
      const rows = stepsOf(l, used[l]).map(({ t, s, e }, p) => [lines[l].name, `${p + 1}`, lines[l].files[t], s.toFixed(3), e.toFixed(3)]);
      save("path.csv", [["line", "phrase", "file", "start_s", "end_s"], ...rows]);
    });
    section.addEventListener("change", (event) => {
      if (event.target.type === "radio") use(l, +event.target.name.split("-")[2], +event.target.value);
    });
    section.querySelectorAll(".join").forEach((button, i) => button.addEventListener("click", () => {
      const after = +button.dataset.after;
      if (lines[l].joined) {
        const [start, end] = lines[l].joined.span, at = lines[l].joined.joins[i];
        playJoined(l, Math.max(start, at - 2), Math.min(end, at + 2), `join after phrase ${after}`);
        return;
      }
      const [out, into] = stepsOf(l, lines[l].chosen).slice(after - 1, after + 1);
      const s = Math.max(out.s, out.e - 2);
      playPath(l, [{ ...out, s }, { ...into, e: Math.min(into.e, into.s + 2) }], 0, s, `join after phrase ${after}`);
    }));
  });

  document.addEventListener("keydown", (event) => {
    if (!keysOn(event)) return;
    const section = document.activeElement.closest(".line"), cell = event.target.closest(".cell");
    const l = section ? sections.indexOf(section) : current ? current.l : 0, key = event.key.toLowerCase();
    if (key === "u" && cell && +cell.dataset.take !== joinedOf(l)) use(l, +cell.dataset.phrase, +cell.dataset.take);
    else if (key === "p" && used[l]?.length) playUsed(l);
    else if (key === "b" && used[l]?.length) playSingle(l);
  }, { signal });
