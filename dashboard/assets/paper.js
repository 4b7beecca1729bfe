/* On paper a grid is a plain table: it draws only the rows in view, which is right for a screen and wrong for a print. */
(function () {
  "use strict";
  const texts = {
    CraneCell: (data) => [data.crane, data.title].filter(Boolean).join(", "),
    MarkCell: (data) => data.word,
    BarCell: (data, definition) => {
      const kind = definition.cellRendererParams.kind;
      return [data[kind + "_text"], data[kind + "_note"]].filter(Boolean).join(" ");
    },
    ServiceCell: (data) => data.service_text,
    DayCell: (data, definition) => data[definition.field + "_text"],
    AgeCell: (data) => (data.at ? data.at.slice(0, 16).replace("T", " ") + " UTC" : "–"),
    NowCell: (data) => (data.now === null || data.now === undefined ? "–" : Math.round(data.now) + "\u00a0%"),
  };

  function cell(tag, text, row) {
    const made = row.appendChild(document.createElement(tag));
    made.textContent = text === null || text === undefined ? "–" : text;
  }

  function write(box) {
    const api = window.dash_ag_grid && window.dash_ag_grid.getApi(box.dataset.grid);
    if (!api) return;
    // Those that only help to search have no name; those that leave a narrow screen belong on paper.
    const columns = api.getColumns().map((column) => column.getColDef()).filter((definition) => definition.headerName);
    const table = document.createElement("table");
    table.className = "bl-paper";
    const head = table.createTHead().insertRow();
    columns.forEach((definition) => cell("th", definition.headerName, head));
    const body = table.createTBody();
    api.forEachNodeAfterFilterAndSort((node) => {
      const row = body.insertRow();
      columns.forEach((definition) => {
        const text = texts[definition.cellRenderer];
        cell("td", text ? text(node.data, definition) : node.data[definition.field], row);
      });
    });
    box.append(table);
  }

  const clear = () => document.querySelectorAll(".bl-paper").forEach((table) => table.remove());
  window.addEventListener("beforeprint", () => {
    clear();
    document.querySelectorAll("[data-grid]").forEach(write);
  });
  window.addEventListener("afterprint", clear);
})();
