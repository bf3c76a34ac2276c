// Symbols of the map and its key, and where names go so that they do not cover each other. Pure
// functions of what they are given; all text from the data is set as text, never as markup.
"use strict";

function element(tag, options = {}, ...children) {
  const made = document.createElement(tag);
  const { text, ...attributes } = options;
  if (text !== undefined) made.textContent = text;
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...children);
  return made;
}

function byId(id) { return document.getElementById(id); }

const MARKS = {
  square: "M3 3H15V15H3Z", diamond: "M9 2L16 9L9 16L2 9Z", on: "M9 1L16 16L9 12L2 16Z", off: "M9 1L16 16L9 12L2 16Z",
  circle: "M9 3A6 6 0 0 1 9 15A6 6 0 0 1 9 3Z",
  cross: "M7.5 3H10.5V7.5H15V10.5H10.5V15H7.5V10.5H3V7.5H7.5Z",
};

function drawnMark(layer, feature) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("viewBox", "0 0 18 18");
  const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
  path.setAttribute("d", MARKS[feature.mark ?? layer.mark]);
  path.setAttribute("fill", feature.mark === "off" ? "#ffffff" : layer.fill);
  path.setAttribute("stroke", layer.stroke);
  path.setAttribute("stroke-width", "1.5");
  // marks that point upwards are turned to where the water runs, clockwise from north
  if (feature.turn) path.setAttribute("transform", `rotate(${Number(feature.turn)} 9 9)`);
  svg.append(path);
  return svg;
}

function swatch(style) {
  const box = element("span", { class: "swatch", "aria-hidden": "true" });
  if (style.mark) { box.append(drawnMark(style, {})); return box; }
  if (style.fill) box.style.background = style.fill;
  if (style.stroke) box.style.border = `2px ${style.dashes ? "dashed" : "solid"} ${style.stroke}`;
  if (!style.fill) { box.style.height = "0"; box.style.borderWidth = `${Math.max(2, style.width ?? 2)}px 0 0`; }
  return box;
}

// What the colours of a layer mean, for those that occur.
function verdictKey(style) {
  const list = element("ul", { class: "key" });
  for (const [text, colour, dashes] of style.verdicts) {
    list.append(element("li", {}, swatch({ stroke: colour, dashes, width: 3 }), element("span", { text })));
  }
  return list;
}

// Whether a shape lies within reach of a place [north, east], an area round it.
function liesAt({ kind, parts }, at, reach) {
  if (kind === "polygon") return parts.some((rings) => rings.filter((ring) => encloses(ring, at)).length % 2 === 1);
  const lines = kind === "line" ? parts : parts.map((point) => [point]);
  return lines.some((line) => line.some((end, n) => away(at, line[Math.max(n - 1, 0)], end) <= reach));
}

function encloses(ring, [north, east]) {
  let inside = false;
  ring.forEach(([n, e], k) => {
    const [before, beside] = ring.at(k - 1);
    if ((n > north) !== (before > north) && east < e + (beside - e) * (north - n) / (before - n)) inside = !inside;
  });
  return inside;
}

// Distance of a place from the straight line between two others.
function away([north, east], [n, e], [m, f]) {
  const length = (m - n) ** 2 + (f - e) ** 2;
  const share = length === 0 ? 0 : Math.min(1, Math.max(0, ((north - n) * (m - n) + (east - e) * (f - e)) / length));
  return Math.hypot(n + share * (m - n) - north, e + share * (f - e) - east);
}

// Boxes [west, north, east, south] in pixels that a name may take beside its place; the first is
// preferred.
const SIDES = {
  right: (x, y, w, h) => [x + 9, y - h / 2, x + 9 + w, y + h / 2],
  left: (x, y, w, h) => [x - 9 - w, y - h / 2, x - 9, y + h / 2],
  bottom: (x, y, w, h) => [x - w / 2, y + 9, x + w / 2, y + 9 + h],
  top: (x, y, w, h) => [x - w / 2, y - 9 - h, x + w / 2, y - 9],
};

function common(a, b) {
  const wide = Math.min(a[2], b[2]) - Math.max(a[0], b[0]);
  const high = Math.min(a[3], b[3]) - Math.max(a[1], b[1]);
  return wide > 0 && high > 0 ? wide * high : 0;
}

function covered([west, north, east, south]) { return (east - west) * (south - north); }

// Side of each name: { x, y, width, height, fixed } in pixels, a fixed one stays on its place.
// Covering another name or what lies on the map costs most, and leaving the view as much;
// covering a symbol costs less.
function placedNames(names, symbols, view, things) {
  const taken = [...things];
  const boxes = symbols.map(([x, y]) => [x - 7, y - 7, x + 7, y + 7]);
  for (const { x, y, width, height, fixed } of names) {
    if (fixed) taken.push([x - width / 2, y - height / 2, x + width / 2, y + height / 2]);
  }
  return names.map(({ x, y, width, height, fixed }) => {
    if (fixed) return "center";
    let best = null;
    for (const [side, box] of Object.entries(SIDES)) {
      const there = box(x, y, width, height);
      const cost = 5 * taken.reduce((sum, one) => sum + common(one, there), 0)
        + 5 * (covered(there) - common(view, there))
        + boxes.reduce((sum, one) => sum + common(one, there), 0);
      if (best === null || cost < best.cost) best = { side, there, cost };
    }
    taken.push(best.there);
    return best.side;
  });
}
