// The booth: the last verdict, what to do, the lines. It rings where somebody has turned the sound on.
const sound = document.getElementById("sound"), said = document.getElementById("said");
let rings = null, player = null, shown = "";

const beep = () => {
  if (!player) return;
  for (const [at, hz] of [[0, 880], [0.22, 660]]) {
    const tone = player.createOscillator(), level = player.createGain();
    tone.frequency.value = hz;
    level.gain.setValueAtTime(0.2, player.currentTime + at);
    level.gain.exponentialRampToValueAtTime(0.001, player.currentTime + at + 0.2);
    tone.connect(level).connect(player.destination);
    tone.start(player.currentTime + at);
    tone.stop(player.currentTime + at + 0.2);
    document.body.dataset.beeps = Number(document.body.dataset.beeps ?? 0) + 1;
  }
};

sound.addEventListener("click", () => {
  if (player) { player.close(); player = null; } else { player = new AudioContext(); beep(); }
  sound.setAttribute("aria-pressed", String(player !== null));
  sound.textContent = player ? "Bell is on" : "Bell is off";
});

export const show = (panel, state) => {
  const booth = state.get("booth");
  if (!booth) return;
  if (panel && shown !== booth.html) {
    panel.innerHTML = booth.html;
    shown = booth.html;
  }
  if (said.textContent !== booth.said) said.textContent = booth.said;
  document.title = booth.title;
  if (rings !== null && booth.rings > rings) {
    const view = document.getElementById("view-booth");
    view.classList.remove("ring");
    void view.offsetWidth;
    view.classList.add("ring");
    beep();
  }
  rings = booth.rings;
};
