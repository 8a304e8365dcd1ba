  // Dark and light
  const html = document.documentElement, theme = document.getElementById("theme");
  const paint = (dark) => {
    html.classList.toggle("dark", dark);
    theme.setAttribute("aria-pressed", dark);
  };
  paint(matchMedia("(prefers-color-scheme: dark)").matches);
  theme.addEventListener("click", () => paint(!html.classList.contains("dark")));
