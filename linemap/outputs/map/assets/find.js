/* The search box: suggestions while typing, and the choice on Enter. */
"use strict";

/* allIds(): promise of every parcel id; find(id): show that home. */
linemap.setUpSearch = function (allIds, find) {
  const box = linemap.byId("find-id");
  linemap.byId("find").addEventListener("submit", (event) => {
    event.preventDefault();
    find(box.value.trim());
  });
  box.addEventListener("input", async () => {
    const start = box.value.trim();
    const ids = start ? (await allIds()).filter((id) => id.startsWith(start)).slice(0, 8) : [];
    linemap
      .byId("find-ids")
      .replaceChildren(...ids.map((id) => linemap.el("option", { value: id })));
  });
};
