"use strict";
// A readout under the cursor. The lines themselves are the data: their points are read back from the paths.
// Strips over time move together; without this script they are plain pictures.
const strips = [...document.querySelectorAll(".strip")].map(figure => {
  const t0 = +figure.dataset.t0, t1 = +figure.dataset.t1, unit = figure.dataset.unit;
  const readout = figure.querySelector(".readout"), said = figure.querySelector(".said");
  const cursors = [...figure.querySelectorAll(".area")].map(area => {
    const cursor = document.createElement("i");
    cursor.className = "cursor";
    cursor.hidden = true;
    area.append(cursor);
    return cursor;
  });
  const bands = [...figure.querySelectorAll(".names span")].map(span => {
    const left = parseFloat(span.style.left) / 100;
    return { left, right: left + parseFloat(span.style.width) / 100, name: span.textContent };
  });
  const marks = [...(figure.querySelector(".area")?.querySelectorAll(".mark") ?? [])]
    .map(mark => ({ at: parseFloat(mark.style.left) / 100, what: mark.dataset.what }));
  const stops = [...new Set([0, 1, ...bands.flatMap(b => [b.left, b.right]), ...marks.map(m => m.at)])].sort((a, b) => a - b);
  return { figure, t0, t1, unit, readout, said, cursors, bands, marks, stops, panels: null, share: 0.5 };
});
const points = path => {
  const list = [];
  let x = 0, y = 0;
  for (const [, what, a, b] of path.getAttribute("d").matchAll(/([Mlh])(-?\d+)(?: ?(-?\d+))?/g)) {
    if (what === "M") { x = +a; y = +b; list.push(null); }
    else if (what === "h") { x += +a; }
    else { x += +a; y += +b; }
    list.push([x, y]);
  }
  return list;
};
const read = figure => [...figure.querySelectorAll(".panel")].map(panel => {
  const plot = panel.querySelector(".plot");
  return { low: +plot.dataset.low, high: +plot.dataset.high, log: plot.dataset.log === "1",
    out: [...panel.querySelectorAll("output")],
    lines: [...panel.querySelectorAll(".line")].map(path => ({ name: path.dataset.name.replace(/ \(.*\)$/, ""), unit: path.dataset.unit, list: points(path) })) };
});
const at = (line, x) => {
  for (let i = 1; i < line.length; i++) {
    const a = line[i - 1], b = line[i];
    if (a && b && a[0] <= x && x <= b[0]) return b[0] === a[0] ? b[1] : a[1] + (b[1] - a[1]) * (x - a[0]) / (b[0] - a[0]);
  }
  return null;
};
const number = (panel, y) => {
  const span = panel.high - panel.low, value = panel.high - y / 1000 * span;
  if (panel.log) return (10 ** value).toPrecision(3);
  return value.toFixed(Math.max(0, Math.min(6, 3 - Math.ceil(Math.log10(span)))));
};
const draw = strip => {
  strip.panels ??= read(strip.figure);
  const { share, t0, t1, unit } = strip, words = [];
  for (const cursor of strip.cursors) { cursor.hidden = false; cursor.style.left = share * 100 + "%"; }
  for (const panel of strip.panels) panel.lines.forEach((line, i) => {
    const y = at(line.list, share * 1200), text = y === null ? "–" : number(panel, y);
    if (panel.out[i]) panel.out[i].textContent = text;
    if (y !== null) words.push(line.name + " " + text + " " + line.unit);
  });
  const where = strip.bands.find(b => b.left <= share && share <= b.right);
  const near = strip.marks.filter(m => Math.abs(m.at - share) < 0.004).map(m => m.what);
  const x = (t0 + share * (t1 - t0)).toFixed(unit === "s" ? 2 : 0);
  strip.readout.textContent = "at " + x + " " + unit + (where ? ", " + where.name : "") +
    (near.length ? ", " + near.join(", ") : "") + ", as drawn";
  strip.said.textContent = words.join(", ");
};
const clear = strip => {
  for (const cursor of strip.cursors) cursor.hidden = true;
  strip.readout.textContent = strip.said.textContent = "";
  for (const out of strip.figure.querySelectorAll("output")) out.textContent = "";
};
// The other strips show the same moment, where they have it.
const show = source => {
  const t = source.t0 + source.share * (source.t1 - source.t0);
  for (const strip of strips) {
    if (strip === source) { draw(strip); continue; }
    const share = (t - strip.t0) / (strip.t1 - strip.t0);
    if (source.unit !== "s" || strip.unit !== "s" || share < 0 || share > 1) { clear(strip); continue; }
    strip.share = share;
    draw(strip);
  }
};
const hide = () => strips.forEach(clear);
for (const strip of strips) {
  for (const area of strip.figure.querySelectorAll(".area")) {
    const point = event => {
      const box = area.getBoundingClientRect();
      strip.share = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
      show(strip);
    };
    area.addEventListener("pointermove", point);
    area.addEventListener("pointerdown", point);
    area.addEventListener("pointerleave", event => { if (event.pointerType === "mouse") hide(); });
  }
  strip.figure.addEventListener("keydown", event => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const step = { ArrowLeft: -0.005, ArrowRight: 0.005, Home: -1, End: 1 }[event.key];
    const dust = 1e-6;
    if (event.key === "Escape") { hide(); return; }
    if (event.key === "n") strip.share = strip.stops.find(s => s > strip.share + dust) ?? strip.share;
    else if (event.key === "p") strip.share = strip.stops.findLast(s => s < strip.share - dust) ?? strip.share;
    else if (step) strip.share = Math.min(1, Math.max(0, strip.share + step * (event.shiftKey ? 5 : 1)));
    else return;
    show(strip);
    event.preventDefault();
  });
  strip.figure.addEventListener("focus", () => {
    for (const text of [strip.readout, strip.said]) text.setAttribute("aria-live", "polite");
    if (!strip.readout.textContent) strip.readout.textContent =
      "Arrow keys move the cursor, with Shift five times as far; N and P go to the next and the previous edge or event; Escape hides it.";
  });
  strip.figure.addEventListener("blur", () => {
    for (const text of [strip.readout, strip.said]) text.removeAttribute("aria-live");
    hide();
  });
}
