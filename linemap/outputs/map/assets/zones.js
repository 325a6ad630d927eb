/* Areas and hexagons: city-scale figures, one at a time, as filled outlines with their number. */
"use strict";

linemap.MEASURES = {
  expected: {
    title: "Expected lead lines",
    share: false,
    note: "A sum over homes, each counted with its probability.",
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

/* Equal steps from nothing to the greatest value, with round limits. */
linemap.limits = function (values, share, steps) {
  const top = Math.max(share ? 0.01 : 5, ...values.filter((value) => value !== null));
  const rough = top / steps;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10]
    .map((k) => k * power)
    .find((k) => k >= rough - 1e-12);
  return Array.from({ length: steps + 1 }, (_, k) => k * step);
};

linemap.figure = function (value, measure) {
  if (value === null) return "not shown";
  if (linemap.MEASURES[measure].share) return `${Math.round(value * 100)}%`;
  return value > 0 && value < 1 ? "under 1" : linemap.whole(value);
};

/* zones: [{name, rings: [[[lat, lng], ...], ...], homes, expected, unknown, tested}] */
linemap.ZoneLayer = class {
  constructor(map, colours, onChoose) {
    this.map = map;
    this.colours = colours;
    this.onChoose = onChoose;
    this.shapes = L.featureGroup();
    this.labels = L.layerGroup();
    this.renderer = L.canvas({ padding: 0.3 });
    map.on("zoomend", () => this.label());
  }

  /* Show zones under a measure, or outlines only where no measure is given. */
  show(zones, measure) {
    this.zones = zones;
    this.measure = measure;
    this.shapes.clearLayers();
    const values = measure ? zones.map((zone) => zone[measure]) : [];
    if (measure)
      this.limits = linemap.limits(values, linemap.MEASURES[measure].share, this.colours.length);
    for (const zone of zones) {
      const shape = L.polygon(zone.rings, this.style(zone));
      if (measure) shape.on("click", () => this.onChoose(zone));
      this.shapes.addLayer(shape);
    }
    this.shapes.addTo(this.map);
    this.labels.addTo(this.map);
    this.label();
  }

  style(zone) {
    const base = { renderer: this.renderer, color: "#4a4a4a", weight: 1, opacity: 0.9 };
    if (!this.measure) return { ...base, fill: false, weight: 1.5, interactive: false };
    const value = zone[this.measure];
    if (value === null) return { ...base, fillOpacity: 0, dashArray: "4 4" };
    return { ...base, fillColor: this.colours[this.step(value)], fillOpacity: zone.homes ? 1 : 0 };
  }

  step(value) {
    const width = this.limits[1];
    return Math.min(this.colours.length - 1, Math.max(0, Math.ceil(value / width - 1e-9) - 1));
  }

  /* Write each zone's number (and name where there is room) into it. */
  label() {
    this.labels.clearLayers();
    if (!this.zones) return;
    for (const zone of this.zones) {
      const bounds = (zone.bounds ||= L.latLngBounds(zone.rings.flat(2)));
      const west = this.map.latLngToLayerPoint(bounds.getNorthWest());
      const east = this.map.latLngToLayerPoint(bounds.getSouthEast());
      const room = Math.min(east.x - west.x, (east.y - west.y) * 2);
      const number = this.measure ? this.short(zone[this.measure]) : "";
      const lines = [];
      if (zone.name && room > zone.name.length * 6.5 + 8) lines.push(zone.name);
      if (number && room > number.length * 7 + 6) lines.push(number);
      if (!lines.length || (this.measure && !zone.homes && zone[this.measure] !== null)) continue;
      const dark = this.measure && zone[this.measure] !== null && this.step(zone[this.measure]) > 2;
      const icon = L.divIcon({
        className: `zone-label ${this.measure ? "" : "name-only"} ${dark ? "on-dark" : ""}`,
        html: linemap.el("span", {}, lines.join("\n")),
        iconSize: [0, 0],
      });
      L.marker(zone.label || bounds.getCenter(), {
        icon,
        interactive: false,
        keyboard: false,
      }).addTo(this.labels);
    }
  }

  short(value) {
    if (value === null) return "–";
    if (linemap.MEASURES[this.measure].share) return `${Math.round(value * 100)}%`;
    return value > 0 && value < 0.5 ? "<1" : linemap.whole(value);
  }

  hide() {
    this.shapes.remove();
    this.labels.remove();
  }

  /* Legend rows: a swatch and the values it stands for. */
  legend() {
    const { share } = linemap.MEASURES[this.measure];
    const text = (value) =>
      share ? `${+(value * 100).toFixed(1)}%` : Number(value.toFixed(2)).toLocaleString("en-US");
    const rows = this.colours.map((colour, k) =>
      linemap.legendRow(
        linemap.swatch(colour),
        `${k ? "over " : ""}${text(this.limits[k])} to ${text(this.limits[k + 1])}`
      )
    );
    if (this.zones.some((zone) => zone[this.measure] === null)) {
      rows.push(linemap.legendRow(linemap.swatch("none", "4 3"), "no figure shown: too few homes"));
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
