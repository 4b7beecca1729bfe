/* Finds out which colours somebody wants, before the scripts that keep it (assets/ui.mjs) have run. */
(() => {
  let kept = null;
  try {
    kept = JSON.parse(localStorage.getItem("scheme"));
  } catch {
    /* nothing was kept */
  }
  const own = window.matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light";
  document.documentElement.dataset.scheme = kept === "light" || kept === "dark" ? kept : own;
})();
