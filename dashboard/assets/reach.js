/* What the mouse does, the keys do, and what is dragged gets an address: Enter follows the link of a cell, and a span that is
   dragged on a chart of the record becomes a link to its trace. */
(function () {
  "use strict";
  document.addEventListener("keydown", (event) => {
    const cell = event.key === "Enter" && event.target.classList && event.target.classList.contains("ag-cell") ? event.target : null;
    const link = cell && cell.querySelector("a[href]");
    if (!link) return;
    event.preventDefault();
    link.click();
  });

  /* Plotly gives the wall clock of the site, as "2026-11-25 08:15:02.5"; a time without an offset is read as that. */
  const clock = (text) => String(text).slice(0, 19).replace(" ", "T");

  function listen(graph) {
    const figure = graph.closest("[data-trace]");
    const link = figure && figure.querySelector(".bl-dragged");
    if (!link || graph.dataset.heard || !graph.on) return;
    graph.dataset.heard = "yes";
    graph.on("plotly_relayout", (change) => {
      const from = change["xaxis.range[0]"];
      const to = change["xaxis.range[1]"];
      link.hidden = !from || !to;
      if (link.hidden) return;
      const query = new URLSearchParams({ tab: "trace", from: clock(from), to: clock(to) });
      link.href = figure.dataset.trace + "?" + query;
      link.textContent = link.dataset.words.replace("{from}", clock(from).replace("T", " ")).replace("{to}", clock(to).replace("T", " "));
    });
  }

  new MutationObserver(() => document.querySelectorAll("[data-trace] .js-plotly-plot").forEach(listen)).observe(document.documentElement, {
    childList: true,
    subtree: true,
  });
})();
