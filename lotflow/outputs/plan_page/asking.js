// What a tap asks of the ground, and the answers.
"use strict";

function addAsking(page) {
  const { data, water, show, state, map, answers } = page;

  const HINTS = {
    look: "Tap anything drawn, or the ground.",
    follow: "Tap the ground: the way of the water from there, and how much drains to that place.",
    fall: "Tap two points: the fall between them, the ground under the line, and how deep a pipe would lie.",
  };

  function ask(kind) {
    state.ask = kind;
    state.first = null;
    document.querySelectorAll("[data-ask]").forEach((button) => button.setAttribute("aria-pressed", String(button.dataset.ask === kind)));
    byId("hint").textContent = HINTS[kind];
    byId("here").hidden = kind === "look";
    byId("cross").classList.toggle("on", kind !== "look");
    byId("pipe").hidden = kind !== "fall";
    byId("answer").replaceChildren();
    state.line = null;
    answers.clearLayers();
    if (kind !== "look") page.closeTips();
  }

  function answer(lines) {
    const list = element("dl");
    for (const [label, text] of lines) list.append(element("dt", { text: label }), element("dd", { text }));
    byId("answer").replaceChildren(list);
    // the text scrolls to it, the map stays
    page.reveal(byId("ask-head").parentElement);
    page.reveal(byId("answer"));
  }

  function tapped(at) {
    page.position(at);
    const point = [at.lat, at.lng];
    const cell = cellAt(water, at.lng, at.lat);
    if (cell < 0) { answer([["Here", "beyond the elevation data"]]); return; }
    if (state.ask === "fall") { tappedFall(point); return; }
    if (state.ask === "follow") { tappedFollow(cell); return; }
    answer([
      ["Ground", show(water.elevation[cell], "elevation", state.system)],
      ["Drains to here", show(water.total[cell] * water.cellArea, "area", state.system)],
      ...page.drawnAt(at),
    ]);
    showLines(page.linesAt(at));
  }

  function showLines(features) {
    for (const feature of features) byId("answer").append(element("p", { class: "note", text: `${feature.name}${feature.met ? ": ground of today dashed" : ""}` }), lineSection(feature));
  }

  function tappedFollow(cell) {
    const way = wayDown(water, cell);
    answers.clearLayers();
    const course = way.cells.map((one) => centre(water, one));
    answers.addLayer(L.polyline(course, { color: "#ffffff", weight: 7, opacity: 0.9, interactive: false }));
    answers.addLayer(L.polyline(course, { color: "#c2185b", weight: 3, interactive: false }));
    answers.addLayer(L.circleMarker(centre(water, way.end), { radius: 6, color: "#c2185b", fillOpacity: 1, interactive: false }));
    const lines = [
      ["Way down", show(way.length, "length", state.system)],
      ["Fall", show(way.fall, "elevation", state.system)],
      ["Ends at", way.ending],
      ["Drains to here", show(way.area, "area", state.system)],
    ];
    if (way.roof) lines.unshift(["From", "a roof: followed from its eaves, or see its downspouts"]);
    if (way.culverts.length) lines.push(["Through", way.culverts.join(", ")]);
    answer(lines);
    byId("answer").dataset.end = String(way.end);
    byId("answer").dataset.area = String(way.area);
  }

  function tappedFall(point) {
    if (!state.first) {
      state.first = point;
      answers.clearLayers();
      answers.addLayer(L.circleMarker(point, { radius: 6, color: "#c2185b", interactive: false }));
      answer([["First point", show(water.elevation[cellAt(water, point[1], point[0])], "elevation", state.system)], ["Next", "tap the second point"]]);
      return;
    }
    state.line = [state.first, point];
    state.first = null;
    showFall();
  }

  function showFall() {
    const [from, to] = state.line;
    const found = fallBetween(water, from, to, data.accuracy);
    answers.clearLayers();
    answers.addLayer(L.polyline([from, to], { color: "#c2185b", weight: 3, interactive: false }));
    answers.addLayer(L.circleMarker(from, { radius: 6, color: "#c2185b", fillOpacity: 1, interactive: false }));
    answers.addLayer(L.circleMarker(to, { radius: 6, color: "#c2185b", fillColor: "#ffffff", fillOpacity: 1, interactive: false }));
    const { distance, fall, doubt } = found;
    const grade = distance > 0 ? fall / distance : 0;
    const sure = Math.abs(fall) > doubt ? "" : "; the data cannot tell which end is lower";
    answer([
      ["Distance", show(distance, "length", state.system)],
      [fall >= 0 ? "Falls" : "Rises", `${show(Math.abs(fall), "elevation", state.system)} ± ${show(doubt, "elevation", state.system)}${sure}`],
      ["Grade", distance > 0 ? `${gradeText(Math.abs(grade), state.system)}, between ${gradeText((Math.abs(fall) - doubt) / distance, state.system)} and ${gradeText((Math.abs(fall) + doubt) / distance, state.system)}` : "–"],
      ...pipeLines(found.points),
    ]);
    byId("answer").append(section(found.points));
    Object.assign(byId("answer").dataset, { fall: String(fall), distance: String(distance), doubt: String(doubt) });
  }

  function chosenPipe() {
    const length = data.shown.elevation[state.system].factor;
    const size = data.shown.diameter[state.system].factor;
    return {
      slope: Math.max(0, Number(byId("pipe-fall").value)) / 100,
      cover: Math.max(0, Number(byId("pipe-cover").value)) * length,
      diameter: Math.max(0, Number(byId("pipe-size").value)) * size,
    };
  }

  function pipeLines(points) {
    const { slope, cover, diameter } = chosenPipe();
    const pipe = pipeUnder(points, slope, cover, diameter);
    if (!pipe) return [["Pipe", "not enough ground known"]];
    return [
      ["Invert below ground", `${show(pipe.depthUp, "elevation", state.system)} at the upper end, ${show(pipe.depthDown, "elevation", state.system)} at the lower end, at most ${show(pipe.deepest, "elevation", state.system)}`],
      ["Flows from", pipe.fromFirst ? "the first point to the second" : "the second point to the first"],
    ];
  }

  // Unit of lengths and levels in a section.
  function sectionUnit() {
    const { factor, unit } = data.shown.elevation[state.system];
    return { factor, sign: unit.trim() };
  }

  function section(points) {
    const { slope, cover, diameter } = chosenPipe();
    const pipe = pipeUnder(points, slope, cover, diameter);
    const course = points.map((point) => ({
      ...point, invert: pipe ? pipe.level(point) : NaN, crown: pipe ? pipe.level(point) + diameter : NaN,
    }));
    return drawnSection(course, sectionUnit(), "Ground and pipe under the line");
  }

  // A drain line, a swale or a berm in section, from the levels of the result.
  function lineSection({ course, name, met }) {
    const keys = ["distance", "ground", "invert", "crown", "dug", "water", "stands"];
    const points = course.map((row) => Object.fromEntries(keys.map((key, n) => [key, row[n] ?? NaN])));
    return drawnSection(points, sectionUnit(), `Section of ${name}, from its upper end${met ? "; ground of today dashed" : ""}`, met);
  }

  function pipeUnits() {
    const metric = state.system === "metric";
    byId("cover-unit").textContent = metric ? "[m]" : "[ft]";
    byId("size-unit").textContent = metric ? "[mm]" : "[in]";
    byId("pipe-cover").value = metric ? "0.3" : "1";
    byId("pipe-size").value = metric ? "100" : "4";
  }

  Object.assign(page, { ask, tapped, showFall, pipeUnits, lineSection });
}
