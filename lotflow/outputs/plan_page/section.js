// A line in section: the ground it crosses and the pipe below, with axes in the reader's units. Pure
// functions of what they are given.
"use strict";

const SECTION = { wide: 420, high: 210, left: 52, right: 10, top: 22, bottom: 34 };

// A round step of which about so many fit into a range.
function roundStep(range, most) {
  const rough = Math.max(range, 1e-9) / most;
  const power = 10 ** Math.floor(Math.log10(rough));
  return [1, 2, 5, 10].find((one) => one * power >= rough * 0.999) * power;
}

function ticks(low, high, step) {
  const found = [];
  for (let n = Math.ceil(low / step - 1e-9); n * step <= high + 1e-9 * step; n += 1) found.push(n * step);
  return found;
}

function svgPart(tag, attributes, text) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, String(value));
  if (text !== undefined) made.textContent = text;
  return made;
}

// points: { distance, ground, invert, crown } [m], ground NaN where unknown; unit: { factor, sign }
// of lengths; label: what is seen.
function drawnSection(points, unit, label) {
  const { wide, high, left, right, top, bottom } = SECTION;
  const svg = svgPart("svg", { viewBox: `0 0 ${wide} ${high}`, class: "section", role: "img", "aria-label": label });
  const known = (key) => points.filter((point) => Number.isFinite(point[key]));
  const levels = ["ground", "invert", "crown"].flatMap((key) => known(key).map((point) => point[key] / unit.factor));
  if (known("ground").length < 2) return svg;
  const longest = points.at(-1).distance / unit.factor;
  const step = roundStep(Math.max(...levels) - Math.min(...levels), 4);
  const low = Math.floor(Math.min(...levels) / step - 0.1) * step, top_ = Math.ceil(Math.max(...levels) / step + 0.1) * step;
  const x = (distance) => left + (wide - left - right) * distance / Math.max(longest, 1e-9);
  const y = (level) => high - bottom - (high - bottom - top) * (level - low) / (top_ - low);
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  for (const level of ticks(low, top_, step)) {
    svg.append(svgPart("path", { d: `M${left} ${y(level).toFixed(1)}H${wide - right}`, stroke: "#dcd8cf" }));
    svg.append(svgPart("text", { x: left - 5, y: (y(level) + 4).toFixed(1), "text-anchor": "end" }, level.toFixed(digits)));
  }
  const along = roundStep(longest, 6);
  for (const distance of ticks(0, longest, along)) {
    svg.append(svgPart("path", { d: `M${x(distance).toFixed(1)} ${high - bottom}v5`, stroke: "#22252b" }));
    svg.append(svgPart("text", { x: x(distance).toFixed(1), y: high - bottom + 16, "text-anchor": "middle" }, `${Number(distance.toPrecision(6))}`));
  }
  svg.append(svgPart("path", { d: `M${left} ${top}V${high - bottom}H${wide - right}`, stroke: "#22252b", fill: "none" }));
  const line = (key, some) => known(key).map((point, n) => `${n ? "L" : "M"}${x(point.distance / unit.factor).toFixed(1)} ${y(point[key] / unit.factor).toFixed(1)}`).join(some ?? "");
  const ground = known("ground");
  svg.append(svgPart("path", { d: `${line("ground")}L${x(ground.at(-1).distance / unit.factor).toFixed(1)} ${high - bottom}L${x(ground[0].distance / unit.factor).toFixed(1)} ${high - bottom}Z`, fill: "#eadfca", class: "earth" }));
  const inverts = known("invert");
  if (inverts.length > 1) {
    const back = [...known("crown")].reverse().map((point) => `L${x(point.distance / unit.factor).toFixed(1)} ${y(point.crown / unit.factor).toFixed(1)}`).join("");
    svg.append(svgPart("path", { d: `${line("invert")}${back}Z`, fill: "#e6dcf0", stroke: "#5b2a86", "stroke-width": 1.2, class: "pipe" }));
    for (const [point, anchor] of [[inverts[0], "start"], [inverts.at(-1), "end"]]) {
      svg.append(svgPart("text", { x: x(point.distance / unit.factor).toFixed(1), y: Math.min(y(point.invert / unit.factor) + 13, high - bottom - 3).toFixed(1), "text-anchor": anchor, class: "level" }, `inv. ${(point.invert / unit.factor).toFixed(2)}`));
    }
  }
  svg.append(svgPart("path", { d: line("ground"), fill: "none", stroke: "#6b4f2a", "stroke-width": 2, class: "ground" }));
  const heightening = ((high - bottom - top) / (top_ - low)) / ((wide - left - right) / Math.max(longest, 1e-9));
  svg.append(svgPart("text", { x: left, y: 14 }, `Level [${unit.sign}]; heights ${heightening >= 2 ? Math.round(heightening) : heightening.toFixed(1)} times the lengths`));
  svg.append(svgPart("text", { x: wide - right, y: high - 4, "text-anchor": "end" }, `Along the line [${unit.sign}]`));
  return svg;
}
