/* What keyboard and forms need of the browser besides callbacks (dashboard/parts/form.py, grid.py, pages/health/file_import.py). */

/* Enter in a line of text sends its form, as everywhere; in a list it chooses, in a tall field it is a new line. */
document.addEventListener("keydown", (event) => {
  const field = event.target;
  if (event.key !== "Enter" || event.isComposing || !field.matches("input:not([type=file]):not([type=checkbox]):not([type=radio])")) return;
  const form = field.closest(".bl-form");
  if (!form || field.closest(".mantine-Select-root") || field.getAttribute("aria-haspopup")) return;
  event.preventDefault();
  form.querySelector(":scope > button").click();
});

/* A grid is one stop of the Tab key: arrows lead from cell to cell (Enter is in reach.js). */
document.addEventListener("focusin", ({ target }) => {
  const box = target.closest(".bl-grid[data-grid]");
  const api = box && !box.dataset.keys && window.dash_ag_grid && window.dash_ag_grid.getApi(box.dataset.grid);
  if (!api) return;
  box.dataset.keys = "yes";
  api.setGridOption("tabToNextCell", () => false);
});

/* A file that is too large is said to be so: the field for files turns it down without a word and keeps the one before. */
document.addEventListener(
  "change",
  ({ target }) => {
    const box = target.type === "file" && target.closest("[data-most-bytes]");
    const file = box && target.files[0];
    if (!file || file.size <= Number(box.dataset.mostBytes)) return;
    const words = box.dataset.tooLarge.replace("{name}", file.name).replace("{size}", (file.size / Number(box.dataset.bytesPerMb)).toFixed(1));
    window.dash_clientside.set_props(box.dataset.field, { contents: null, filename: null, last_modified: null });
    window.dash_clientside.set_props(box.dataset.problem, { children: words });
  },
  true,
);
