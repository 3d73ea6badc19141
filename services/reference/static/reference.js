// The viewer knows one scheme at a time; it follows the reader's.
const viewer = document.querySelector("rapi-doc");
const dark = matchMedia("(prefers-color-scheme: dark)");
const light = Object.fromEntries(["primary-color", "bg-color", "text-color", "nav-bg-color", "nav-text-color", "nav-hover-bg-color", "nav-accent-color"].map((n) => [n, viewer.getAttribute(n)]));
const colours = {
  light,
  dark: {
    "primary-color": "#e2b3d8", "bg-color": "#191418", "text-color": "#efe7ed", "nav-bg-color": "#241c22", "nav-text-color": "#efe7ed",
    "nav-hover-bg-color": "#3a2b36", "nav-accent-color": "#c796bb",
  },
};
function follow() {
  const theme = dark.matches ? "dark" : "light";
  viewer.setAttribute("theme", theme);
  for (const [name, value] of Object.entries(colours[theme])) viewer.setAttribute(name, value);
}
follow();
dark.addEventListener("change", follow);
