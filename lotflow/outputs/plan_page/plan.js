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
  const page = { data, water, show, state, drawn, map, names, bounds, answers, BESIDE, position };
  addLayers(page);
  addAnswers(page);
  addTables(page);
  addAsking(page);

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
    const seen = { centre: map.getCenter(), zoom: map.getZoom(), folded: [] };
    const main = document.querySelector("main");
    const fit = () => map.invalidateSize({ animate: false });
    window.addEventListener("beforeprint", () => {
      Object.assign(seen, { centre: map.getCenter(), zoom: map.getZoom() });
      document.body.classList.add("on-paper");
      seen.folded = [...document.querySelectorAll("#items details[data-rank]:not([open]), #tables .for-site details:not([open])")];
      seen.folded.forEach((one) => { one.name = ""; one.open = true; });
      main.prepend(byId("plan"), byId("key"));
      fit();
      map.fitBounds(data.view ?? bounds, { animate: false });
    });
    window.addEventListener("afterprint", () => {
      document.body.classList.remove("on-paper");
      main.append(byId("plan"));
      byId("tables").before(byId("key"));
      seen.folded.forEach((one) => { one.open = false; });
      fit();
      map.setView(seen.centre, seen.zoom, { animate: false });
    });
  }

  function renew() {
    page.tables();
    page.depthScale();
    page.stormLayers();
    page.writeLines();
    sources();
  }

  // What the page was made from, and how far it can be trusted.
  function sources() {
    byId("note").textContent = data.note[state.system];
    byId("kept-units").hidden = state.system === data.units;
    const lines = [data.doubt[state.system], ...data.cautions];
    byId("cautions").replaceChildren(...lines.map((text) => element("li", { text })));
  }

  function choices() {
    const storm = byId("storm");
    for (const period of data.storms) storm.append(element("option", { value: period, text: `${period} years` }));
    byId("storm-choice").hidden = data.storms.length === 0;
    storm.value = state.storm;
    storm.addEventListener("change", () => { state.storm = storm.value; renew(); });
    const units = byId("units");
    units.value = state.system;
    units.addEventListener("change", () => { state.system = units.value; page.pipeUnits(); renew(); page.ask(state.ask); });
    byId("print").addEventListener("click", () => window.print());
    document.querySelectorAll("[data-ask]").forEach((button) => button.addEventListener("click", () => page.ask(button.dataset.ask)));
    byId("here").addEventListener("click", () => page.tapped(map.getCenter()));
    for (const id of ["pipe-fall", "pipe-cover", "pipe-size"]) {
      byId(id).addEventListener("input", () => { if (state.line && state.ask === "fall" && !state.first) page.showFall(); });
    }
  }

  document.documentElement.dataset.ready = "starting"; // what needs the script is seen, and has a size
  choices();
  map.invalidateSize({ animate: false });
  map.fitBounds(data.view ?? bounds);
  // what is shown close by: nearer than the lot whole, at least 8 pixels to a metre
  page.closeZoom = Math.max(map.getZoom() + 0.75, Math.log2(8 * data.grid.metresPerUnit));
  page.pictures();
  byId("still").remove();
  data.layers.forEach(page.drawLayer);
  page.startAnswers();
  page.sheet("half");
  page.listLayers();
  page.pipeUnits();
  renew();
  page.ask("look");
  map.on("click", (event) => page.tapped(event.latlng));
  map.on("mousemove", (event) => position(event.latlng));
  map.getContainer().addEventListener("keydown", (event) => {
    // its buttons have an Enter of their own
    if (event.key === "Enter" && event.target === map.getContainer()) page.tapped(map.getCenter());
  });
  // while the ground is asked, what is drawn does not stand in the way
  map.on("tooltipopen", ({ tooltip }) => {
    if (state.ask !== "look" && !tooltip.options.permanent) map.closeTooltip(tooltip);
  });
  forPaper();
  map.on("zoomend moveend", scale);
  scale();
  map.on("moveend", page.placeNames);
  map.on("zoomend", page.writeLines);
  page.placeNames();
  return { map, drawn, tapped: page.tapped, state, water };
}

async function start() {
  const data = JSON.parse(byId("plan-data").textContent);
  const [water, layers] = await Promise.all([readGrids(data.grid), unpackedText(data.layers)]);
  data.layers = JSON.parse(layers);
  window.lotflowPlan = startPage(data, water);
  document.documentElement.dataset.ready = "yes";
}

start();
