/* A file that is too large is said to be so: the field for files turns it down without a word and keeps the one before. */
(function () {
  "use strict";
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
