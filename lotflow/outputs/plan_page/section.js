// A line in section: the ground along it with the pipe below or what is dug, and axes in the
// reader's units. Pure functions of what they are given.
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

// points: { distance, ground } [m] and of a pipe { invert, crown }, of an earthwork { dug, water,
// stands }, NaN where there is none; met: what an earthwork is dug over, as [distance, name, level or
// null]; unit: { factor, sign } of lengths; label: what is seen.
function drawnSection(points, unit, label, met = []) {
  const { wide, high, left, right, top, bottom } = SECTION;
  const svg = svgPart("svg", { viewBox: `0 0 ${wide} ${high}`, class: "section", role: "img", "aria-label": label });
  const known = (key) => points.filter((point) => Number.isFinite(point[key]));
  const levels = ["ground", "invert", "crown", "dug", "water", "stands"].flatMap((key) => known(key).map((point) => point[key] / unit.factor))
    .concat(met.filter(([, , level]) => level !== null).map(([, , level]) => level / unit.factor));
  if (known("ground").length < 2) return svg;
  const longest = points.at(-1).distance / unit.factor;
  const step = roundStep(Math.max(...levels) - Math.min(...levels), 4);
  const low = Math.floor(Math.min(...levels) / step - 0.1) * step, top_ = Math.ceil(Math.max(...levels) / step + 0.1) * step;
  const x = (distance) => left + (wide - left - right) * distance / Math.max(longest, 1e-9);
  const y = (level) => high - bottom - (high - bottom - top) * (level - low) / (top_ - low);
  const at = (distance, level) => `${x(distance / unit.factor).toFixed(1)} ${y(level / unit.factor).toFixed(1)}`;
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
  const line = (key) => known(key).map((point, n) => `${n ? "L" : "M"}${at(point.distance, point[key])}`).join("");
  const isDug = known("dug").length > 1;
  const soil = known(isDug ? "dug" : "ground");
  svg.append(svgPart("path", { d: `${line(isDug ? "dug" : "ground")}L${x(soil.at(-1).distance / unit.factor).toFixed(1)} ${high - bottom}L${x(soil[0].distance / unit.factor).toFixed(1)} ${high - bottom}Z`, fill: "#eadfca", class: "earth" }));
  // between the bed and the water over it, stretch by stretch
  for (const [key, fill] of [["water", "#cfe3f2"], ["stands", "#2f6fb3"]]) {
    for (const stretch of stretchesOf(points, key)) {
      const back = [...stretch].reverse().map((point) => `L${at(point.distance, point.dug)}`).join("");
      svg.append(svgPart("path", { d: `M${stretch.map((point) => at(point.distance, point[key])).join("L")}${back}Z`, fill, class: key }));
    }
  }
  const ends = isDug ? [known("dug"), "dug", known("dug").some((point) => point.dug > point.ground) ? "top" : "bed"] : [known("invert"), "invert", "inv."];
  if (known("invert").length > 1) {
    const back = [...known("crown")].reverse().map((point) => `L${at(point.distance, point.crown)}`).join("");
    svg.append(svgPart("path", { d: `${line("invert")}${back}Z`, fill: "#e6dcf0", stroke: "#5b2a86", "stroke-width": 1.2, class: "pipe" }));
  }
  if (ends[0].length > 1) {
    for (const [point, anchor] of [[ends[0][0], "start"], [ends[0].at(-1), "end"]]) {
      // under all of the line that it stands below
      const over = ends[0].filter((one) => Math.abs(x(one.distance / unit.factor) - x(point.distance / unit.factor)) < 60);
      const lowest = Math.max(...over.map((one) => y(one[ends[1]] / unit.factor)));
      svg.append(svgPart("text", { x: (x(point.distance / unit.factor) + (anchor === "start" ? 4 : -2)).toFixed(1), y: Math.min(lowest + 13, high - bottom - 3).toFixed(1), "text-anchor": anchor, class: "level" }, `${ends[2]} ${(point[ends[1]] / unit.factor).toFixed(2)}`));
    }
  }
  svg.append(svgPart("path", { d: line("ground"), fill: "none", stroke: "#6b4f2a", "stroke-width": isDug ? 1.2 : 2, ...(isDug ? { "stroke-dasharray": "5 3" } : {}), class: "ground" }));
  if (isDug) svg.append(svgPart("path", { d: line("dug"), fill: "none", stroke: "#6b4f2a", "stroke-width": 2, class: "dug" }));
  for (const [distance, name, level] of met) {
    const across = x(distance / unit.factor);
    const down = level === null ? high - bottom : y(level / unit.factor);
    svg.append(svgPart("path", { d: `M${across.toFixed(1)} ${top + 4}V${down.toFixed(1)}`, stroke: "#5b2a86", "stroke-dasharray": "2 2", class: "met" }));
    if (level !== null) svg.append(svgPart("circle", { cx: across.toFixed(1), cy: (down + 3).toFixed(1), r: 3, fill: "#ffffff", stroke: "#5b2a86" }));
    svg.append(svgPart("text", { x: (across + (across > wide / 2 ? -4 : 4)).toFixed(1), y: top + 12, "text-anchor": across > wide / 2 ? "end" : "start" }, level === null ? `${name}: depth?` : `${name}: top ${(level / unit.factor).toFixed(2)}`));
  }
  const heightening = ((high - bottom - top) / (top_ - low)) / ((wide - left - right) / Math.max(longest, 1e-9));
  svg.append(svgPart("text", { x: left, y: 14 }, `Level [${unit.sign}]; heights ${heightening >= 2 ? Math.round(heightening) : heightening.toFixed(1)} times the lengths${isDug ? "; dashed: ground today" : ""}`));
  svg.append(svgPart("text", { x: wide - right, y: high - 4, "text-anchor": "end" }, `Along the line [${unit.sign}]`));
  return svg;
}

// Neighbouring points over which there is water.
function stretchesOf(points, key) {
  const found = [];
  let open = null;
  for (const point of points) {
    if (!Number.isFinite(point[key]) || !(point[key] > point.dug)) open = null;
    else if (open) open.push(point);
    else found.push(open = [point]);
  }
  return found.filter((stretch) => stretch.length > 1);
}
