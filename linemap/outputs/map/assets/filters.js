/* Which homes the reader wants to see. Staff only. */
"use strict";

linemap.Filters = class {
  constructor(homes, areas) {
    this.homes = homes;
    this.areas = areas;
  }

  read(state) {
    this.percent = Number(state.get("least"));
    this.least = this.percent * 100; // chances are in 1/10000
    this.area = this.areas.findIndex((area) => area.id === state.get("area"));
    this.unknown = state.get("unknown") === "yes";
    this.listed = state.get("listed") === "yes";
    this.thins = this.least > 0 || this.unknown || this.listed;
    this.any = this.thins || this.area >= 0;
  }

  passes(i) {
    const flags = this.homes.flags[i];
    return (
      this.homes.chance[i] >= this.least &&
      (this.area < 0 || this.homes.area[i] === this.area) &&
      (!this.unknown || (flags & 3) === linemap.UNKNOWN) &&
      (!this.listed || Boolean(flags & linemap.LISTED))
    );
  }

  /* The filters in words, for paper. */
  words() {
    if (!this.any) return "All homes are shown.";
    const parts = [
      this.least ? `a probability of at least ${this.percent}%` : null,
      this.area >= 0 ? `a place in ${this.areas[this.area].name}` : null,
      this.unknown ? "an unknown line" : null,
      this.listed ? "a place on the next list of kits" : null,
    ];
    return `Only homes with ${parts.filter(Boolean).join(" and ")} are shown.`;
  }
};
