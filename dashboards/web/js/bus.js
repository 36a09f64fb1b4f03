// The bus view: load of each bus, every identifier with its data, and for those
// that nobody describes what they look like and what they move with. It asks
// the program once a second while it is open, and does nothing else.

/** @import {BusView, BusLine, Identifier, RelatedView, Signal} from "./types.js" */
import { make, setAttr, setText } from "./dom.js";
import { age, count, none, number } from "./format.js";

const everyMs = 1000;

/** Height of a bit's stroke by how often it changes, in parts of the drawing's 12. */
const heights = [1, 3, 5, 8, 12];

/**
 * A time between frames as people read it.
 * @param {number|null} s
 */
export function spell(s) {
  if (s === null) return none;
  const [v, unit] = s < 1 ? [s * 1000, "ms"] : [s, "s"];
  return `${number(v, v < 9.995 ? 2 : v < 99.95 ? 1 : 0)} ${unit}`;
}

/**
 * The strokes of one byte: bit 8 first, taller the more often it changes. Those
 * that changed lately and those that did not are two paths.
 * @param {string} flips eight digits, bit 1 first
 * @param {number} changed bits that changed lately
 * @returns {{lively: string, quiet: string}}
 */
export function strokes(flips, changed) {
  let lively = "";
  let quiet = "";
  for (let bit = 0; bit < 8; bit++) {
    const h = heights[Number(flips[bit])] ?? 1;
    const d = `M${(7 - bit) * 3 + 1.5} 12v-${h}`;
    if (changed & (1 << bit)) lively += d;
    else quiet += d;
  }
  return { lively, quiet };
}

/**
 * What was wrong with the frames of an identifier, in words.
 * @param {Identifier} i
 */
export function troubles(i) {
  const b = i.bad;
  if (!b) return "";
  /** @type {[number, string][]} */
  const all = [
    [b.checksum, "wrong check byte"],
    [b.repeated, "counter stood still"],
    [b.missed, "missing by the counter"],
    [b.short, "too short"],
  ];
  return all.flatMap(([n, what]) => (n ? [`${count(n)} ${what}`] : [])).join(", ");
}

/**
 * What some bits look like.
 * @param {import("./types.js").Looks} l
 */
export function looks(l) {
  if (l.kind === "check byte") return `check byte in byte ${parseInt(l.start, 10)}, ${l.check}`;
  const bits = l.bits > 1 ? `, ${l.bits} bits` : "";
  return `${l.kind} at ${l.start}${bits}${l.kind === "value" && l.bits > 8 ? (l.big ? ", high byte first" : ", low byte first") : ""}`;
}

/**
 * What a bus carries, in words.
 * @param {BusLine} b
 */
export function carries(b) {
  const lost = Object.values(b.lost).reduce((a, n) => a + n, 0);
  return [
    `${count(b.rate)} ${b.text ? "lines" : "frames"}/s`,
    lost ? `${count(lost)} lost` : "nothing lost",
    b.text ? "" : b.errors ? `${count(b.errors)} error frames` : "no error frames",
    b.beyond ? `${count(b.beyond)} frames of further identifiers` : "",
  ].filter(Boolean);
}

const svg = "http://www.w3.org/2000/svg";

/** One byte: two digits, and a stroke for each bit. */
class Byte {
  constructor() {
    this.high = make("span", { class: "byte-digit" });
    this.low = make("span", { class: "byte-digit" });
    this.quiet = document.createElementNS(svg, "path");
    this.lively = document.createElementNS(svg, "path");
    this.quiet.setAttribute("class", "byte-quiet");
    this.lively.setAttribute("class", "byte-lively");
    const drawing = document.createElementNS(svg, "svg");
    drawing.setAttribute("viewBox", "0 0 24 12");
    drawing.setAttribute("class", "byte-bits");
    drawing.setAttribute("aria-hidden", "true");
    drawing.append(this.quiet, this.lively);
    this.box = make("span", { class: "byte" }, make("span", { class: "byte-digits" }, this.high, this.low), drawing);
  }

  /**
   * @param {number} n number of the byte, from 1
   * @param {string} text two digits
   * @param {number} changed
   * @param {string} flips
   */
  show(n, text, changed, flips) {
    setText(this.high, text[0] ?? "");
    setText(this.low, text[1] ?? "");
    setAttr(this.high, "data-changed", changed & 0xf0 ? "" : null);
    setAttr(this.low, "data-changed", changed & 0x0f ? "" : null);
    const d = strokes(flips, changed);
    setAttr(this.quiet, "d", d.quiet);
    setAttr(this.lively, "d", d.lively);
    const moving = [1, 2, 3, 4, 5, 6, 7, 8].filter((bit) => changed & (1 << (bit - 1)));
    setAttr(this.box, "title", `byte ${n}: ${text}; ${moving.length ? `changing: bit ${moving.join(", ")}` : "not changing"}`);
  }
}

/**
 * Text to paste into a vehicle file, with a button that copies it.
 * @param {string} text
 */
function toPaste(text) {
  const pre = make("pre", { class: "paste-text", tabindex: "0" }, text);
  const button = make("button", { type: "button", class: "button button-small" }, "Copy");
  const said = make("span", { class: "quiet", role: "status" });
  button.addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(text);
      setText(said, "Copied.");
    } catch {
      // Without leave for the clipboard the text is at least marked.
      getSelection()?.selectAllChildren(pre);
      setText(said, "Marked; copy it with the keyboard.");
    }
  });
  return make("div", { class: "paste" }, pre, make("div", { class: "paste-do" }, button, said));
}

/** A row of the table. */
class Row {
  /**
   * @param {Identifier} i
   * @param {string} bus name, where there are several
   */
  constructor(i, bus) {
    this.i = i;
    /** @type {Byte[]} */
    this.bytes = [];
    this.name = make("td", { class: "bus-name" });
    this.every = make("span");
    this.expected = make("span", { class: "figure-note" });
    this.age = make("td", { class: "num" });
    this.count = make("td", { class: "num" });
    this.data = make("td", { class: "bytes" });
    this.bad = make("td", { class: "bus-bad" });
    this.row = make("tr", {}, make("th", { scope: "row" }, i.id, bus ? make("span", { class: "figure-note" }, bus) : ""), this.name, make("td", { class: "num" }, this.every, this.expected), this.age, this.data, this.count, this.bad);
    this.more = make("tr", { class: "bus-more" });
    this.more.hidden = true;
    this.guess = "";
    if (i.name) this.name.textContent = i.name;
    else {
      this.button = make("button", { type: "button", class: "shift-name bus-unknown", "aria-expanded": "false" }, "not described");
      this.name.append(this.button);
      this.button.addEventListener("click", () => {
        const open = this.more.hidden;
        this.button?.setAttribute("aria-expanded", String(open));
        this.more.hidden = !open;
        this.tell();
      });
    }
  }

  /** @param {Identifier} i */
  show(i) {
    this.i = i;
    setAttr(this.row, "data-state", i.state);
    setText(this.every, spell(i.period_s));
    setText(this.expected, i.expected_s === null ? "" : i.state === "off" ? `should be ${spell(i.expected_s)}` : `of ${spell(i.expected_s)}`);
    setText(this.age, i.state === "gone" ? `gone, ${age(i.age_s)}` : i.age_s < 1 ? "now" : age(i.age_s));
    setText(this.count, count(i.count));
    setText(this.bad, troubles(i));
    const n = i.data.length / 2;
    while (this.bytes.length < n) {
      const b = new Byte();
      this.bytes.push(b);
      this.data.append(b.box);
    }
    while (this.bytes.length > n) this.bytes.pop()?.box.remove();
    this.bytes.forEach((b, k) => b.show(k + 1, i.data.slice(2 * k, 2 * k + 2), parseInt(i.changed.slice(2 * k, 2 * k + 2), 16) || 0, i.flips.slice(8 * k, 8 * k + 8)));
    if (!this.more.hidden) this.tell();
  }

  /** Says what the identifier looks like; again only where that has changed. */
  tell() {
    const text = (this.i.looks ?? []).map(looks);
    const key = text.join() + this.i.definition;
    if (this.guess === key) return;
    this.guess = key;
    const said = text.length ? make("ul", { class: "looks" }, ...text.map((t) => make("li", {}, t))) : make("p", { class: "quiet" }, this.i.definition ? "Nothing in it has moved so far." : "A few more frames are needed to say anything.");
    const cell = make("td", { colspan: "7" }, make("div", { class: "bus-guess" }, make("div", {}, make("h3", { class: "bus-h" }, "Looks like"), said), ...(this.i.definition ? [make("div", {}, make("h3", { class: "bus-h" }, "For the vehicle file, under frames:"), toPaste(this.i.definition))] : [])));
    this.more.replaceChildren(cell);
  }
}

/** @type {[string, string, (i: Identifier) => boolean][]} */
const choices = [
  ["all", "all", () => true],
  ["unknown", "not described", (i) => i.name === ""],
  ["doubtful", "worth a look", (i) => i.state !== "ok" || i.bad !== null],
];

/**
 * The bus view.
 * @param {object} at
 * @param {HTMLDetailsElement} at.details
 * @param {HTMLElement} at.lines
 * @param {HTMLElement} at.which
 * @param {HTMLElement} at.rows
 * @param {HTMLElement} at.empty
 * @param {HTMLFormElement} at.form
 * @param {HTMLSelectElement} at.signal
 * @param {HTMLElement} at.said
 * @param {HTMLElement} at.matches
 * @param {Signal[]} signals
 * @param {(path: string) => Promise<any>} ask
 */
export function busView(at, signals, ask) {
  /** @type {Map<string, Row>} */
  const rows = new Map();
  /** @type {BusView|null} */
  let view = null;
  let which = "all";

  const show = () => {
    if (!view) return;
    const keep = choices.find(([name]) => name === which)?.[2] ?? (() => true);
    let shown = 0;
    let after = /** @type {Element|null} */ (null);
    for (const i of view.identifiers) {
      const key = `${i.bus} ${i.id}`;
      let row = rows.get(key);
      if (!row) {
        row = new Row(i, view.buses.length > 1 ? (view.buses[i.bus]?.name ?? "") : "");
        rows.set(key, row);
        if (after) after.after(row.row, row.more);
        else at.rows.prepend(row.row, row.more);
      }
      after = row.more;
      const visible = keep(i);
      row.row.hidden = !visible;
      if (!visible) row.more.hidden = true;
      else if (row.button) row.more.hidden = row.button.getAttribute("aria-expanded") !== "true";
      if (visible) {
        shown++;
        row.show(i);
      }
    }
    at.empty.hidden = shown > 0;
    setText(at.empty, view.identifiers.length === 0 ? "Nothing has come from the bus yet." : "None.");
    lines(at.lines, view.buses);
  };

  let asking = false;
  const refresh = async () => {
    if (asking || !at.details.open || document.hidden) return;
    asking = true;
    try {
      view = await ask("/api/v1/bus");
      show();
    } catch {
      // The head of the page says that there is no contact.
    }
    asking = false;
  };
  at.details.addEventListener("toggle", refresh);
  setInterval(refresh, everyMs);

  for (const [name, label] of choices) {
    const input = make("input", { type: "radio", name: "bus-which", value: name });
    input.checked = name === which;
    input.addEventListener("change", () => {
      which = name;
      show();
    });
    at.which.append(make("label", { class: "choice" }, input, make("span", {}, label)));
  }

  for (const s of signals) if (!s.states?.length) at.signal.append(make("option", { value: s.name }, s.title === s.name ? s.name : `${s.title} (${s.name})`));
  at.form.addEventListener("submit", async (e) => {
    e.preventDefault();
    setText(at.said, "Comparing …");
    at.matches.replaceChildren();
    try {
      /** @type {RelatedView} */
      const r = await ask(`/api/v1/bus/related?signal=${encodeURIComponent(at.signal.value)}`);
      setText(at.said, r.matches.length ? `The last ${Math.round(r.seconds)} s were compared. The best comes first; 1 explains all of the movement.` : `Nothing that is not described moved with it in the last ${Math.round(r.seconds)} s. Let the signal move over its whole range, then compare again.`);
      at.matches.replaceChildren(...r.matches.map(match));
    } catch (error) {
      setText(at.said, error instanceof Error ? error.message : String(error));
    }
  });
}

/**
 * One bus a line, with a bar for its load.
 * @param {HTMLElement} at
 * @param {BusLine[]} buses
 */
function lines(at, buses) {
  while (at.childElementCount < buses.length) {
    at.append(make("li", { class: "bus-line" }, make("strong"), make("span", { class: "bus-load" }), make("div", { class: "bar" }, make("div", { class: "bar-fill" })), make("span", { class: "quiet" })));
  }
  buses.forEach((b, k) => {
    const [name, load, bar, said] = at.children[k]?.children ?? [];
    if (!name || !load || !bar || !said) return;
    setText(name, b.name);
    setText(load, b.load === null ? "" : `load ${number(b.load * 100, 1)} %`);
    setAttr(bar, "hidden", b.load === null ? "" : null);
    const fill = bar.firstElementChild;
    if (fill instanceof HTMLElement) fill.style.transform = `scaleX(${Math.min(1, b.load ?? 0).toFixed(3)})`;
    setText(said, carries(b).join(" · "));
  });
}

/** @param {import("./types.js").RelatedMatch} m */
function match(m) {
  const fill = make("div", { class: "bar-fill" });
  fill.style.transform = `scaleX(${m.score.toFixed(3)})`;
  const where = `${m.id}, from ${m.start}, ${m.bits} bits${m.signed ? " with sign" : ""}${m.bits > 8 ? (m.big ? ", high byte first" : ", low byte first") : ""}`;
  const paste = m.name ? `For the vehicle file, under signals: of ${m.name}` : "For the vehicle file, under frames:";
  return make("li", { class: "match" }, make("div", { class: "match-head" }, make("strong", {}, number(m.score, 3)), make("div", { class: "bar" }, fill), make("span", {}, where)), make("details", {}, make("summary", {}, paste), toPaste(m.definition)));
}
