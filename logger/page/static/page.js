"use strict";
(() => {
  const link = document.getElementById("link");
  const put = (id, html) => { const e = document.getElementById(id); if (e) e.innerHTML = html; };
  const source = new EventSource("/live");
  source.addEventListener("live", (event) => {
    const told = JSON.parse(event.data);
    told.packs.forEach((html, i) => put("live-" + i, html));
    link.textContent = "Live, " + told.clock + ".";
  });
  source.addEventListener("today", (event) => {
    JSON.parse(event.data).forEach((html, i) => put("today-" + i, html));
  });
  source.onerror = () => { link.textContent = "The connection is interrupted; values may be old. Trying again."; };
})();
