// Mix and Room: choose, ask, and see what was found. Others see the same list.
import { send } from "./live.js";
import { toast } from "./toast.js";

const mayWrite = document.body.dataset.write === "yes";

export const asking = (kind, { form, wire, sentence, begin }) => {
  let box = null, state = null, chosen = null, shown = "", ending = null, playing = null, painted = "";
  const find = (selector) => box.querySelector(selector);

  const build = (panel) => {
    panel.innerHTML = `<div class="asking">
      <form class="ask card" aria-label="What to measure">${form}</form>
      <div class="found"><ol class="answers-list"></ol><p class="none source">Nothing was measured yet.</p><div class="answer-shown"></div>
      <p class="now-playing" role="status" hidden>Nothing is playing.</p></div></div>`;
    box = panel.firstElementChild;
    find("form").addEventListener("submit", async (event) => {
      event.preventDefault();
      const { key, error } = await send(`/${kind}`, wire.asked(find("form")));
      if (error !== undefined) { toast(error, { wrong: true }); return; }
      location.hash = `#/${kind}/${key}`;
    });
  };

  const list = () => {
    const all = [...state.entries()].filter(([name]) => name.startsWith(`${kind}:`)).map(([name, told]) => [name.split(":")[1], told]).sort((a, b) => b[1].begun - a[1].begun);
    find(".none").hidden = all.length > 0;
    const words = JSON.stringify([all, chosen]);
    if (words === painted) return all;
    painted = words;
    find(".answers-list").replaceChildren(...all.map(([key, told]) => {
      const item = document.createElement("li"), link = document.createElement("a"), about = document.createElement("span");
      link.href = `#/${kind}/${key}`;
      link.textContent = told.name;
      if (key === chosen) link.setAttribute("aria-current", "true");
      if (told.verdict_word) {
        const verdict = Object.assign(document.createElement("span"), { className: `verdict ${told.verdict}`, textContent: told.verdict_word });
        item.append(verdict);
      }
      about.textContent = told.state === "working" ? "Measuring …" : told.state === "failed" ? told.error : sentence(told);
      about.className = told.state === "failed" ? "hint" : "source";
      item.append(link, about);
      return item;
    }));
    return all;
  };

  const load = async () => {
    const told = chosen && state.get(`${kind}:${chosen}`);
    const next = told?.tag ? `${chosen} ${told.tag}` : "";
    if (next === shown || (playing?.isPlaying() && next.startsWith(`${chosen} `) && shown.startsWith(`${chosen} `))) return;
    shown = next;
    drop();
    if (!next) { find(".answer-shown").replaceChildren(); return; }
    let part;
    try {
      const reply = await fetch(`/${kind}/${chosen}`);
      if (!reply.ok) throw new Error(reply.status);
      part = await reply.json();
    } catch { shown = ""; return; }
    if (shown !== next) return;
    const place = find(".answer-shown");
    place.innerHTML = part.html;
    ending = new AbortController();
    find(".now-playing").hidden = !begin;
    place.querySelectorAll("audio").forEach((sound) => {
      sound.addEventListener("error", () => { if (!sound.src.includes("as=copy")) sound.src += "?as=copy"; }, { once: true });
    });
    playing = begin?.({ section: place, play: part.play, now: find(".now-playing"), signal: ending.signal }) ?? null;
  };

  const drop = () => { playing?.stop(); ending?.abort(); playing = ending = null; };

  return {
    show: (panel, news, { rest }) => {
      state = news;
      if (!box) build(panel);
      wire.fill(find("form"), state);
      find("button[type=submit]").disabled = !mayWrite || files(state).length === 0;
      if (rest[0] && state.has(`${kind}:${rest[0]}`)) chosen = rest[0];
      const all = list();
      if (!chosen && all.length) { chosen = all[0][0]; list(); }
      load();
    },
    leave: () => { drop(); shown = ""; },
  };
};

// The files of the folder as options or boxes; kept as they are where nothing has changed.
export const files = (state) => state.get("files") ?? [];
