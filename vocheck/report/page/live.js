// What the server tells: kept in `state`, and handed on; what is missed is caught up with.
const SILENCE_MS = 13000; // three beats and a little
const lost = document.getElementById("lost");
let version = "", source = null, silence = 0, told = null;

const alarm = (text) => {
  lost.hidden = !text;
  if (lost.textContent !== text) lost.textContent = text;
};

const heard = () => {
  alarm("");
  clearTimeout(silence);
  silence = setTimeout(open, SILENCE_MS);
};

const again = () => {
  alarm("The booth computer does not answer; this may be old.");
  clearTimeout(silence);
  silence = setTimeout(open, 1000);
};

const open = () => {
  source?.close();
  source = new EventSource(`/events?since=${encodeURIComponent(version)}`);
  source.addEventListener("beat", heard);
  source.addEventListener("news", (event) => {
    heard();
    version = event.lastEventId;
    const { whole, values } = JSON.parse(event.data);
    const changed = new Set(Object.keys(values));
    if (whole) {
      [...told.state.keys()].forEach((name) => { if (!(name in values)) { told.state.delete(name); changed.add(name); } });
    }
    Object.entries(values).forEach(([name, value]) => {
      if (value === null) told.state.delete(name); else told.state.set(name, value);
    });
    told.tell(changed);
  });
  source.addEventListener("error", async () => {
    source.close();
    again();
    try {
      const reply = await fetch("/", { method: "GET", cache: "no-store" });
      if (reply.status === 403) alarm("The desk was opened anew: use the address that it printed.");
    } catch { /* told already */ }
  });
};

export const follow = (state, tell) => {
  told = { state, tell };
  open();
};

// Sends what somebody did; returns the answer, or tells what went wrong.
export const send = async (path, value) => {
  let reply;
  try {
    reply = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(value) });
  } catch {
    return { error: "The booth computer does not answer: nothing was saved." };
  }
  try {
    return await reply.json();
  } catch {
    return { error: reply.status === 403 ? "You can look here, not change." : "That did not work: nothing was saved." };
  }
};
