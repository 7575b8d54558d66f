/* Loads this page again while a step is running, and replaces the parts that differ.
   Without this script the page works the same and reloads itself twice a minute. */
"use strict";

(() => {
  const main = document.querySelector("main[data-follow]");
  if (!main) return;

  // A form that is being filled in must not be lost to a refresh.
  const held = (part) =>
    part.querySelector("details[open]") !== null || part.contains(document.activeElement);

  const put = (fresh) => {
    const parts = fresh.querySelectorAll("[data-part]");
    if (parts.length !== main.querySelectorAll("[data-part]").length) {
      if (!held(main)) location.reload();
      return;
    }
    for (const part of parts) {
      const old = main.querySelector(`[data-part="${part.dataset.part}"]`);
      if (!old || old.innerHTML === part.innerHTML || held(old)) continue;
      // The element itself stays, so that a screen reader hears only what changed in it.
      old.className = part.className;
      old.innerHTML = part.innerHTML;
    }
    if (!fresh.dataset.follow) clearInterval(timer);
  };

  const read = async () => {
    if (document.hidden) return;
    try {
      const answer = await fetch(location.href, {
        cache: "no-store", signal: AbortSignal.timeout(10000),
      });
      if (!answer.ok) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = page.querySelector("main");
      if (fresh) put(fresh);
    } catch {
      // The next turn may succeed; everything on the page carries its own time.
    }
  };

  const timer = setInterval(read, Number(main.dataset.follow) * 1000);
})();
