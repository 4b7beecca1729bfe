/* Runs the scripts of a page when what is there of it has been painted, or soon where nothing is: a page in the background. */
(() => {
  const early = document.querySelectorAll("link[data-src]");
  let begun = false;
  let waiting = early.length;
  function begin() {
    if (begun) return;
    begun = true;
    for (const { dataset } of early) {
      const script = document.createElement("script");
      script.src = dataset.src;
      if (dataset.src.includes(".mjs")) script.type = "module";
      script.async = false;
      script.onload = () => {
        if (--waiting === 0) window.renderer = new DashRenderer();
      };
      document.head.append(script);
    }
  }
  requestAnimationFrame(() => setTimeout(begin));
  setTimeout(begin, 300);
})();
