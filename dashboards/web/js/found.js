// What was found about the gearbox so far: one list, what is wrong now and worst first.
// The program decides; the page folds its events.

/** @import {Finding, SessionEvent} from "./types.js" */
import { make } from "./dom.js";
import { clock } from "./format.js";

const levels = ["stop", "caution", "note"];

/**
 * Orders findings: what is so now before what is over or taken back, then by level,
 * then by the time they began.
 * @param {Finding[]} list
 * @returns {Finding[]}
 */
export function worstFirst(list) {
  /** @param {Finding} f */
  const rank = (f) => ["so", "over", "taken back"].indexOf(f.state) * levels.length + levels.indexOf(f.level);
  return [...list].sort((a, b) => rank(a) - rank(b) || a.id - b.id);
}

/**
 * What there is to say of a finding beside its sentence.
 * @param {Finding} f
 * @returns {string}
 */
export function standing(f) {
  switch (f.state) {
    case "over":
      return `over since ${clock(f.until_s ?? f.last_s, 0)}`;
    case "taken back":
      return "taken back";
    default:
      return f.sure < 0.7 ? "perhaps" : "";
  }
}

/**
 * The finding of an event, with its times in seconds of the session as the page counts
 * them: those of the event's own data are of the recording's clock.
 * @param {SessionEvent} e
 * @returns {Finding}
 */
export function findingOf(e) {
  const f = /** @type {Finding} */ (e.data);
  const begin = e.data.time_s - e.t;
  /** @param {number} t */
  const since = (t) => Math.max(0, t - begin);
  return { ...f, since_s: since(f.since_s), last_s: since(f.last_s), ...(f.until_s === undefined ? {} : { until_s: since(f.until_s) }) };
}

export class Found {
  /**
   * @param {HTMLElement} at a list
   * @param {(t: number) => void} show called when a row is chosen, with its time
   */
  constructor(at, show) {
    this.at = at;
    this.show = show;
    /** @type {Map<number, Finding>} */
    this.all = new Map();
  }

  /** @param {SessionEvent} e */
  event(e) {
    if (e.kind !== "finding") return;
    const f = findingOf(e);
    this.all.set(f.id, f);
    this.draw();
  }

  restart() {
    this.all.clear();
    this.draw();
  }

  draw() {
    const rows = worstFirst([...this.all.values()]).map((f) => {
      const time = make("button", { type: "button", class: "time", title: "show in the graphs" }, clock(f.since_s, 0));
      time.addEventListener("click", () => this.show(f.since_s));
      return make("li", { class: "found", "data-level": f.level, "data-state": f.state }, time, make("span", {}, f.text), make("span", { class: "found-state" }, standing(f)));
    });
    this.at.hidden = rows.length === 0;
    this.at.replaceChildren(...rows);
  }
}
