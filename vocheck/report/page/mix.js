  // What is heard: the short-term loudness of the place.
  sections.forEach((section, l) => {
    const { first_s, step_s, lufs } = lines[l].levels, here = section.querySelector(".here");
    section.querySelector("audio").addEventListener("timeupdate", (event) => {
      const s = event.target.currentTime, level = lufs[Math.round((s - first_s) / step_s)];
      here.textContent = `${clock(s)}  ${typeof level === "number" ? `${level.toFixed(1)} LUFS` : ""}`;
    });
  });
