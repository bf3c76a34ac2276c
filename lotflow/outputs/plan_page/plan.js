// The page itself: map, layers, tables, and what a tap asks. All text from the data is set as
// text, never as markup.
"use strict";

function startPage(data, water) {
  const { show } = makeNumbers(data.shown);
  const state = { system: data.units, storm: data.storms.at(-1) ?? "", ask: "look", first: null };
  const drawn = new Map(); // layer key -> { group, rows: name -> [shape] }
  const map = L.map("map", {
    crs: L.CRS.Simple, zoomSnap: 0.25, minZoom: -6, maxZoom: 9, attributionControl: false,
    zoomControl: true,
  });
  const names = []; // written on the map: { tag, at, width, height, fixed }
  const bounds = [[0, 0], [water.rows * water.side, water.columns * water.side]];
  const answers = L.layerGroup().addTo(map);
  const BESIDE = window.matchMedia("(min-width: 761px)");

  // ---- layers ----------------------------------------------------------------------------
  function pictures() {
    L.imageOverlay(data.pictures.ground, bounds, { alt: "" }).addTo(map);
    const depth = L.imageOverlay(data.pictures.depth, bounds, { alt: "" }).addTo(map);
    drawn.set("depth", { group: depth, title: "Depth of low spots", rows: new Map(), swatch: { fill: "#2f6fb3", opacity: 0.9 } });
  }

  function told(feature) {
    const list = element("dl", { class: "told" });
    for (const [label, value, quantity] of feature.told) {
      list.append(element("dt", { text: label }), element("dd", { text: show(value, quantity, state.system) }));
    }
    for (const [label, text] of stormLines(feature)) {
      list.append(element("dt", { text: label }), element("dd", { text }));
    }
    return list;
  }

  function stormLines(feature) {
    const flows = data.flows[feature.name];
    if (!flows || feature.layer !== "inlets") return [];
    const label = state.storm === "" ? "Flow" : `Flow, ${state.storm} yr`;
    return state.storm in flows ? [[label, show(flows[state.storm], "flow", state.system)]] : [];
  }

  function tip(layer, feature) {
    const name = feature.name === undefined || feature.name === null ? layer.title : `${layer.title}: ${feature.name}`;
    return element("div", {}, element("strong", { text: name }), told(feature));
  }

  function symbol(layer, feature, [north, east]) {
    const icon = L.divIcon({ className: "mark", html: drawnMark(layer, feature), iconSize: [18, 18] });
    return L.marker(L.latLng(north, east), { icon, keyboard: false, title: "", alt: String(feature.name ?? layer.title) });
  }

  function shapeOf(layer, feature) {
    const style = {
      color: feature.colour || layer.stroke, weight: feature.bold ? 2 * layer.width : layer.width,
      dashArray: feature.dashes ?? (layer.dashes || null),
      fill: layer.fill !== "", fillColor: feature.colour || layer.fill || layer.stroke, fillOpacity: layer.opacity,
    };
    if (feature.fade) Object.assign(style, { fillColor: layer.veil, fillOpacity: 0.85 * feature.fade, opacity: 1 - 0.6 * feature.fade });
    if (feature.shape.kind === "polygon") return L.polygon(feature.shape.parts, style);
    if (feature.shape.kind === "line") {
      const line = L.polyline(feature.shape.parts, { ...style, fill: false });
      if (!layer.mark) return line;
      return L.featureGroup([line.setStyle({ weight: 4, color: layer.fill })]);
    }
    return symbol(layer, feature, feature.shape.parts[0]);
  }

  function drawLayer(layer) {
    const group = L.layerGroup();
    const rows = new Map();
    for (const feature of layer.features) {
      feature.layer = layer.key;
      const shape = shapeOf(layer, feature);
      shape.bindTooltip(() => tip(layer, feature), { sticky: true, className: "told-tip" });
      shape.on("click", () => {
        if (state.ask === "look") choose(layer.key, feature.name);
        else if (shape instanceof L.Marker) tapped(shape.getLatLng()); // lines and areas pass a tap on
      });
      shape.feature = feature;
      group.addLayer(shape);
      if (layer.label && feature.name !== undefined) group.addLayer(nameTag(feature, shape));
      if (feature.name !== undefined) rows.set(String(feature.name), [...(rows.get(String(feature.name)) ?? []), shape]);
    }
    drawn.set(layer.key, { group, title: layer.title, rows, swatch: layer, features: layer.features });
    if (layer.shown) group.addTo(map);
  }

  function nameTag(feature, shape) {
    const at = shape.getBounds ? shape.getBounds().getCenter() : shape.getLatLng();
    const text = String(feature.name);
    const direction = feature.shape.kind === "polygon" ? "center" : "right";
    const tag = L.tooltip({ permanent: true, direction, className: "name", interactive: false })
      .setLatLng(at).setContent(element("span", { text }));
    names.push({ tag, at, width: 7.4 * text.length, height: 16, fixed: direction === "center" });
    return tag;
  }

  // Names step aside for each other and for symbols, at every zoom anew.
  function placeNames() {
    const there = names.filter(({ tag }) => map.hasLayer(tag));
    const pixels = (at) => map.latLngToLayerPoint(at);
    const symbols = [...drawn.values()].filter(({ group }) => map.hasLayer(group))
      .flatMap(({ group }) => (group.getLayers?.() ?? []).filter((shape) => shape instanceof L.Marker))
      .map((shape) => pixels(shape.getLatLng())).map(({ x, y }) => [x, y]);
    const sides = placedNames(
      there.map((name) => ({ ...name, ...pixels(name.at) })), symbols, ...viewInLayer());
    there.forEach(({ tag }, n) => { tag.options.direction = sides[n]; tag.update(); });
  }

  // What is seen, and what lies on it for good, as boxes in the pixels of the layers.
  function viewInLayer() {
    const { x, y } = map.containerPointToLayerPoint([0, 0]);
    const frame = map.getContainer().getBoundingClientRect();
    const boxes = [byId("scale"), byId("north"), map.zoomControl.getContainer()].map((one) => one.getBoundingClientRect()).map((box) =>
      [x + box.left - frame.left, y + box.top - frame.top, x + box.right - frame.left, y + box.bottom - frame.top]);
    return [[x, y, x + frame.width, y + frame.height], boxes];
  }

  function stormLayers() {
    for (const { group, features } of drawn.values()) {
      if (!features || !features.some((f) => f.storm !== undefined || f.leastStorm !== undefined)) continue;
      group.eachLayer((shape) => {
        const node = shape.getElement?.();
        if (node) node.style.display = inStorm(shape.feature) ? "" : "none";
      });
    }
  }

  function inStorm(feature) {
    const { storm, leastStorm } = feature ?? {};
    if (storm !== undefined && storm !== null) return String(storm) === state.storm;
    return !leastStorm || leastStorm <= Number(state.storm);
  }

  function listLayers() {
    const list = byId("layers");
    for (const [key, { group, title, swatch: style }] of [...drawn.entries()].reverse()) {
      const box = element("input", { type: "checkbox", id: `layer-${key}` });
      box.checked = map.hasLayer(group);
      box.addEventListener("change", () => {
        if (box.checked) { group.addTo(map); stormLayers(); } else { group.remove(); }
        placeNames();
      });
      list.append(element("li", {}, element("label", {}, box, swatch(style), element("span", { text: title })), ...(style.verdicts ? [verdictKey(style)] : [])));
    }
  }

  function depthScale() {
    const target = byId("depth-scale");
    target.replaceChildren();
    byId("water-key").replaceChildren(...(data.openWater ? [swatch({ fill: data.openWater }), "open water"] : []));
    if (!data.depthColours.length) return;
    const canvas = element("canvas", { width: "140", height: "1", role: "img", "aria-label": "Colours of depth, from shallow to deep" });
    const brush = canvas.getContext("2d");
    const fade = brush.createLinearGradient(0, 0, 140, 0);
    data.depthColours.forEach(([place, colour]) => fade.addColorStop(place, colour));
    brush.fillStyle = fade;
    brush.fillRect(0, 0, 140, 1);
    const pale = data.layers.some((layer) => layer.features.some((feature) => feature.fade));
    target.append("0", canvas, `${show(data.deepest, "depth", state.system)} and deeper${pale ? "; paler: less certain to be there" : ""}`);
  }

  // What a check says in words, with the weight of a finding.
  const WEIGHTS = { "too flat": "fail", "not reachable": "fail", "cannot tell": "warn", "too narrow to tell": "warn" };

  // ---- choosing on the map and in the tables ------------------------------------------------
  function choose(key, name, move = false) {
    document.querySelectorAll("tr.chosen").forEach((row) => row.classList.remove("chosen"));
    const row = [...document.querySelectorAll(`tr[data-layer="${CSS.escape(key)}"]`)].find((one) => one.dataset.name === String(name));
    if (row) {
      row.classList.add("chosen");
      // beside the map only: below it, the map itself would scroll out of sight
      if (!move && BESIDE.matches) row.scrollIntoView({ block: "nearest" });
    }
    if (!move) return;
    closeTips(); // without a mouse nothing else closes the last one
    const layer = drawn.get(key);
    const shapes = layer?.rows.get(String(name)) ?? [];
    if (!shapes.length) return;
    if (!map.hasLayer(layer.group)) { layer.group.addTo(map); stormLayers(); byId(`layer-${key}`).checked = true; }
    const shape = shapes.find((one) => inStorm(one.feature)) ?? shapes[0];
    if (shape.getBounds) map.fitBounds(shape.getBounds(), { maxZoom: 4, padding: [60, 60] }); else map.setView(shape.getLatLng(), Math.max(map.getZoom(), 3));
    shape.openTooltip?.();
  }

  function goTo([x, y]) {
    const at = [y - data.corner[1], x - data.corner[0]];
    closeTips();
    map.setView(at, Math.max(map.getZoom(), 3));
    answers.clearLayers();
    answers.addLayer(L.circleMarker(at, { radius: 10, color: "#c25e00", fill: false, weight: 3 }));
  }

  function cellText(value, quantity) {
    const own = value !== null && typeof value === "object" ? value[state.storm] ?? null : value;
    return show(own, quantity, state.system);
  }

  function tables() {
    const target = byId("tables");
    target.replaceChildren();
    for (const table of data.tables) {
      const id = `table-${table.key}`;
      const numeric = table.columns.map(([, quantity], n) => n > 0 && quantity !== "text");
      const columns = table.columns.flatMap(([label, quantity], n) => (quantity === "remark" ? [] : [{ label, n }]));
      const head = element("tr", {}, ...columns.map(({ label, n }) => element("th", { text: label, scope: "col", class: numeric[n] ? "number" : "" })));
      const body = element("tbody");
      for (const row of table.rows) body.append(tableRow(table, row, numeric), ...remarks(table, row, columns.length));
      target.append(element("section", {},
        element("h2", { text: table.title, id }),
        ...(table.note ? [element("p", { class: "note", text: table.note })] : []),
        element("div", { class: "scroll", tabindex: "0", role: "region", "aria-labelledby": id },
          element("table", {}, element("thead", {}, head), body))));
    }
  }

  function tableRow(table, row, numeric) {
    const line = element("tr", { "data-layer": table.layer, "data-name": String(row.name) });
    row.cells.forEach((value, n) => {
      if (table.columns[n][1] === "remark") return;
      const text = cellText(value, table.columns[n][1]);
      const cell = element("td", { class: numeric[n] ? "number" : "" });
      const onMap = table.layer && drawn.get(table.layer)?.rows.has(String(row.name));
      if (n === 0 && (onMap || row.place)) {
        const button = element("button", { type: "button", text, title: "Show on the map" });
        button.addEventListener("click", () => (onMap ? choose(table.layer, row.name, true) : goTo(row.place)));
        cell.append(button);
      } else cell.textContent = text;
      const weight = table.key === "findings" && n === 0 ? String(value) : WEIGHTS[value];
      if (weight) cell.classList.add(weight);
      line.append(cell);
    });
    return line;
  }

  // A remark has a line of its own below its row: as a column it leaves no room to the numbers.
  function remarks(table, row, width) {
    return table.columns.flatMap(([, quantity], n) => (quantity === "remark" && row.cells[n]
      ? [element("tr", { class: "remark" }, element("td", { text: row.cells[n], colspan: String(width) }))] : []));
  }

  // ---- what a tap asks ---------------------------------------------------------------------
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
    if (kind !== "look") closeTips();
  }

  function closeTips() {
    for (const { group } of drawn.values()) {
      group.eachLayer?.((shape) => { if (shape.feature) shape.closeTooltip(); });
    }
  }

  function answer(lines) {
    const list = element("dl");
    for (const [label, text] of lines) list.append(element("dt", { text: label }), element("dd", { text }));
    byId("answer").replaceChildren(list);
    // below the map an answer would come unseen
    if (!BESIDE.matches) byId("answer").scrollIntoView({ block: "nearest" });
  }

  function tapped(at) {
    position(at);
    const point = [at.lat, at.lng];
    const cell = cellAt(water, at.lng, at.lat);
    if (cell < 0) { answer([["Here", "beyond the elevation data"]]); return; }
    if (state.ask === "fall") { tappedFall(point); return; }
    if (state.ask === "follow") { tappedFollow(cell); return; }
    answer([
      ["Ground", show(water.elevation[cell], "elevation", state.system)],
      ["Drains to here", show(water.total[cell] * water.cellArea, "area", state.system)],
    ]);
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

  function section(points) {
    const known = points.filter((point) => !Number.isNaN(point.ground));
    const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    svg.setAttribute("viewBox", "0 0 320 110");
    svg.setAttribute("class", "section");
    svg.setAttribute("role", "img");
    svg.setAttribute("aria-label", "Ground and pipe under the line");
    if (known.length < 2) return svg;
    const { slope, cover, diameter } = chosenPipe();
    const pipe = pipeUnder(points, slope, cover, diameter);
    const levels = known.flatMap((point) => [point.ground, pipe.level(point)]);
    const low = Math.min(...levels), high = Math.max(...levels);
    const x = (point) => 6 + 308 * point.distance / Math.max(points.at(-1).distance, 1e-9);
    const y = (level) => 98 - 86 * (level - low) / Math.max(high - low, 1e-9);
    const path = (level, colour, width) => {
      const line = document.createElementNS("http://www.w3.org/2000/svg", "polyline");
      line.setAttribute("points", known.map((point) => `${x(point).toFixed(1)},${y(level(point)).toFixed(1)}`).join(" "));
      line.setAttribute("fill", "none");
      line.setAttribute("stroke", colour);
      line.setAttribute("stroke-width", width);
      svg.append(line);
    };
    path((point) => point.ground, "#6b4f2a", "2");
    path((point) => pipe.level(point) + diameter, "#5b2a86", "1");
    path((point) => pipe.level(point), "#5b2a86", "1.5");
    return svg;
  }

  // ---- scale, position, choices --------------------------------------------------------------
  function scale() {
    const perPixel = water.metresPerUnit / map.getZoomScale(map.getZoom(), 0);
    byId("scale").replaceChildren(...[["m", 1], ["ft", data.shown.length.us.factor]].map(([sign, factor]) => {
      const most = 110 * perPixel / factor;
      const power = 10 ** Math.floor(Math.log10(most));
      const length = [5, 2, 1].find((step) => step * power <= most) * power;
      const bar = element("div");
      bar.style.width = `${length * factor / perPixel}px`;
      return element("span", {}, bar, `${Number(length.toPrecision(1))} ${sign}`);
    }));
  }

  function position(at) {
    const [north, east] = [at.lat, at.lng];
    const u = east / bounds[1][1], v = north / bounds[1][0];
    const { south_west: a, south_east: b, north_west: c, north_east: d } = data.corners;
    const between = (k) => (1 - v) * ((1 - u) * a[k] + u * b[k]) + v * ((1 - u) * c[k] + u * d[k]);
    byId("position").textContent = `${(data.corner[0] + east).toFixed(1)}, ${(data.corner[1] + north).toFixed(1)} · ${between(0).toFixed(6)}°, ${between(1).toFixed(6)}°`;
  }

  // On paper the map has a size of its own, and shows the lot whole.
  function forPaper() {
    const seen = { centre: map.getCenter(), zoom: map.getZoom() };
    const fit = () => map.invalidateSize({ animate: false });
    window.addEventListener("beforeprint", () => {
      Object.assign(seen, { centre: map.getCenter(), zoom: map.getZoom() });
      document.body.classList.add("on-paper");
      fit();
      map.fitBounds(data.view ?? bounds, { animate: false });
    });
    window.addEventListener("afterprint", () => {
      document.body.classList.remove("on-paper");
      fit();
      map.setView(seen.centre, seen.zoom, { animate: false });
    });
  }

  function pipeUnits() {
    const metric = state.system === "metric";
    byId("cover-unit").textContent = metric ? "[m]" : "[ft]";
    byId("size-unit").textContent = metric ? "[mm]" : "[in]";
    byId("pipe-cover").value = metric ? "0.3" : "1";
    byId("pipe-size").value = metric ? "100" : "4";
  }

  function renew() { tables(); depthScale(); stormLayers(); }

  function choices() {
    byId("title").textContent = data.title;
    byId("note").textContent = data.note;
    const storm = byId("storm");
    for (const period of data.storms) storm.append(element("option", { value: period, text: `${period} years` }));
    byId("storm-choice").hidden = data.storms.length === 0;
    storm.value = state.storm;
    storm.addEventListener("change", () => { state.storm = storm.value; renew(); });
    const units = byId("units");
    units.value = state.system;
    units.addEventListener("change", () => { state.system = units.value; pipeUnits(); renew(); ask(state.ask); });
    byId("print").addEventListener("click", () => window.print());
    document.querySelectorAll("[data-ask]").forEach((button) => button.addEventListener("click", () => ask(button.dataset.ask)));
    byId("here").addEventListener("click", () => tapped(map.getCenter()));
    for (const id of ["pipe-fall", "pipe-cover", "pipe-size"]) {
      byId(id).addEventListener("input", () => { if (state.line && state.ask === "fall" && !state.first) showFall(); });
    }
    for (const line of data.cautions) byId("cautions").append(element("li", { text: line }));
  }

  choices();
  map.fitBounds(data.view ?? bounds);
  pictures();
  data.layers.forEach(drawLayer);
  listLayers();
  pipeUnits();
  renew();
  ask("look");
  map.on("click", (event) => tapped(event.latlng));
  map.on("mousemove", (event) => position(event.latlng));
  map.getContainer().addEventListener("keydown", (event) => {
    // its buttons have an Enter of their own
    if (event.key === "Enter" && event.target === map.getContainer()) tapped(map.getCenter());
  });
  // while the ground is asked, what is drawn does not stand in the way
  map.on("tooltipopen", ({ tooltip }) => {
    if (state.ask !== "look" && !tooltip.options.permanent) map.closeTooltip(tooltip);
  });
  forPaper();
  map.on("zoomend moveend", scale);
  scale();
  map.on("moveend", placeNames);
  placeNames();
  return { map, tapped, state, water };
}

async function start() {
  const data = JSON.parse(byId("plan-data").textContent);
  const [water, layers] = await Promise.all([readGrids(data.grid), unpackedText(data.layers)]);
  data.layers = JSON.parse(layers);
  window.lotflowPlan = startPage(data, water);
  document.documentElement.dataset.ready = "yes";
}

start();
