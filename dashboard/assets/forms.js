/* What forms need of the browser besides their callbacks (dashboard/parts/form.py, dashboard/pages/health_import.py). */
(function () {
  "use strict";

  /* Enter in a line of text sends its form, as everywhere; in a list it chooses, in a tall field it is a new line. */
  document.addEventListener("keydown", (event) => {
    const field = event.target;
    if (event.key !== "Enter" || event.isComposing || !field.matches("input:not([type=file]):not([type=checkbox])")) return;
    const form = field.closest(".bl-form");
    if (!form || field.closest(".mantine-Select-root") || field.getAttribute("aria-haspopup")) return;
    event.preventDefault();
    form.querySelector(":scope > button").click();
  });

  /* A file that is too large is said to be so: the field for files turns it down without a word and keeps the one before. */
  document.addEventListener(
    "change",
    ({ target }) => {
      const box = target.type === "file" && target.closest("[data-most-bytes]");
      const file = box && target.files[0];
      if (!file || file.size <= Number(box.dataset.mostBytes)) return;
      const words = box.dataset.tooLarge.replace("{name}", file.name).replace("{size}", (file.size / 1e6).toFixed(1));
      window.dash_clientside.set_props(box.dataset.field, { contents: null, filename: null, last_modified: null });
      window.dash_clientside.set_props(box.dataset.problem, { children: words });
    },
    true,
  );
})();
