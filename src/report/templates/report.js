"use strict";
// A readout under the cursor. The lines themselves are the data: their points are read back from the paths.
for (const strip of document.querySelectorAll(".strip")) {
  const t0 = +strip.dataset.t0, t1 = +strip.dataset.t1;
  const areas = [...strip.querySelectorAll(".area")];
  const readout = strip.querySelector(".readout");
  const cursors = areas.map(area => {
    const cursor = document.createElement("i");
    cursor.className = "cursor";
    cursor.hidden = true;
    area.append(cursor);
    return cursor;
  });
  let panels = null, share = 0.5;
  const points = path => {
    const list = [];
    let x = 0, y = 0;
    for (const [, what, a, b] of path.getAttribute("d").matchAll(/([Mlh])(-?\d+)(?:[ ]?(-?\d+))?/g)) {
      if (what === "M") { x = +a; y = +b; list.push(null); }
      else if (what === "h") { x += +a; }
      else { x += +a; y += +b; }
      list.push([x, y]);
    }
    return list;
  };
  const read = () => [...strip.querySelectorAll(".panel")].map(panel => {
    const plot = panel.querySelector(".plot");
    return { low: +plot.dataset.low, high: +plot.dataset.high, out: [...panel.querySelectorAll("output")],
      lines: [...panel.querySelectorAll(".line")].map(points) };
  });
  const at = (line, x) => {
    for (let i = 1; i < line.length; i++) {
      const a = line[i - 1], b = line[i];
      if (a && b && a[0] <= x && x <= b[0]) return b[0] === a[0] ? b[1] : a[1] + (b[1] - a[1]) * (x - a[0]) / (b[0] - a[0]);
    }
    return null;
  };
  const show = () => {
    panels ??= read();
    for (const cursor of cursors) { cursor.hidden = false; cursor.style.left = share * 100 + "%"; }
    readout.textContent = "at " + (t0 + share * (t1 - t0)).toFixed(2) + " s, as drawn";
    for (const panel of panels) panel.lines.forEach((line, i) => {
      const y = at(line, share * 1200), span = panel.high - panel.low;
      const decimals = Math.max(0, Math.min(6, 3 - Math.ceil(Math.log10(span))));
      if (panel.out[i]) panel.out[i].textContent = y === null ? "–" : (panel.high - y / 1000 * span).toFixed(decimals);
    });
  };
  const hide = () => {
    for (const cursor of cursors) cursor.hidden = true;
    readout.textContent = "";
    for (const out of strip.querySelectorAll("output")) out.textContent = "";
  };
  for (const area of areas) {
    area.addEventListener("pointermove", event => {
      const box = area.getBoundingClientRect();
      share = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
      show();
    });
    area.addEventListener("pointerleave", hide);
  }
  strip.addEventListener("keydown", event => {
    const step = { ArrowLeft: -0.005, ArrowRight: 0.005, Home: -1, End: 1 }[event.key];
    if (event.key === "Escape") hide();
    if (!step) return;
    share = Math.min(1, Math.max(0, share + step * (event.shiftKey ? 5 : 1)));
    show();
    event.preventDefault();
  });
  strip.addEventListener("blur", hide);
}
