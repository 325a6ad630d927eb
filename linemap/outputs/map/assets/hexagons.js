/* Hexagons of equal size over the city, pointing up, in packed coordinates. */
"use strict";

/* A width [steps] so that an average hexagon with homes in it holds about 60 of them. */
linemap.hexagonWidth = function (homes, wanted = 60) {
  const { cell, start } = homes.grid;
  let used = 0;
  for (let c = 1; c < start.length; c++) used += start[c] > start[c - 1] ? 1 : 0;
  const areaPerHome = (used * cell * cell) / Math.max(1, homes.grid.placed);
  return Math.sqrt((wanted * areaPerHome) / (Math.sqrt(3) / 2));
};

/* The hexagon (column, row) that holds a point: the nearer of two candidate middles. */
linemap.hexagonAt = function (x, y, width) {
  const height = width * Math.sqrt(3); // height of a pair of rows
  const nearest = [0, 0.5].map((half) => {
    const column = Math.round(x / width - half);
    const row = Math.round(y / height - half);
    return [column + half, row + half, Math.hypot((column + half) * width - x, (row + half) * height - y)];
  });
  const [column, row] = nearest[0][2] <= nearest[1][2] ? nearest[0] : nearest[1];
  return [column, row];
};

linemap.hexagonRing = function (column, row, width) {
  const middle = [column * width, row * width * Math.sqrt(3)];
  return Array.from({ length: 6 }, (_, k) => {
    const angle = Math.PI / 6 + (k * Math.PI) / 3;
    const reach = width / Math.sqrt(3);
    return [middle[0] + reach * Math.cos(angle), middle[1] + reach * Math.sin(angle)];
  });
};
