/* Legend of single homes: probability in colours and words, marks that need no colour. */
"use strict";

linemap.homeLegend = function ({ colours, bands }) {
  const { el, swatch, legendRow } = linemap;
  const mid = colours[Math.floor(colours.length * 0.6)];
  const rows = bands.map(([low, high, words]) => {
    const part = colours.slice((low / 100) * colours.length, (high / 100) * colours.length);
    const width = 27 / part.length;
    const strips = part.map((fill, k) =>
      el("rect", { x: 1.5 + k * width, y: 2, width, height: 14, fill })
    );
    return legendRow(swatch("none", "", strips), `${low} to ${high}%: ${words}`);
  });
  const lines = [0, 8, 16, 24].map((x) =>
    el("line", { x1: x, y1: 16, x2: x + 14, y2: 2, stroke: mid, "stroke-width": 3 })
  );
  const frame = el("rect", {
    x: 2.5,
    y: 2.5,
    width: 25,
    height: 13,
    fill: mid,
    stroke: "#111111",
    "stroke-width": 2.5,
  });
  const letter = (words) =>
    el(
      "text",
      {
        x: 15,
        y: 13.5,
        "text-anchor": "middle",
        "font-size": 13,
        "font-weight": "bold",
        fill: "#111111",
        stroke: "#ffffff",
        "stroke-width": 3,
        "paint-order": "stroke",
      },
      words
    );
  const dot = el("circle", {
    cx: 15,
    cy: 9,
    r: 3.5,
    fill: "#ffffff",
    stroke: "#111111",
    "stroke-width": 1.8,
  });
  rows.push(
    legendRow(
      swatch("none", "", [frame]),
      "heavy outline: class is known from a record or a check; no letter: non-lead"
    ),
    ...[0, 1].map((k) =>
      legendRow(
        swatch("none", "", [frame.cloneNode(), letter(linemap.LETTERS[k])]),
        `letter ${linemap.LETTERS[k]}: class is ${linemap.CLASSES[k]}`
      )
    ),
    legendRow(swatch(mid), "thin outline: predicted, line unknown"),
    legendRow(swatch("#ffffff", "", lines), "hatched: beyond the data, a guess"),
    legendRow(swatch("#ffffff", "", [dot]), "ringed dot: on the next list of kits"),
    legendRow(swatch(linemap.FAINT), "light grey: held back by the filters")
  );
  return rows;
};

/* What the marks do at a zoom where a typical home is so many pixels wide. */
linemap.homeLegendNote = function (px) {
  if (px >= linemap.MARK_PX) return "";
  const dots =
    "Homes are smaller than a dot here; where dots overlap, the highest probability lies on top. ";
  return `${px < linemap.DOT_PX ? dots : ""}Zoom in for outlines, letters, hatching and list marks.`;
};
