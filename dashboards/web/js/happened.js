// What happened: the list of shifts, and the log of marks, alarms and other
// events, newest first.

/** @import {SessionEvent} from "./types.js" */
import { make, setText } from "./dom.js";
import { clock, none, number } from "./format.js";
import { Units } from "./units.js";

/** Rows kept in the document; older ones are in the session. */
const mostShifts = 300;
const mostLog = 100;

/**
 * @param {number|undefined|null} v
 * @param {number} digits
 * @param {string} unit
 */
function figure(v, digits, unit) {
  return typeof v === "number" ? `${number(v, digits)} ${unit}` : none;
}

/**
 * One line of the log for an event, or null where it is of no interest there.
 * @param {SessionEvent} e
 * @returns {{word: string, text: string, level: string}|null}
 */
export function logLine(e) {
  const d = e.data;
  switch (e.kind) {
    case "mark":
      return { word: "Mark", text: d.text ?? "", level: "mark" };
    case "alarm":
      return { word: `Alarm ${d.state ?? ""}`, text: d.text ?? d.say ?? d.alarm ?? "", level: d.state === "raised" ? d.level : "note" };
    case "engagement":
      return { word: d.engaged === false ? "Did not engage" : "Engaged", text: `${d.from ?? ""} → ${d.to ?? ""}${typeof d.duration_s === "number" ? `, ${figure(d.duration_s, 2, "s")}` : ""}`, level: d.engaged === false ? "caution" : "note" };
    case "converter":
      return { word: "Converter", text: [d.state, d.gear ? `in ${d.gear}` : ""].filter(Boolean).join(" "), level: "note" };
    case "sensor":
      return { word: "Sensor", text: `${d.signal ?? ""} ${d.finding ?? ""}`, level: "caution" };
    case "missed_shift":
      return { word: typeof d.came_s === "number" ? "Shift came late or by slip" : "Shift did not come", text: `${d.from ?? ""} → ${d.to ?? ""}`, level: "caution" };
    case "uncommanded_shift":
      return { word: "Shift not asked for", text: `${d.from ?? ""} → ${d.to ?? ""}`, level: "caution" };
    case "unfinished_shift":
      return { word: "Shift not seen to its end", text: `from ${d.from ?? ""}`, level: "note" };
    case "stale": {
      // What is missing now stands at the head of the page; the log keeps what
      // was missing for longer than an adapter may stumble.
      const gap = Number(d.time_s) - Number(d.since_s);
      if (d.state !== "fresh" || !(gap >= 1)) return null;
      return { word: `Missing for ${figure(gap, 1, "s")}`, text: (d.signals ?? []).join(", "), level: "caution" };
    }
    case "vin":
      return { word: "Identification number", text: `${d.vin ?? ""}, by ${d.unit ?? "a unit"}`, level: "note" };
    case "requests":
      return { word: "Requests", text: d.text ?? "", level: d.state === "stopped" ? "caution" : "note" };
    case "procedure": {
      /** @type {Record<string, string>} */
      const words = { waiting: "Procedure waits", begun: "Procedure begun", refused: "Procedure not begun" };
      return { word: words[d.state] ?? `Procedure ${d.verdict ?? d.state}`, text: [d.title, ...(d.why ?? [])].join(": "), level: d.state === "refused" || (d.state === "ended" && d.verdict !== "done") ? "caution" : "note" };
    }
    case "step":
      if (d.state === "counted" && d.of > 1) return { word: `Counted ${d.count} of ${d.of}`, text: String(d.step ?? "").replaceAll("_", " "), level: "note" };
      return d.state === "again" ? { word: "Did not count", text: d.why ?? "", level: "note" } : null;
    case "note":
    case "loss":
      return { word: e.kind === "loss" ? "Loss" : "Note", text: d.text ?? d.detail ?? d.reason ?? "", level: "note" };
    default:
      return null;
  }
}

/**
 * What is remarkable about a shift, in words.
 * @param {Record<string, any>} d the event's data
 * @returns {string[]}
 */
export function remarks(d) {
  return [
    d.uncommanded ? "not asked for" : "",
    d.slipped_before ? "slipped before it was asked for" : "",
    d.settled === false ? "did not settle" : "",
    d.repeated ? "again within 5 s" : "",
    d.bridged ? "a speed sensor was missing" : "",
  ].filter(Boolean);
}

/**
 * All figures of a shift that are known.
 * @param {Record<string, any>} d the event's data
 * @param {Units} [units]
 * @returns {[string, string][]}
 */
export function shiftFigures(d, units = new Units()) {
  /** @type {[string, string, number, string][]} */
  const all = [
    ["asked for before", "delay_s", 2, "s"],
    ["took", "duration_s", 3, "s"],
    ["may be off by", "uncertainty_s", 3, "s"],
    ["flare", "flare_rpm", 0, "rpm"],
    ["bind-up", "bind_up_mps2", 2, "m/s²"],
    ["input at the start", "input_rpm", 0, "rpm"],
    ["engine torque", "engine_torque_nm", 0, "N·m"],
    ["pedal", "pedal_percent", 0, "%"],
    ["oil", "oil_celsius", 0, "°C"],
  ];
  const known = /** @type {[string, string][]} */ (all.flatMap(([label, key, digits, unit]) => (typeof d[key] === "number" ? [[label, `${units.text(d[key], unit, digits)} ${units.of(unit).unit}`]] : [])));
  return d.load ? [["load", String(d.load)], ...known] : known;
}

/** Lines folded into one; older ones are in the session. */
const mostFolded = 50;

/**
 * Puts a line of the log, and what is folded into it, behind a newer one of its
 * kind: a converter opens and locks all the time, and nothing else would be seen.
 * @param {HTMLElement} item
 * @param {HTMLElement} before
 */
function fold(item, before) {
  const old = before.querySelector("details");
  const folded = old ?? make("details", { class: "log-fold" }, make("summary", {}), make("ul", {}));
  const list = folded.querySelector("ul");
  old?.remove();
  before.remove();
  list?.prepend(before);
  while (list && list.childElementCount > mostFolded) list.lastElementChild?.remove();
  const n = Number(folded.dataset.count ?? 0) + 1;
  folded.dataset.count = String(n);
  const summary = folded.querySelector("summary");
  if (summary) setText(summary, `${n} more before`);
  item.append(folded);
}

export class Happened {
  /**
   * @param {{shifts: HTMLElement, shiftCount: HTMLElement, shiftsEmpty: HTMLElement, log: HTMLElement, logEmpty: HTMLElement}} at
   * @param {(t: number) => void} show called when a row is chosen, with its time
   * @param {Units} units
   */
  constructor(at, show, units) {
    this.at = at;
    this.show = show;
    this.units = units;
    /** @type {Map<Element, Record<string, any>>} the shifts whose figures are shown */
    this.open = new Map();
    this.seen = 0;
    this.shifts = 0;
  }

  /**
   * Takes an event once; the stream may repeat those the lists began with.
   * @param {SessionEvent} e
   * @returns {boolean} whether it was new
   */
  add(e) {
    if (e.seq <= this.seen) return false;
    this.seen = e.seq;
    if (e.kind === "shift") this.shift(e);
    const line = logLine(e);
    if (line) {
      this.at.logEmpty.hidden = true;
      const item = make("li", { class: "log-item", "data-level": line.level, "data-kind": e.kind }, this.time(e.t), make("strong", {}, line.word), " ", line.text);
      const before = this.at.log.firstElementChild;
      this.at.log.prepend(item);
      if (e.kind === "converter" && before instanceof HTMLElement && before.dataset.kind === e.kind) fold(item, before);
      while (this.at.log.childElementCount > mostLog) this.at.log.lastElementChild?.remove();
    }
    return true;
  }

  /** Forgets everything: what comes belongs to another run. */
  restart() {
    this.shifts = 0;
    this.open.clear();
    this.at.shifts.replaceChildren();
    this.at.log.replaceChildren();
    setText(this.at.shiftCount, "");
    this.at.shiftsEmpty.hidden = this.at.logEmpty.hidden = false;
  }

  /** @param {SessionEvent} e */
  shift(e) {
    const d = e.data;
    this.shifts++;
    this.at.shiftsEmpty.hidden = true;
    setText(this.at.shiftCount, String(this.shifts));
    const took = typeof d.duration_s === "number" ? figure(d.duration_s, 2, "s") : "not seen to end";
    const name = make("button", { type: "button", class: "shift-name", "aria-expanded": "false", title: "all figures of this shift" }, `${d.from} → ${d.to}`);
    const row = make("tr", {}, make("td", {}, this.time(e.t)), make("th", { scope: "row" }, name, ...remarks(d).map((r) => make("span", { class: "figure-note" }, r))), make("td", { class: "num" }, took), make("td", { class: "num" }, figure(d.flare_rpm, 0, "rpm")));
    name.addEventListener("click", () => {
      const open = name.getAttribute("aria-expanded") === "true";
      name.setAttribute("aria-expanded", String(!open));
      if (open) this.close(row);
      else this.more(row, d);
    });
    this.at.shifts.prepend(row);
    while (this.at.shifts.childElementCount > mostShifts) {
      const last = this.at.shifts.lastElementChild;
      if (last) this.open.delete(last);
      last?.remove();
    }
  }

  /**
   * Shows all figures of a shift below its row.
   * @param {Element} row
   * @param {Record<string, any>} d
   */
  more(row, d) {
    this.open.set(row, d);
    row.after(make("tr", { class: "shift-more" }, make("td", { colspan: "4" }, make("dl", {}, ...shiftFigures(d, this.units).flatMap(([k, v]) => [make("dt", {}, k), make("dd", {}, v)])))));
  }

  /** @param {Element} row */
  close(row) {
    this.open.delete(row);
    if (row.nextElementSibling?.matches(".shift-more")) row.nextElementSibling.remove();
  }

  /** Shows the figures that are open in the units that are chosen now. */
  unitsChanged() {
    for (const [row, d] of [...this.open]) {
      this.close(row);
      this.more(row, d);
    }
  }

  /** @param {number} t */
  time(t) {
    const b = make("button", { type: "button", class: "time", title: "show in the graphs" }, clock(t, 1));
    b.addEventListener("click", () => this.show(t));
    return b;
  }
}
