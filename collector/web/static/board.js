/* Reads the sheet again every few seconds and puts in what has changed.
   Without this script the page works the same and reloads itself once a minute. */
"use strict";

(() => {
  const sheet = document.getElementById("sheet");
  if (!sheet) return;
  const every = Number(sheet.dataset.every) * 1000;
  let lastWord = Date.now();
  let reading = false;

  // Somebody who is filling in a form must not lose it to a refresh.
  const held = (part) =>
    part.dataset.hold === "yes" &&
    (part.querySelector("details[open]") !== null || part.contains(document.activeElement));

  const put = (fresh) => {
    for (const part of fresh.querySelectorAll("[data-part]")) {
      const old = sheet.querySelector(`[data-part="${part.dataset.part}"]`);
      if (!old) { location.reload(); return; }
      if (old.innerHTML === part.innerHTML || held(old)) continue;
      // The element itself stays, so that a screen reader hears only what changed in it.
      old.className = part.className;
      old.innerHTML = part.innerHTML;
    }
    const sentence = fresh.querySelector(".headline .sentence");
    const site = fresh.querySelector("h1");
    if (sentence && site) document.title = `${sentence.textContent} – ${site.textContent}`;
  };

  const tell = () => {
    const quiet = Math.round((Date.now() - lastWord) / 1000);
    const note = document.getElementById("stale");
    if (!note) return;
    const old = quiet * 1000 > 3 * every + 5000;
    if (old && note.hidden) {
      note.textContent = "No word from the collector. What you see is old: look at the plant itself.";
    }
    note.hidden = !old;
  };

  const read = async () => {
    if (reading || document.hidden) return;
    reading = true;
    try {
      const answer = await fetch("/board/sheet", {
        cache: "no-store", signal: AbortSignal.timeout(10000),
      });
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

  setInterval(read, every);
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) { tell(); read(); }
  });
})();
