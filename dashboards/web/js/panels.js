// The panels with figures: gear, speeds and oil, elements, all signals. Each
// is built once and then told to show what is true now.

/** @import {Vehicle, Signal} from "./types.js" */
/** @import {LiveValues} from "./values.js" */
import { make, setAttr, setText } from "./dom.js";
import { none } from "./format.js";
import { length, ticks } from "./scale.js";

/**
 * Gear engaged, what the control unit asks for, lever and ratio.
 * @param {(hook: string) => HTMLElement} find
 * @param {Vehicle} vehicle
 * @param {LiveValues} values
 * @returns {() => void}
 */
export function gearPanel(find, vehicle, values) {
  const now = find("gear");
  const note = find("gear-note");
  const side = ["commanded_gear", "lever", "ratio"].flatMap((what) => {
    const signal = vehicle.roles[what];
    find(`row-${what}`).hidden = !signal;
    return signal ? [{ signal, value: find(`value-${what}`) }] : [];
  });
  return () => {
    const g = values.show(vehicle.roles.gear);
    const known = g.text !== none && (!g.dim || g.note === "implausible");
    setText(now, known ? g.text : none);
    setAttr(now, "data-long", known && g.text.length > 2 ? "" : null);
    setAttr(now, "data-dim", known ? null : "");
    setText(note, vehicle.roles.gear ? (known ? "" : g.text === none ? "The gear is not known." : `Last known: ${g.text}, ${g.note}.`) : "The vehicle file does not describe the gearbox.");
    for (const s of side) {
      const v = values.show(s.signal);
      setText(s.value, v.text);
      setAttr(s.value, "data-dim", v.dim ? "" : null);
      setAttr(s.value, "title", v.note || null);
    }
  };
}

/** @type {[string, string][]} */
const rows = [
  ["engine_speed", "Engine"],
  ["input_speed", "Gearbox input"],
  ["output_speed", "Gearbox output"],
  ["converter_slip", "Converter slip"],
  ["converter_speed_ratio", "Converter ratio"],
  ["vehicle_speed", "Road speed"],
  ["oil_pan", "Oil in the pan"],
  ["oil_outlet", "Oil at the outlet"],
  ["oil_temperature_difference", "Outlet − pan"],
  ["coolant", "Coolant"],
  ["pedal", "Pedal"],
  ["engine_torque", "Engine torque"],
  ["lockup", "Converter clutch"],
];

/**
 * The table of speeds and temperatures.
 * @param {HTMLElement} body
 * @param {Vehicle} vehicle
 * @param {LiveValues} values
 * @returns {() => void}
 */
export function figuresPanel(body, vehicle, values) {
  const lines = rows.flatMap(([what, label]) => {
    const signal = vehicle.roles[what];
    if (!signal || !values.index.has(signal)) return [];
    const value = make("td", { class: "figure-value" });
    const unit = make("td", { class: "figure-unit" });
    const note = make("span", { class: "figure-note" });
    const row = make("tr", { "data-what": what }, make("th", { scope: "row" }, label, note), value, unit);
    body.append(row);
    return [{ signal, value, unit, note, row }];
  });
  return () => {
    for (const l of lines) {
      const v = values.show(l.signal);
      setText(l.value, v.text);
      setText(l.unit, v.unit);
      setText(l.note, v.note);
      setAttr(l.row, "data-dim", v.dim ? "" : null);
    }
  };
}

/** @type {Record<string, string>} */
const kinds = { clutch: "clutch", brake: "brake", one_way: "one-way clutch" };

/**
 * A bar and a number for each element, and whether it carries in the gear
 * engaged; between gears, whether it should in the gear asked for.
 * @param {HTMLElement} list
 * @param {HTMLElement} scale
 * @param {Vehicle} vehicle
 * @param {LiveValues} values
 * @returns {() => void}
 */
export function elementsPanel(list, scale, vehicle, values) {
  const items = vehicle.elements.map((e) => {
    const bar = make("div", { class: "bar-fill" });
    const value = make("span", { class: "element-value" });
    const carries = make("span", { class: "element-carries" });
    const item = make("li", { class: "element" }, make("span", { class: "element-name", title: kinds[e.kind] ?? e.kind }, e.title), carries, value, make("div", { class: "bar" }, bar));
    list.append(item);
    return { e, bar, value, carries, item };
  });
  scale.append(
    ...ticks.map((t) => {
      const s = make("span", {}, String(t));
      s.style.left = `${length(t) * 100}%`;
      return s;
    }),
  );
  return () => {
    const g = values.show(vehicle.roles.gear);
    const gear = g.dim ? undefined : vehicle.gears.find((x) => x.name === g.text);
    const asked = g.dim || gear || g.text !== "between" ? undefined : values.show(vehicle.roles.commanded_gear);
    const wanted = !asked || asked.dim ? undefined : vehicle.gears.find((x) => x.name === asked.text);
    for (const { e, bar, value, carries, item } of items) {
      const i = values.index.get(e.signal) ?? -1;
      const v = values.current(i);
      const shown = values.show(e.signal);
      setText(value, shown.note && shown.note !== "implausible" ? none : shown.text);
      setAttr(value, "title", shown.note || null);
      bar.style.transform = `scaleX(${Number.isNaN(v) ? 0 : length(v).toFixed(3)})`;
      const holds = (gear ?? wanted)?.holds.includes(e.name);
      const state = holds === undefined ? "" : !holds ? "free" : gear ? "carries" : "to carry";
      setText(carries, state);
      setAttr(item, "data-carries", { carries: "true", "to carry": "asked", free: "false", "": null }[state]);
      setAttr(item, "data-dim", shown.dim ? "" : null);
    }
  };
}

/**
 * Every signal of the vehicle file; shown while its details are open.
 * @param {HTMLDetailsElement} details
 * @param {HTMLElement} body
 * @param {HTMLInputElement} search
 * @param {Signal[]} signals
 * @param {LiveValues} values
 * @returns {() => void}
 */
export function allPanel(details, body, search, signals, values) {
  const lines = signals.map((s) => {
    const value = make("td", { class: "num" });
    const unit = make("td");
    const state = make("td");
    const row = make("tr", {}, make("th", { scope: "row" }, s.title, ...(s.title === s.name ? [] : [make("span", { class: "figure-note" }, s.name)])), value, unit, state);
    body.append(row);
    return { s, value, unit, state, row };
  });
  search.addEventListener("input", () => {
    const want = search.value.trim().toLowerCase();
    for (const l of lines) l.row.hidden = !`${l.s.name} ${l.s.title}`.toLowerCase().includes(want);
  });
  return () => {
    if (!details.open) return;
    for (const l of lines) {
      const v = values.show(l.s.name, true);
      setText(l.value, v.text);
      setText(l.unit, v.unit);
      setText(l.state, v.note || "now");
      setAttr(l.row, "data-dim", v.dim ? "" : null);
    }
  };
}
