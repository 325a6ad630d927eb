/* What the reader has chosen, kept in the page address so that a view can be shared. */
"use strict";

linemap.State = class {
  /* defaults: name -> default text; a choice equal to its default is left out of the address. */
  constructor(map, defaults) {
    this.map = map;
    this.defaults = defaults;
    this.chosen = { ...defaults };
    this.listeners = [];
    this.read();
    this.write();
    map.on("moveend", () => this.write());
    window.addEventListener("hashchange", () => {
      if (location.hash === this.written) return;
      this.read();
      this.tell("address");
    });
  }

  get(name) {
    return this.chosen[name];
  }

  set(name, value) {
    if (this.chosen[name] === String(value)) return;
    this.note(name, value);
    this.tell(name);
  }

  /* Keep a choice in the address without telling anybody. */
  note(name, value) {
    this.chosen[name] = String(value);
    this.write();
  }

  /* listener(what): the name of the choice that changed, or "address" for a pasted link. */
  onChange(listener) {
    this.listeners.push(listener);
  }

  tell(what) {
    this.listeners.forEach((listener) => listener(what));
  }

  /* Take place and choices from the address; unknown names are left alone. */
  read() {
    const given = new URLSearchParams(location.hash.slice(1));
    for (const name of Object.keys(this.defaults)) {
      this.chosen[name] = given.get(name) ?? this.defaults[name];
    }
    const [zoom, latitude, longitude] = (given.get("at") ?? "").split("/").map(Number);
    if (Number.isFinite(zoom) && Math.abs(latitude) <= 90 && Math.abs(longitude) <= 180) {
      this.map.setView([latitude, longitude], zoom, { animate: false });
    }
  }

  write() {
    const { lat, lng } = this.map.getCenter();
    const kept = new URLSearchParams();
    kept.set("at", `${this.map.getZoom()}/${lat.toFixed(5)}/${lng.toFixed(5)}`);
    for (const [name, value] of Object.entries(this.chosen)) {
      if (value !== this.defaults[name]) kept.set(name, value);
    }
    this.written = `#${kept.toString().replaceAll("%2F", "/")}`;
    // A map inside a notebook has no address of its own.
    if (location.protocol !== "about:") history.replaceState(null, "", this.written);
  }
};

/* Tie a form control to a choice: both follow each other. */
linemap.tie = function (state, id, event = "change") {
  const control = linemap.byId(id);
  const box = control.type === "checkbox";
  const show = () => {
    if (box) control.checked = state.get(control.name) === "yes";
    else control.value = state.get(control.name);
  };
  control.addEventListener(event, () =>
    state.set(control.name, box ? (control.checked ? "yes" : "no") : control.value)
  );
  state.onChange(show);
  show();
  return control;
};
