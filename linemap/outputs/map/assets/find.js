/* The search box: a home by its parcel id, or by its address where the city gave addresses. */
"use strict";

linemap.FIRST_FEW = 8; // homes offered where several fit

/* An address as it is compared: case, commas, full stops and spaces between words do not count. */
linemap.plainWords = (text) => text.toLowerCase().replace(/[\s,.]+/g, " ").trim();

/* Parcel ids and addresses of all homes, in their order; each is inflated once, when asked for. */
linemap.Names = class {
  constructor(addressed) {
    this.addressed = addressed;
    this.kept = {};
  }

  ids() {
    return this.#lines("ids");
  }

  /* As the city wrote them; empty where a home has none. */
  addresses() {
    return this.addressed ? this.#lines("addresses") : Promise.resolve([]);
  }

  #lines(name) {
    this.kept[name] ??= linemap
      .bytes(name)
      .then((bytes) => new TextDecoder().decode(bytes).split("\n"));
    return this.kept[name];
  }

  async #plain() {
    this.kept.plain ??= (await this.addresses()).map(linemap.plainWords);
    return this.kept.plain;
  }

  /* Homes that fit: that parcel id; else that very address; else addresses that begin so. */
  async fitting(said) {
    const home = (await this.ids()).indexOf(said);
    if (home >= 0) return [home];
    const wanted = linemap.plainWords(said);
    if (!wanted || !this.addressed) return [];
    const plain = await this.#plain();
    const those = (fits) => [...plain.keys()].filter((i) => fits(plain[i]));
    const exact = those((address) => address === wanted);
    if (exact.length) return exact;
    const order = new Intl.Collator("en-US", { numeric: true }).compare;
    return those((address) => address.startsWith(wanted)).sort((a, b) => order(plain[a], plain[b]));
  }

  /* What may be meant while the reader is still typing. */
  async suggestions(said) {
    const out = new Set();
    const wanted = linemap.plainWords(said);
    const offer = (names, starts) => {
      for (let i = 0; i < names.length && out.size < linemap.FIRST_FEW; i++)
        if (starts(i)) out.add(names[i]);
    };
    const ids = await this.ids();
    if (said) offer(ids, (i) => ids[i].startsWith(said));
    if (!wanted || !this.addressed) return [...out];
    const [addresses, plain] = [await this.addresses(), await this.#plain()];
    offer(addresses, (i) => plain[i].startsWith(wanted));
    return [...out];
  }
};

/* show(i): go to that home, give a remark or nothing; shut(): no home is shown any more.
   lost: what else to say where no home fits. Returns the search for words from elsewhere. */
linemap.setUpSearch = function ({ names, show, shut, lost }) {
  const { byId, el, whole } = linemap;
  const box = byId("find-id");
  const answer = byId("find-answer");
  const tell = (...words) => (answer.textContent = words.filter(Boolean).join(" "));
  let turn = 0;
  byId("find").addEventListener("submit", (event) => {
    event.preventDefault();
    look(box.value.trim());
  });
  box.addEventListener("input", async () => {
    const said = box.value.trim();
    const offered = await names.suggestions(said);
    if (said !== box.value.trim()) return; // the reader has typed on meanwhile
    byId("find-ids").replaceChildren(...offered.map((value) => el("option", { value })));
  });
  return look;

  async function look(said) {
    const asked = ++turn;
    tell();
    byId("find-choices").replaceChildren();
    if (!said) return;
    const [found, ids, addresses] = await Promise.all([
      names.fitting(said),
      names.ids(),
      names.addresses(),
    ]);
    if (asked !== turn) return;
    if (found.length === 1) {
      const [i] = found;
      tell(said === ids[i] ? "" : `${addresses[i]} is parcel ${ids[i]}.`, show(i));
      return;
    }
    const held = document.activeElement;
    shut(); // a card left open could be taken for the answer
    held?.focus();
    if (!found.length) {
      tell(`No home has the parcel id ${names.addressed ? "or address " : ""}${said}.`, lost);
      return;
    }
    const first = found.slice(0, linemap.FIRST_FEW);
    const many = `${whole(found.length)} homes fit ${said}.`;
    tell(many, first.length < found.length ? `The first ${first.length}:` : "Choose one:");
    const choice = (i) =>
      el(
        "button",
        { type: "button", onclick: () => tell(many, show(i)) },
        `${addresses[i]} (${ids[i]})`
      );
    byId("find-choices").replaceChildren(...first.map((i) => el("li", {}, choice(i))));
  }
};
