/* Packed data of the page: base64 text -> inflated bytes -> typed arrays. */
"use strict";
const linemap = {};

/* The bytes packed under a name. */
linemap.bytes = async function (name) {
  const text = document.querySelector(`script[data-name="${name}"]`).textContent;
  const packed = Uint8Array.fromBase64
    ? Uint8Array.fromBase64(text)
    : Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
};

linemap.json = async function (name) {
  return JSON.parse(new TextDecoder().decode(await linemap.bytes(name)));
};

/* Unsigned whole numbers written with seven bits to a byte, low bits first. */
linemap.varints = function (bytes) {
  let count = 0;
  for (let i = 0; i < bytes.length; i++) count += bytes[i] < 128 ? 1 : 0;
  const values = new Uint32Array(count);
  let value = 0;
  let shift = 0;
  let at = 0;
  for (let i = 0; i < bytes.length; i++) {
    value |= (bytes[i] & 127) << shift;
    shift += 7;
    if (bytes[i] < 128) {
      values[at++] = value;
      value = 0;
      shift = 0;
    }
  }
  return values;
};

/* Element with attributes and children; text is always set as text, never as markup. */
linemap.el = function (tag, attributes = {}, ...children) {
  const svg = ["svg", "rect", "line", "text", "circle"].includes(tag);
  const node = svg
    ? document.createElementNS("http://www.w3.org/2000/svg", tag)
    : document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value);
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
};

linemap.byId = (id) => document.getElementById(id);
/* A whole number as the reports round it: halves to the even one. */
linemap.whole = function (number) {
  const up = Math.round(number);
  const half = Math.abs(number % 1) === 0.5 && up % 2 !== 0;
  return (half ? up - 1 : up).toLocaleString("en-US");
};

/* A share in words that never claims certainty. */
linemap.percent = function (share) {
  if (share < 0.01) return "under 1%";
  if (share > 0.99) return "over 99%";
  return `${Math.round(share * 100)}%`;
};

/* Web Mercator: shared by homes, hexagons and areas. */
linemap.HALF_WORLD = Math.PI * 6378137;
