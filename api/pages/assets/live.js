// Live numbers, and no page that is old without saying so. Everything reads without it.
"use strict";
const body = document.body;
const again = () => location.replace(body.dataset.here);

const source = body.dataset.events;
if (source && window.EventSource) {
  const stream = new EventSource(source);
  stream.addEventListener("words", (event) => {
    const told = JSON.parse(event.data);
    if (told.state !== body.dataset.state) {
      stream.close();
      again();
      return;
    }
    for (const place of document.querySelectorAll("[data-live]")) {
      const text = told.texts[place.dataset.live];
      if (text === undefined) continue;
      if (place.tagName === "PROGRESS") place.value = Number(text);
      else if (place.textContent !== text) place.textContent = text;
    }
  });
}

// A page that was kept open, or is brought back from memory, asks whether it still holds.
const opened = Date.now();
async function stillTrue() {
  if (!source || document.hidden || Date.now() - opened < 60000) return;
  try {
    const answer = await fetch("/v1/health", { cache: "no-store" });
    if (answer.ok) again();
  } catch {
    document.getElementById("stale").hidden = false;
  }
}
document.addEventListener("visibilitychange", stillTrue);
window.addEventListener("pageshow", (event) => { if (event.persisted) stillTrue(); });
if (source) setInterval(stillTrue, 120000);

const code = document.getElementById("code");
if (code && location.hash.length > 1) {
  code.value = location.hash.slice(1);
  history.replaceState(null, "", location.pathname);
}
