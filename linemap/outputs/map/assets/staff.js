/* The staff page: homes, areas and hexagons under one set of filters. */
"use strict";

linemap.HOMES_PX = 12; // typical homes at least this large are drawn one by one
linemap.LISTED_IN_VIEW = 25;

linemap.startStaff = async function (map, page) {
  const { byId, el, percent, whole } = linemap;
  linemap.setUpPage(map);
  const [areas, homes] = await Promise.all([linemap.json("areas"), linemap.loadHomes(page.packing)]);
  map.fitBounds(cityBounds(), { animate: false });
  const state = new linemap.State(map, {
    draw: ["areas", /^(areas|hexagons|homes)$/],
    measure: ["expected", linemap.MEASURE_NAMES],
    least: ["0", /^\d{1,2}$/],
    area: ["", /^/],
    unknown: ["no", /^(yes|no)$/],
    listed: ["no", /^(yes|no)$/],
    home: ["", /^/],
  });
  let gates = readGates();
  let idList = null;
  let picked = null;
  let shown = "";
  let waiting = 0;
  const zones = new linemap.ZoneLayer(map, page.groupColours, openZone);
  const layer = new linemap.HomeLayer(homes, page.colours, passes);
  layer.on("painted", linemap.tellPainted);

  areas.forEach((area, k) => byId("pick-area").append(el("option", { value: area.id, "data-place": k }, area.name)));
  ["draw", "measure", "pick-area", "only-unknown", "only-listed"].forEach((id) => linemap.tie(state, id));
  linemap.tie(state, "least", "input");
  byId("find").addEventListener("submit", (event) => (event.preventDefault(), find(byId("find-id").value.trim())));
  byId("find-id").addEventListener("input", suggest);
  byId("card").addEventListener("closed", () => (picked?.remove(), state.note("home", "")));
  state.onChange(refresh);
  map.on("zoomend", () => drawMap());
  map.on("moveend", () => (clearTimeout(waiting), (waiting = setTimeout(tellView, 120))));
  map.on("click", (event) => open(homeAt(event.latlng, 6)));
  map.on("mousemove", (event) => {
    map.getContainer().style.cursor = homesDrawn() && homeAt(event.latlng, 2) >= 0 ? "pointer" : "";
  });
  refresh("address");
  document.documentElement.dataset.ready = "yes";

  function refresh(what) {
    gates = readGates();
    if (what === "area" && gates.area >= 0) map.fitBounds(L.latLngBounds(areas[gates.area].rings.flat(2)));
    if (what === "address" && state.get("home")) find(state.get("home"));
    const share = Number(state.get("least")) / 100;
    byId("least-words").textContent = share ? `a probability of at least ${state.get("least")} %` : "any probability";
    shown = "";
    drawMap();
    layer.repaint();
    tellView();
  }

  function readGates() {
    const place = areas.findIndex((area) => area.id === state.get("area"));
    return {
      least: Number(state.get("least")) * 100,
      area: place,
      unknown: state.get("unknown") === "yes",
      listed: state.get("listed") === "yes",
    };
  }

  function passes(i) {
    const flags = homes.flags[i];
    return (
      homes.chance[i] >= gates.least &&
      (gates.area < 0 || homes.area[i] === gates.area) &&
      (!gates.unknown || (flags & 3) === linemap.UNKNOWN) &&
      (!gates.listed || Boolean(flags & linemap.LISTED))
    );
  }

  function homesDrawn() {
    return state.get("draw") === "homes" || layer.typicalPx(map.getZoom()) >= linemap.HOMES_PX;
  }

  /* Put the right layers on the map; the figures of zones are worked out only when needed. */
  function drawMap() {
    const kind = homesDrawn() ? "homes" : state.get("draw");
    const measure = kind === "homes" ? null : state.get("measure");
    const key = `${kind} ${measure}`;
    if (key !== shown) {
      shown = key;
      zones.show(kind === "hexagons" ? countHexagons() : kind === "areas" ? countAreas() : areas, measure);
    }
    if (kind === "homes") layer.addTo(map);
    else layer.remove();
    byId("measure-row").hidden = kind === "homes";
    drawLegend(kind);
    if (kind !== "homes") linemap.tellPainted();
  }

  function drawLegend(kind) {
    byId("legend-title").textContent =
      kind === "homes" ? "Estimated probability of a lead line" : linemap.MEASURES[state.get("measure")].title + (filtered() ? ", homes that pass the filters" : "");
    byId("legend").replaceChildren(...(kind === "homes" ? linemap.homeLegend(page) : zones.legend()));
    byId("legend-note").textContent =
      kind !== "homes" ? "Sums over homes, each counted with its probability. Zoom in to see single homes."
      : layer.typicalPx(map.getZoom()) < linemap.DOT_PX ? "Homes are smaller than a dot here; where dots overlap, the highest probability lies on top. Zoom in for outlines, hatching and list marks."
      : layer.typicalPx(map.getZoom()) < linemap.MARK_PX ? "Zoom in for outlines, hatching and list marks." : "";
  }

  function filtered() {
    return gates.least > 0 || gates.area >= 0 || gates.unknown || gates.listed;
  }

  function newZone(base) {
    return { ...base, homes: 0, expected: 0, unknown: 0, testedHomes: 0, tested: 0 };
  }

  function addHome(zone, i) {
    zone.homes += 1;
    zone.expected += homes.chance[i] / 10000;
    zone.unknown += (homes.flags[i] & 3) === linemap.UNKNOWN ? 1 : 0;
    zone.testedHomes += homes.flags[i] & linemap.TESTED ? 1 : 0;
    zone.tested = zone.testedHomes / zone.homes;
  }

  function countAreas() {
    const counted = areas.map(newZone);
    for (let i = 0; i < homes.count; i++) if (passes(i) && homes.area[i] < counted.length) addHome(counted[homes.area[i]], i);
    return counted;
  }

  function countHexagons() {
    const width = linemap.hexagonWidth(homes);
    const found = new Map();
    for (let i = 0; i < homes.count; i++) {
      if (!passes(i) || homes.ringStart[i] === homes.ringStart[i + 1]) continue;
      const [column, row] = linemap.hexagonAt(...homes.centre(i), width);
      const key = column * 1e6 + row;
      if (!found.has(key)) {
        const ring = linemap.hexagonRing(column, row, width).map(([x, y]) => toLatLng(x, y));
        found.set(key, newZone({ name: "", rings: [[ring]] }));
      }
      addHome(found.get(key), i);
    }
    return [...found.values()];
  }

  /* How many homes are drawn, and the list that the keyboard can walk. */
  async function tellView() {
    const inView = [];
    let held = 0;
    const view = map.getBounds();
    const [w, n] = toSteps(view.getNorthWest());
    const [e, s] = toSteps(view.getSouthEast());
    const near = homesDrawn() ? homes.grid.inBox(w, n, e, s) : [];
    for (const i of near) passes(i) ? inView.push(i) : held++;
    const lost = homes.count - homes.grid.placed;
    const noPlace = lost ? ` ${whole(lost)} homes have no place on the map.` : "";
    if (homesDrawn()) {
      const grey = held ? ` ${whole(held)} more are held back by the filters (light grey).` : "";
      byId("count").textContent = `${whole(inView.length)} of ${whole(homes.count)} homes drawn in this view.${grey}${noPlace}`;
      document.documentElement.dataset.drawn = inView.length + held;
      listHomes(inView);
    } else {
      const total = zones.zones.reduce((sum, zone) => sum + zone.homes, 0);
      const kind = state.get("draw");
      byId("count").textContent = `${whole(zones.zones.length)} ${kind} stand for ${whole(total)} of ${whole(homes.count)} homes${filtered() ? " (the others are held back by the filters or lie in no area)" : ""}.${noPlace}`;
      document.documentElement.dataset.drawn = 0;
      listZones();
    }
  }

  async function listHomes(inView) {
    const first = highest(inView);
    const ids = await allIds();
    byId("list-title").textContent = "Homes in view, highest probability first";
    byId("list").replaceChildren(
      ...first.map((i) =>
        el("li", {}, el("button", { type: "button", onclick: () => open(i) }, `${ids[i]}: ${percent(homes.chance[i] / 10000)}`))
      )
    );
    const rest = inView.length - first.length;
    byId("list-note").textContent = rest > 0 ? `and ${whole(rest)} more; zoom in or filter to see them here.` : "";
  }

  /* The few likeliest of many homes, in one pass. */
  function highest(inView) {
    const first = [];
    for (const i of inView) {
      if (first.length === linemap.LISTED_IN_VIEW && homes.chance[i] <= homes.chance[first.at(-1)]) continue;
      const place = first.findIndex((other) => homes.chance[other] < homes.chance[i]);
      first.splice(place < 0 ? first.length : place, 0, i);
      first.length = Math.min(first.length, linemap.LISTED_IN_VIEW);
    }
    return first;
  }

  function listZones() {
    const measure = state.get("measure");
    const ranked = zones.zones.filter((zone) => zone.homes).sort((a, b) => b[measure] - a[measure]);
    byId("list-title").textContent = `${state.get("draw") === "areas" ? "Areas" : "Hexagons"}, greatest figure first`;
    byId("list").replaceChildren(
      ...ranked.slice(0, linemap.LISTED_IN_VIEW).map((zone) =>
        el("li", {}, el("button", { type: "button", onclick: () => openZone(zone) }, `${zone.name || "Hexagon"}: ${linemap.figure(zone[measure], measure)}`))
      )
    );
    const rest = ranked.length - linemap.LISTED_IN_VIEW;
    byId("list-note").textContent = rest > 0 ? `and ${whole(rest)} more.` : "";
  }

  function openZone(zone) {
    const words = (text) => el("p", {}, text);
    const extra = [];
    if (zone.rank) extra.push(words(`Rank ${zone.rank} of the areas; ${whole(zone.kits_suggested)} kits of the next list go here. ${zone.why}`));
    if (filtered()) extra.push(words("The figures count only homes that pass the filters; the interval is of all homes."));
    const goThere = () => (linemap.closeCard(), map.setView(L.latLngBounds(zone.rings.flat(2)).getCenter(), homesZoom()));
    extra.push(el("button", { type: "button", class: "action", onclick: goThere }, "Zoom in to its homes"));
    linemap.openCard(zone.name || "Hexagon", "", linemap.zoneParts(zone, extra));
  }

  function homesZoom() {
    let zoom = map.getZoom();
    while (layer.typicalPx(zoom) < linemap.HOMES_PX && zoom < 20) zoom++;
    return zoom;
  }

  async function open(i) {
    if (i < 0) return;
    const [ids, card] = await Promise.all([allIds(), linemap.cardOf(i)]);
    picked?.remove();
    picked = L.polygon(rings(i), { color: "#111111", weight: 4, dashArray: "6 4", fill: false, interactive: false }).addTo(map);
    state.note("home", ids[i]);
    const areaName = areas[homes.area[i]]?.name || "in no area";
    linemap.drawCard({ id: ids[i], areaName, chance: homes.chance[i] / 10000, flags: homes.flags[i], card, cautions: page.cautions });
  }

  async function find(id) {
    if (!id) return;
    const ids = await allIds();
    const i = ids.indexOf(id);
    byId("find-answer").textContent = i < 0 ? `No home has the parcel id ${id}.` : passes(i) ? "" : "The filters hold this home back; it is shown all the same.";
    if (i < 0) return;
    if (homes.ringStart[i] < homes.ringStart[i + 1]) map.setView(toLatLng(...homes.centre(i)), Math.max(homesZoom(), map.getZoom()), { animate: false });
    open(i);
  }

  async function suggest() {
    const start = byId("find-id").value.trim();
    const ids = start ? (await allIds()).filter((id) => id.startsWith(start)).slice(0, 8) : [];
    byId("find-ids").replaceChildren(...ids.map((id) => el("option", { value: id })));
  }

  function allIds() {
    idList = idList || linemap.bytes("ids").then((bytes) => new TextDecoder().decode(bytes).split("\n"));
    return idList;
  }

  function homeAt(latlng, reachPx) {
    if (!homesDrawn()) return -1;
    const [x, y] = toSteps(latlng);
    return homes.grid.at(x, y, reachPx / layer.frame(map.getZoom()).step);
  }

  function toSteps(latlng) {
    const { x, y } = L.CRS.EPSG3857.project(latlng);
    const { origin, unit } = page.packing;
    return [(x - origin[0]) / unit, (origin[1] - y) / unit];
  }

  function toLatLng(x, y) {
    const { origin, unit } = page.packing;
    const { lat, lng } = L.CRS.EPSG3857.unproject(L.point(origin[0] + x * unit, origin[1] - y * unit));
    return [lat, lng];
  }

  function rings(i) {
    const out = [];
    for (let ring = homes.ringStart[i]; ring < homes.ringStart[i + 1]; ring++) {
      const corners = [];
      for (let k = homes.vertexStart[ring]; k < homes.vertexStart[ring + 1]; k++) corners.push(toLatLng(homes.x[k], homes.y[k]));
      out.push(corners);
    }
    return out;
  }

  function cityBounds() {
    const bounds = L.latLngBounds(areas.flatMap((area) => area.rings.flat(2)));
    if (homes.grid.placed && !areas.length) bounds.extend(toLatLng(0, 0)).extend(toLatLng(homes.grid.east, homes.grid.south));
    return bounds;
  }
};

linemap.homeLegend = function ({ colours, bands }) {
  const { el, swatch, legendRow } = linemap;
  const mid = colours[Math.floor(colours.length * 0.6)];
  const rows = bands.map(([low, high, words]) => {
    const part = colours.slice((low / 100) * colours.length, (high / 100) * colours.length);
    const width = 27 / part.length;
    const strips = part.map((fill, k) => el("rect", { x: 1.5 + k * width, y: 2, width, height: 14, fill }));
    return legendRow(swatch("none", "", strips), `${low} to ${high} %: ${words}`);
  });
  const lines = [0, 8, 16, 24].map((x) => el("line", { x1: x, y1: 16, x2: x + 14, y2: 2, stroke: mid, "stroke-width": 3 }));
  const frame = el("rect", { x: 2.5, y: 2.5, width: 25, height: 13, fill: mid, stroke: "#111111", "stroke-width": 2.5 });
  const dot = el("circle", { cx: 15, cy: 9, r: 3.5, fill: "#ffffff", stroke: "#111111", "stroke-width": 1.8 });
  rows.push(
    legendRow(swatch("none", "", [frame]), "heavy outline: class is known from a record or a check"),
    legendRow(swatch(mid), "thin outline: predicted, line unknown"),
    legendRow(swatch("#ffffff", "", lines), "hatched: beyond the data, a guess"),
    legendRow(swatch("#ffffff", "", [dot]), "ringed dot: on the next list of kits"),
    legendRow(swatch(linemap.FAINT), "light grey: held back by the filters")
  );
  return rows;
};
