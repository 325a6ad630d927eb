/* A page of area figures alone: the public edition, and the overview of a very large city. */
"use strict";

linemap.startFigures = async function (map, page) {
  const { byId, el, whole } = linemap;
  linemap.setUpPage(map);
  const areas = await linemap.json("areas");
  if (!areas.length) return nothing();
  map.fitBounds(L.latLngBounds(areas.flatMap((area) => area.rings.flat(2))), { animate: false });
  const state = new linemap.State(map, { measure: ["expected", linemap.MEASURE_NAMES] });
  const zones = new linemap.ZoneLayer(map, page, openZone);
  linemap.tie(state, "measure");
  state.onChange(draw);
  draw();
  ready();

  function ready() {
    document.documentElement.dataset.ready = "yes";
    linemap.tellPainted();
  }

  /* A city without areas: nothing to draw, to choose or to explain. */
  function nothing() {
    for (const id of ["measure", "print"]) byId(id).disabled = true;
    for (const id of ["legend-title", "list-title"]) byId(id).hidden = true;
    byId("count").textContent = "No areas drawn.";
    ready();
  }

  function draw() {
    const measure = state.get("measure");
    zones.show(areas, measure);
    byId("legend-title").textContent = linemap.MEASURES[measure].title;
    byId("legend-note").textContent = linemap.MEASURES[measure].note;
    byId("legend").replaceChildren(...zones.legend());
    byId("count").textContent = `${whole(areas.length)} areas drawn.`;
    const ranked = [...areas].sort(
      (a, b) => (b[measure] ?? -1) - (a[measure] ?? -1) || a.name.localeCompare(b.name)
    );
    linemap.listButtons(
      "Areas, greatest figure first",
      ranked.map((area) => [
        `${area.name}: ${linemap.figureWithInterval(area, measure)}`,
        () => openZone(area),
      ])
    );
  }

  function openZone(zone) {
    const link = zone.sheet
      ? [el("p", {}, el("a", { href: zone.sheet }, "Open the sheet of this area"))]
      : [];
    const note = page.note ? [el("p", {}, page.note)] : [];
    linemap.openCard(zone.name, "", linemap.zoneParts(zone, [...link, ...note]));
  }
};
