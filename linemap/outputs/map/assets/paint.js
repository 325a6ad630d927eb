/* The homes as a Leaflet grid layer: each tile is a canvas, painted a slice at a time. */
"use strict";

linemap.FAINT = "#e4e4e4"; // homes that the filters hold back
linemap.DOT_PX = 2.5; // typical homes smaller than this are painted as dots
linemap.LETTER_PX = [8, 15]; // least and greatest height of the letter of a class
linemap.MARK_PX = 18; // typical homes larger than this carry outline, hatching and list mark

linemap.HomeLayer = L.GridLayer.extend({
  options: { updateWhenIdle: false, keepBuffer: 1, maxZoom: 21, className: "homes" },

  /* homes: typed arrays; colours: low to high; filters: tells which homes pass. */
  initialize(homes, colours, filters) {
    this.homes = homes;
    this.colours = colours;
    this.inks = [linemap.FAINT, ...colours].map((hex) => {
      const [r, g, b] = [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16));
      return (255 << 24) | (b << 16) | (g << 8) | r; // bytes of a pixel: red, green, blue, opaque
    });
    this.filters = filters;
    this.hatches = new Map();
    this.queue = [];
  },

  getEvents() {
    const events = L.GridLayer.prototype.getEvents.call(this);
    return { ...events, movestart: () => (this.moving = true) };
  },

  createTile(coords, done) {
    const canvas = document.createElement("canvas");
    const size = this.getTileSize().x;
    const dots = Math.min(2, window.devicePixelRatio || 1);
    canvas.width = canvas.height = size * dots;
    this._plan({ canvas, coords, size, dots, done });
    return canvas;
  },

  /* Paint every tile on the page again, in place, after a change of filters. */
  repaint() {
    this.queue = this.queue.filter((job) => job.done);
    this.queue.forEach((job) => (job.found = null));
    const waiting = new Set(this.queue.map((job) => job.canvas));
    const size = this.getTileSize().x;
    for (const { el, coords } of Object.values(this._tiles || {})) {
      if (!waiting.has(el)) this._plan({ canvas: el, coords, size, dots: el.width / size });
    }
  },

  /* Screen pixels of one packed step, and of the packed origin, at a zoom. */
  frame(zoom) {
    const { unit, origin } = this.homes.packing;
    const perMetre = (256 * 2 ** zoom) / (2 * linemap.HALF_WORLD);
    return {
      step: unit * perMetre,
      left: (linemap.HALF_WORLD + origin[0]) * perMetre,
      top: (linemap.HALF_WORLD - origin[1]) * perMetre,
    };
  },

  typicalPx(zoom) {
    return this.homes.grid.typical * this.frame(zoom).step;
  },

  _plan(job) {
    this.queue.push(job);
    if (this.queue.length === 1) requestAnimationFrame(() => this._work());
  },

  /* Paint for a few milliseconds, then let the browser draw a frame. */
  _work() {
    this.moving =
      this.moving && Boolean(this._map?.dragging?.moving() || this._map?._animatingZoom);
    const until = performance.now() + (this.moving ? 6 : 30);
    while (this.queue.length && performance.now() < until) {
      const job = this.queue[0];
      if (!job.canvas.parentNode)
        this.queue.shift(); // the tile left the page before its turn
      else if (this._paint(job, until)) {
        this.queue.shift();
        if (job.done) job.done(null, job.canvas);
      }
    }
    if (this.queue.length) requestAnimationFrame(() => this._work());
    else this.fire("painted");
  },

  /* Paint (more of) one tile; true when it is whole. */
  _paint(job, until) {
    const frame = this.frame(job.coords.z);
    if (!job.found) {
      const x = job.coords.x * job.size - frame.left;
      const y = job.coords.y * job.size - frame.top;
      const spill = 16; // outlines and marks reach a little beyond a home's box
      job.found = this.homes.grid.inBox(
        (x - spill) / frame.step,
        (y - spill) / frame.step,
        (x + job.size + spill) / frame.step,
        (y + job.size + spill) / frame.step
      );
      job.at = 0;
      job.context = job.context || job.canvas.getContext("2d");
      job.context.setTransform(1, 0, 0, 1, 0, 0);
      job.context.clearRect(0, 0, job.canvas.width, job.canvas.height);
      job.brush = {
        step: frame.step * job.dots,
        left: -x * job.dots,
        top: -y * job.dots,
        dots: job.dots,
      };
    }
    if (this.typicalPx(job.coords.z) < linemap.DOT_PX) {
      this._paintDots(job);
      return true;
    }
    const marked = this.typicalPx(job.coords.z) >= linemap.MARK_PX;
    const count = job.found.length;
    const total = marked ? 2 * count : count; // marks come last, so that no neighbour covers them
    while (job.at < total) {
      const last = Math.min(job.at + 200, total);
      for (; job.at < last; job.at++) {
        if (job.at < count) this._paintHome(job.context, job.brush, job.found[job.at], marked);
        else this._paintMarks(job.context, job.brush, job.found[job.at - count]);
      }
      if (performance.now() > until) return job.at >= total;
    }
    return true;
  },

  level(i) {
    const steps = this.colours.length;
    return Math.min(steps - 1, Math.floor((this.homes.chance[i] * steps) / 10000));
  },

  /* Tiny homes: whole pixels, the highest probability on top where they overlap. */
  _paintDots({ context, canvas, found, brush }) {
    const side = canvas.width;
    const image = context.createImageData(side, side);
    const pixels = new Uint32Array(image.data.buffer);
    const top = new Uint8Array(pixels.length);
    const { west, east, north, south } = this.homes;
    for (const i of found) {
      const rank = this.filters.passes(i) ? this.level(i) + 2 : 1;
      const x0 = Math.floor(west[i] * brush.step + brush.left);
      const y0 = Math.floor(north[i] * brush.step + brush.top);
      const x1 = Math.max(x0, Math.ceil(east[i] * brush.step + brush.left) - 2);
      const y1 = Math.max(y0, Math.ceil(south[i] * brush.step + brush.top) - 2);
      for (let y = Math.max(0, y0); y <= y1 && y < side; y++) {
        for (let x = Math.max(0, x0); x <= x1 && x < side; x++) {
          if (rank > top[y * side + x]) {
            top[y * side + x] = rank;
            pixels[y * side + x] = this.inks[rank - 1];
          }
        }
      }
    }
    context.putImageData(image, 0, 0);
  },

  _paintHome(context, brush, i, marked) {
    const { homes } = this;
    context.beginPath();
    for (let ring = homes.ringStart[i]; ring < homes.ringStart[i + 1]; ring++) {
      this._trace(context, brush, homes.vertexStart[ring], homes.vertexStart[ring + 1]);
    }
    if (!this.filters.passes(i)) {
      context.fillStyle = linemap.FAINT;
      context.fill("evenodd");
      return;
    }
    const level = this.level(i);
    const beyond = homes.flags[i] & linemap.BEYOND;
    context.fillStyle =
      marked && beyond ? this._hatch(context, level, brush.dots) : this.colours[level];
    context.fill("evenodd");
    if (!marked) return;
    if ((homes.flags[i] & 3) === linemap.UNKNOWN) {
      this._line(context, "rgba(40, 40, 40, 0.45)", 0.6 * brush.dots);
    } else {
      this._line(context, "#ffffff", 4 * brush.dots);
      this._line(context, "#111111", 1.8 * brush.dots);
    }
  },

  /* The dot of a home on the list, the letter of a class. */
  _paintMarks(context, brush, i) {
    const { homes } = this;
    const listed = homes.flags[i] & linemap.LISTED;
    const letter = linemap.LETTERS[homes.flags[i] & 3];
    if (!(listed || letter) || !this.filters.passes(i)) return;
    const [x, y] = homes.centre(i);
    const middle = [x * brush.step + brush.left, y * brush.step + brush.top];
    if (listed) {
      context.beginPath();
      context.arc(...middle, 3.2 * brush.dots, 0, 7);
      context.fillStyle = "#ffffff";
      context.fill();
      this._line(context, "#111111", 1.6 * brush.dots);
    }
    if (letter) this._letter(context, brush, i, letter, middle, listed);
  },

  /* The letter of a class, in black on a white rim; above the mark of a home on the list. */
  _letter(context, brush, i, letter, [x, y], listed) {
    const { west, east, north, south } = this.homes;
    const side = Math.min(east[i] - west[i], south[i] - north[i]) * brush.step;
    const [least, most] = linemap.LETTER_PX.map((px) => px * brush.dots);
    const high = Math.max(least, Math.min(side, most));
    context.font = `bold ${high}px sans-serif`;
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.lineJoin = "round";
    const foot = listed ? y - high / 2 - 5 * brush.dots : y;
    context.strokeStyle = "#ffffff";
    context.lineWidth = high * 0.3;
    context.strokeText(letter, x, foot);
    context.fillStyle = "#111111";
    context.fillText(letter, x, foot);
  },

  _trace(context, brush, first, last) {
    const { x, y } = this.homes;
    if (last - first === 1) {
      const radius = linemap.POINT_STEPS * brush.step;
      context.arc(
        x[first] * brush.step + brush.left,
        y[first] * brush.step + brush.top,
        radius,
        0,
        7
      );
    } else {
      context.moveTo(x[first] * brush.step + brush.left, y[first] * brush.step + brush.top);
      for (let k = first + 1; k < last; k++) {
        context.lineTo(x[k] * brush.step + brush.left, y[k] * brush.step + brush.top);
      }
    }
    context.closePath();
  },

  _line(context, colour, width) {
    context.strokeStyle = colour;
    context.lineWidth = width;
    context.stroke();
  },

  /* Slanting lines of a colour on white, for homes beyond the data. */
  _hatch(context, level, dots) {
    const key = `${level}/${dots}`;
    if (!this.hatches.has(key)) {
      const side = 8 * dots;
      const swatch = document.createElement("canvas");
      swatch.width = swatch.height = side;
      const ink = swatch.getContext("2d");
      ink.fillStyle = "#ffffff";
      ink.fillRect(0, 0, side, side);
      ink.strokeStyle = this.colours[level];
      ink.lineWidth = 3 * dots;
      for (const shift of [-side, 0, side]) {
        ink.moveTo(shift - side / 2, side * 1.5);
        ink.lineTo(shift + side * 1.5, -side / 2);
      }
      ink.stroke();
      this.hatches.set(key, context.createPattern(swatch, "repeat"));
    }
    return this.hatches.get(key);
  },
});
