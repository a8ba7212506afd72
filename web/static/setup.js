// Renews the table of sensors while people wire, and goes on when the watch is up
// again. The page reads without it.
"use strict";
(() => {
  const table = document.querySelector("[data-renew]");
  if (table) {
    setInterval(async () => {
      if (document.hidden) return;
      try {
        const answer = await fetch(table.dataset.renew, { headers: { Accept: "text/html" } });
        if (answer.ok && !answer.redirected) table.innerHTML = await answer.text();
      } catch { /* asked again */ }
    }, 5000);
  }
  // Only the measures that belong to the chosen shape are asked for.
  document.querySelectorAll("select[name$='.profile.shape']").forEach((shape) => {
    const fit = () => shape.form.querySelectorAll("[data-shapes]").forEach((e) => {
      e.style.display = e.dataset.shapes.split(" ").includes(shape.value) ? "" : "none";
    });
    shape.addEventListener("change", fit);
    fit();
  });
  const next = document.querySelector("[data-await]");
  if (next) {
    const ask = async () => {
      try {
        const answer = await fetch("/healthz", { cache: "no-store" });
        if (answer.ok && answer.headers.get("Tidemark-Run") !== next.dataset.run) { location.href = next.dataset.await; return; }
      } catch { /* not up yet */ }
      setTimeout(ask, 700);
    };
    setTimeout(ask, 500);
  }
})();
