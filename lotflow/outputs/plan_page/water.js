// The grids of the page, and what is computed on them: the way of the water, the fall between
// two points. Pure functions; nothing here touches the page.
"use strict";

const EDGE = 10, MISSING = 11, WATER = 12, INLET = 13, CULVERT = 14, ROOF = 15;
const NO_ELEVATION = 65535;
// Directions 1 to 8: W NW N NE E SE S SW.
const ROW_STEP = [0, 0, -1, -1, -1, 0, 1, 1, 1];
const COLUMN_STEP = [0, -1, -1, 0, 1, 1, 1, 0, -1];

function inflated(text) {
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate")));
}

async function unpacked(text, Kind) { return new Kind(await inflated(text).arrayBuffer()); }

async function unpackedText(text) { return inflated(text).text(); }

async function readGrids(grid) {
  const [change, codes, eaves, cells, values] = await Promise.all([
    unpacked(grid.elevation.values, Uint16Array),
    unpacked(grid.water.codes, Uint8Array),
    unpacked(grid.water.eaves, Int32Array),
    unpacked(grid.water.weights.cells, Int32Array),
    unpacked(grid.water.weights.values, Float64Array),
  ]);
  const { rows, columns } = grid;
  const elevation = new Float64Array(rows * columns);
  for (let row = 0; row < rows; row += 1) {
    let number = 0;
    for (let column = 0; column < columns; column += 1) {
      const cell = row * columns + column;
      number = (number + change[cell]) & 0xffff;
      elevation[cell] = number === NO_ELEVATION ? NaN
        : grid.elevation.base + number * grid.elevation.step;
    }
  }
  const eaveOf = new Map();
  let roof = 0;
  codes.forEach((code, cell) => { if (code === ROOF) { eaveOf.set(cell, eaves[roof]); roof += 1; } });
  const weight = new Float64Array(rows * columns);
  codes.forEach((code, cell) => { weight[cell] = code === ROOF || code === MISSING ? 0 : 1; });
  cells.forEach((cell, n) => { weight[cell] = values[n]; });
  const water = {
    ...grid, elevation, codes, eaveOf,
    inlets: grid.water.inlets, culverts: grid.water.culverts,
  };
  water.total = accumulated(water, weight);
  return water;
}

// The cell that a cell drains to; its own where the way ends.
function below(grid, cell) {
  const code = grid.codes[cell];
  return code >= 1 && code <= 8 ? cell + ROW_STEP[code] * grid.columns + COLUMN_STEP[code] : cell;
}

// Cells' worth of rain that passes each cell.
function accumulated(grid, weight) {
  const total = Float64Array.from(weight);
  const inflows = new Uint8Array(total.length);
  for (let cell = 0; cell < total.length; cell += 1) {
    const next = below(grid, cell);
    if (next !== cell) inflows[next] += 1;
  }
  const ready = [];
  for (let cell = 0; cell < total.length; cell += 1) if (inflows[cell] === 0) ready.push(cell);
  while (ready.length > 0) {
    const cell = ready.pop();
    const next = below(grid, cell);
    if (next === cell) continue;
    total[next] += total[cell];
    inflows[next] -= 1;
    if (inflows[next] === 0) ready.push(next);
  }
  return total;
}

function cellAt(grid, east, north) {
  const column = Math.floor(east / grid.side);
  const row = Math.floor(grid.rows - north / grid.side);
  const inside = row >= 0 && row < grid.rows && column >= 0 && column < grid.columns;
  return inside ? row * grid.columns + column : -1;
}

// Centre of a cell as [north, east] from the lower left corner.
function centre(grid, cell) {
  const row = Math.floor(cell / grid.columns);
  return [(grid.rows - row - 0.5) * grid.side, (cell % grid.columns + 0.5) * grid.side];
}

// The way down from a cell, through culverts, to where it ends.
function wayDown(grid, start) {
  const roof = grid.codes[start] === ROOF;
  const first = roof ? grid.eaveOf.get(start) : start;
  const cells = [first];
  const culverts = [];
  let length = 0;
  for (;;) {
    const cell = cells[cells.length - 1];
    const culvert = grid.codes[cell] === CULVERT ? grid.culverts[cell] : null;
    const next = culvert ? culvert.out : below(grid, cell);
    if (next === cell) break;
    if (culvert) culverts.push(culvert.name);
    const [north, east] = centre(grid, cell);
    const [nextNorth, nextEast] = centre(grid, next);
    length += Math.hypot(nextNorth - north, nextEast - east) * grid.metresPerUnit;
    cells.push(next);
  }
  const end = cells[cells.length - 1];
  return {
    cells, length, roof, culverts, end,
    fall: grid.elevation[first] - grid.elevation[end],
    area: grid.total[first] * grid.cellArea,
    ending: ending(grid, end),
  };
}

function ending(grid, cell) {
  if (grid.codes[cell] === INLET) return `inlet ${grid.inlets[cell]}`;
  if (grid.codes[cell] === WATER) return "open water";
  if (grid.codes[cell] === MISSING) return "ground without elevation data";
  return "the edge of the data";
}

// Ground along a straight line: distance [m] and elevation of the cell under each of its points.
function profile(grid, from, to) {
  const units = Math.hypot(to[0] - from[0], to[1] - from[1]);
  const count = Math.max(1, Math.ceil(units / (grid.side / 2)));
  const points = [];
  for (let n = 0; n <= count; n += 1) {
    const share = n / count;
    const cell = cellAt(
      grid, from[1] + share * (to[1] - from[1]), from[0] + share * (to[0] - from[0]));
    points.push({
      distance: share * units * grid.metresPerUnit,
      ground: cell < 0 ? NaN : grid.elevation[cell],
    });
  }
  return points;
}

// Standard deviation of the difference of two elevations some way apart [m].
function differenceError(accuracy, distance) {
  const alike = (1 - accuracy.whiteShare) * Math.exp(-distance / accuracy.correlation);
  return accuracy.rmse * Math.sqrt(2 * (distance === 0 ? 0 : 1 - alike));
}

// Fall from the first point to the second, and its interval, in which it lies 90 times of 100.
function fallBetween(grid, from, to, accuracy) {
  const points = profile(grid, from, to);
  const distance = points[points.length - 1].distance;
  const fall = points[0].ground - points[points.length - 1].ground;
  const doubt = 1.6448536269514722 * differenceError(accuracy, distance);
  return { points, distance, fall, doubt };
}

// Highest pipe that keeps the cover along the whole line and falls evenly from the higher end.
function pipeUnder(points, slope, cover, diameter) {
  const known = points.filter((point) => !Number.isNaN(point.ground));
  if (known.length < 2) return null;
  const length = points[points.length - 1].distance;
  const flows = points[0].ground >= points[points.length - 1].ground;
  const along = (point) => (flows ? point.distance : length - point.distance);
  const invert = Math.min(
    ...known.map((point) => point.ground - cover - diameter + slope * along(point)));
  const level = (point) => invert - slope * along(point);
  const depths = known.map((point) => point.ground - level(point));
  const top = flows ? 0 : depths.length - 1;
  return {
    fromFirst: flows, level,
    depthUp: depths[top], depthDown: depths[depths.length - 1 - top], deepest: Math.max(...depths),
  };
}
