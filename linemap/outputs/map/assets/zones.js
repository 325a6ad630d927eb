/* Areas and hexagons: city-scale figures, one at a time, as filled outlines with their number. */
"use strict";

linemap.MEASURES = {
  expected: {
    title: "Expected lead lines",
    share: false,
    note:
      "An estimate: each home is counted with its probability of having a lead line. In brackets " +
      "the 90% interval, where it is known and has room.",
  },
  unknown: {
    title: "Lines of unknown material",
    share: false,
    note: "Homes whose class in the inventory is lead status unknown.",
  },
  tested: {
    title: "Homes with a usable kit",
    share: true,
    note: "Share of homes from which at least one usable kit came back.",
  },
};
linemap.MEASURE_NAMES = /^(expected|unknown|tested)$/;

/* Equal steps from nothing to the greatest value, with round limits. Counts change colour halfway
   between two figures of the public edition, so that an area has one colour in both. */
linemap.limits = function (values, share, steps, rounding) {
  const top = Math.max(share ? 0.01 : 5, ...values.filter((value) => value !== null));
  const rough = top / steps;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10]
    .map((k) => k * power)
    .find((k) => k >= rough - 1e-12);
  const apart = !share && step % rounding === 0 ? rounding / 2 - 0.5 : 0;
  return Array.from({ length: steps + 1 }, (_, k) => (k ? k * step + apart : 0));
};

linemap.figure = function (value, measure) {
  if (value === null) return "not shown";
  if (linemap.MEASURES[measure].share) return `${Math.round(value * 100)}%`;
  return value > 0 && value < 1 ? "under 1" : linemap.whole(value);
};

/* The 90% interval of a zone's expected lead lines; empty where there is none. */
linemap.interval = function (zone, measure) {
  const none = zone.low === null || zone.low === undefined;
  if (measure !== "expected" || none || zone.expected === null) return "";
  return `${linemap.whole(zone.low)} to ${linemap.whole(zone.high)}`;
};

linemap.figureWithInterval = function (zone, measure) {
  const interval = linemap.interval(zone, measure);
  return linemap.figure(zone[measure], measure) + (interval && ` (${interval})`);
};

/* zones: [{name, rings: [[[lat, lng], ...], ...], homes, expected, unknown, tested}] */
linemap.ZoneLayer = class {
  constructor(map, { groupColours, rounding, noFigure = "no homes" }, onChoose) {
    this.map = map;
    this.colours = groupColours;
    this.rounding = rounding;
    this.noFigure = noFigure;
    this.onChoose = onChoose;
    this.shapes = L.featureGroup();
    this.labels = L.layerGroup();
    this.renderer = L.canvas({ padding: 0.3 });
    map.on("moveend", () => this.shown && this.zones.some((zone) => zone.name) && this.label());
    map.on("zoomend", () => this.shown && this.zones.every((zone) => !zone.name) && this.label());
  }

  /* Show zones under a measure, or outlines only where no measure is given. */
  show(zones, measure) {
    this.zones = zones;
    this.measure = measure;
    this.shapes.clearLayers();
    const values = measure ? zones.map((zone) => zone[measure]) : [];
    if (measure) {
      const { share } = linemap.MEASURES[measure];
      this.limits = linemap.limits(values, share, this.colours.length, this.rounding);
    }
    for (const zone of zones) {
      const shape = L.polygon(zone.rings, this.style(zone));
      if (measure) shape.on("click", () => this.onChoose(zone));
      this.shapes.addLayer(shape);
    }
    this.shapes.addTo(this.map);
    this.labels.addTo(this.map);
    this.shown = true;
    this.label();
  }

  style(zone) {
    const base = { renderer: this.renderer, color: "#4a4a4a", weight: 1, opacity: 0.9 };
    if (!this.measure) return { ...base, fill: false, weight: 1.5, interactive: false };
    const value = zone[this.measure];
    if (value === null) return { ...base, fillOpacity: 0, dashArray: "4 4" };
    return { ...base, fillColor: this.colours[this.step(value)], fillOpacity: zone.homes === 0 ? 0 : 1 };
  }

  /* The colour step of a value as it is printed: whole, or in whole percent. */
  step(value) {
    const printed = linemap.MEASURES[this.measure].share
      ? Math.round(value * 100) / 100
      : Math.round(value);
    const above = this.limits.slice(1, -1).filter((limit) => printed > limit + 1e-9);
    return above.length;
  }

  /* Names with numbers first; intervals then go where they leave every label its place. */
  label() {
    this.labels.clearLayers();
    if (!this.zones) return;
    const placed = [];
    for (const zone of this.zones) {
      const value = zone[this.measure];
      if (this.measure && zone.homes === 0 && value !== null) continue;
      const number = this.measure ? [this.short(value)] : [];
      const box = linemap.placeLabel(this.map, zone, number, placed);
      if (box) placed.push(box);
    }
    placed.forEach((box, k) => {
      const interval = linemap.interval(box.zone, this.measure);
      if (!interval || box.lines.length === 1) return;
      const others = placed.filter((other) => other !== box);
      const figures = [this.short(box.zone.expected), `(${interval})`];
      const fuller = linemap.placeLabel(this.map, box.zone, figures, others);
      if (fuller && fuller.lines.length > box.lines.length) placed[k] = fuller;
    });
    for (const box of placed) linemap.writeLabel(this.labels, box, this.kind(box.zone));
  }

  /* How a zone's label looks. */
  kind(zone) {
    if (!this.measure) return "name-only";
    const value = zone[this.measure];
    return value !== null && this.step(value) > 2 ? "on-dark" : "";
  }

  short(value) {
    if (value === null) return "–";
    if (linemap.MEASURES[this.measure].share) return `${Math.round(value * 100)}%`;
    return value > 0 && value < 0.5 ? "<1" : linemap.whole(value);
  }

  hide() {
    this.shown = false;
    this.shapes.remove();
    this.labels.remove();
  }

  /* Legend rows: a swatch and the values it stands for. */
  legend() {
    const { share } = linemap.MEASURES[this.measure];
    const text = (value) =>
      share ? `${+(value * 100).toFixed(1)}%` : Number(value.toFixed(2)).toLocaleString("en-US");
    const first = (limit) => (limit ? Math.floor(limit) + 1 : 0);
    const rows = this.colours.map((colour, k) => {
      const [low, high] = this.limits.slice(k, k + 2);
      const whole = !share && Number.isInteger(this.limits[1] * 2);
      const words = whole
        ? `${text(first(low))} to ${text(Math.floor(high))}`
        : `${k ? "over " : ""}${text(low)} to ${text(high)}`;
      return linemap.legendRow(linemap.swatch(colour), words);
    });
    if (this.zones.some((zone) => zone[this.measure] === null)) {
      rows.push(linemap.legendRow(linemap.swatch("none", "4 3"), this.noFigure));
    }
    return rows;
  }
};

linemap.swatch = function (fill, dashes = "", inside = []) {
  const box = {
    x: 1.5,
    y: 1.5,
    width: 27,
    height: 15,
    fill,
    stroke: "#4a4a4a",
    "stroke-dasharray": dashes,
  };
  const picture = {
    class: "swatch",
    width: 30,
    height: 18,
    viewBox: "0 0 30 18",
    "aria-hidden": "true",
  };
  return linemap.el("svg", picture, linemap.el("rect", box), ...inside);
};

linemap.legendRow = (swatch, words) => linemap.el("li", {}, swatch, linemap.el("span", {}, words));
