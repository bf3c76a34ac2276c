// What is drawn on the map: layers, their names and tooltips, what belongs to the chosen storm. All
// text from the data is set as text, never as markup.
"use strict";

function addLayers(page) {
  const { data, show, state, drawn, map, names, bounds } = page;
  const written = []; // on the drain lines
  // pixels to a metre of ground from which there is room for it
  const WRITTEN_FROM = 20, LEVELS_FROM = 28;

  function pictures() {
    const [ground, deep] = ["ground", "depth"].map((key) => byId(`${key}-picture`).getAttribute("href"));
    L.imageOverlay(ground, bounds, { alt: "" }).addTo(map);
    const depth = L.imageOverlay(deep, bounds, { alt: "" }).addTo(map);
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
    return element("div", {}, element("strong", { text: nameOf(layer, feature) }), told(feature));
  }

  function nameOf(layer, feature) {
    return feature.name === undefined || feature.name === null ? layer.title : `${layer.title}: ${feature.name}`;
  }

  // Names and numbers of all that is drawn at a place, from the top down: what tooltips say, for
  // those who have no mouse to call them up.
  function drawnAt(at) {
    const reach = 9 / map.getZoomScale(map.getZoom(), 0);
    return [...drawn.values()].reverse().filter(({ group, features }) => features && map.hasLayer(group))
      .flatMap(({ features, swatch: layer }) => features
        .filter((feature) => inStorm(feature) && liesAt(feature.shape, [at.lat, at.lng], reach))
        .map((feature) => [nameOf(layer, feature), toldText(feature)]))
      .filter(([, text]) => text !== "");
  }

  // Drain lines, swales and berms at a place, with their levels.
  function linesAt(at) {
    const reach = 9 / map.getZoomScale(map.getZoom(), 0);
    return ["drain_lines", "earthwork_lines"].map((key) => drawn.get(key)).filter((lines) => lines && map.hasLayer(lines.group))
      .flatMap(({ features }) => features.filter((feature) => feature.course && liesAt(feature.shape, [at.lat, at.lng], reach)));
  }

  function toldText(feature) {
    const lines = feature.told.map(([label, value, quantity]) => [label, show(value, quantity, state.system)]);
    return [...lines, ...stormLines(feature)].map(([label, text]) => `${label}: ${text}`).join("; ");
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
        if (state.ask === "look") page.choose(layer.key, feature.name, false, feature.case);
        else if (shape instanceof L.Marker) page.tapped(shape.getLatLng()); // lines and areas pass a tap on
      });
      shape.feature = feature;
      // hundreds of shapes are no stops of the keyboard: the tables name them, Enter asks the map
      for (const part of shape.getLayers?.() ?? [shape]) part.on("add", () => part.getElement?.()?.setAttribute("tabindex", "-1"));
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
    // the longest first: a number finds room where a name does not
    const there = names.filter(({ tag }) => map.hasLayer(tag)).sort((a, b) => b.width - a.width);
    const pixels = (at) => map.latLngToLayerPoint(at);
    const symbols = [...drawn.values()].filter(({ group }) => map.hasLayer(group))
      .flatMap(({ group }) => (group.getLayers?.() ?? []).filter((shape) => shape instanceof L.Marker))
      .map((shape) => pixels(shape.getLatLng())).map(({ x, y }) => [x, y]);
    const [view, things] = viewInLayer();
    const sides = placedNames(there.map((name) => ({ ...name, ...pixels(name.at) })), symbols, view, [...things, ...page.pinBoxes()]);
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

  // What a plan writes on its drain lines, where the map is close enough for it: bore and fall
  // along them, inverts at their ends.
  function writeLines() {
    const lines = drawn.get("drain_lines");
    if (!lines) return;
    written.forEach((tag) => tag.remove());
    written.length = 0;
    const perMetre = map.getZoomScale(map.getZoom(), 0) / data.grid.metresPerUnit;
    if (perMetre < WRITTEN_FROM || !map.hasLayer(lines.group)) return;
    const ends = [];
    for (const feature of lines.features) {
      for (const part of feature.shape.kind === "line" ? feature.shape.parts : []) writeLine(feature, part, ends);
    }
    if (perMetre >= LEVELS_FROM) writeEnds(ends);
  }

  // Inverts keep off names, numbers and each other.
  function writeEnds(ends) {
    const { x, y } = map.containerPointToLayerPoint([0, 0]);
    const frame = map.getContainer().getBoundingClientRect();
    const things = [...document.querySelectorAll("#map .name, #map .pin")].map((one) => one.getBoundingClientRect())
      .map((box) => [x + box.left - frame.left, y + box.top - frame.top, x + box.right - frame.left, y + box.bottom - frame.top]);
    const boxes = ends.map(({ text, at }) => ({ x: at.x, y: at.y, width: 6.6 * text.length, height: 15, fixed: false }));
    placedNames(boxes, [], [-1e6, -1e6, 1e6, 1e6], things).forEach((side, n) => {
      const [west, north] = SIDES[side](ends[n].at.x, ends[n].at.y, boxes[n].width, boxes[n].height);
      write(ends[n].text, L.point(west, north), null);
    });
  }

  function writeLine({ pipe: [bore, fall, up, down] }, part, ends) {
    const pixels = part.map((at) => map.latLngToLayerPoint(at));
    const lengths = pixels.slice(1).map((one, n) => one.distanceTo(pixels[n]));
    const longest = lengths.indexOf(Math.max(...lengths));
    const [from, to] = [pixels[longest], pixels[longest + 1]];
    const said = [show(bore, "diameter", state.system), show(fall, "slope", state.system)].filter((text) => text !== "–").join(", ");
    const turn = Math.atan2(to.y - from.y, to.x - from.x);
    // read from below or from the right
    const upright = Math.abs(turn) > Math.PI / 2 ? turn + Math.PI : turn;
    if (said && lengths[longest] > 7 * said.length) write(said, from.add(to).divideBy(2), upright);
    if (lengths.reduce((sum, one) => sum + one, 0) < 150) return;
    [[up, pixels[0]], [down, pixels.at(-1)]].forEach(([level, at]) => {
      const text = `inv. ${show(level, "elevation", state.system)}`;
      // where one line ends and the next begins, its level is told once
      if (level !== null && !ends.some((one) => one.text === text && one.at.distanceTo(at) < 3)) ends.push({ text, at });
    });
  }

  function write(text, at, turn) {
    const span = element("span", { text });
    if (turn !== null) span.style.transform = `translate(-50%, -50%) rotate(${turn.toFixed(3)}rad) translateY(-9px)`;
    const icon = L.divIcon({ className: turn === null ? "written level" : "written", html: span, iconSize: [0, 0] });
    written.push(L.marker(map.layerPointToLatLng(at), { icon, interactive: false, keyboard: false }).addTo(map));
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
        writeLines();
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

  function closeTips() {
    for (const { group } of drawn.values()) {
      group.eachLayer?.((shape) => { if (shape.feature) shape.closeTooltip(); });
    }
  }

  Object.assign(page, { pictures, drawLayer, placeNames, stormLayers, inStorm, listLayers, depthScale, closeTips, drawnAt, linesAt, writeLines });
}
