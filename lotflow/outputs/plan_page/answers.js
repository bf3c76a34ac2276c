// The answer: an item that is opened shows its place, and its number on the map opens it. The text
// stands in the page already.
"use strict";

function addAnswers(page) {
  const { map, drawn, BESIDE } = page;
  const told = byId("told");
  const ring = L.layerGroup().addTo(map);
  const pins = L.layerGroup();
  const boxes = []; // of the numbers on the map: { at, shift }
  // above the names
  map.createPane("answer").style.zIndex = 660;
  const items = [...document.querySelectorAll("#items details[data-rank]")];
  // how much of a phone the text takes: "low" its head, "half", "high" nearly all
  const HEIGHTS = ["low", "half", "high"];

  function placeOf(one) { return one.dataset.at ? one.dataset.at.split(",").map(Number) : null; }

  function showItem(item, { move = true } = {}) {
    const at = placeOf(item);
    document.querySelectorAll("#map .pin").forEach((pin) => pin.classList.toggle("chosen", pin.dataset.rank === item.dataset.rank));
    page.closeTips();
    ring.clearLayers();
    if (!move) return;
    if (!at) { map.fitBounds(page.data.view ?? page.bounds); return; }
    ring.addLayer(L.circleMarker(at, { radius: 14, color: "#c25e00", fill: false, weight: 4, interactive: false }));
    map.setView(at, Math.max(map.getZoom(), page.closeZoom));
  }

  // Boxes in the pixels of the layers that names keep off.
  function pinBoxes() {
    if (!map.hasLayer(pins)) return [];
    return boxes.map(({ at, shift: [east, south] }) => {
      const { x, y } = map.latLngToLayerPoint(at);
      return [x + east, y + south, x + east + 26, y + south + 26];
    });
  }

  // Numbers of items of one place stand beside each other.
  function drawPins() {
    const taken = [];
    for (const item of items) {
      const at = placeOf(item);
      if (!at) continue;
      const beside = taken.filter(([north, east]) => Math.hypot(north - at[0], east - at[1]) * page.water.metresPerUnit < 0.6).length;
      taken.push(at);
      const { rank } = item.dataset;
      const pin = element("div", { class: "pin", "data-rank": rank });
      pin.append(element("span", { text: rank }));
      if (beside) pin.classList.add("beside");
      const icon = L.divIcon({ className: "pin-place", html: pin, iconSize: [24, 24], iconAnchor: [32 - 26 * beside, 34] });
      const marker = L.marker(L.latLng(at), { icon, pane: "answer", keyboard: false, alt: `Item ${rank}` });
      marker.on("click", () => {
        if (page.state.ask !== "look") { page.tapped(L.latLng(at)); return; }
        openItem(item);
      });
      pins.addLayer(marker);
      boxes.push({ at: L.latLng(at), shift: [26 * beside - 32, -34] });
    }
    if (pins.getLayers().length === 0) return;
    pins.addTo(map);
    drawn.set("answer", { group: pins, title: "Numbers of the answer", rows: new Map(), swatch: { fill: "#ffffff", stroke: "#14506b", width: 2 } });
  }

  function openItem(item) {
    item.open = true;
    reveal(item);
  }

  // Scrolls the text alone: the map stays where it is.
  function reveal(part) {
    if (!BESIDE.matches && told.classList.contains("low")) height("half");
    const bar = told.querySelector(".bar").offsetHeight;
    const top = part.getBoundingClientRect().top - told.getBoundingClientRect().top - bar;
    const hidden = top < 0 || top + Math.min(part.offsetHeight, 120) > told.clientHeight - bar;
    if (hidden) told.scrollTop += top - 6;
  }

  function height(name) {
    told.classList.remove(...HEIGHTS);
    told.classList.add(name);
    byId("plan").classList.toggle("wide", name === "low");
    byId("more-map").disabled = name === "low";
    byId("more-text").disabled = name === "high";
    map.invalidateSize({ animate: false });
  }

  function step(by) { height(HEIGHTS[Math.max(0, Math.min(2, HEIGHTS.findIndex((one) => told.classList.contains(one)) + by))]); }

  // What has a place becomes a button that shows it.
  function placeButtons() {
    for (const part of document.querySelectorAll("#items li[data-at], #items span[data-at]")) {
      const button = element("button", { type: "button", class: "place", title: "Show on the map" });
      button.append(...(part.matches("li") ? part.lastChild : part).childNodes);
      button.addEventListener("click", () => page.goTo(placeOf(part)));
      (part.matches("li") ? part.lastChild : part).append(button);
    }
  }

  // Up and down go from item to item, and round: each is few keys away.
  function keys(event) {
    const heads = items.map((item) => item.querySelector("summary"));
    const at = heads.indexOf(event.target);
    const to = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: heads.length - 1 }[event.key];
    if (at < 0 || to === undefined) return;
    event.preventDefault();
    heads.at(to % heads.length).focus();
  }

  function start() {
    placeButtons();
    drawPins();
    for (const item of items) {
      item.removeAttribute("name"); // of a group only one could be open on paper
      item.addEventListener("toggle", () => {
        if (!item.open || document.body.classList.contains("on-paper")) return;
        items.forEach((other) => { if (other !== item) other.open = false; });
        if (!BESIDE.matches && told.classList.contains("high")) height("half");
        showItem(item);
        reveal(item);
      });
    }
    if (items.length) showItem(items[0], { move: false });
    byId("items").addEventListener("keydown", keys);
    byId("more-map").addEventListener("click", () => step(-1));
    byId("more-text").addEventListener("click", () => step(1));
    for (const link of document.querySelectorAll(".bar nav a, .skip a")) {
      link.addEventListener("click", (event) => {
        const aim = document.querySelector(link.getAttribute("href"));
        event.preventDefault();
        if (aim.id === "map") { aim.focus({ preventScroll: true }); return; }
        if (!BESIDE.matches && told.classList.contains("low")) height("half");
        aim.focus({ preventScroll: true });
        const top = aim.getBoundingClientRect().top - told.getBoundingClientRect().top;
        told.scrollTop += top - told.querySelector(".bar").offsetHeight - 6;
      });
    }
  }

  Object.assign(page, { startAnswers: start, pinBoxes, reveal, sheet: height });
}
