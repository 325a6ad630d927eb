/* Homes as typed arrays, with a grid that finds those in a box or under a point. */
"use strict";

/* Bits of the flags that each home carries. */
linemap.CLASSES = ["lead", "galvanized requiring replacement", "non-lead", "lead status unknown"];
linemap.UNKNOWN = 3;
linemap.LETTERS = ["L", "G", "", ""]; // what stands in homes of each class on the map
linemap.BEYOND = 4;
linemap.LISTED = 8;
linemap.TESTED = 16;
linemap.POINT_STEPS = 24; // radius of a home known only as a point, in packed steps

linemap.loadHomes = async function (packing) {
  const [rings, vertices, steps, chances, flags, area] = await Promise.all(
    ["rings", "vertices", "steps", "chances", "flags", "home-areas"].map(linemap.bytes)
  );
  const homes = {
    count: flags.length,
    packing,
    chance: new Uint16Array(chances.buffer), // in 1/10000
    flags,
    area: new Uint16Array(area.buffer),
    ringStart: starts(linemap.varints(rings)),
    vertexStart: starts(linemap.varints(vertices)),
  };
  unpackSteps(homes, steps);
  measureBoxes(homes);
  Object.assign(homes, linemap.placing(homes));
  homes.centre = (i) => [
    (homes.west[i] + homes.east[i]) / 2,
    (homes.north[i] + homes.south[i]) / 2,
  ];
  homes.grid = new linemap.Grid(homes);
  return homes;

  function starts(sizes) {
    const out = new Uint32Array(sizes.length + 1);
    for (let i = 0; i < sizes.length; i++) out[i + 1] = out[i] + sizes[i];
    return out;
  }

  function unpackSteps(homes, bytes) {
    const total = homes.vertexStart[homes.vertexStart.length - 1];
    homes.x = new Int32Array(total);
    homes.y = new Int32Array(total);
    let at = 0;
    const next = () => {
      let value = 0;
      let shift = 0;
      let byte;
      do {
        byte = bytes[at++];
        value |= (byte & 127) << shift;
        shift += 7;
      } while (byte > 127);
      return (value >>> 1) ^ -(value & 1);
    };
    let x = 0;
    let y = 0;
    for (let k = 0; k < total; k++) {
      homes.x[k] = x += next();
      homes.y[k] = y += next();
    }
  }

  function measureBoxes(homes) {
    for (const side of ["west", "north", "east", "south"])
      homes[side] = new Int32Array(homes.count);
    for (let i = 0; i < homes.count; i++) {
      const last = homes.vertexStart[homes.ringStart[i + 1]];
      let [w, n, e, s] = [2 ** 31 - 1, 2 ** 31 - 1, -(2 ** 31), -(2 ** 31)];
      for (let k = homes.vertexStart[homes.ringStart[i]]; k < last; k++) {
        if (homes.x[k] < w) w = homes.x[k];
        if (homes.x[k] > e) e = homes.x[k];
        if (homes.y[k] < n) n = homes.y[k];
        if (homes.y[k] > s) s = homes.y[k];
      }
      const spread = w === e && n === s ? linemap.POINT_STEPS : 0;
      homes.west[i] = w - spread;
      homes.north[i] = n - spread;
      homes.east[i] = e + spread;
      homes.south[i] = s + spread;
    }
  }
};

/* Between packed steps and latitude and longitude. */
linemap.placing = function (homes) {
  const { origin, unit } = homes.packing;
  const toLatLng = (x, y) => {
    const { lat, lng } = L.CRS.EPSG3857.unproject(
      L.point(origin[0] + x * unit, origin[1] - y * unit)
    );
    return [lat, lng];
  };
  const toSteps = (latlng) => {
    const { x, y } = L.CRS.EPSG3857.project(latlng);
    return [(x - origin[0]) / unit, (origin[1] - y) / unit];
  };
  const corners = (ring) => {
    const out = [];
    for (let k = homes.vertexStart[ring]; k < homes.vertexStart[ring + 1]; k++)
      out.push(toLatLng(homes.x[k], homes.y[k]));
    return out;
  };
  const outline = (i) => {
    const out = [];
    for (let ring = homes.ringStart[i]; ring < homes.ringStart[i + 1]; ring++)
      out.push(corners(ring));
    return out;
  };
  return { toLatLng, toSteps, outline, placed: (i) => homes.ringStart[i] < homes.ringStart[i + 1] };
};

/* Square cells over the city; a home stands in the cell of its middle, a large one in `large`. */
linemap.Grid = class {
  constructor(homes) {
    this.homes = homes;
    const placed = [];
    const widths = [];
    let [east, south] = [1, 1];
    for (let i = 0; i < homes.count; i++) {
      if (!homes.placed(i)) continue;
      placed.push(i);
      widths.push(Math.max(homes.east[i] - homes.west[i], homes.south[i] - homes.north[i]));
      east = Math.max(east, homes.east[i]);
      south = Math.max(south, homes.south[i]);
    }
    Object.assign(this, { east, south, placed: placed.length });
    this.typical = widths.length ? Float64Array.from(widths).sort()[widths.length >> 1] : 1;
    this.cell = Math.max(this.typical * 4, Math.sqrt((east * south) / (placed.length + 1)), 1);
    this.columns = Math.floor(east / this.cell) + 1;
    this.rows = Math.floor(south / this.cell) + 1;
    this.large = [];
    this.start = new Uint32Array(this.columns * this.rows + 1);
    const small = placed.filter((i, k) => widths[k] <= this.cell || !this.large.push(i));
    const cellOf = small.map((i) => this.#cell(i));
    for (const c of cellOf) this.start[c + 1]++;
    for (let c = 1; c < this.start.length; c++) this.start[c] += this.start[c - 1];
    this.members = new Uint32Array(small.length);
    const next = this.start.slice();
    small.forEach((i, k) => (this.members[next[cellOf[k]]++] = i));
  }

  #cell(i) {
    const [x, y] = this.homes.centre(i);
    const column = Math.floor(x / this.cell);
    const row = Math.floor(y / this.cell);
    return row * this.columns + column;
  }

  /* Homes whose box touches the box, in the packed order of their cells. */
  inBox(west, north, east, south) {
    const { homes, cell } = this;
    const found = [];
    const touches = (i) =>
      homes.west[i] <= east &&
      homes.east[i] >= west &&
      homes.north[i] <= south &&
      homes.south[i] >= north;
    const half = cell / 2;
    const c0 = Math.max(0, Math.floor((west - half) / cell));
    const c1 = Math.min(this.columns - 1, Math.floor((east + half) / cell));
    const r0 = Math.max(0, Math.floor((north - half) / cell));
    const r1 = Math.min(this.rows - 1, Math.floor((south + half) / cell));
    for (let r = r0; r <= r1; r++) {
      const last = this.start[r * this.columns + c1 + 1];
      for (let k = this.start[r * this.columns + c0]; c0 <= c1 && k < last; k++) {
        if (touches(this.members[k])) found.push(this.members[k]);
      }
    }
    for (const i of this.large) if (touches(i)) found.push(i);
    return found;
  }

  /* The smallest home that holds the point; else the nearest box within reach; else -1. */
  at(x, y, reach) {
    const { homes } = this;
    let best = -1;
    let size = Infinity;
    let near = -1;
    let distance = Infinity;
    for (const i of this.inBox(x - reach, y - reach, x + reach, y + reach)) {
      const area = (homes.east[i] - homes.west[i]) * (homes.south[i] - homes.north[i]);
      if (area < size && this.#holds(i, x, y)) [best, size] = [i, area];
      const dx = Math.max(homes.west[i] - x, 0, x - homes.east[i]);
      const dy = Math.max(homes.north[i] - y, 0, y - homes.south[i]);
      if (Math.hypot(dx, dy) < distance) [near, distance] = [i, Math.hypot(dx, dy)];
    }
    return best >= 0 ? best : near;
  }

  /* Even-odd rule over all rings, so that holes and parts count rightly. */
  #holds(i, x, y) {
    const { homes } = this;
    let inside = false;
    for (let ring = homes.ringStart[i]; ring < homes.ringStart[i + 1]; ring++) {
      const last = homes.vertexStart[ring + 1] - 1;
      for (let k = homes.vertexStart[ring], j = last; k <= last; j = k++) {
        const crosses = homes.y[k] > y !== homes.y[j] > y;
        const edge =
          ((homes.x[j] - homes.x[k]) * (y - homes.y[k])) / (homes.y[j] - homes.y[k]) + homes.x[k];
        if (crosses && x < edge) inside = !inside;
      }
    }
    return inside;
  }
};
