// What is said and shown of procedures. Pure.

/** @import {ProcedureChange, SessionEvent} from "./types.js" */

/**
 * How often a step has been done, in words; empty where once is enough.
 * @param {{of: number, gears: string[]}} step
 * @param {number} count
 */
export function counted(step, count) {
  if (step.gears.length) return `${count} of ${step.of} ${step.of === 1 ? "sequence" : "sequences"}`;
  return step.of > 1 ? `${count} of ${step.of} times` : "";
}

/**
 * Where band and value stand on a gauge from 0 to 1. It reaches as far beyond the
 * band as the band is wide, but not beyond what the signal can be.
 * @param {{low: number, high: number, value: number|null}} b
 * @param {readonly number[]} [range] of the signal
 * @returns {{low: number, high: number, at: number|null}}
 */
export function gauge(b, range) {
  const wide = b.high - b.low || Math.abs(b.high) || 1;
  const from = Math.max(b.low - wide, Math.min(range?.[0] ?? -Infinity, b.low));
  const to = Math.min(b.high + wide, Math.max(range?.[1] ?? Infinity, b.high));
  /** @param {number} v */
  const part = (v) => Math.min(1, Math.max(0, (v - from) / (to - from)));
  return { low: part(b.low), high: part(b.high), at: b.value === null ? null : part(b.value) };
}

/**
 * How a band is left, in a word or two; empty where it holds.
 * @param {{low: number, high: number, value: number|null, holds: boolean, title: string}} b
 */
export function leaves(b) {
  if (b.holds) return "";
  if (b.value === null) return `${b.title}: no value`;
  return `${b.title} too ${b.value < b.low ? "low" : "high"}`;
}

/**
 * Whether what must not be held for long has been held long enough to count.
 * @param {{for_s: number, at_most_s: number}} step
 * @param {number} held
 */
export const longEnough = (step, held) => step.at_most_s > 0 && held >= step.for_s;

/**
 * How long something has been held, and for how long it is to be.
 * @param {{for_s: number, at_most_s: number}} step
 * @param {number} held
 */
export function heldFor(step, held) {
  if (longEnough(step, held)) return `held ${held.toFixed(1)} s: let go before ${Number(step.at_most_s.toFixed(1))} s`;
  return `held ${Math.min(held, step.for_s).toFixed(step.for_s < 20 ? 1 : 0)} of ${Number(step.for_s.toFixed(2))} s`;
}

/** @type {Record<string, {word: string, sign: string, tones: number[]}>} */
const verdicts = {
  done: { word: "Done", sign: "✓", tones: [520, 660, 780] },
  "not done": { word: "Not done", sign: "✗", tones: [440, 330] },
  stopped: { word: "Stopped", sign: "■", tones: [440, 330] },
  refused: { word: "Not begun", sign: "✗", tones: [440, 330] },
};

/**
 * How the verdict of a procedure is said, shown and sounded.
 * @param {ProcedureChange} c
 */
export const verdictOf = (c) => verdicts[c.state === "refused" ? "refused" : (c.verdict ?? "")];

/**
 * What is read out when something happens; null where nothing is.
 * @param {SessionEvent} e
 * @returns {{tones: number[], say: string, now?: boolean}|null} now: it cuts off what is being said
 */
export function spoken(e) {
  const d = e.data;
  const why = (d.why ?? []).toString() && [d.why].flat().join(" ");
  if (e.kind === "procedure") {
    if (d.state === "begun") return { tones: [520, 660], say: `${d.title} begins.` };
    if (d.state === "waiting") return { tones: [520], say: `${d.title} waits. ${why}` };
    const v = verdictOf(/** @type {ProcedureChange} */ (d));
    if (!v) return null;
    // What ends it at once may be to take the foot off: that comes first, and now.
    if (d.verdict === "stopped") return { tones: v.tones, say: `${why} ${d.title}: stopped.`, now: true };
    return { tones: v.tones, say: `${d.title}: ${v.word.toLowerCase()}. ${why}` };
  }
  if (e.kind !== "step") return null;
  if (d.state === "begun") return { tones: [520], say: d.say ?? "" };
  if (d.state === "counted" && d.of > 1) return { tones: [660], say: `${d.count} of ${d.of}.` };
  if (d.state === "again") return { tones: [440], say: `That did not count. ${why}` };
  return null;
}
