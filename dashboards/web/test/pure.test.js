// Tests of the modules that need no browser: node --test dashboards/web/test/
import assert from "node:assert/strict";
import { test } from "node:test";

import { pause } from "../js/alerts.js";
import { carries, looks, spell, strokes, troubles } from "../js/bus.js";
import { Columns } from "../js/columns.js";
import { losses } from "../js/connection.js";
import { entered, wanted } from "../js/bench.js";
import { findingOf, standing, worstFirst } from "../js/found.js";
import { age, bytes, clock, count, number } from "../js/format.js";
import { graphsFor, ofColumn, sizes } from "../js/graphs.js";
import { logLine, remarks, shiftFigures } from "../js/happened.js";
import { length, slipSplits } from "../js/scale.js";
import { band, path, step } from "../js/overlay.js";
import { numbered, reach } from "../js/trend.js";
import { jumpTo, neighbour, strokes as moments } from "../js/playback.js";
import { counted, gauge, heldFor, leaves, longEnough, spoken } from "../js/procedure.js";
import { factLines, lasted, stateOf } from "../js/sessions.js";
import { Units } from "../js/units.js";
import { LiveValues, State } from "../js/values.js";

test("number", () => {
  for (const [v, digits, want] of [
    [1234.56, 1, "1234.6"],
    [-3.2, 0, "\u22123"],
    [-0.04, 1, "0.0"], // no minus before nothing
    [0, 2, "0.00"],
    [2, -1, "2"],
  ])
    assert.equal(number(v, digits), want);
});

test("clock", () => {
  for (const [t, digits, want] of [
    [0, 0, "0:00"],
    [59.96, 1, "1:00.0"], // rounds before it splits
    [61.25, 1, "1:01.3"],
    [3599.7, 0, "1:00:00"],
    [36000, 0, "10:00:00"],
    [-15, 0, "\u22120:15"],
    [-0.01, 0, "0:00"],
  ])
    assert.equal(clock(t, digits), want);
});

test("age, bytes and count", () => {
  assert.equal(age(2.84), "2.8 s ago");
  assert.equal(age(75), "75 s ago");
  assert.equal(age(600), "10 min ago");
  assert.equal(age(10800), "3 h ago");
  for (const [n, want] of [[0, "0 B"], [999, "999 B"], [1000, "1.0 kB"], [99949, "99.9 kB"], [99960, "100 kB"], [999600, "1.0 MB"], [12345678, "12.3 MB"]]) assert.equal(bytes(n), want);
  assert.equal(count(1234567), "1\u2009234\u2009567");
  assert.equal(count(999), "999");
});

test("columns keep the newest rows, in order", () => {
  const c = new Columns(2, 4);
  assert.equal(c.newest, -Infinity);
  for (let t = 1; t <= 6; t++) assert.ok(c.push(t, (k) => t * 10 + k));
  assert.equal(c.push(6, () => 0), false, "a time that does not grow");
  assert.equal(c.push(NaN, () => 0), false);
  assert.equal(c.rows, 4);
  assert.deepEqual(c.window(-Infinity, Infinity), { x: [3, 4, 5, 6], columns: [[30, 40, 50, 60], [31, 41, 51, 61]] });
});

test("columns give one row more at each side of a window", () => {
  const c = new Columns(1, 10);
  for (let t = 0; t < 8; t++) c.push(t, () => (t === 4 ? NaN : t));
  assert.deepEqual(c.window(3, 4.5), { x: [2, 3, 4, 5], columns: [[2, 3, null, 5]] });
  assert.deepEqual(c.window(20, 30).x, [7]);
  assert.deepEqual(new Columns(1, 4).window(0, 9), { x: [], columns: [[]] });
});

test("columns do not grow", () => {
  const c = new Columns(16, 6200);
  for (let t = 0; t < 20000; t++) c.push(t / 10, (k) => k);
  assert.equal(c.time.length, 6200);
  assert.equal(c.window(1400, 2000).x.length, 6001); // 1399.9 to 1999.9
});

const signals = [
  { name: "engine_speed", title: "engine_speed", unit: "rpm", digits: 0 },
  { name: "gear", title: "gear", unit: "", digits: 0, states: [{ value: 3, text: "3" }, { value: 101, text: "between" }] },
];

test("values follow the stream", () => {
  const v = new LiveValues(signals);
  assert.deepEqual(v.show("engine_speed"), { text: "–", unit: "rpm", note: "not seen yet", dim: true });
  v.apply({ t: 10, i: [0, 1], v: [812, 101], s: [State.valid, State.valid], at: [9.99, 9.99] });
  assert.deepEqual(v.show("engine_speed"), { text: "812", unit: "rpm", note: "", dim: false });
  assert.equal(v.show("gear").text, "between");
  assert.equal(v.current(0), 812);
});

test("a stale value keeps its figure, dimmed, with its age, and is not drawn", () => {
  const v = new LiveValues(signals);
  v.apply({ t: 10, i: [0], v: [812], s: [State.valid], at: [10] });
  v.apply({ t: 14.5, i: [0], v: [812], s: [State.stale], at: [10] });
  assert.deepEqual(v.show("engine_speed"), { text: "812", unit: "rpm", note: "4.5 s ago", dim: true });
  assert.ok(Number.isNaN(v.current(0)));
});

test("not available is never a number", () => {
  const v = new LiveValues(signals);
  v.apply({ t: 1, i: [0], v: [812], s: [State.valid], at: [1] });
  v.apply({ t: 2, i: [0], v: [null], s: [State.notAvailable], at: [2] });
  assert.deepEqual(v.show("engine_speed"), { text: "–", unit: "rpm", note: "not available", dim: true });
  assert.ok(Number.isNaN(v.current(0)));
});

test("a message about signals we do not know does no harm", () => {
  const v = new LiveValues(signals);
  v.apply({ t: 1, i: [99, -1, 1.5], v: [1, 2, 3], s: [0, 0, 0], at: [1, 1, 1] });
  assert.equal(v.show("engine_speed").text, "–");
  assert.equal(v.show(undefined).text, "–");
  assert.equal(v.show("nothing").text, "–");
});

test("length of a slip bar", () => {
  assert.equal(length(0), 0);
  assert.equal(length(3000), 1);
  assert.equal(length(-3000), 1);
  assert.equal(length(9999), 1);
  assert.ok(length(30) > 0.1 && length(30) < 0.25, "a locked clutch stays short");
  assert.ok(length(300) > 0.5, "a slipping one does not");
});

test("marks of the slip axis", () => {
  assert.deepEqual(slipSplits(1200, 10), [0, 30, 100, 300, 1000]);
  assert.deepEqual(slipSplits(5000, 4), [0, 30, 300, 3000]);
});

test("a graph for what the vehicle has, none for what it has not", () => {
  const v = { title: "", roles: { engine_speed: "rpm", ratio: "ratio" }, gears: [], elements: [] };
  assert.deepEqual(graphsFor(v).map((g) => g.title), ["Speeds", "Ratio"]);
  v.elements.push({ name: "a", title: "front brake", kind: "brake", signal: "slip.a" }, { name: "b", title: "b", kind: "one_way", signal: "" });
  assert.deepEqual(graphsFor(v)[2].curves.map((c) => c.label), ["front brake"]);
});

test("figures of a stretch pass over gaps", () => {
  assert.deepEqual(ofColumn([null, 2, 4, null, 9]), { low: 2, mean: 5, high: 9 });
  assert.deepEqual(ofColumn([null]), { low: null, mean: null, high: null });
});

test("a stretch without its sign", () => {
  const c = sizes({ min: [-300, -20, 5, null], max: [-100, 40, 9, null], mid: [-200, 10, 7, null] });
  assert.deepEqual(c, { min: [100, 0, 5, null], max: [300, 40, 9, null], mid: [200, 10, 7, null] });
});

test("lines of the log", () => {
  const line = (kind, data) => logLine({ seq: 1, t: 0, kind, data });
  assert.deepEqual(line("mark", { text: "shudder" }), { word: "Mark", text: "shudder", level: "mark" });
  assert.deepEqual(line("alarm", { state: "raised", level: "stop", say: "Oil hot." }), { word: "Alarm raised", text: "Oil hot.", level: "stop" });
  assert.equal(line("alarm", { state: "cleared", level: "stop", say: "Oil hot." }).level, "note");
  assert.equal(line("engagement", { from: "N", to: "D", duration_s: 0.612, engaged: true }).text, "N → D, 0.61 s");
  assert.equal(line("engagement", { from: "N", to: "D", duration_s: null, engaged: false }).word, "Did not engage");
  assert.equal(line("stale", { state: "stale", signals: ["a"], time_s: 5, since_s: 4.9 }), null);
  assert.equal(line("stale", { state: "fresh", signals: ["a"], time_s: 5, since_s: 4.9 }), null, "an adapter's stumble");
  assert.equal(line("stale", { state: "fresh", signals: ["a", "b"], time_s: 15, since_s: 5 }).word, "Missing for 10.0 s");
  assert.deepEqual(line("requests", { state: "stopped", text: "No answer." }), { word: "Requests", text: "No answer.", level: "caution" });
  assert.equal(line("requests", { state: "sending", text: "Asking." }).level, "note");
  assert.equal(line("shift", {}), null, "shifts have a list of their own");
  assert.deepEqual(line("uncommanded_shift", { from: "2", to: "1" }), { word: "Shift not asked for", text: "2 → 1", level: "caution" });
  assert.equal(line("missed_shift", { from: "2", to: "3", came_s: 8.4 }).word, "Shift came late or by slip");
});

test("a shift in words and figures", () => {
  assert.deepEqual(remarks({ settled: true }), []);
  assert.deepEqual(remarks({ uncommanded: true, settled: false }), ["not asked for", "did not settle"]);
  assert.deepEqual(shiftFigures({ duration_s: 0.4504, flare_rpm: null, pedal_percent: 34.4, load: "power-on" }), [["load", "power-on"], ["took", "0.450 s"], ["pedal", "34 %"]]);
});

test("losses in words", () => {
  const bus = (lost) => ({ name: "b", device: "", text: false, passive: true, frames: 9, load: null, lost });
  const recording = { state: "recording", bytes: 0, frames: 0, lost: 0, text: "" };
  assert.equal(losses({ buses: [bus({})], recording }), "");
  assert.equal(losses({ buses: [bus({ overrun: 3 }), bus({ overrun: 1, queue: 2 })], recording: { ...recording, lost: 1000 } }), "4 overrun, 2 queue, 1\u2009000 not written");
  assert.equal(losses({ buses: [bus({ unknown: 0, overrun: 0 })], recording }), "not known how many, overrun (not known how many)");
});

const displays = {
  "°C": { metric: { unit: "°C", factor: 1, offset: 0, digits: 0 }, us: { unit: "°F", factor: 1.8, offset: 32, digits: 0 } },
  "N·m": { metric: { unit: "N·m", factor: 1, offset: 0, digits: 0 }, us: { unit: "lbf·ft", factor: 0.737562149277, offset: 0, digits: 0 } },
  kPa: { metric: { unit: "kPa", factor: 1, offset: 0, digits: 0 }, us: { unit: "psi", factor: 0.145037737730, offset: 0, digits: 1 } },
};

test("units as chosen; missing stays missing", () => {
  const u = new Units(displays);
  assert.equal(u.text(100, "°C", 1), "100.0");
  const column = [0, null, 100];
  assert.equal(u.column(column, "°C"), column, "nothing is copied where nothing is to be done");
  u.system = "us";
  assert.equal(u.text(100, "°C", 1), "212.0");
  assert.deepEqual(u.column(column, "°C"), [32, null, 212]);
  assert.equal(u.text(820, "kPa", 0), "118.9"); // NIST SP 811 B.8: 1 psi is 6.894757 kPa
  assert.equal(u.figure(null, "°C"), null);
  assert.equal(u.text(3, "rpm", 0), "3", "a unit nobody said anything of stays");
  const v = new LiveValues([{ name: "oil", title: "oil", unit: "°C", digits: 1 }], u);
  v.apply({ t: 1, i: [0], v: [90], s: [State.valid], at: [1] });
  assert.deepEqual(v.show("oil"), { text: "194.0", unit: "°F", note: "", dim: false });
  assert.equal(v.current(0), 90, "values are kept as they come");
  assert.deepEqual(shiftFigures({ oil_celsius: 90, engine_torque_nm: 100 }, u), [["engine torque", "74 lbf·ft"], ["oil", "194 °F"]]);
});

test("times between frames", () => {
  for (const [s, want] of [[0.01, "10.0 ms"], [0.00998, "9.98 ms"], [0.09996, "100 ms"], [1, "1.00 s"], [30, "30.0 s"], [null, "–"]]) assert.equal(spell(s), want);
});

test("strokes of a byte", () => {
  // Bit 8 stands first; what changed lately is a path of its own.
  assert.deepEqual(strokes("40000001", 0b1000_0000), { lively: "M1.5 12v-3", quiet: "M22.5 12v-12M19.5 12v-1M16.5 12v-1M13.5 12v-1M10.5 12v-1M7.5 12v-1M4.5 12v-1" });
  assert.equal(strokes("", 0).quiet.match(/v-1/g).length, 8);
});

test("an identifier in words", () => {
  assert.equal(troubles({ bad: null }), "");
  assert.equal(troubles({ bad: { short: 0, checksum: 1200, repeated: 2, missed: 0 } }), "1\u2009200 wrong check byte, 2 counter stood still");
  assert.equal(looks({ kind: "value", start: "2.8", bits: 16, big: true }), "value at 2.8, 16 bits, high byte first");
  assert.equal(looks({ kind: "flag", start: "6.1", bits: 1, big: false }), "flag at 6.1");
  assert.equal(looks({ kind: "check byte", start: "7.1", bits: 8, big: false, check: "crc8-sae-j1850" }), "check byte in byte 7, crc8-sae-j1850");
  assert.deepEqual(carries({ rate: 360, lost: {}, errors: 0, beyond: 0, text: false }), ["360 frames/s", "nothing lost", "no error frames"]);
  assert.deepEqual(carries({ rate: 9, lost: { overrun: 2, queue: 1 }, errors: 7, beyond: 5, text: false }), ["9 frames/s", "3 lost", "7 error frames", "5 frames of further identifiers"]);
});

test("jumps go on, though each lands before its moment", () => {
  const list = [{ t: 10 }, { t: 20 }, { t: 20.5 }, { t: 30 }];
  assert.equal(neighbour(list, 0, 1).t, 10);
  assert.equal(neighbour(list, 9, 1).t, 20, "where the jump to 10 landed");
  assert.equal(neighbour(list, 19, 1).t, 20.5);
  assert.equal(neighbour(list, 19, -1).t, 10);
  assert.equal(neighbour(list, 29, 1), undefined);
  assert.equal(neighbour(list, 9, -1), undefined);
  assert.equal(neighbour(list, 500, -1).t, 30);
});

test("a jump brings what led up to it", () => {
  assert.deepEqual(jumpTo(100.25), { seek_s: 70.25, step_s: 30 });
  assert.deepEqual(jumpTo(12), { seek_s: 0, step_s: 12 });
  assert.deepEqual(jumpTo(-1), { seek_s: 0, step_s: 0 });
});

test("moments on the time line", () => {
  const list = [{ t: 1, kind: "shift" }, { t: 2, kind: "mark" }, { t: 3.5, kind: "shift" }];
  assert.equal(moments(list, "shift"), "M1 8V12M3.5 8V12");
  assert.equal(moments(list, "mark"), "M2 4V8");
  assert.equal(moments(list, "alarm"), "");
});

test("curves and bands have gaps where nothing is known", () => {
  assert.equal(path([0, 1, 2, 3], [5, null, 6, 7]), "M0.0 5.0M2.0 6.0L3.0 7.0");
  assert.equal(band([0, 1, 2, 3, 4], [1, 1, null, 1, 1], [2, 2, 2, 2, 2]), "M0.0 2.0L1.0 2.0L1.0 1.0L0.0 1.0ZM3.0 2.0L4.0 2.0L4.0 1.0L3.0 1.0Z");
  assert.equal(band([0, 1], [1, null], [2, 2]), "", "one point is no band");
});

test("steps of an axis are round", () => {
  for (const [span, want] of [[1, 0.2], [0.8, 0.2], [2.4, 0.5], [10, 2], [0.06, 0.01]]) assert.ok(Math.abs(step(span) - want) < 1e-12, `${span}: ${step(span)}`);
});

test("sessions in words", () => {
  const row = { name: "a", folder: "/a", started: "2026-11-25T10:00:00Z", ended: "2026-11-25T11:02:03Z", bytes: 1, sealed: true, protected: false };
  assert.equal(lasted(row), "1:02:03");
  assert.equal(lasted({ ...row, ended: null }), "");
  assert.equal(stateOf(row), "sealed");
  assert.equal(stateOf({ ...row, ended: null, sealed: false }), "no end recorded");
  assert.equal(stateOf({ ...row, recording: true, sealed: false, ended: null }), "being recorded");
  const facts = Object.fromEntries(factLines({ ...row, vin: "X", vin_remark: "too short", captures: ["c"], marks: [{ time_s: 1, text: "" }], lost: 3, seal_sha256: "ab" }));
  assert.equal(facts["Identification number"], "X (too short)");
  assert.equal(facts.Marks, "(no note)");
  assert.equal(facts.Lost, "3 frames or lines");
  assert.equal(facts.Seal, "SHA-256 ab, not signed");
  assert.match(facts.Position, /nobody has agreed/);
});

test("a drawing over sessions reaches as far as its intervals, and to 0 where that is near", () => {
  const at = (median, low, high) => ({ session: 0, started: "", n: 3, median, ...(low === undefined ? {} : { interval_95: { low, high } }) });
  const [lo, hi] = reach([at(0.4, 0.35, 0.5), at(0.38)]);
  assert.ok(lo < 0.35 && lo > 0.3 && hi > 0.5 && hi < 0.55);
  assert.equal(reach([at(5), at(200)])[0], 0);
  const [a, b] = reach([at(0), at(0)]);
  assert.ok(b > a);
  assert.ok(reach([at(-3), at(2)])[0] < -3);
  assert.deepEqual(numbered(5), [0, 1, 2, 3, 4]);
  assert.ok(numbered(50).length <= 12);
});

test("what must not be held for long is to be let go as soon as it counts", () => {
  const stall = { for_s: 2, at_most_s: 5 };
  assert.deepEqual([1.9, 2, 3].map((held) => longEnough(stall, held)), [false, true, true]);
  assert.equal(longEnough({ for_s: 3, at_most_s: 0 }, 9), false);
  assert.equal(heldFor(stall, 1.44), "held 1.4 of 2 s");
  assert.equal(heldFor(stall, 2.06), "held 2.1 s: let go before 5 s");
  assert.equal(heldFor({ for_s: 60, at_most_s: 0 }, 61), "held 60 of 60 s");
});

test("a gauge reaches as far beyond its band as the band is wide, within what the signal can be", () => {
  assert.deepEqual(gauge({ low: 10, high: 15, value: 12.5 }), { low: 1 / 3, high: 2 / 3, at: 0.5 });
  assert.deepEqual(gauge({ low: 0, high: 40, value: 90 }, [0, 100]), { low: 0, high: 0.5, at: 1 });
  assert.deepEqual(gauge({ low: 90, high: 100, value: null }, [0, 100]), { low: 0.5, high: 1, at: null });
  const one = gauge({ low: 5, high: 5, value: 5 });
  assert.ok(one.low === one.high && one.at === one.low);
  assert.equal(leaves({ low: 1, high: 2, value: 3, holds: false, title: "pedal" }), "pedal too high");
  assert.equal(leaves({ low: 1, high: 2, value: null, holds: false, title: "pedal" }), "pedal: no value");
  assert.equal(leaves({ low: 1, high: 2, value: 1.5, holds: true, title: "pedal" }), "");
});

test("a procedure is told aloud in short", () => {
  const say = (kind, data) => spoken({ seq: 1, t: 0, kind, data })?.say ?? null;
  assert.equal(say("procedure", { state: "begun", title: "Relearn" }), "Relearn begins.");
  assert.equal(say("procedure", { state: "ended", verdict: "not done", title: "Relearn", why: ["Too slow."] }), "Relearn: not done. Too slow.");
  assert.equal(say("procedure", { state: "ended", verdict: "stopped", title: "Stall test", why: ["Foot off the pedal."] }), "Foot off the pedal. Stall test: stopped.");
  assert.equal(say("procedure", { state: "refused", title: "Relearn", why: ["Oil cold."] }), "Relearn: not begun. Oil cold.");
  assert.equal(say("step", { state: "begun", say: "Drive off" }), "Drive off");
  assert.equal(say("step", { state: "counted", count: 2, of: 4 }), "2 of 4.");
  assert.equal(say("step", { state: "counted", count: 1, of: 1 }), null);
  assert.equal(say("step", { state: "again", why: "Pedal at 20 %." }), "That did not count. Pedal at 20 %.");
  assert.equal(say("shift", {}), null);
  assert.equal(counted({ of: 4, gears: ["1"] }, 2), "2 of 4 sequences");
  assert.equal(counted({ of: 3, gears: [] }, 1), "1 of 3 times");
  assert.equal(counted({ of: 1, gears: [] }, 0), "");
});

test("the bench sheet says what is wanted and what was found", () => {
  assert.equal(wanted({ name: "a", title: "a", unit: "Ω", limits: [5.6, 6.6], coil: "A", entered: null, earlier: [] }), "good: 5.6 to 6.6 Ω at 20 °C");
  assert.equal(wanted({ name: "a", title: "a", choices: [{ text: "red", verdict: "good" }, { text: "dark", verdict: "bad" }], entered: null, earlier: [] }), "good: red");
  assert.equal(wanted({ name: "a", title: "a", entered: null, earlier: [] }), "no limits: it is noted only");
  const e = { reading: "a", title: "a", entered: "", verdict: "good", unit: "Ω", value: 6.2 };
  assert.equal(entered({ ...e, celsius: 35, corrected: 5.855 }), "6.2 Ω at 35 °C = 5.855 Ω at 20 °C");
  assert.equal(entered({ ...e, celsius: 20, corrected: 6.2 }), "6.2 Ω at 20 °C");
  assert.equal(entered({ reading: "f", title: "f", entered: "", verdict: "bad", choice: "milky" }), "milky");
});

test("findings: what is so first, worst first", () => {
  const f = (id, state, level) => ({ id, state, level, sure: 0.9, since_s: id, last_s: id, text: "" });
  const order = worstFirst([f(1, "over", "stop"), f(2, "so", "note"), f(3, "taken back", "caution"), f(4, "so", "stop"), f(5, "so", "caution")]).map((x) => x.id);
  assert.deepEqual(order, [4, 5, 2, 1, 3]);
});

test("findings: times are those of the session, though stamps count from 1970", () => {
  const data = { id: 1, time_s: 1795938225.3, since_s: 1795938225, last_s: 1795938225.3 };
  const f = findingOf({ seq: 1, t: 41.3, kind: "finding", data });
  assert.ok(Math.abs(f.since_s - 41) < 1e-3 && Math.abs(f.last_s - 41.3) < 1e-3, `${f.since_s}, ${f.last_s}`);
  assert.equal(f.until_s, undefined);
  assert.ok(Math.abs((findingOf({ seq: 2, t: 60, kind: "finding", data: { ...data, time_s: 1795938244, until_s: 1795938230 } }).until_s ?? 0) - 46) < 1e-3);
});

test("findings: nothing unsure is told as sure, nothing over as so", () => {
  const f = { id: 1, state: "so", level: "note", sure: 0.5, since_s: 1, last_s: 60, text: "" };
  assert.equal(standing(f), "perhaps");
  assert.equal(standing({ ...f, sure: 0.9 }), "");
  assert.equal(standing({ ...f, state: "over", until_s: 65 }), "over since 1:05");
  assert.equal(standing({ ...f, state: "taken back" }), "taken back");
});

test("alarms are said again after growing pauses, notes once", () => {
  assert.deepEqual([1, 2, 3].map((n) => pause("stop", n)), [8000, 16000, 32000]);
  assert.deepEqual([1, 2].map((n) => pause("caution", n)), [20000, 40000]);
  assert.equal(pause("stop", 20), 120000);
  assert.equal(pause("note", 1), Infinity);
});
