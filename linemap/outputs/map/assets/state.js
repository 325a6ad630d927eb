/* What the reader has chosen, kept in the link of the page so that a view can be shared. */
"use strict";

linemap.State = class {
  /* choices: name -> [default, pattern of what is allowed]; a default is left out of the link.
     A third entry reads links written before the choice had its name. */
  constructor(map, choices) {
    this.map = map;
    this.choices = choices;
    this.chosen = {};
    this.listeners = [];
    this.read();
    this.write();
    map.on("moveend", () => this.write());
    window.addEventListener("hashchange", () => {
      if (location.hash === this.written) return;
      this.read();
      this.tell("link");
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

  /* Keep a choice in the link without telling anybody. */
  note(name, value) {
    this.chosen[name] = String(value);
    this.write();
  }

  /* listener(what): the name of the choice that changed, or "link" for a pasted link. */
  onChange(listener) {
    this.listeners.push(listener);
  }

  tell(what) {
    this.listeners.forEach((listener) => listener(what));
  }

  /* Take place and choices from the link; what is not allowed there counts as not said. */
  read() {
    const given = new URLSearchParams(location.hash.slice(1));
    for (const [name, [usual, allowed, before]] of Object.entries(this.choices)) {
      const said = given.get(name) ?? before?.(given) ?? usual;
      this.chosen[name] = allowed.test(said) ? said : usual;
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
      if (value !== this.choices[name][0]) kept.set(name, value);
    }
    this.written = `#${kept.toString().replaceAll("%2F", "/")}`;
    // A map inside a notebook has no link of its own.
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
