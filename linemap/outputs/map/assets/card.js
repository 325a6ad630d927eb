/* The card of one home: probability, class, weights that add up, kits, cautions. Staff only. */
"use strict";

linemap.EVIDENCE = [
  "Building: age, size, use",
  "Neighbourhood",
  "City record",
  "Resident's answers",
  "Water of returned kits",
  "Field check",
];
linemap.TELLING = {
  record: "the city record",
  answers: "the resident's answers",
  water: "the returned kits",
  check: "the field check",
};
linemap.ARMS = { ranked: "chosen", floor: "fair share", audit: "random" };
linemap.CARD_BLOCK = 2000;

/* What is known of home i, from its block; each block is inflated once. */
linemap.cardOf = async function (i) {
  linemap.opened = linemap.opened || new Map();
  const block = Math.floor(i / linemap.CARD_BLOCK);
  if (!linemap.opened.has(block)) linemap.opened.set(block, linemap.json(`cards-${block}`));
  const cards = await linemap.opened.get(block);
  const at = i % linemap.CARD_BLOCK;
  const word = (code) => (code < 0 ? null : cards.words[code]);
  return {
    low: cards.low[at] / 1000,
    high: cards.high[at] / 1000,
    weights: cards.weights.map((column) => column[at] / 100),
    basis: word(cards.basis[at]),
    reasons: cards.reasons.map((column) => word(column[at])).filter(Boolean),
    record: cards.record.map((column) => word(column[at])),
    ground: word(cards.ground[at]),
    telling: word(cards.telling[at]),
    without: cards.without[at] / 1000,
    learn: cards.learn.length ? cards.learn[at] / 1000 : null,
    listed: cards.listed[at],
    kits: cards.kits[at] || [],
  };
};

linemap.drawCard = function ({ id, under, chance, flags, card, highResult, cautions }) {
  const { el, percent } = linemap;
  const kind = linemap.CLASSES[flags & 3];
  const section = (title, ...inside) => el("section", {}, el("h3", {}, title), ...inside);
  const list = (items) => el("ul", {}, ...items.map((item) => el("li", {}, item)));
  const known = (flags & 3) !== linemap.UNKNOWN;
  const inInventory = section(
    "Class in the inventory",
    el(
      "p",
      {},
      el("strong", {}, kind),
      `. Basis: ${card.basis || "none given"}. ${card.ground ? linemap.sentence(card.ground) : ""} The probability never sets the class.`
    )
  );
  const parts = [
    known ? inInventory : null,
    el(
      "p",
      { class: "chance" },
      el("strong", {}, percent(chance)),
      " estimated probability that any part of this line is lead. ",
      `90% interval: ${[...new Set([percent(card.low), percent(card.high)])].join(" to ")}.`
    ),
    linemap.intervalBar(chance, card.low, card.high),
  ];
  if (card.kits.some((kit) => kit.above))
    parts.push(el("p", { class: "caution" }, el("strong", {}, "High result. "), highResult));
  if (flags & linemap.BEYOND) {
    parts.push(
      el(
        "p",
        { class: "caution" },
        "Beyond the data: few homes like this one have been looked at, so the estimate leans on guesswork."
      )
    );
  }
  parts.push(
    known ? null : inInventory,
    section(
      "Why",
      card.reasons.length
        ? list(card.reasons.map(linemap.sentence))
        : el("p", {}, "No single piece of evidence stands out.")
    ),
    section("Weights of evidence", linemap.waterfall(card.weights))
  );
  const sides = ["utility side", "customer side", "connector"];
  const record = card.record
    .map((material, k) => (material ? `${sides[k]} ${material}` : null))
    .filter(Boolean);
  if (record.length) parts.push(section("Materials on file", el("p", {}, `${record.join("; ")}.`)));
  parts.push(
    section(
      "Kits that came back",
      card.kits.length ? list(card.kits.map(linemap.kitSentence)) : el("p", {}, "None.")
    )
  );
  if (card.listed) {
    const [rank, arm, why] = card.listed;
    parts.push(
      section(
        "On the next list",
        el("p", {}, `Number ${rank} (${linemap.ARMS[arm] ?? arm}). ${linemap.sentence(why)}`)
      )
    );
  }
  parts.push(
    section("What would change this estimate most", list(linemap.wouldChange(chance, flags, card))),
    section("Read with care", list(cautions))
  );
  linemap.openCard(`Home ${id}`, under, parts.filter(Boolean));
};

/* Words of a table as a sentence. */
linemap.sentence = function (words) {
  const text = words.charAt(0).toUpperCase() + words.slice(1);
  return /[.!?]$/.test(text) ? text : `${text}.`;
};

/* The whole scale from 0 to 100% with interval and estimate. */
linemap.intervalBar = function (chance, low, high) {
  const { el } = linemap;
  const x = (share) => 4 + share * 292;
  return el(
    "svg",
    { class: "interval", viewBox: "0 0 300 30", "aria-hidden": "true" },
    el("line", { x1: x(0), x2: x(1), y1: 10, y2: 10, stroke: "#8a8a8a" }),
    el("rect", {
      x: x(low),
      width: Math.max(2, x(high) - x(low)),
      y: 6,
      height: 8,
      fill: "#5f6f94",
    }),
    el("rect", { x: x(chance) - 2, width: 4, y: 2, height: 16, fill: "#111111" }),
    ...[0, 0.5, 1].map((share) =>
      el(
        "text",
        { x: x(share), y: 28, "text-anchor": ["start", "middle", "end"][share * 2] },
        `${share * 100}%`
      )
    )
  );
};

linemap.chanceOf = (logOdds) => 1 / (1 + Math.exp(-logOdds));
linemap.signed = (weight) => `${weight < 0 ? "−" : "+"}${Math.abs(weight).toFixed(2)}`;

/* A table whose bars follow on from each other: each weight moves the running total. */
linemap.waterfall = function (weights) {
  const { el, percent, chanceOf, signed } = linemap;
  const running = [0];
  weights.forEach((weight) => running.push(Math.round((running.at(-1) + weight) * 100) / 100));
  const left = Math.min(-1, ...running) - 0.2;
  const right = Math.max(1, ...running) + 0.2;
  const x = (value) => (100 * (value - left)) / (right - left);
  const bar = (from, to, fill) =>
    el(
      "svg",
      { viewBox: "0 0 100 14", preserveAspectRatio: "none", "aria-hidden": "true" },
      el("line", { x1: x(0), x2: x(0), y1: 0, y2: 14, stroke: "#8a8a8a", "stroke-width": 0.6 }),
      to === from
        ? null
        : el("rect", {
            x: Math.min(x(from), x(to)),
            width: Math.max(0.8, Math.abs(x(to) - x(from))),
            y: 2,
            height: 10,
            fill,
          })
    );
  const row = (name, picture, weight, after) =>
    el(
      "tr",
      {},
      el("th", { scope: "row" }, name),
      el("td", { class: "bar" }, picture),
      el("td", {}, weight),
      el("td", {}, after)
    );
  const rows = weights.map((weight, k) =>
    row(
      linemap.EVIDENCE[k],
      bar(running[k], running[k + 1], weight < 0 ? "#5f6f94" : "#8c2d6b"),
      weight === 0 ? "none" : signed(weight),
      percent(chanceOf(running[k + 1]))
    )
  );
  const head = ["Evidence", "away | toward", "Weight", "Then"].map((text) =>
    el("th", { scope: "col" }, text)
  );
  return el(
    "table",
    { class: "waterfall" },
    el(
      "caption",
      {},
      "From an even chance, each piece of evidence moves the estimate toward lead (+) or away (−); weights are log-odds and add up."
    ),
    el("thead", {}, el("tr", {}, ...head)),
    el("tbody", {}, ...rows),
    el(
      "tfoot",
      {},
      row(
        "Sum",
        bar(0, running.at(-1), "#111111"),
        signed(running.at(-1)),
        percent(chanceOf(running.at(-1)))
      )
    )
  );
};

linemap.kitSentence = function (kit) {
  const amount = (range) => {
    if (!range) return "no result";
    const [low, high] = range;
    return low === high
      ? `${low} ug/L`
      : low === 0
        ? `below ${high} ug/L`
        : `${low} to ${high} ug/L`;
  };
  const verdict = kit.verdict.replaceAll("_", " ");
  const stood = kit.stood === null ? "" : ` after ${kit.stood} h standing`;
  const ran = kit.ran === null ? "" : ` after ${kit.ran} min running`;
  return (
    `${kit.on || "No date"}, kit ${kit.id}: first bottle ${amount(kit.first)}${stood}; flushed bottle ` +
    `${amount(kit.flushed)}${ran}. ${linemap.sentence(verdict + (kit.why ? ` (${kit.why})` : ""))} ` +
    `One moment at one tap${kit.above ? "" : "; a low result cannot rule out a lead line"}.`
  );
};

/* A sure answer moves a chance p to 1 with chance p, else to 0: 2 p (1 - p) on average. */
linemap.wouldChange = function (chance, flags, card) {
  const [, , record, answers, water, check] = card.weights;
  const out = [];
  const [now, without] = [linemap.percent(chance), linemap.percent(card.without)];
  if (card.telling && without !== now)
    out.push(`Without ${linemap.TELLING[card.telling]} it would be ${without} instead of ${now}.`);
  if (check !== 0)
    return [
      ...out,
      "Little would: somebody has looked at this line. If only one side was seen, a look at the other.",
    ];
  const points = (share) =>
    share < 0.005 ? "less than 1 point" : `about ${Math.round(share * 100)} points`;
  out.push(
    `A look at the pipe on both sides would move the estimate by ${points(2 * chance * (1 - chance))} on average.`
  );
  const again = flags & linemap.TESTED ? "Another kit" : "A first kit";
  out.push(
    `${again}${card.learn === null ? " would add its two bottles and the form." : ` would move it by ${points(card.learn)} on average.`}`
  );
  if (answers === 0) out.push("The resident has not told what the pipe at the entry looks like.");
  if (record === 0)
    out.push("The city record says nothing of this line; a tap card or permit would.");
  return out;
};
