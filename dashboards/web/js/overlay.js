// Aligned shifts of two sessions in one drawing: the median progress of each from
// the old gear to the new one over the time from its start, with the middle half
// of the shifts as a band. Pure but for making elements.

/** @import {Overlay} from "./types.js" */

const svg = "http://www.w3.org/2000/svg";
const wide = 420;
const high = 210;
const left = 62;
const right = 8;
const top = 8;
const bottom = 34;

/**
 * A round step that divides a span into some four to eight parts.
 * @param {number} span
 */
export function step(span) {
  const raw = span / 5;
  const p = 10 ** Math.floor(Math.log10(raw));
  return p * (raw / p < 1.5 ? 1 : raw / p < 3.5 ? 2 : raw / p < 7.5 ? 5 : 10);
}

/**
 * The path of a curve; a value that is not known leaves a gap.
 * @param {number[]} x
 * @param {(number|null)[]} y
 */
export function path(x, y) {
  let d = "";
  let pen = false;
  x.forEach((v, i) => {
    const w = y[i];
    if (w === null || w === undefined) pen = false;
    else {
      d += `${pen ? "L" : "M"}${v.toFixed(1)} ${w.toFixed(1)}`;
      pen = true;
    }
  });
  return d;
}

/**
 * The outline of a band, one piece for each stretch where both edges are known.
 * @param {number[]} x
 * @param {(number|null)[]} low
 * @param {(number|null)[]} up
 */
export function band(x, low, up) {
  let d = "";
  for (let i = 0; i < x.length; ) {
    /** @type {string[]} */
    const there = [];
    /** @type {string[]} */
    const back = [];
    for (; i < x.length; i++) {
      const a = low[i];
      const b = up[i];
      const v = x[i];
      if (a === null || a === undefined || b === null || b === undefined || v === undefined) break;
      there.push(`${v.toFixed(1)} ${b.toFixed(1)}`);
      back.unshift(`${v.toFixed(1)} ${a.toFixed(1)}`);
    }
    if (there.length > 1) d += `M${[...there, ...back].join("L")}Z`;
    i++;
  }
  return d;
}

/**
 * Makes an element of a drawing.
 * @param {string} name
 * @param {Record<string, string|number>} attributes
 * @param {string} [text]
 * @returns {SVGElement}
 */
export function draw(name, attributes, text) {
  const e = document.createElementNS(svg, name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, String(v));
  if (text !== undefined) e.textContent = text;
  return e;
}

/**
 * @param {Overlay} o
 * @param {string} title for those who do not see it
 * @param {readonly {color: string, dash: readonly number[]}[]} lines of the two sessions
 * @returns {SVGElement|string} nothing where no curve is known
 */
export function overlay(o, title, lines) {
  const t = o?.t_s ?? [];
  const from = t[0] ?? 0;
  const to = t.at(-1) ?? 0;
  if (t.length < 2 || !(to > from)) return "";
  const known = o.bands.flatMap((b) => [...(b.median ?? []), ...(b.low ?? []), ...(b.high ?? [])]).filter((v) => v !== null);
  const lowest = Math.min(-0.1, ...known);
  const highest = Math.max(1.1, ...known);
  /** @param {number} v */
  const x = (v) => left + ((v - from) / (to - from)) * (wide - left - right);
  /** @param {number|null} v */
  const y = (v) => (v === null ? null : top + ((highest - v) / (highest - lowest)) * (high - top - bottom));
  const s = draw("svg", { class: "overlay", viewBox: `0 0 ${wide} ${high}`, role: "img", "aria-label": title });
  for (const [v, label] of /** @type {[number, string][]} */ ([[0, "old gear"], [0.5, ""], [1, "new gear"]])) {
    const at = y(v) ?? 0;
    s.append(draw("line", { class: "overlay-grid", x1: left, x2: wide - right, y1: at, y2: at }));
    if (label) s.append(draw("text", { class: "overlay-text", x: left - 6, y: at + 4, "text-anchor": "end" }, label));
  }
  const by = step(to - from);
  for (let k = Math.ceil(from / by - 1e-9); k * by <= to + 1e-9; k++) {
    const at = x(k * by);
    s.append(draw("line", { class: "overlay-grid", x1: at, x2: at, y1: top, y2: high - bottom }), draw("text", { class: "overlay-text", x: at, y: high - bottom + 15, "text-anchor": "middle" }, (k * by).toFixed(by < 0.1 ? 2 : by < 1 ? 1 : 0).replace("-", "\u2212")));
  }
  s.append(draw("text", { class: "overlay-text", x: (left + wide - right) / 2, y: high - 4, "text-anchor": "middle" }, "seconds from the start of the shift"));
  const xs = t.map(x);
  o.bands.forEach((b, i) => s.append(draw("path", { class: "overlay-band", d: band(xs, (b.low ?? []).map(y), (b.high ?? []).map(y)), fill: lines[i]?.color ?? "" })));
  o.bands.forEach((b, i) => s.append(draw("path", { class: "overlay-line", d: path(xs, (b.median ?? []).map(y)), stroke: lines[i]?.color ?? "", "stroke-dasharray": (lines[i]?.dash ?? []).join(" ") })));
  return s;
}
