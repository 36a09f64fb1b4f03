// Who, what and why of the session being recorded: shown and changed in a dialog.

/** @import {Details} from "./types.js" */
import { make, setText } from "./dom.js";

/** @type {[keyof Details, string, string][]} */
const fields = [
  ["title", "Title", "what the session is, in a few words"],
  ["job", "Job number", ""],
  ["technician", "Technician", ""],
  ["workshop", "Workshop", ""],
  ["vin", "Vehicle identification number", "17 letters and digits"],
  ["odometer", "Odometer", "with its unit"],
  ["concern", "Concern", "the customer's words"],
  ["position_consent", "Position may be kept", "who has agreed; empty: nobody"],
];

/**
 * @param {(hook: string) => HTMLElement} find
 * @param {(path: string) => Promise<any>} ask
 * @param {(method: string, path: string, body: object) => Promise<any>} send
 * @returns {{allow: (can: boolean) => void}}
 */
export function sessionDetails(find, ask, send) {
  const open = /** @type {HTMLButtonElement} */ (find("details-open"));
  const dialog = /** @type {HTMLDialogElement} */ (find("details"));
  const form = /** @type {HTMLFormElement} */ (find("details-form"));
  const said = find("details-said");
  const inputs = fields.map(([name, label, hint]) => {
    const input = make("input", { type: "text", name, maxlength: "300", autocomplete: "off", placeholder: hint, ...(name === "vin" ? { spellcheck: "false", class: "details-vin" } : {}) });
    const remark = make("span", { class: "details-remark", role: "status" });
    find("details-fields").append(make("label", { class: "details-field" }, make("span", {}, label), input, remark));
    return { name, input, remark };
  });
  /** @param {Details} d */
  const fill = (d) => {
    for (const f of inputs) {
      f.input.value = d[f.name];
      if (f.name === "vin") setText(f.remark, d.vin_remark ? `${d.vin_remark.charAt(0).toUpperCase()}${d.vin_remark.slice(1)}.` : d.vin ? "The check digit is right." : "");
    }
  };
  /** @param {unknown} e */
  const fault = (e) => setText(said, e instanceof Error ? e.message : String(e));
  open.addEventListener("click", async () => {
    setText(said, "");
    try {
      fill(await ask("/api/v1/session"));
    } catch (e) {
      fault(e);
    }
    dialog.showModal();
  });
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    try {
      fill(await send("PATCH", "/api/v1/session", Object.fromEntries(inputs.map((f) => [f.name, f.name === "vin" ? f.input.value.toUpperCase() : f.input.value]))));
      setText(said, "Kept with the session.");
    } catch (e) {
      fault(e);
    }
  });
  find("details-close").addEventListener("click", () => dialog.close());
  return {
    allow(can) {
      open.hidden = !can;
    },
  };
}
