// What is drawn on the map: layers, their names and tooltips, what belongs to the chosen storm. All
// text from the data is set as text, never as markup.
"use strict";

function addLayers(page) {
  const { data, show, state, drawn, map, names, bounds } = page;

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
        if (state.ask === "look") page.choose(layer.key, feature.name);
        else if (shape instanceof L.Marker) page.tapped(shape.getLatLng()); // lines and areas pass a tap on
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

  function closeTips() {
    for (const { group } of drawn.values()) {
      group.eachLayer?.((shape) => { if (shape.feature) shape.closeTooltip(); });
    }
  }

  Object.assign(page, { pictures, drawLayer, placeNames, stormLayers, inStorm, listLayers, depthScale, closeTips, drawnAt });
}
