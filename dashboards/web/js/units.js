// Metric or customary units: which was chosen, and how a value is shown in it.
// The program decides the conversions (see Signals in types.js); values come and
// are kept in the unit of their signal. Pure but for what the browser remembers.

/** @import {Display} from "./types.js" */
import { make } from "./dom.js";
import { number } from "./format.js";

/** @typedef {"metric"|"us"} System */

const key = "gearwitness.units";

/** @type {[System, string][]} */
const systems = [
  ["metric", "metric"],
  ["us", "US"],
];

export class Units {
  /** @param {Record<string, {metric: Display, us: Display}>} table by unit */
  constructor(table = {}) {
    this.table = table;
    /** @type {System} */
    this.system = "metric";
  }

  /**
   * How a unit is shown; as it is where nothing is known of it.
   * @param {string} unit
   * @returns {Display}
   */
  of(unit) {
    return this.table[unit]?.[this.system] ?? { unit, factor: 1, offset: 0, digits: 0 };
  }

  /**
   * The figure to show for a value; null stays null.
   * @template {number|null} T
   * @param {T} v
   * @param {string} unit
   * @returns {T}
   */
  figure(v, unit) {
    const d = this.of(unit);
    return /** @type {T} */ (v === null ? null : v * d.factor + d.offset);
  }

  /**
   * A column of figures; the same one where nothing is to be done.
   * @param {(number|null)[]} column
   * @param {string} unit
   */
  column(column, unit) {
    const d = this.of(unit);
    return d.factor === 1 && d.offset === 0 ? column : column.map((v) => (v === null ? null : v * d.factor + d.offset));
  }

  /**
   * The text of a value that has so many decimals in its own unit.
   * @param {number} v
   * @param {string} unit
   * @param {number} digits
   */
  text(v, unit, digits) {
    return number(this.figure(v, unit), digits + this.of(unit).digits);
  }
}

/**
 * The choice on the page; it is remembered in this browser.
 * @param {HTMLElement} at
 * @param {Units} units
 * @param {() => void} changed
 */
export function unitChoice(at, units, changed) {
  const remembered = remember();
  for (const [system, label] of systems) {
    const input = make("input", { type: "radio", name: "units", value: system });
    if (system === remembered) units.system = system;
    input.checked = system === units.system;
    input.addEventListener("change", () => {
      units.system = system;
      remember(system);
      changed();
    });
    at.append(make("label", { class: "choice" }, input, make("span", {}, label)));
  }
  for (const input of at.querySelectorAll("input")) input.checked = input.value === units.system;
}

/**
 * Reads what was chosen last, after writing it where given. A browser may
 * refuse both.
 * @param {string} [system]
 */
function remember(system) {
  try {
    if (system) localStorage.setItem(key, system);
    return localStorage.getItem(key);
  } catch {
    return system ?? null;
  }
}
