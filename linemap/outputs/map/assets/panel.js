/* Parts that both editions share: the card's frame, the fold on narrow screens, printing. */
"use strict";

/* Open the card; the keyboard goes to it, and back to where it was when the card closes. */
linemap.openCard = function (title, under, parts) {
  const card = linemap.byId("card");
  if (card.hidden) linemap.cameFrom = document.activeElement;
  linemap.byId("card-title").textContent = title;
  linemap.byId("card-under").textContent = under || "";
  linemap.byId("card-body").replaceChildren(...parts);
  card.hidden = false;
  linemap.byId("card-body").scrollTop = 0;
  linemap.byId("card-title").focus();
};

/* Move the map if the open card lies over a place. */
linemap.keepClear = function (map, latlng) {
  const card = linemap.byId("card").getBoundingClientRect();
  const frame = map.getContainer().getBoundingClientRect();
  const beside = card.width < frame.width * 0.9;
  const right = beside ? frame.right - card.left : 0;
  const below = beside ? 0 : Math.max(0, frame.bottom - card.top);
  map.panInside(latlng, {
    paddingTopLeft: [40, 40],
    paddingBottomRight: [right + 40, below + 40],
    animate: false,
  });
};

linemap.closeCard = function () {
  const card = linemap.byId("card");
  if (card.hidden) return;
  card.hidden = true;
  card.dispatchEvent(new Event("closed"));
  const back = linemap.cameFrom?.isConnected ? linemap.cameFrom : linemap.mapFrame;
  back.focus({ preventScroll: true }); // a list may have been written anew meanwhile
};

/* Marks for whoever drives or times the page: all that is in view has been painted. */
linemap.tellPainted = function () {
  document.documentElement.dataset.painted = "yes";
  performance.mark("painted");
};

linemap.PAPER_PX = 690; // usable width of A4 and Letter paper, in CSS pixels

linemap.setUpPage = function (map) {
  linemap.mapFrame = map.getContainer();
  linemap.byId("card-close").addEventListener("click", linemap.closeCard);
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") linemap.closeCard();
  });
  const fold = linemap.byId("fold");
  fold.addEventListener("click", () => {
    const open = fold.getAttribute("aria-expanded") !== "true";
    fold.setAttribute("aria-expanded", open);
    linemap.byId("controls").classList.toggle("open", open);
    map.invalidateSize({ animate: false });
  });
  linemap.byId("print").addEventListener("click", () => window.print());
  // On paper the map keeps its pixels, so that it shows what the screen showed, only smaller.
  const measure = () => {
    const { x, y } = map.getSize();
    const style = map.getContainer().parentElement.style;
    style.setProperty("--wide", `${x}px`);
    style.setProperty("--high", `${y}px`);
    style.setProperty("--shrink", Math.min(1, linemap.PAPER_PX / x));
  };
  map.on("resize", () => window.matchMedia("print").matches || measure());
  measure();
  map.getContainer().setAttribute("role", "application");
  map.getContainer().setAttribute("aria-label", "Map. Arrow keys move it, plus and minus zoom.");
};

/* The list that the keyboard can walk; items: [words, what a press does]. */
linemap.listButtons = function (title, items, note = "") {
  const { byId, el } = linemap;
  byId("list-title").textContent = title;
  byId("list-note").textContent = note;
  byId("list").replaceChildren(
    ...items.map(([words, press]) =>
      el("li", {}, el("button", { type: "button", onclick: press }, words))
    )
  );
};

/* The card of an area or hexagon. */
linemap.zoneParts = function (zone, extra = []) {
  const { el, figure, interval } = linemap;
  const row = (name, value) => el("tr", {}, el("th", { scope: "row" }, name), el("td", {}, value));
  const ends = interval(zone, "expected");
  const expected = figure(zone.expected, "expected") + (ends && ` (90% interval ${ends})`);
  return [
    el(
      "table",
      { class: "figures" },
      el(
        "tbody",
        {},
        row("Homes", zone.homes === null ? "not shown" : linemap.whole(zone.homes)),
        row("Expected lead lines", expected),
        row("Lines of unknown material", figure(zone.unknown, "unknown")),
        row("Homes with a usable kit", figure(zone.tested, "tested"))
      )
    ),
    ...extra,
  ];
};
