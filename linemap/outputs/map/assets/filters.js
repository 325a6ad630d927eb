/* Which homes the reader wants to see. Staff only. */
"use strict";

/* Choices of class: the classes that pass, by their place in linemap.CLASSES. */
linemap.CLASS_CHOICES = {
  lead: [0],
  galvanized: [1],
  replace: [0, 1],
  "non-lead": [2],
  unknown: [linemap.UNKNOWN],
};

linemap.Filters = class {
  constructor(homes, areas) {
    this.homes = homes;
    this.areas = areas;
  }

  read(state) {
    this.percent = Number(state.get("least"));
    this.least = this.percent * 100; // chances are in 1/10000
    this.area = this.areas.findIndex((area) => area.id === state.get("area"));
    this.classes = linemap.CLASS_CHOICES[state.get("class")] ?? null;
    this.listed = state.get("listed") === "yes";
    this.thins = this.least > 0 || this.classes !== null || this.listed;
    this.any = this.thins || this.area >= 0;
  }

  passes(i) {
    const flags = this.homes.flags[i];
    return (
      this.homes.chance[i] >= this.least &&
      (this.area < 0 || this.homes.area[i] === this.area) &&
      (this.classes === null || this.classes.includes(flags & 3)) &&
      (!this.listed || Boolean(flags & linemap.LISTED))
    );
  }

  /* The filters in words, for paper. */
  words() {
    if (!this.any) return "All homes are shown.";
    const parts = [
      this.least ? `a probability of at least ${this.percent}%` : null,
      this.area >= 0 ? `a place in ${this.areas[this.area].name}` : null,
      this.classes ? `the class ${this.classes.map((k) => linemap.CLASSES[k]).join(" or ")}` : null,
      this.listed ? "a place on the next list of kits" : null,
    ];
    return `Only homes with ${parts.filter(Boolean).join(" and ")} are shown.`;
  }
};
