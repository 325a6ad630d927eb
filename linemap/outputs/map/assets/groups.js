/* Figures by area and by hexagon of the homes that pass the filters. Staff only. */
"use strict";

/* A group of counted homes; intervals are known of whole areas only. */
linemap.newGroup = (base) => ({
  ...base,
  low: null,
  high: null,
  homes: 0,
  expected: 0,
  unknown: 0,
  testedHomes: 0,
  tested: 0,
});

linemap.addToGroup = function (group, homes, i) {
  group.homes += 1;
  group.expected += (homes.chance[i] + 0.5) / 10000; // chances were rounded down, by half on average
  group.unknown += (homes.flags[i] & 3) === linemap.UNKNOWN ? 1 : 0;
  group.testedHomes += homes.flags[i] & linemap.TESTED ? 1 : 0;
  group.tested = group.testedHomes / group.homes;
};

/* An area that no filter thins out has the figures of the report; the others are counted. */
linemap.countAreas = function (homes, areas, filters) {
  if (!filters.thins && areas.every((area) => area.whole))
    return areas.map((area, k) =>
      filters.area < 0 || filters.area === k ? { ...area, ...area.whole } : linemap.newGroup(area)
    );
  const groups = areas.map(linemap.newGroup);
  for (let i = 0; i < homes.count; i++) {
    const group = groups[homes.area[i]];
    if (group && filters.passes(i)) linemap.addToGroup(group, homes, i);
  }
  return groups;
};

linemap.countHexagons = function (homes, filters) {
  const width = linemap.hexagonWidth(homes);
  const groups = new Map();
  for (let i = 0; i < homes.count; i++) {
    if (!homes.placed(i) || !filters.passes(i)) continue;
    const [column, row] = linemap.hexagonAt(...homes.centre(i), width);
    const key = column * 1e6 + row;
    if (!groups.has(key)) {
      const ring = linemap.hexagonRing(column, row, width).map(([x, y]) => homes.toLatLng(x, y));
      groups.set(key, linemap.newGroup({ name: "", rings: [[ring]] }));
    }
    linemap.addToGroup(groups.get(key), homes, i);
  }
  return [...groups.values()];
};

/* A width [steps] so that an average hexagon with homes in it holds about 60 of them. */
linemap.hexagonWidth = function (homes, wanted = 60) {
  const { cell, start } = homes.grid;
  let used = 0;
  for (let c = 1; c < start.length; c++) used += start[c] > start[c - 1] ? 1 : 0;
  const areaPerHome = (used * cell * cell) / Math.max(1, homes.grid.placed);
  return Math.sqrt((wanted * areaPerHome) / (Math.sqrt(3) / 2));
};

/* The hexagon (column, row), pointing up, that holds a point: the nearer of two middles. */
linemap.hexagonAt = function (x, y, width) {
  const height = width * Math.sqrt(3); // height of a pair of rows
  const [even, odd] = [0, 0.5].map((half) => {
    const column = Math.round(x / width - half) + half;
    const row = Math.round(y / height - half) + half;
    return [column, row, Math.hypot(column * width - x, row * height - y)];
  });
  return (even[2] <= odd[2] ? even : odd).slice(0, 2);
};

linemap.hexagonRing = function (column, row, width) {
  const reach = width / Math.sqrt(3);
  return Array.from({ length: 6 }, (_, k) => {
    const angle = Math.PI / 6 + (k * Math.PI) / 3;
    return [
      column * width + reach * Math.cos(angle),
      row * width * Math.sqrt(3) + reach * Math.sin(angle),
    ];
  });
};
