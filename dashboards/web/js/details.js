// Who, what and why of a session, the one being recorded or one that has ended:
// shown and changed in a dialog.

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
 * @returns {{allow: (can: boolean) => void, edit: (path: string, title: string, then: () => void) => Promise<void>}}
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
  let address = "";
  let after = () => {};
  let kept = false;
  /**
   * @param {string} path of the details
   * @param {string} title
   * @param {() => void} then done when the dialog is closed and something was kept
   */
  const edit = async (path, title, then) => {
    address = path;
    kept = false;
    after = then;
    setText(said, "");
    setText(find("details-title"), title);
    for (const f of inputs) f.input.value = "";
    try {
      fill(await ask(path));
    } catch (e) {
      fault(e);
    }
    dialog.showModal();
  };
  open.addEventListener("click", () => edit("/api/v1/session", "This session", () => {}));
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    try {
      fill(await send("PATCH", address, Object.fromEntries(inputs.map((f) => [f.name, f.name === "vin" ? f.input.value.toUpperCase() : f.input.value]))));
      setText(said, "Kept with the session.");
      kept = true;
    } catch (e) {
      fault(e);
    }
  });
  find("details-close").addEventListener("click", () => dialog.close());
  dialog.addEventListener("close", () => {
    if (kept) after();
  });
  return {
    edit,
    allow(can) {
      open.hidden = !can;
    },
  };
}
