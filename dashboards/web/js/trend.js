// The history of one vehicle: for each figure of its shifts a small drawing over
// its sessions, the median of each with the interval it lies in.

/** @import {VehicleHistory, HistoryGroup, HistoryPoint} from "./types.js" */
import { make } from "./dom.js";
import { clock } from "./format.js";
import { draw, path, step } from "./overlay.js";

const wide = 300;
const high = 132;
const left = 46;
const right = 8;
const top = 8;
const bottom = 22;

/**
 * The values a drawing reaches from and to: all medians and intervals, with some
 * room, and 0 where it is near.
 * @param {HistoryPoint[]} points
 * @returns {[number, number]}
 */
export function reach(points) {
  const all = points.flatMap((p) => [p.median, p.interval_95?.low ?? p.median, p.interval_95?.high ?? p.median]);
  let lo = Math.min(...all);
  let hi = Math.max(...all);
  if (lo >= 0 && lo < 0.5 * hi) lo = 0;
  const room = Math.max((hi - lo) * 0.1, Math.abs(hi) * 0.02, 1e-3);
  return [lo === 0 ? 0 : lo - room, hi + room];
}

/**
 * Which sessions are numbered on the axis: all where there is room.
 * @param {number} n how many there are
 */
export function numbered(n) {
  const by = Math.ceil(n / 12);
  return Array.from({ length: n }, (_, i) => i).filter((i) => i % by === 0);
}

/**
 * @param {HistoryGroup} g
 * @param {number} n how many sessions there are
 * @returns {SVGElement}
 */
export function trend(g, n) {
  const [lo, hi] = reach(g.points);
  /** @param {number} i */
  const x = (i) => left + ((i + 0.5) / n) * (wide - left - right);
  /** @param {number} v */
  const y = (v) => top + ((hi - v) / (hi - lo)) * (high - top - bottom);
  const s = draw("svg", { class: "trend", viewBox: `0 0 ${wide} ${high}`, role: "img", "aria-label": `${g.figure} of the shifts ${g.from} → ${g.to} over ${n} sessions: ${g.points.map((p) => `session ${p.session + 1} ${p.median.toPrecision(3)}`).join(", ")}` });
  const by = step((hi - lo) * 1.6);
  const digits = Math.max(0, Math.min(3, -Math.floor(Math.log10(by) + 1e-9)));
  for (let k = Math.ceil(lo / by - 1e-9); k * by <= hi; k++) {
    const at = y(k * by);
    s.append(draw("line", { class: "overlay-grid", x1: left, x2: wide - right, y1: at, y2: at }), draw("text", { class: "overlay-text", x: left - 5, y: at + 4, "text-anchor": "end" }, (k * by).toFixed(digits).replace("-", "\u2212")));
  }
  for (const i of numbered(n)) s.append(draw("text", { class: "overlay-text", x: x(i), y: high - 6, "text-anchor": "middle" }, String(i + 1)));
  const points = g.points.map((p) => ({ x: x(p.session), y: y(p.median), p }));
  for (const { x: at, p } of points) {
    if (!p.interval_95) continue;
    const from = y(p.interval_95.low);
    const to = y(p.interval_95.high);
    s.append(draw("path", { class: "trend-interval", d: `M${at} ${from}V${to}M${at - 3} ${from}h6M${at - 3} ${to}h6` }));
  }
  s.append(draw("path", { class: "trend-line", d: path(points.map((p) => p.x), points.map((p) => p.y)) }));
  for (const { x: at, y: up, p } of points) {
    const dot = draw("circle", { class: "trend-point", cx: at, cy: up, r: 3.5 });
    dot.append(draw("title", {}, `session ${p.session + 1}: median ${p.median.toPrecision(3)} ${g.unit} of ${p.n} ${p.n === 1 ? "shift" : "shifts"}`));
    s.append(dot);
  }
  return s;
}

/** @param {HistoryGroup} g */
const tells = (g) => g.words.includes("; rises by") || g.words.includes("; falls by");

/**
 * The history of a vehicle, for the side of the sessions. Figures with a trend
 * stand open, the others are folded away by change of gear.
 * @param {VehicleHistory} h
 * @param {(iso: string|null|undefined) => string} when
 * @returns {HTMLElement[]}
 */
export function history(h, when) {
  /** @param {HistoryGroup} g */
  const figure = (g) => make("figure", { class: "trend-figure" }, make("figcaption", {}, make("strong", {}, `${g.figure}${g.unit ? ` (${g.unit})` : ""}`)), trend(g, h.sessions.length), make("p", {}, `${g.words}.`));
  /** @param {HistoryGroup} g */
  const name = (g) => `${g.from} → ${g.to}, ${g.kind}`;
  /** @type {Map<string, HistoryGroup[]>} */
  const by = new Map();
  for (const g of h.groups) by.set(name(g), [...(by.get(name(g)) ?? []), g]);
  return [
    make("h2", { class: "session-name" }, `Vehicle ${h.vin} over ${h.sessions.length} ${h.sessions.length === 1 ? "session" : "sessions"}`),
    make("ul", { class: "compare-summary" }, ...h.summary.map((s) => make("li", {}, s))),
    make(
      "details",
      {},
      make("summary", {}, "The sessions, by their number below the drawings"),
      make("ol", { class: "trend-sessions" }, ...h.rows.map((r) => make("li", {}, `${when(r.started)}  ${r.title || r.name}${r.started && r.ended ? `, ${clock((Date.parse(r.ended) - Date.parse(r.started)) / 1000)}` : ""}`))),
    ),
    ...h.left.map((l) => make("p", { class: "session-caution" }, `Left out: ${l}`)),
    make("p", { class: "quiet" }, "Each point is the median of a session's like shifts, the stroke through it where that median lies with 95 % confidence."),
    ...[...by].map(([title, groups]) => {
      const open = groups.filter(tells);
      const rest = groups.filter((g) => !tells(g));
      return make(
        "section",
        { class: "compare-group" },
        make("h3", {}, title),
        ...(open.length ? [make("div", { class: "trend-figures" }, ...open.map(figure))] : []),
        ...(rest.length ? [make("details", open.length ? {} : { class: "trend-rest" }, make("summary", {}, `${rest.map((g) => g.figure).join(", ")}: ${rest.some((g) => g.words.includes("; no trend")) ? "no trend" : "no trend can be told"}`), make("div", { class: "trend-figures" }, ...rest.map(figure)))] : []),
      );
    }),
  ];
}
