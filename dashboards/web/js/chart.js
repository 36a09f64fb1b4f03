// One graph, drawn by uPlot; nothing else of the page knows uPlot.
//
// All graphs of a page share one time axis, so all have the same margins: left
// for the marks of their axis, right for a second axis or the names of levels.
//
// Budget: a paint of all graphs with ten minutes of data (6,000 rows, a dozen
// lines) stays within 16 ms on a workshop laptop. Data comes at most ten times a
// second and is painted once a frame of the screen; paused or hidden, nothing is
// painted. Rows are bounded by the columns' capacity, however long the drive.

/** @import {AlignedData, Options, Series} from "../vendor/uplot/uPlot.esm.js" */
import uPlot from "../vendor/uplot/uPlot.esm.js";
import { clock, number } from "./format.js";
import { knee, slipSplits } from "./scale.js";

/**
 * @typedef {object} Line
 * @property {string} label
 * @property {string} color
 * @property {number[]} dash
 * @property {string} scale "y" or "right"
 * @property {boolean} [steps] value holds until the next
 */

/**
 * @typedef {object} Look
 * @property {string} ink
 * @property {string} grid
 * @property {string} band shade of a shift
 * @property {string} font
 */

/** @typedef {{from: number, to: number, label: string}} Span  a shift to shade, or a mark: a line where from is to */
/** @typedef {{value: number, label: string}} Level  a horizontal line with a name */

/**
 * @typedef {object} Hooks
 * @property {(from: number, to: number) => void} select the user dragged over a stretch
 * @property {(t: number|null, row: number|null) => void} point the pointer is at a time, or left
 * @property {() => Span[]} spans
 * @property {() => Level[]} levels
 */

const marginLeft = 52;
const marginRight = 36;

export class Chart {
  /**
   * @param {HTMLElement} host an empty element whose size the graph takes
   * @param {{lines: Line[], slip?: boolean, rightUnit?: string, top?: boolean, bottom?: boolean, minSpan?: number, fromZero?: boolean}} what
   * @param {Look} look
   * @param {Hooks} hooks
   */
  constructor(host, what, look, hooks) {
    this.host = host;
    this.lines = what.lines;
    this.window = /** @type {[number, number]} */ ([0, 1]);
    const minSpan = what.minSpan ?? 1;
    /** @type {Series[]} */
    const series = [{}];
    for (const l of what.lines) {
      series.push({ label: l.label, scale: l.scale, stroke: l.color, dash: l.dash, width: 1.75, points: { show: false }, ...(l.steps ? { paths: stepped } : {}) });
    }
    // Lowest and highest of each line make a band around it where a row stands
    // for more than one sample.
    for (const edge of ["highest", "lowest"]) {
      for (const l of what.lines) series.push({ label: `${l.label}, ${edge}`, scale: l.scale, width: 0, points: { show: false } });
    }
    const n = what.lines.length;
    /** @param {number|null} lo @param {number|null} hi @returns {[number, number]} */
    const room = (lo, hi) => {
      if (lo === null || hi === null) return [0, minSpan];
      if (what.fromZero) lo = Math.min(0, lo);
      const pad = Math.max((hi - lo) * 0.08, (minSpan - (hi - lo)) / 2);
      return [what.fromZero && lo === 0 ? 0 : lo - pad, hi + pad];
    };
    /** @type {Options} */
    const options = {
      width: Math.max(host.clientWidth, 50),
      height: Math.max(host.clientHeight, 50),
      pxAlign: 0,
      padding: [what.top ? 16 : 6, what.rightUnit ? 0 : marginRight, 0, 0],
      legend: { show: false },
      cursor: {
        sync: { key: "time", setSeries: false },
        drag: { x: true, y: false, setScale: false },
        points: { size: 7 },
      },
      series,
      bands: what.lines.map((l, k) => ({ series: /** @type {[number, number]} */ ([1 + n + k, 1 + 2 * n + k]), fill: l.color + "40" })),
      scales: {
        x: { time: false, range: () => this.window },
        y: what.slip
          ? { distr: 4, asinh: knee, range: (_u, _lo, hi) => [0, Math.max(knee, hi ?? 0) * 1.2] }
          : { range: (_u, lo, hi) => room(lo, hi) },
        ...(what.rightUnit ? { right: { range: (_u, lo, hi) => room(lo, hi) } } : {}),
      },
      axes: [
        {
          show: true,
          stroke: look.ink,
          font: look.font,
          size: what.bottom ? 26 : 6,
          gap: 4,
          space: 70,
          incrs: [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600],
          values: what.bottom ? (_u, splits, _a, _s, incr) => splits.map((t) => clock(t, incr < 0.1 ? 2 : incr < 1 ? 1 : 0)) : (_u, splits) => splits.map(() => ""),
          grid: { stroke: look.grid, width: 1 },
          ticks: { show: false },
        },
        {
          scale: "y",
          stroke: look.ink,
          font: look.font,
          size: marginLeft,
          gap: 4,
          space: 20,
          grid: { stroke: look.grid, width: 1 },
          ticks: { show: false },
          values: (_u, splits, _a, _s, incr) => splits.map((v) => axisNumber(v, incr)),
          ...(what.slip ? { filter: (_u, splits) => splits, splits: (u, _a, _lo, hi) => slipSplits(hi, u.bbox.height / (devicePixelRatio || 1) / 18) } : {}),
        },
        ...(what.rightUnit
          ? [{ scale: "right", side: /** @type {1} */ (1), stroke: look.ink, font: look.font, size: marginRight, gap: 4, space: 20, grid: { show: false }, ticks: { show: false }, values: /** @type {(u: uPlot, s: number[], a: number, f: number, i: number) => string[]} */ ((_u, splits, _a, _s, incr) => splits.map((v) => axisNumber(v, incr))) }]
          : []),
      ],
      hooks: {
        drawClear: [(u) => this.shade(u, hooks.spans(), hooks.levels(), look, what.top === true)],
        setSelect: [
          (u) => {
            if (u.select.width < 8) return;
            hooks.select(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x"));
            u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
          },
        ],
        setCursor: [(u) => hooks.point(u.cursor.idx == null ? null : (u.data[0][u.cursor.idx] ?? null), u.cursor.idx ?? null)],
      },
    };
    /** @type {uPlot} */
    this.plot = new uPlot(options, /** @type {AlignedData} */ (/** @type {number[][]} */ (series.map(() => []))), host);
    this.sizes = new ResizeObserver(() => {
      if (host.clientWidth > 0 && host.clientHeight > 0) this.plot.setSize({ width: host.clientWidth, height: host.clientHeight });
    });
    this.sizes.observe(host);
  }

  /**
   * Shows rows between two times. Band edges may be left out.
   * @param {number[]} x
   * @param {(number|null)[][]} mid one column a line
   * @param {(number|null)[][]|null} max
   * @param {(number|null)[][]|null} min
   * @param {[number, number]} window
   */
  show(x, mid, max, min, window) {
    this.window = window;
    /** @type {(number|null)[]} */
    const none = max && min ? [] : new Array(x.length).fill(null);
    const edge = () => mid.map(() => none);
    this.plot.setData(/** @type {AlignedData} */ ([x, ...mid, ...(max ?? edge()), ...(min ?? edge())]), true);
  }

  /**
   * Shows or hides a line.
   * @param {number} k
   * @param {boolean} visible
   */
  toggle(k, visible) {
    const n = this.lines.length;
    for (const s of [1 + k, 1 + n + k, 1 + 2 * n + k]) this.plot.setSeries(s, { show: visible });
  }

  destroy() {
    this.sizes.disconnect();
    this.plot.destroy();
  }

  /**
   * Shades shifts, draws marks and named levels, beneath the lines.
   * @param {uPlot} u
   * @param {Span[]} spans
   * @param {Level[]} levels
   * @param {Look} look
   * @param {boolean} named
   */
  shade(u, spans, levels, look, named) {
    const { ctx, bbox } = u;
    const px = devicePixelRatio || 1;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, 0, bbox.width, bbox.top + bbox.height);
    ctx.clip();
    ctx.font = look.font.replace(/([\d.]+)px/, (_m, n) => `${Number(n) * px}px`);
    ctx.textBaseline = "bottom";
    let free = -Infinity;
    for (const s of spans) {
      if (s.to < this.window[0] || s.from > this.window[1]) continue;
      const a = u.valToPos(s.from, "x", true);
      const b = Math.max(u.valToPos(s.to, "x", true), a + px);
      ctx.fillStyle = s.from === s.to ? look.ink : look.band;
      ctx.fillRect(a, bbox.top, b - a, bbox.height);
      if (!named) continue;
      const w = ctx.measureText(s.label).width;
      const left = (a + b - w) / 2;
      if (left < free) continue;
      free = left + w + 6 * px;
      ctx.fillStyle = look.ink;
      ctx.fillText(s.label, left, bbox.top - 1 * px);
    }
    ctx.restore();
    ctx.save();
    ctx.font = look.font.replace(/([\d.]+)px/, (_m, n) => `${Number(n) * px}px`);
    ctx.textBaseline = "middle";
    ctx.lineWidth = px;
    ctx.setLineDash([2 * px, 4 * px]);
    const end = bbox.left + bbox.width;
    let above = Infinity;
    for (const l of levels.toSorted((a, b) => a.value - b.value)) {
      const y = u.valToPos(l.value, "y", true);
      if (y < bbox.top || y > bbox.top + bbox.height) continue;
      ctx.strokeStyle = look.ink + "80";
      ctx.beginPath();
      ctx.moveTo(bbox.left, y);
      ctx.lineTo(end, y);
      ctx.stroke();
      if (y > above) continue; // no room for its name
      above = y - 11 * px;
      ctx.fillStyle = look.ink;
      ctx.fillText(l.label, end + 6 * px, y);
    }
    ctx.restore();
  }
}

const stepped = /** @type {NonNullable<Series["paths"]>} */ (uPlot.paths.stepped?.({ align: 1 }));

/**
 * @param {number} v
 * @param {number} incr
 */
function axisNumber(v, incr) {
  return number(v, incr >= 1 || incr === 0 ? 0 : incr >= 0.1 ? 1 : 2);
}
