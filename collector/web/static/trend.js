/* A trend under a pointer: a line with time and value; a drag over it opens that range.
   Without this script the plot, its ranges and its table say the same. */
"use strict";

(() => {
  const SVG = "http://www.w3.org/2000/svg";

  for (const figure of document.querySelectorAll("figure[data-point]")) {
    const svg = figure.querySelector("svg[data-frame]");
    if (!svg) continue;
    const [left, right, top, bottom] = svg.dataset.frame.split(" ").map(Number);
    const start = Number(figure.dataset.start), end = Number(figure.dataset.end);
    const width = svg.viewBox.baseVal.width;
    const words = document.createElement("p");
    words.className = "cross-words";
    words.hidden = true;
    svg.after(words);
    const draw = (name) => {
      const made = document.createElementNS(SVG, name);
      made.setAttribute("class", "cross");
      made.setAttribute("visibility", "hidden");
      svg.append(made);
      return made;
    };
    const line = draw("path"), area = draw("rect");
    let steps = null, from = null, last = null;

    const load = async () => {
      if (steps !== null) return;
      steps = [];
      const every = Math.max(Math.ceil((end - start) / 400 / 1000), 1);
      const answer = await fetch(`/api/v1/series?point=${encodeURIComponent(figure.dataset.point)}`
        + `&from=${start / 1000}&to=${end / 1000}&every=${every}s`);
      if (!answer.ok) { steps = null; return; }
      steps = (await answer.json()).steps
        .map((s) => ({at: Date.parse(s.time), mean: s.mean})).filter((s) => s.mean !== null);
      if (last !== null) show(last);
    };
    const place = (event) => {
      const box = svg.getBoundingClientRect();
      const x = (event.clientX - box.left) / box.width * width;
      return Math.min(Math.max(x, left), right);
    };
    const time = (x) => start + (x - left) / (right - left) * (end - start);
    const said = (at) => new Intl.DateTimeFormat("en-GB", {
      timeZone: figure.dataset.zone, day: "numeric", month: "short", hour: "2-digit",
      minute: "2-digit", second: end - start < 600000 ? "2-digit" : undefined,
    }).format(at);

    const show = (x) => {
      last = x;
      line.setAttribute("d", `M${x} ${top}V${bottom}`);
      line.setAttribute("visibility", "visible");
      const at = time(x);
      const near = (steps || []).reduce((best, s) =>
        best === null || Math.abs(s.at - at) < Math.abs(best.at - at) ? s : best, null);
      const gap = (end - start) / 400 * 4;
      const value = near && Math.abs(near.at - at) <= gap
        ? `${(near.mean * Number(figure.dataset.factor) + Number(figure.dataset.shift))
          .toFixed(Number(figure.dataset.digits))} ${figure.dataset.unit}` : "no data";
      words.textContent = `${said(at)}: ${value}`;
      words.hidden = false;
    };
    svg.addEventListener("pointermove", (event) => {
      load();
      const x = place(event);
      show(x);
      if (from === null) return;
      area.setAttribute("x", Math.min(x, from));
      area.setAttribute("width", Math.abs(x - from));
      area.setAttribute("y", top);
      area.setAttribute("height", bottom - top);
      area.setAttribute("visibility", "visible");
    });
    svg.addEventListener("pointerdown", (event) => {
      if (event.pointerType !== "mouse") return; // a finger scrolls
      from = place(event);
      svg.setPointerCapture(event.pointerId);
      event.preventDefault();
    });
    svg.addEventListener("pointerup", (event) => {
      if (from === null) return;
      const a = time(Math.min(from, place(event))), b = time(Math.max(from, place(event)));
      from = null;
      area.setAttribute("visibility", "hidden");
      if (b - a < 60000) return;
      const address = new URL(location.href);
      address.searchParams.delete("span");
      address.searchParams.set("from", Math.floor(a / 1000));
      address.searchParams.set("to", Math.ceil(b / 1000));
      location.assign(address);
    });
    svg.addEventListener("pointerleave", () => {
      if (from !== null) return;
      last = null;
      line.setAttribute("visibility", "hidden");
      words.hidden = true;
    });
  }
})();
