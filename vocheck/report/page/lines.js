// A list of lines, and the chosen one beside it: what the views Takes and Phrases have in common.
// A line that is being listened to, or typed in, is not exchanged under the hands: a button offers it.
const element = (html) => {
  const made = document.createElement("template");
  made.innerHTML = html.trim();
  return made.content.firstElementChild;
};

const text = (tag, words, kind = "") => Object.assign(document.createElement(tag), { textContent: words, className: kind });

const frame = (view, tools) => element(`
<div class="lines-view">
  <div class="side">
    <label class="find"><span class="unseen">Search lines, takes, remarks and faults</span><input type="search" placeholder="Search" autocomplete="off"></label>
    <nav aria-label="Lines"><ol class="line-list"></ol></nav>
    <p class="empty source" hidden></p>
  </div>
  <div class="main">
    <h1 class="summary"></h1>
    <p class="progress-told source" role="status" hidden></p>
    <details class="about" hidden><summary>About the session</summary><div></div></details>
    <div class="bar-of-tools">${tools}</div>
    <p class="changed" hidden>The takes of this line have changed. <button type="button">Show them</button></p>
    <div class="chosen"></div>
    <p class="now-playing" role="status">Nothing is playing.</p>
  </div>
</div>`);

export const lineList = (view, { tools, begin, extend }) => {
  let box = null, state = null, ids = [], chosen = null, tag = null, playing = null, ending = null, wanted = null;
  const rows = new Map(); // buttons of the list, by line
  const find = (selector) => box.querySelector(selector);
  const address = (id) => `#/${view}/${id}`;

  const build = (panel) => {
    box = frame(view, tools);
    panel.replaceChildren(box);
    find("input[type=search]").addEventListener("input", list);
    find(".changed button").addEventListener("click", () => { playing?.stop(); load(true); });
    box.querySelector("form.tools")?.addEventListener("submit", (event) => event.preventDefault());
    document.addEventListener("keydown", (event) => {
      if (panel.hidden || event.target.closest("input, select, textarea") || event.ctrlKey || event.metaKey || event.altKey) return;
      if (!document.getElementById("shortcuts").checked) return;
      if (event.key === "[" || event.key === "]") {
        const shown = [...box.querySelectorAll(".line-list a")].map((link) => link.dataset.line);
        const next = shown[shown.indexOf(chosen) + (event.key === "]" ? 1 : -1)];
        if (next) location.hash = address(next);
      } else if (event.key === "/") {
        event.preventDefault();
        find("input[type=search]").focus();
      }
    });
  };

  // The list of lines. Rows are made once and only changed; of a thousand, those out of sight cost nothing.
  const list = () => {
    const asked = find("input[type=search]").value.trim().toLowerCase();
    const shown = ids.filter((id) => (state.get(`line:${id}`)?.words ?? "").includes(asked));
    const items = shown.map((id) => {
      const line = state.get(`line:${id}`), item = rows.get(id) ?? element('<li><a><span class="name"></span><span class="dot"></span><span class="told"></span></a></li>');
      rows.set(id, item);
      const link = item.firstElementChild, [name, dot, about] = link.children;
      link.href = address(id);
      link.dataset.line = id;
      if (id === chosen) link.setAttribute("aria-current", "true"); else link.removeAttribute("aria-current");
      name.textContent = line.name;
      dot.className = `dot ${line.verdict}`;
      dot.textContent = line.word;
      about.textContent = view === "phrases"
        ? `${line.takes === 1 ? "1 take" : `${line.takes} takes`}${line.cuts ? `, ${line.cuts === 1 ? "1 cut" : `${line.cuts} cuts`}` : ""}`
        : `${line.use}${line.circled ? " (circled)" : ""} of ${line.takes}`;
      return item;
    });
    [...rows.keys()].filter((id) => !ids.includes(id)).forEach((id) => rows.delete(id));
    const place = find(".line-list");
    if (items.length !== place.children.length || items.some((item, i) => item !== place.children[i])) place.replaceChildren(...items);
    const empty = find(".empty");
    empty.hidden = items.length > 0;
    empty.textContent = !state.get("lines")?.arranged ? "" : ids.length ? "Nothing is found." : "No takes yet. They appear here as they are recorded.";
  };

  const tellSession = () => {
    const told = state.get("lines") ?? {};
    find(".summary").textContent = told.sentence || (told.known ? "Measuring." : told.arranged ? "No takes yet." : "Looking at the folder.");
    const progress = find(".progress-told");
    progress.hidden = !(told.measured < told.known);
    progress.textContent = `Measured ${told.measured} of ${told.known} takes.`;
    const about = find(".about"), parts = [];
    const say = (words, kind) => parts.push(text("p", words, kind));
    if (told.error) say(told.error, "hint");
    (told.failures ?? []).forEach((words) => say(words, "hint"));
    (told.problems ?? []).forEach((words) => say(words, "hint"));
    (told.landing ?? []).forEach((words) => say(words));
    if (told.left_out?.length) say(`Left out, not named like takes: ${told.left_out.join(", ")}`, "source");
    about.hidden = !parts.length;
    about.firstElementChild.textContent = told.error || told.failures?.length || told.problems?.length ? "About the session: something needs a look" : "About the session";
    const words = parts.map((part) => part.textContent).join("\n");
    if (about.dataset.words !== words) { about.dataset.words = words; about.lastElementChild.replaceChildren(...parts); }
  };

  // What has the focus, so that an exchange of the line does not lose it, nor what is being typed.
  const focus = () => {
    const here = document.activeElement, card = here?.closest?.(".chosen .take");
    if (!card) return null;
    const nth = [...card.querySelectorAll(here.localName)].indexOf(here);
    return { key: card.dataset.id ?? card.dataset.take, tag: here.localName, nth, value: here.type === "text" ? here.value : null, from: here.selectionStart ?? null };
  };

  const refocus = (kept) => {
    if (!kept) return;
    const card = [...find(".chosen").querySelectorAll(".take")].find((item) => (item.dataset.id ?? item.dataset.take) === kept.key);
    const here = card?.querySelectorAll(kept.tag)[kept.nth];
    if (!here) return;
    if (kept.value !== null) here.value = kept.value;
    here.focus({ preventScroll: true });
    if (kept.value !== null && kept.from !== null) here.setSelectionRange(kept.from, kept.from);
  };

  const load = async (now) => {
    const id = chosen, line = state.get(`line:${id}`);
    if (!line) { drop(); find(".chosen").replaceChildren(); tag = null; return; }
    const next = `${id} ${line.tags[view]}`;
    if (next === tag) return;
    const typing = document.activeElement?.matches?.(".chosen input[type=text], .chosen input[type=number]");
    if (!now && tag?.startsWith(`${id} `) && (playing?.isPlaying() || typing)) { find(".changed").hidden = false; return; }
    tag = next;
    let part;
    try {
      const reply = await fetch(`/line/${view}/${id}`);
      if (!reply.ok) throw new Error(reply.status);
      part = await reply.json();
    } catch { tag = null; return; }
    if (tag !== next) return; // another one was asked for meanwhile
    const kept = focus(), open = [...box.querySelectorAll(".chosen details[open]")].map((d) => `${d.closest(".take")?.dataset.id} ${d.className}`);
    drop();
    find(".changed").hidden = true;
    const place = find(".chosen");
    place.innerHTML = part.html;
    ending = new AbortController();
    const parts = { section: place, play: part.play, now: find(".now-playing"), signal: ending.signal, form: find("form.tools"), state, id };
    playing = begin(parts);
    place.querySelectorAll("audio").forEach((sound) => {
      sound.preload = "auto"; // so that a key is heard at once
      sound.addEventListener("error", () => { if (!sound.src.includes("as=copy")) sound.src += "?as=copy"; }, { once: true });
    });
    place.querySelectorAll("details").forEach((d) => { if (open.includes(`${d.closest(".take")?.dataset.id} ${d.className}`)) d.open = true; });
    extend({ ...parts, player: playing });
    refocus(kept);
    go();
  };

  // A take and a moment that the address names.
  const go = () => {
    if (!wanted?.take) return;
    const card = [...find(".chosen").querySelectorAll(".take")].find((item) => item.dataset.id === wanted.take);
    const t = wanted.t;
    wanted = null;
    if (!card) return;
    card.scrollIntoView({ block: "center" });
    if (Number.isFinite(t)) playing.start(0, +card.dataset.take, t);
  };

  const drop = () => {
    playing?.stop();
    ending?.abort();
    playing = ending = null;
  };

  return {
    show: (panel, news, { rest, query, changed }) => {
      state = news;
      if (!box) build(panel);
      ids = state.get("lines")?.order ?? [];
      const first = ids.find((id) => state.has(`line:${id}`));
      const asked = rest[0] && state.has(`line:${rest[0]}`) ? rest[0] : null;
      if (changed === null || !chosen || !state.has(`line:${chosen}`)) {
        chosen = asked ?? (state.has(`line:${chosen}`) ? chosen : first) ?? null;
        if (rest[1]) wanted = { take: rest[1], t: query.has("t") ? parseFloat(query.get("t")) : NaN };
      }
      ids = ids.filter((id) => state.has(`line:${id}`));
      tellSession();
      list();
      load(false).then(go);
    },
    leave: () => { drop(); tag = null; },
  };
};
