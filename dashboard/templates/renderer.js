/* The components of assets/main.mjs are there when the document is read to its end, as scripts that are modules are. */
document.addEventListener("DOMContentLoaded", () => {
  window.renderer = new DashRenderer();
});
