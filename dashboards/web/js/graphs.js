// The graphs, one below the other on one time axis: what they show, over which
// time, running, paused or zoomed.

/** @import {Vehicle, Signal, SessionEvent, History} from "./types.js" */
/** @import {LiveValues} from "./values.js" */
/** @import {Line, Look} from "./chart.js" */
import { Chart } from "./chart.js";
import { Columns } from "./columns.js";
import { lineSample, make, setAttr, setText } from "./dom.js";
import { clock, none } from "./format.js";

/** Spans to choose from, in seconds. */
const spans = [
  { seconds: 30, label: "30 s" },
  { seconds: 120, label: "2 min" },
  { seconds: 600, label: "10 min" },
  { seconds: Infinity, label: "all" },
];
/** Rows kept for the running graphs: ten minutes at ten a second, and a little more. */
const capacity = 6200;
const rowEvery = 0.1;
/** Shifts and marks that are drawn. */
const mostSpans = 5000;
/** What still grows is asked for again this often while it is shown [ms]. */
const refreshMs = 3000;
/** The shortest stretch to zoom into: twenty ticks of the analysis [s]. */
const shortest = 0.2;
/** The recording has what is older than this on disk [s]. */
const settled = 2;

const dashes = [[], [7, 3], [2, 3], [10, 3, 2, 3], [5, 2], [1, 2], [12, 4], [4, 4, 1, 4]];

/**
 * @typedef {object} Curve
 * @property {string} signal
 * @property {string} label
 * @property {string} scale
 */
/** @typedef {{title: string, unit?: string, curves: Curve[], slip?: boolean, fromZero?: boolean, minSpan?: number, ratios?: boolean, unsigned?: boolean}} Graph
 *  unsigned shows how large values are: reverse has a negative ratio, and an element may slip either way. Without a unit of its own a graph is in that of its curves, as chosen on the page; minSpan is in theirs. */

/**
 * The graphs a vehicle gives rise to; those without a signal are left out.
 * @param {Vehicle} v
 * @returns {Graph[]}
 */
export function graphsFor(v) {
  const r = v.roles;
  /** @param {[string|undefined, string, string?][]} list */
  const curves = (list) => list.flatMap(([signal, label, scale]) => (signal ? [{ signal, label, scale: scale ?? "y" }] : []));
  return [
    { title: "Speeds", unit: "rpm", fromZero: true, minSpan: 500, curves: curves([[r.engine_speed, "engine"], [r.input_speed, "gearbox input"], [r.output_speed, "gearbox output"]]) },
    { title: "Ratio", unit: "input : output, without sign", minSpan: 0.5, ratios: true, unsigned: true, curves: curves([[r.ratio, "ratio"]]) },
    { title: "Slip", unit: "rpm, without sign", slip: true, unsigned: true, curves: [...curves([[r.converter_slip, "converter"]]), ...v.elements.flatMap((e) => (e.signal ? [{ signal: e.signal, label: e.title, scale: "y" }] : []))] },
    {
      title: "Oil",
      minSpan: 10,
      curves: curves([[r.oil_pan, "pan"], [r.oil_outlet, "outlet"], [r.coolant, "coolant"], [r.oil_temperature_difference, "outlet − pan", "right"]]),
    },
  ].filter((g) => g.curves.length > 0);
}

export class Graphs {
  /**
   * @param {object} at
   * @param {HTMLElement} at.list
   * @param {HTMLElement} at.spans
   * @param {HTMLElement} at.pause
   * @param {HTMLElement} at.resume
   * @param {HTMLElement} at.time
   * @param {HTMLElement} at.range
   * @param {Vehicle} vehicle
   * @param {LiveValues} values
   * @param {(path: string) => Promise<any>} ask
   */
  constructor(at, vehicle, values, ask) {
    this.at = at;
    this.vehicle = vehicle;
    this.values = values;
    this.ask = ask;
    this.graphs = graphsFor(vehicle);
    /** @type {Curve[]} */
    this.curves = this.graphs.flatMap((g) => g.curves).filter((c) => values.index.has(c.signal));
    /** @type {Map<string, number>} */
    this.column = new Map();
    for (const c of this.curves) if (!this.column.has(c.signal)) this.column.set(c.signal, this.column.size);
    this.signals = [...this.column.keys()];
    this.columns = new Columns(this.signals.length, capacity);
    this.span = 120;
    /** @type {number|null} end of the picture while paused */
    this.held = null;
    /** @type {{x: number[], columns: (number|null)[][]}|null} what is drawn while paused, whatever comes */
    this.frozen = null;
    /** @type {[number, number]|null} */
    this.zoom = null;
    /** @type {History|null} what is shown while zoomed or in whole */
    this.past = null;
    this.pastAt = 0;
    /** time of the session when that was asked for [s] */
    this.pastNow = 0;
    this.asked = 0;
    /** @type {import("./chart.js").Span[]} */
    this.spans = [];
    /** @type {Chart[]} */
    this.charts = [];
    /** @type {Set<string>} */
    this.hidden = new Set();
    /** @type {{button: HTMLElement, value: HTMLElement, signal: Signal, index: number, unsigned: boolean}[]} */
    this.legend = [];
    this.dirty = true;
    /** time of the session that the legends were last told [s] */
    this.told = -1;
    this.rangeAt = -Infinity;
    /** @type {number|null} */
    this.pointed = null;
    this.controls();
    this.build();
    at.range.closest("details")?.addEventListener("toggle", () => this.changed());
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.build());
  }

  controls() {
    for (const s of spans) {
      const input = make("input", { type: "radio", name: "span", value: String(s.seconds) });
      input.checked = s.seconds === this.span;
      input.addEventListener("change", () => {
        this.span = s.seconds;
        this.zoom = null;
        this.past = null;
        this.changed();
      });
      this.at.spans.append(make("label", { class: "choice" }, input, make("span", {}, s.label)));
    }
    // Fingers have neither a drag across a graph, which scrolls the page, nor keys.
    const touch = make("span", { class: "graphs-touch" });
    for (const [how, sign] of /** @type {["earlier"|"later"|"closer"|"wider", string][]} */ ([["earlier", "◂"], ["closer", "+"], ["wider", "\u2212"], ["later", "▸"]])) {
      const b = make("button", { type: "button", class: "button", "aria-label": `graphs: ${how}` }, sign);
      b.addEventListener("click", () => this.move(how));
      touch.append(b);
    }
    this.at.resume.before(touch);
    this.at.pause.addEventListener("click", () => this.pause());
    this.at.resume.addEventListener("click", () => this.running());
  }

  /** Holds the picture, or lets it run on. */
  pause() {
    if (this.held !== null || this.zoom) this.running();
    else {
      this.held = this.values.now;
      this.changed();
    }
  }

  /** Back to the running picture. */
  running() {
    this.held = null;
    this.zoom = null;
    this.past = null;
    this.changed();
  }

  /**
   * Shows a stretch of the past.
   * @param {number} from
   * @param {number} to
   */
  zoomTo(from, to) {
    const wide = Math.max(to - from, shortest);
    this.zoom = [from, from + wide];
    this.past = null;
    this.changed();
  }

  /** Forgets everything: what comes belongs to another run. */
  restart() {
    this.columns = new Columns(this.signals.length, capacity);
    this.spans = [];
    this.asked = 0;
    this.running();
  }

  /** Shows everything anew, in the units that are chosen now. */
  unitsChanged() {
    this.build();
    this.changed();
  }

  /** The time axis as it is to be shown now. */
  range() {
    if (this.zoom) return this.zoom;
    const end = this.held ?? this.values.now;
    if (!Number.isFinite(this.span)) return /** @type {[number, number]} */ ([0, Math.max(end, 30)]);
    // A session shorter than the span fills it from the left.
    return /** @type {[number, number]} */ ([Math.max(0, end - this.span), Math.max(end, this.span)]);
  }

  changed() {
    this.dirty = true;
    this.frozen = null;
    const still = this.held !== null || this.zoom !== null;
    setAttr(this.at.pause, "aria-pressed", String(still));
    this.at.resume.hidden = !still;
    this.rangeAt = -Infinity;
  }

  build() {
    for (const c of this.charts) c.destroy();
    this.charts = [];
    this.legend = [];
    this.at.list.replaceChildren();
    const css = getComputedStyle(document.documentElement);
    /** @param {string} name */
    const token = (name) => css.getPropertyValue(name).trim();
    /** @type {Look} */
    const look = { ink: token("--graph-ink"), grid: token("--graph-grid"), band: token("--graph-band"), font: `12px ${token("--font")}` };
    this.graphs.forEach((g, n) => {
      const id = `h-graph-${n}`;
      const legend = make("ul", { class: "legend" });
      const plot = make("div", { class: "plot", tabindex: "0", role: "group", "aria-labelledby": id, "aria-describedby": "graph-help" });
      this.at.list.append(make("section", { class: "graph", "aria-labelledby": id }, make("div", { class: "graph-head" }, make("h3", { class: "graph-title", id }, g.title, " ", make("span", { class: "panel-unit" }, g.unit ?? this.unit(g, "y"))), legend), plot));
      const curves = g.curves.filter((c) => this.column.has(c.signal));
      const right = this.unit(g, "right");
      /** @type {Line[]} */
      const lines = curves.map((c, k) => ({ label: c.label, color: token(`--line-${(k % 8) + 1}`), dash: dashes[k % dashes.length] ?? [], scale: c.scale }));
      const chart = new Chart(
        plot,
        { lines, slip: g.slip === true, top: n === 0, bottom: n === this.graphs.length - 1, ...(curves.some((c) => c.scale === "right") ? { rightUnit: right } : {}), fromZero: g.fromZero === true, minSpan: (g.minSpan ?? 1) * this.values.units.of(this.values.unitOf(curves[0]?.signal ?? "")).factor },
        look,
        {
          select: (from, to) => this.zoomTo(from, to),
          point: (t) => {
            this.pointed = t;
            this.tellValues();
          },
          spans: () => this.spans,
          levels: () => (g.ratios ? this.vehicle.gears.flatMap((x) => (x.ratio === null ? [] : [{ value: Math.abs(x.ratio), label: x.name }])) : []),
        },
      );
      curves.forEach((c, k) => {
        const line = lines[k];
        const index = this.values.index.get(c.signal) ?? 0;
        const signal = this.values.signals[index];
        if (!line || !signal) return;
        const value = make("span", { class: "legend-value" });
        const button = make("button", { type: "button", class: "legend-item", "aria-pressed": String(!this.hidden.has(c.signal)), title: "show or hide" });
        button.append(lineSample(line.color, line.dash), make("span", { class: "legend-label" }, c.scale === "right" ? `${c.label} (${right}, right)` : c.label), value);
        button.addEventListener("click", () => {
          const hide = !this.hidden.delete(c.signal);
          if (hide) this.hidden.add(c.signal);
          setAttr(button, "aria-pressed", String(!hide));
          chart.toggle(k, !hide);
        });
        if (this.hidden.has(c.signal)) chart.toggle(k, false);
        legend.append(make("li", {}, button));
        this.legend.push({ button, value, signal, index, unsigned: g.unsigned === true });
      });
      plot.addEventListener("keydown", (e) => this.key(e));
      plot.addEventListener("dblclick", () => this.running());
      this.charts.push(chart);
    });
    this.at.list.append(make("p", { class: "unseen", id: "graph-help" }, "Arrow keys move in time, plus and minus zoom, Home returns to now."));
    this.dirty = true;
  }

  /**
   * The unit that a graph's scale is shown in.
   * @param {Graph} g
   * @param {string} scale
   */
  unit(g, scale) {
    const c = g.curves.find((c) => c.scale === scale && this.column.has(c.signal));
    return c ? this.values.units.of(this.values.unitOf(c.signal)).unit : "";
  }

  /**
   * A column as it is shown.
   * @param {(number|null)[]} values
   * @param {number} k number of the column
   */
  shown(values, k) {
    return this.values.units.column(values, this.values.unitOf(this.signals[k] ?? ""));
  }

  /**
   * Moves the stretch that is shown by a quarter, or halves or doubles it.
   * @param {"earlier"|"later"|"closer"|"wider"} how
   */
  move(how) {
    const [from, to] = this.range();
    const wide = to - from;
    const [a, b] = { earlier: [-0.25, -0.25], later: [0.25, 0.25], closer: [0.25, -0.25], wider: [-0.5, 0.5] }[how];
    this.zoomTo(from + (a ?? 0) * wide, to + (b ?? 0) * wide);
  }

  /** @param {KeyboardEvent} e */
  key(e) {
    /** @type {Record<string, () => void>} */
    const keys = {
      ArrowLeft: () => this.move("earlier"),
      ArrowRight: () => this.move("later"),
      "+": () => this.move("closer"),
      "-": () => this.move("wider"),
      Home: () => this.running(),
      Escape: () => this.running(),
    };
    const act = keys[e.key];
    if (!act || e.ctrlKey || e.metaKey || e.altKey) return;
    e.preventDefault();
    act();
  }

  /**
   * Fills in what was before the page was opened.
   * @param {number} now
   */
  async backfill(now) {
    const of = this.columns;
    const from = Math.max(0, now - 600);
    const h = await this.history(from, now, Math.min(3000, Math.max(1, (now - from) / rowEvery)));
    if (of !== this.columns) return; // another run has begun, or it is filled already
    const fresh = new Columns(this.signals.length, capacity);
    h.x.forEach((x, row) => fresh.push(x, (k) => h.signals[this.signals[k] ?? ""]?.mid[row] ?? NaN));
    const had = this.columns.window(-Infinity, Infinity);
    had.x.forEach((x, row) => fresh.push(x, (k) => had.columns[k]?.[row] ?? NaN));
    this.columns = fresh;
    this.dirty = true;
  }

  /**
   * @param {number} from
   * @param {number} to
   * @param {number} points
   * @returns {Promise<History>}
   */
  history(from, to, points) {
    return this.ask(`/api/v1/history?signals=${this.signals.map(encodeURIComponent).join(",")}&from=${from.toFixed(3)}&to=${to.toFixed(3)}&points=${Math.round(points)}`);
  }

  /** Takes a row of the running values. */
  sample() {
    if (!(this.values.now >= this.columns.newest + rowEvery * 0.95)) return;
    this.columns.push(this.values.now, (k) => this.values.current(this.values.index.get(this.signals[k] ?? "") ?? -1));
    if (this.held === null && !this.zoom) this.dirty = true;
  }

  /**
   * Shades a shift, or draws a line where a mark was set.
   * @param {SessionEvent} e
   */
  event(e) {
    if (e.kind !== "shift" && e.kind !== "mark") return;
    const { time_s, start_s, end_s } = e.data;
    // Stamps differ from the page's seconds by the session's start; what was not
    // seen (null) is drawn as the moment of the event.
    const from = e.t - (typeof start_s === "number" ? time_s - start_s : 0);
    const to = e.t - (typeof end_s === "number" ? time_s - end_s : 0);
    this.spans.push({ from, to, label: e.kind === "mark" ? "mark" : `${e.data.from}→${e.data.to}` });
    if (this.spans.length > mostSpans) this.spans.shift();
    this.dirty = true;
  }

  /** Paints if something changed; once a frame of the screen, by the caller. */
  paint() {
    const range = this.range();
    const whole = !Number.isFinite(this.span);
    if (this.zoom || whole) this.askPast(range, this.zoom ? range[1] > this.pastNow - settled : whole && this.held === null);
    if (!this.dirty) {
      if (this.told !== this.values.now) this.tellValues(); // a still picture, and values that go on
      return;
    }
    this.dirty = false;
    if ((this.zoom || whole) && this.past) this.paintPast(this.past, range);
    else {
      const w = this.frozen ?? this.columns.window(range[0], range[1]);
      if (this.held !== null) this.frozen = w;
      this.each((pick, unsigned) => ({ x: w.x, mid: pick.map((k) => (unsigned ? size(w.columns[k] ?? []) : this.shown(w.columns[k] ?? [], k))), max: null, min: null }), range);
    }
    this.tellValues();
    this.tellRange(range);
    const still = this.zoom ? "zoomed, " : this.held === null ? "" : "paused, ";
    const digits = decimals(range);
    setText(this.at.time, `${still}${clock(Math.max(range[0], 0), digits)} to ${clock(range[1], digits)}`);
  }

  /**
   * @param {(columns: number[], unsigned: boolean) => {x: number[], mid: (number|null)[][], max: (number|null)[][]|null, min: (number|null)[][]|null}} data
   * @param {[number, number]} range
   */
  each(data, range) {
    this.graphs.forEach((g, n) => {
      const pick = g.curves.flatMap((c) => this.column.get(c.signal) ?? []);
      const d = data(pick, g.unsigned === true);
      this.charts[n]?.show(d.x, d.mid, d.max, d.min, range);
    });
  }

  /**
   * @param {[number, number]} range
   * @param {boolean} again
   */
  askPast(range, again) {
    const t = performance.now();
    if (this.asked > t - 200 || (this.past && !(again && this.pastAt < t - refreshMs))) return;
    this.asked = t;
    const { now } = this.values;
    const points = Math.min(2000, Math.max(200, this.at.list.clientWidth));
    this.history(Math.max(0, range[0]), Math.max(0, range[1]), points).then(
      (h) => {
        if (range[0] !== this.range()[0]) return; // another stretch is shown by now
        this.past = h;
        this.pastNow = now;
        this.pastAt = performance.now();
        this.dirty = true;
      },
      () => (this.asked = performance.now() + 2000),
    );
  }

  /**
   * @param {History} h
   * @param {[number, number]} range
   */
  paintPast(h, range) {
    const none = { mid: [], min: [], max: [] };
    this.each((pick, unsigned) => {
      const c = pick.map((k) => {
        const c = h.signals[this.signals[k] ?? ""] ?? none;
        return unsigned ? sizes(c) : { mid: this.shown(c.mid, k), max: this.shown(c.max, k), min: this.shown(c.min, k) };
      });
      return { x: h.x, mid: c.map((k) => k.mid), max: c.map((k) => k.max), min: c.map((k) => k.min) };
    }, range);
  }

  /** Values in the legends: at the pointer, or now. */
  tellValues() {
    this.told = this.values.now;
    const row = this.pointed;
    const w = row === null ? null : this.columns.window(row - 0.001, row + 0.001);
    for (const l of this.legend) {
      let text = none;
      let dim = false;
      const k = this.column.get(l.signal.name) ?? -1;
      if (row === null) {
        const shown = this.values.show(l.signal.name);
        text = shown.dim && shown.note && shown.note !== "implausible" ? none : shown.text;
        dim = shown.dim;
      } else {
        const v = this.past && (this.zoom || !Number.isFinite(this.span)) ? this.past.signals[l.signal.name]?.mid[this.past.x.indexOf(row)] : w?.columns[k]?.[w.x.indexOf(row)];
        if (v !== null && v !== undefined) text = this.values.units.text(v, l.signal.unit, l.signal.digits);
      }
      setText(l.value, l.unsigned ? text.replace(/^\u2212/, "") : text);
      setAttr(l.value, "data-dim", dim ? "" : null);
    }
    const still = row === null ? null : `at ${clock(row, Math.max(1, decimals(this.range())))}`;
    if (still) setText(this.at.time, still);
  }

  /**
   * The table of the time shown, once a second at most.
   * @param {[number, number]} range
   */
  tellRange(range) {
    const t = performance.now();
    const details = this.at.range.closest("details");
    if (!details?.open || t < this.rangeAt + 1000) return;
    this.rangeAt = t;
    const rows = this.signals.map((name, k) => {
      const s = this.values.signals[this.values.index.get(name) ?? -1];
      const f = this.past && (this.zoom || !Number.isFinite(this.span)) ? ofHistory(this.past, name) : ofColumn(this.columns.window(range[0], range[1]).columns[k] ?? []);
      const label = this.curves.find((c) => c.signal === name)?.label ?? name;
      return make("tr", {}, make("th", { scope: "row" }, label), ...[f.low, f.mean, f.high].map((v) => make("td", { class: "num" }, v === null ? none : this.values.units.text(v, s?.unit ?? "", s?.digits ?? 0))), make("td", {}, this.values.units.of(s?.unit ?? "").unit));
    });
    this.at.range.replaceChildren(...rows);
  }
}

/**
 * Decimals of a second that tell the times of a stretch apart.
 * @param {[number, number]} range
 */
function decimals([from, to]) {
  return to - from < 1 ? 3 : to - from < 9.5 ? 2 : 0;
}

/**
 * Values without their sign.
 * @param {(number|null)[]} c
 */
export function size(c) {
  return c.map((v) => (v === null ? null : Math.abs(v)));
}

/**
 * A column without its sign: an interval that reaches across 0 begins there.
 * @param {import("./types.js").Column} c
 * @returns {import("./types.js").Column}
 */
export function sizes(c) {
  const lo = size(c.min);
  const hi = size(c.max);
  return {
    mid: size(c.mid),
    min: lo.map((a, i) => ((c.min[i] ?? 0) < 0 && (c.max[i] ?? 0) > 0 ? 0 : least(a, hi[i] ?? null))),
    max: lo.map((a, i) => most(a, hi[i] ?? null)),
  };
}

/** @param {number|null} a @param {number|null} b */
const least = (a, b) => (a === null || b === null ? null : Math.min(a, b));
/** @param {number|null} a @param {number|null} b */
const most = (a, b) => (a === null || b === null ? null : Math.max(a, b));

/**
 * @param {(number|null)[]} c
 * @returns {{low: number|null, mean: number|null, high: number|null}}
 */
export function ofColumn(c) {
  let low = Infinity;
  let high = -Infinity;
  let sum = 0;
  let n = 0;
  for (const v of c) {
    if (v === null) continue;
    low = Math.min(low, v);
    high = Math.max(high, v);
    sum += v;
    n++;
  }
  return n ? { low, mean: sum / n, high } : { low: null, mean: null, high: null };
}

/**
 * @param {History} h
 * @param {string} name
 */
function ofHistory(h, name) {
  const c = h.signals[name];
  return { low: ofColumn(c?.min ?? []).low, mean: ofColumn(c?.mid ?? []).mean, high: ofColumn(c?.max ?? []).high };
}
