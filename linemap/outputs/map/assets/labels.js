/* Names and numbers written into areas and hexagons, where they fit. */
"use strict";

linemap.LABEL_FONT = '600 12.5px system-ui, "Segoe UI", "Liberation Sans", Arial, sans-serif';
linemap.LABEL_LINE = 14.5; // height of a line [px]

linemap.textWidth = function (text) {
  linemap.pen ||= document.createElement("canvas").getContext("2d");
  linemap.pen.font = linemap.LABEL_FONT;
  return linemap.pen.measureText(text).width;
};

/* Ways to write a label, the best first: the name in one line, in a line per word, no name. */
linemap.labelWays = function (name, figures) {
  const words = (name || "").split(" ").filter(Boolean);
  const ways = words.length ? [[words.join(" "), ...figures]] : [];
  if (words.length > 1) ways.push([...words, ...figures]);
  return [...ways, figures].filter((lines) => lines.length);
};

/* The best way to write a zone's label that fits: moved into the frame where its edge would cut
   it, and never over another. Nothing, where no way fits. */
linemap.placeLabel = function (map, zone, figures, others) {
  const bounds = (zone.bounds ||= L.latLngBounds(zone.rings.flat(2)));
  const [west, east] = [bounds.getNorthWest(), bounds.getSouthEast()].map((corner) =>
    map.latLngToContainerPoint(corner)
  );
  const frame = map.getSize();
  const at = map.latLngToContainerPoint(zone.label || bounds.getCenter());
  const seen = at.x > 0 && at.y > 0 && at.x < frame.x && at.y < frame.y;
  for (const lines of linemap.labelWays(zone.name, figures)) {
    const width = Math.max(...lines.map(linemap.textWidth));
    const height = lines.length * linemap.LABEL_LINE;
    if (width > east.x - west.x - 2 || height > (east.y - west.y) * 1.5) continue;
    const inside = (middle, size, edge) =>
      Math.max(size / 2 + 3, Math.min(middle, edge - size / 2 - 3));
    const x = seen ? inside(at.x, width, frame.x) : at.x;
    const y = seen ? inside(at.y, height, frame.y) : at.y;
    const apart = (box) =>
      Math.abs(box.x - x) * 2 > box.width + width || Math.abs(box.y - y) * 2 > box.height + height;
    if (!zone.name || others.every(apart)) return { zone, lines, x, y, width, height, at };
  }
  return null;
};

linemap.writeLabel = function (layer, { zone, lines, x, y, at }, kind) {
  const icon = L.divIcon({
    className: `zone-label ${kind}`,
    html: linemap.el(
      "span",
      { style: `left:${x - at.x}px;top:${y - at.y}px` },
      lines.join("\n")
    ),
    iconSize: [0, 0],
  });
  const still = { icon, interactive: false, keyboard: false };
  L.marker(zone.label || zone.bounds.getCenter(), still).addTo(layer);
};
