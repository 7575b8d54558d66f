/* Loads the page again when the collector reports a change, and replaces the parts that differ.
   Without this script the pages work the same and reload themselves once a minute. */
"use strict";

(() => {
  const content = document.getElementById("content");
  if (!content) return;
  const EVERY = 4000;
  const SILENT = 30000;
  let lastMessage = Date.now();
  let reading = false;
  let listening = false;

  // A form that is being filled in must not be lost to a refresh.
  const held = (part) =>
    part.contains(document.activeElement) && part.querySelector("form, input, select") !== null ||
    part.querySelector("details[open]") !== null;

  const put = (fresh) => {
    for (const part of fresh.querySelectorAll("[data-part]")) {
      const old = content.querySelector(`[data-part="${part.dataset.part}"]`);
      if (!old || old.innerHTML === part.innerHTML || held(old)) continue;
      // The element itself stays, so that a screen reader hears only what changed in it.
      old.className = part.className;
      old.innerHTML = part.innerHTML;
    }
    document.title = fresh.title;
  };

  const report = () => {
    const note = document.getElementById("stale");
    if (!note) return;
    const old = Date.now() - lastMessage > SILENT;
    if (old && note.hidden) {
      note.textContent = "No contact with the collector. This page is out of date: check the plant itself.";
    }
    note.hidden = !old;
  };

  const read = async () => {
    if (reading || document.hidden) return;
    reading = true;
    try {
      const answer = await fetch(location.href, {
        cache: "no-store", headers: {"x-refresh": "1", accept: "text/html"},
        signal: AbortSignal.timeout(10000),
      });
      if (answer.redirected) { location.reload(); return; } // the session has ended
      if (answer.ok) {
        put(new DOMParser().parseFromString(await answer.text(), "text/html"));
        lastMessage = Date.now();
      }
    } catch {
      // report() says so on the page once the silence has lasted.
    } finally {
      reading = false;
    }
    report();
  };

  // The stream says only that something changed; each page loads it itself.
  let stream = null;
  const listen = () => {
    if (stream) return;
    stream = new EventSource("/live");
    stream.onopen = () => { listening = true; };
    stream.onerror = () => { listening = false; };
    for (const word of ["alarms", "readings"]) stream.addEventListener(word, read);
    stream.addEventListener("pulse", () => { lastMessage = Date.now(); report(); });
  };
  const rest = () => { if (stream) stream.close(); stream = null; listening = false; };

  listen();
  setInterval(() => { if (!listening) read(); report(); }, EVERY);
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) { rest(); return; }
    listen();
    report();
    read();
  });
})();
