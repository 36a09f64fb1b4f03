// The newest value of every signal, kept up by the live stream. Pure.

/** @import {Signal, Values} from "./types.js" */
import { none, age } from "./format.js";
import { Units } from "./units.js";

/** State codes of the live stream; live.go names them. */
export const State = Object.freeze({ valid: 0, notAvailable: 1, error: 2, implausible: 3, stale: 4, never: 5 });

/** Decimals that can be read at a glance while the figure moves, by unit. */
const glance = new Map([["rpm", 0], ["km/h", 1], ["N·m", 0]]);

const words = ["", "not available", "error", "implausible", "stale", "not seen yet"];

export class LiveValues {
  /**
   * @param {Signal[]} signals in the order of the program's table
   * @param {Units} [units] what they are shown in
   */
  constructor(signals, units = new Units()) {
    this.signals = signals;
    this.units = units;
    /** @type {Map<string, number>} */
    this.index = new Map(signals.map((s, i) => [s.name, i]));
    this.value = new Float64Array(signals.length).fill(NaN);
    this.state = new Uint8Array(signals.length).fill(State.never);
    this.at = new Float64Array(signals.length);
    /** event time, seconds since session start */
    this.now = 0;
    /** the sources have ended: what stands is the last there was */
    this.ended = false;
  }

  /**
   * Takes in one message. What is not a signal of ours is passed over.
   * @param {Values} m
   */
  apply(m) {
    this.now = m.t;
    for (let k = 0; k < m.i.length; k++) {
      const i = m.i[k] ?? -1;
      if (!(i >= 0 && i < this.signals.length)) continue;
      const v = m.v[k];
      this.value[i] = v === null || v === undefined ? NaN : v;
      this.state[i] = m.s[k] ?? State.never;
      this.at[i] = m.at[k] ?? 0;
    }
  }

  /** Forgets everything: what comes belongs to another run. */
  restart() {
    this.value.fill(NaN);
    this.state.fill(State.never);
    this.at.fill(0);
    this.now = 0;
  }

  /**
   * The value that may be drawn: NaN unless it counts now.
   * @param {number} i
   */
  current(i) {
    return this.state[i] === State.valid ? (this.value[i] ?? NaN) : NaN;
  }

  /**
   * The unit a signal comes in.
   * @param {string} name
   */
  unitOf(name) {
    return this.signals[this.index.get(name) ?? -1]?.unit ?? "";
  }

  /**
   * How a signal is to be shown.
   * @param {string|undefined} name
   * @param {boolean} [all] with all its decimals
   * @returns {{text: string, unit: string, note: string, dim: boolean}} note: age or state in words
   */
  show(name, all) {
    const i = name === undefined ? undefined : this.index.get(name);
    const s = i === undefined ? undefined : this.signals[i];
    if (i === undefined || s === undefined) return { text: none, unit: "", note: "", dim: true };
    const state = this.state[i] ?? State.never;
    const v = this.value[i] ?? NaN;
    const text = Number.isNaN(v) ? none : (s.states?.find((x) => x.value === v)?.text ?? this.units.text(v, s.unit, all ? s.digits : Math.min(s.digits, glance.get(s.unit) ?? 9)));
    let note = words[state] ?? "";
    if (state === State.stale) note = this.ended ? "at the end" : age(this.now - (this.at[i] ?? 0));
    return { text, unit: this.units.of(s.unit).unit, note, dim: state !== State.valid };
  }
}
