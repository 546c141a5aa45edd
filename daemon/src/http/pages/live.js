// Keeps an open page current. Without it everything works; the page is then as old as its last loading.
"use strict";
(() => {
  const main = document.querySelector("main[data-live]");
  if (!main || !window.EventSource) return;
  const pile = main.dataset.live;
  let waiting = false;

  async function renew() {
    waiting = false;
    // Whoever marks a text or has a menu open is not disturbed.
    if (document.hidden || String(getSelection()) !== "") return;
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const next = page.querySelector("main");
    if (next) main.replaceChildren(...next.childNodes);
  }

  const source = new EventSource("/v1/live");
  source.addEventListener("pile", (event) => {
    const told = JSON.parse(event.data).pile;
    if (waiting || (pile !== "*" && pile !== told)) return;
    waiting = true;
    setTimeout(renew, 1000);
  });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) renew(); });
  addEventListener("pagehide", () => source.close());
})();
