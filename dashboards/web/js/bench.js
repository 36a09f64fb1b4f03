// The bench sheet: a form for each reading, with its limits; what was typed and is
// not kept yet survives everything but being cleared.

/** @import {BenchSheet, BenchLine, BenchEntry} from "./types.js" */
import { make, setAttr, setText } from "./dom.js";
import { number } from "./format.js";

/** @typedef {{value?: string, at?: string, note?: string}} Draft */

/**
 * What a line of the sheet should be, in words.
 * @param {BenchLine} l
 */
export function wanted(l) {
  if (l.choices?.length) return `good: ${l.choices.filter((c) => c.verdict === "good").map((c) => c.text).join(", ") || "none of these"}`;
  if (!l.limits) return "no limits: it is noted only";
  return `good: ${plain(l.limits[0])} to ${plain(l.limits[1])} ${l.unit ?? ""}${l.coil ? " at 20 °C" : ""}`.trim();
}

/** @param {number|undefined} v */
const plain = (v) => (v === undefined ? "" : number(v, 3).replace(/\.?0+$/, ""));

/**
 * What was entered, in words.
 * @param {BenchEntry} e
 */
export function entered(e) {
  const parts = [e.choice || `${plain(e.value)} ${e.unit ?? ""}`.trim()];
  if (typeof e.celsius === "number") parts.push(`at ${plain(e.celsius)} °C`);
  if (typeof e.corrected === "number" && e.celsius !== 20) parts.push(`= ${plain(e.corrected)} ${e.unit ?? ""} at 20 °C`);
  return parts.join(" ");
}

const kept = "Kept.";

/** @type {Record<string, [string, string]>} */
const signs = { good: ["✓", "good"], bad: ["✗", "outside its limits"], noted: ["●", "noted"] };

/**
 * @param {(hook: string) => HTMLElement} find
 * @param {(path: string) => Promise<any>} ask
 * @param {(method: string, path: string, body: object) => Promise<any>} send
 * @param {BenchSheet} sheet
 * @param {string} vehicle whose drafts they are
 */
export function benchView(find, ask, send, sheet, vehicle) {
  const rows = find("bench-rows");
  const said = find("bench-said");
  const by = /** @type {HTMLInputElement} */ (find("bench-by"));
  by.value = remembered("gearwitness.by") ?? "";
  by.addEventListener("input", () => remember("gearwitness.by", by.value));

  const forms = sheet.lines.map((l) => {
    const id = `bench-${l.name}`;
    const key = `gearwitness.bench.${vehicle}.${l.name}`; // of its own: two pages may fill in the sheet
    /** @type {Draft|null} */
    let draft = null;
    try {
      draft = JSON.parse(remembered(key) ?? "null");
    } catch {
      // not ours
    }
    /** @param {"value"|"at"|"note"} what @param {string} label */
    const field = (what, label) => {
      const input = make("input", { type: "text", name: what, maxlength: "200", autocomplete: "off" });
      input.value = draft?.[what] ?? "";
      input.addEventListener("input", changed);
      return { input, label: make("label", { class: `bench-field bench-${what}` }, make("span", { class: "quiet" }, label), input) };
    };
    /** @type {HTMLInputElement[]} */
    const choices = [];
    // Keypads for figures have no minus, no letters for a unit, and in some lands no
    // point: the whole keyboard.
    const value = l.choices?.length ? null : field("value", `value${l.unit ? ` (${l.unit})` : ""}`);
    const temperature = l.coil ? field("at", "coil at (°C)") : null;
    const note = field("note", "note");
    const picks = make("fieldset", { class: "bench-choices" }, make("legend", { class: "unseen" }, l.title));
    for (const c of l.choices ?? []) {
      const input = make("input", { type: "radio", name: `${id}-choice`, value: c.text });
      input.checked = draft?.value === c.text;
      input.addEventListener("change", changed);
      choices.push(input);
      picks.append(make("label", { class: "bench-choice" }, input, " ", c.text));
    }
    const keep = make("button", { type: "submit", class: "button button-strong" }, "Keep");
    const state = make("span", { class: "bench-state", role: "status" });
    const verdict = make("div", { class: "bench-verdict" });
    const fields = () => ({ value: value ? value.input.value.trim() : (choices.find((c) => c.checked)?.value ?? ""), at: temperature?.input.value.trim() ?? "", note: note.input.value.trim() });
    function changed() {
      const f = fields();
      draft = f.value || f.at || f.note ? f : null;
      remember(key, draft && JSON.stringify(draft));
      tell();
    }
    const tell = (text = "") => {
      setText(state, text || (draft ? "typed, not kept yet" : ""));
      setAttr(state, "data-kept", text === kept ? "" : null);
      keep.disabled = !sheet.can || !fields().value;
    };
    const form = make(
      "form",
      { class: "bench-line", "aria-labelledby": `${id}-title` },
      make("div", { class: "bench-what" }, make("h3", { id: `${id}-title` }, l.title), make("p", { class: "quiet" }, [wanted(l), l.note].filter(Boolean).join("; "))),
      make("div", { class: "bench-fields" }, ...(value ? [value.label] : [picks]), ...(temperature ? [temperature.label] : []), note.label, keep),
      state,
      verdict,
    );
    form.addEventListener("submit", async (e) => {
      e.preventDefault();
      if (keep.disabled) return;
      const f = fields();
      keep.disabled = true;
      setText(state, "keeping …");
      try {
        await send("POST", "/api/v1/readings", { reading: l.name, value: f.value, at: f.at, note: f.note, by: by.value.trim() });
      } catch (err) {
        tell(`Not kept: ${err instanceof Error ? err.message : String(err)}`);
        return;
      }
      for (const input of [value?.input, temperature?.input, note.input]) if (input) input.value = "";
      for (const c of choices) c.checked = false;
      draft = null;
      remember(key, null);
      tell(kept);
      // On to the next line: a sheet is gone through from top to bottom.
      if (form.contains(document.activeElement) || document.activeElement === document.body) forms[forms.findIndex((x) => x.form === form) + 1]?.form.querySelector("input")?.focus();
      await show();
    });
    tell();
    return { name: l.name, form, verdict };
  });
  rows.replaceChildren(...forms.map((f) => f.form));

  /** @param {BenchEntry} e */
  const line = (e) => {
    const [sign, word] = signs[e.verdict] ?? ["", e.verdict];
    const when = e.wall ? new Date(e.wall) : null;
    const aside = [when && !Number.isNaN(when.getTime()) ? [when.getHours(), when.getMinutes()].map((n) => String(n).padStart(2, "0")).join(":") : "", e.by, e.note].filter(Boolean).join(", ");
    return make("p", { class: "bench-entry", "data-verdict": e.verdict }, make("strong", {}, `${sign} ${word}`), ` ${entered(e)}`, ...(aside ? [make("span", { class: "quiet" }, ` ${aside}`)] : []));
  };

  /** Asks what has been kept and shows it. */
  async function show() {
    /** @type {BenchSheet} */
    let s;
    try {
      s = await ask("/api/v1/readings");
    } catch (e) {
      setText(said, e instanceof Error ? e.message : String(e));
      return;
    }
    setText(said, s.why);
    sheet.can = s.can;
    for (const f of forms) {
      const l = s.lines.find((x) => x.name === f.name);
      if (!l) continue;
      setAttr(f.form, "data-verdict", l.entered?.verdict ?? null);
      f.verdict.replaceChildren(
        ...(l.entered ? [line(l.entered)] : []),
        ...(l.earlier.length ? [make("details", { class: "bench-earlier" }, make("summary", {}, `${l.earlier.length} earlier`), ...l.earlier.map(line))] : []),
      );
    }
  }
  return { show };
}

/** @param {string} key */
function remembered(key) {
  try {
    return localStorage.getItem(key);
  } catch {
    return null; // storage may be forbidden; then what is typed lasts as long as the page
  }
}

/** @param {string} key @param {string|null} value null: forget it */
function remember(key, value) {
  try {
    if (value === null) localStorage.removeItem(key);
    else localStorage.setItem(key, value);
  } catch {
    // as above
  }
}
