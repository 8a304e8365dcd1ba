  // Dark and light
  const root = document.documentElement, theme = document.getElementById("theme");
  const paint = (dark) => {
    root.classList.toggle("dark", dark);
    theme.setAttribute("aria-pressed", dark);
  };
  paint(matchMedia("(prefers-color-scheme: dark)").matches);
  theme.addEventListener("click", () => paint(!root.classList.contains("dark")));
