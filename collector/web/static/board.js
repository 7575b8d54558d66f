/* Reads the page again when the collector says that something has changed, and puts in what is new.
   Without this script the pages work the same and reload themselves once a minute. */
"use strict";

(() => {
  const sheet = document.getElementById("sheet");
  if (!sheet) return;
  const EVERY = 4000;
  const SILENT = 30000;
  let lastWord = Date.now();
  let reading = false;
  let listening = false;

  // Somebody who is filling in a form must not lose it to a refresh.
  const held = (part) =>
    part.contains(document.activeElement) && part.querySelector("form, input, select") !== null ||
    part.querySelector("details[open]") !== null;

  const put = (fresh) => {
    for (const part of fresh.querySelectorAll("[data-part]")) {
      const old = sheet.querySelector(`[data-part="${part.dataset.part}"]`);
      if (!old || old.innerHTML === part.innerHTML || held(old)) continue;
      // The element itself stays, so that a screen reader hears only what changed in it.
      old.className = part.className;
      old.innerHTML = part.innerHTML;
    }
    document.title = fresh.title;
  };

  const tell = () => {
    const note = document.getElementById("stale");
    if (!note) return;
    const old = Date.now() - lastWord > SILENT;
    if (old && note.hidden) {
      note.textContent = "No word from the collector. What you see is old: look at the plant itself.";
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
        lastWord = Date.now();
      }
    } catch {
      // tell() says so on the page once the silence has lasted.
    } finally {
      reading = false;
    }
    tell();
  };

  // The words of the stream say only that there is news; each page reads it for itself.
  let stream = null;
  const listen = () => {
    if (stream) return;
    stream = new EventSource("/live");
    stream.onopen = () => { listening = true; };
    stream.onerror = () => { listening = false; };
    for (const word of ["alarms", "readings"]) stream.addEventListener(word, read);
    stream.addEventListener("pulse", () => { lastWord = Date.now(); tell(); });
  };
  const rest = () => { if (stream) stream.close(); stream = null; listening = false; };

  listen();
  setInterval(() => { if (!listening) read(); tell(); }, EVERY);
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) { rest(); return; }
    listen();
    tell();
    read();
  });
})();
