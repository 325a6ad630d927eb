/* The staff page: homes, areas and hexagons under one set of filters. */
"use strict";

linemap.HOMES_PX = 12; // typical homes at least this large are drawn one by one
linemap.LISTED_IN_VIEW = 25;

linemap.startStaff = async function (map, page) {
  const { byId, el, percent, whole } = linemap;
  linemap.setUpPage(map);
  const [areas, homes] = await Promise.all([
    linemap.json("areas"),
    linemap.loadHomes(page.packing),
  ]);
  map.fitBounds(cityBounds(), { animate: false });
  const state = new linemap.State(map, {
    draw: [areas.length ? "areas" : "hexagons", /^(areas|hexagons|homes)$/],
    measure: ["expected", linemap.MEASURE_NAMES],
    least: ["0", /^\d{1,2}$/],
    area: ["", /^/],
    class: [
      "",
      new RegExp(`^(|${Object.keys(linemap.CLASS_CHOICES).join("|")})$`),
      (link) => (link.get("unknown") === "yes" ? "unknown" : null),
    ],
    listed: ["no", /^(yes|no)$/],
    home: ["", /^/],
  });
  const filters = new linemap.Filters(homes, areas);
  let picked = null;
  let shown = "";
  let waiting = 0;
  let opening = 0;
  let listing = 0;
  const names = new linemap.Names(page.addressed);
  const zones = new linemap.ZoneLayer(map, page, openZone);
  const layer = new linemap.HomeLayer(homes, page.colours, filters);
  layer.on("painted", linemap.tellPainted);

  areas.forEach((area, k) =>
    byId("pick-area").append(el("option", { value: area.id, "data-place": k }, area.name))
  );
  ["draw", "measure", "pick-area", "pick-class", "only-listed"].forEach((id) =>
    linemap.tie(state, id)
  );
  linemap.tie(state, "least", "input");
  const look = linemap.setUpSearch({
    names,
    show: showHome,
    shut: showNoHome,
    lost: page.sheet ? "This page holds the homes of one area; the overview links to the others." : "",
  });
  byId("card").addEventListener("closed", () => {
    picked?.remove();
    state.note("home", "");
  });
  state.onChange(refresh);
  map.on("zoomend", () => drawMap());
  map.on("moveend", () => {
    clearTimeout(waiting);
    waiting = setTimeout(tellView, 120);
  });
  map.on("click", (event) => open(homeAt(event.latlng, 6)));
  map.on("mousemove", (event) => {
    map.getContainer().style.cursor = homesDrawn() && homeAt(event.latlng, 2) >= 0 ? "pointer" : "";
  });
  refresh("link");
  document.documentElement.dataset.ready = "yes";

  function refresh(what) {
    filters.read(state);
    if (what === "area" && filters.area >= 0)
      map.fitBounds(L.latLngBounds(areas[filters.area].rings.flat(2)));
    if (what === "link" && state.get("home")) look(state.get("home"));
    byId("least-words").textContent = filters.least
      ? `a probability of at least ${filters.percent}%`
      : "any probability";
    byId("filter-words").textContent = filters.words();
    shown = "";
    drawMap();
    layer.repaint();
    tellView();
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
      zones.show(zonesOf(kind), measure);
    }
    if (kind === "homes") layer.addTo(map);
    else layer.remove();
    byId("measure-row").hidden = kind === "homes";
    drawLegend(kind);
    if (kind !== "homes") linemap.tellPainted();
  }

  function zonesOf(kind) {
    if (kind === "hexagons") return linemap.countHexagons(homes, filters);
    return kind === "areas" ? linemap.countAreas(homes, areas, filters) : areas;
  }

  function drawLegend(kind) {
    const single = kind === "homes";
    const measure = linemap.MEASURES[state.get("measure")];
    const some = filters.any ? ", homes that pass the filters" : "";
    byId("legend-title").textContent = single
      ? "Estimated probability of a lead line"
      : measure.title + some;
    byId("legend").replaceChildren(...(single ? linemap.homeLegend(page) : zones.legend()));
    byId("legend-note").textContent = single
      ? linemap.homeLegendNote(layer.typicalPx(map.getZoom()))
      : `${measure.note} Zoom in to see single homes.`;
  }

  /* How many homes are drawn, and the list that the keyboard can walk. */
  async function tellView() {
    const inView = [];
    let held = 0;
    const view = map.getBounds();
    const [w, n] = homes.toSteps(view.getNorthWest());
    const [e, s] = homes.toSteps(view.getSouthEast());
    const near = homesDrawn() ? homes.grid.inBox(w, n, e, s) : [];
    for (const i of near) filters.passes(i) ? inView.push(i) : held++;
    const lost = homes.count - homes.grid.placed;
    const noPlace = lost
      ? ` ${whole(lost)} ${lost === 1 ? "home has" : "homes have"} no place on the map.`
      : "";
    if (homesDrawn()) {
      const grey = held ? ` ${whole(held)} more are held back by the filters (light grey).` : "";
      byId("count").textContent =
        `${whole(inView.length)} of ${whole(homes.count)} homes drawn in this view.${grey}${noPlace}`;
      document.documentElement.dataset.drawn = inView.length + held;
      listHomes(inView);
    } else {
      const total = zones.zones.reduce((sum, zone) => sum + zone.homes, 0);
      const kind = state.get("draw");
      byId("count").textContent =
        `${whole(zones.zones.length)} ${kind} stand for ${whole(total)} of ${whole(homes.count)} homes${filters.any ? " (the others are held back by the filters or lie in no area)" : ""}.${noPlace}`;
      document.documentElement.dataset.drawn = 0;
      listZones();
    }
  }

  async function listHomes(inView) {
    const turn = ++listing;
    const first = highest(inView);
    const ids = await names.ids();
    if (turn !== listing) return; // the view has moved on meanwhile
    const rest = inView.length - first.length;
    linemap.listButtons(
      "Homes in view, highest probability first",
      first.map((i) => [`${ids[i]}: ${percent(homes.chance[i] / 10000)}`, () => open(i)]),
      rest > 0 ? `and ${whole(rest)} more; zoom in or filter to see them here.` : ""
    );
  }

  /* The few likeliest of many homes, in one pass. */
  function highest(inView) {
    const first = [];
    for (const i of inView) {
      if (first.length === linemap.LISTED_IN_VIEW && homes.chance[i] <= homes.chance[first.at(-1)])
        continue;
      const place = first.findIndex((other) => homes.chance[other] < homes.chance[i]);
      first.splice(place < 0 ? first.length : place, 0, i);
      first.length = Math.min(first.length, linemap.LISTED_IN_VIEW);
    }
    return first;
  }

  function listZones() {
    listing++;
    const measure = state.get("measure");
    const ranked = zones.zones.filter((zone) => zone.homes).sort((a, b) => b[measure] - a[measure]);
    const first = ranked.slice(0, linemap.LISTED_IN_VIEW);
    const rest = ranked.length - first.length;
    linemap.listButtons(
      `${state.get("draw") === "areas" ? "Areas" : "Hexagons"}, greatest figure first`,
      first.map((zone) => [
        `${zone.name || "Hexagon"}: ${linemap.figureWithInterval(zone, measure)}`,
        () => openZone(zone),
      ]),
      rest > 0 ? `and ${whole(rest)} more.` : ""
    );
  }

  function openZone(zone) {
    const lines = [
      filters.any
        ? `These figures count only homes that pass the filters${zone.rank ? "; rank and reasons are of all homes" : ""}.`
        : null,
      zone.rank
        ? `Rank ${zone.rank} of the areas; ${whole(zone.kits_suggested)} kits of the next list go here. ${linemap.sentence(zone.why)}`
        : null,
    ];
    const goThere = () => {
      linemap.closeCard();
      map.setView(L.latLngBounds(zone.rings.flat(2)).getCenter(), zoomFor(linemap.HOMES_PX));
      map.getContainer().focus({ preventScroll: true }); // the list it came from is another now
    };
    const button = el(
      "button",
      { type: "button", class: "action", onclick: goThere },
      "Zoom in to its homes"
    );
    const extra = lines.filter(Boolean).map((line) => el("p", {}, line));
    linemap.openCard(zone.name || "Hexagon", "", linemap.zoneParts(zone, [...extra, button]));
  }

  /* The nearest zoom at which a typical home is so many pixels wide. */
  function zoomFor(px) {
    let zoom = map.getZoom();
    while (layer.typicalPx(zoom) < px && zoom < 20) zoom++;
    return zoom;
  }

  async function open(i) {
    if (i < 0) return;
    const turn = ++opening;
    const [ids, addresses, card] = await Promise.all([
      names.ids(),
      names.addresses(),
      linemap.cardOf(i),
    ]);
    if (turn !== opening) return; // another home has been asked for meanwhile
    picked?.remove();
    picked = L.polygon(homes.outline(i), {
      color: "#111111",
      weight: 4,
      dashArray: "6 4",
      fill: false,
      interactive: false,
    }).addTo(map);
    state.note("home", ids[i]);
    const areaName = areas[homes.area[i]]?.name || "in no area";
    linemap.drawCard({
      id: ids[i],
      under: [addresses[i], areaName].filter(Boolean).join(" · "),
      chance: homes.chance[i] / 10000,
      flags: homes.flags[i],
      card,
      highResult: page.highResult,
      cautions: page.cautions,
    });
    if (homes.placed(i)) linemap.keepClear(map, homes.toLatLng(...homes.centre(i)));
  }

  /* Go to a home and open its card; a remark where the filters would not show it. */
  function showHome(i) {
    const zoom = zoomFor(2 * linemap.MARK_PX);
    if (homes.placed(i)) map.setView(homes.toLatLng(...homes.centre(i)), zoom, { animate: false });
    open(i);
    return filters.passes(i) ? "" : "The filters hold this home back; it is shown all the same.";
  }

  function showNoHome() {
    opening++;
    linemap.closeCard();
    state.note("home", "");
  }

  function homeAt(latlng, reachPx) {
    if (!homesDrawn()) return -1;
    const [x, y] = homes.toSteps(latlng);
    return homes.grid.at(x, y, reachPx / layer.frame(map.getZoom()).step);
  }

  function cityBounds() {
    const bounds = L.latLngBounds(areas.flatMap((area) => area.rings.flat(2)));
    if (!areas.length)
      bounds.extend(homes.toLatLng(0, 0)).extend(homes.toLatLng(homes.grid.east, homes.grid.south));
    return bounds;
  }
};
