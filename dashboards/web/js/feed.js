// The connection to the program: opens the live stream, opens it again when it
// breaks, and says whether there is contact.

/** @import {Values, Status, SessionEvent, Start, ProcedureStatus} from "./types.js" */

/** Without a word for so long the program counts as gone; it speaks 20 times a second. */
const silenceMs = 3000;
/** Where this page stands: "/", or "/play/NAME/" for a session that is played back
 *  beside the drive. Its API is below. */
const root = location.pathname.replace(/[^/]*$/, "");
/** Whether this page shows a session played back beside the drive. */
export const beside = root !== "/";
/** The session that is played back beside the drive; empty elsewhere. */
export const besideName = beside ? decodeURIComponent(root.split("/")[2] ?? "") : "";
/** @param {string} path "/api/..." */
export const address = (path) => root + path.slice(1);

/** A stream that a browser has given up is opened anew after this. */
const againMs = 2000;

/**
 * @typedef {object} Listener
 * @property {(m: Start) => void} start
 * @property {(m: Values) => void} values
 * @property {(m: Status) => void} status
 * @property {(m: SessionEvent) => void} event
 * @property {(m: {procedures: ProcedureStatus[]}) => void} procedures
 * @property {(there: boolean) => void} contact
 */

/**
 * Follows the live stream for as long as the page is open.
 * @param {string} url
 * @param {Listener} to
 */
export function follow(url, to) {
  let heard = Date.now();
  let contact = true;
  /** @type {EventSource} */
  let source;
  const open = () => {
    source = new EventSource(address(url));
    /** @param {string} name @param {(m: any) => void} give */
    const on = (name, give) =>
      source.addEventListener(name, (e) => {
        heard = Date.now();
        if (!contact) to.contact((contact = true));
        give(JSON.parse(/** @type {MessageEvent} */ (e).data));
      });
    on("start", to.start);
    on("values", to.values);
    on("status", to.status);
    on("event", to.event);
    on("procedures", to.procedures);
    source.addEventListener("error", () => {
      if (source.readyState === EventSource.CLOSED) setTimeout(open, againMs);
    });
  };
  open();
  setInterval(() => {
    if (contact && Date.now() - heard > silenceMs) to.contact((contact = false));
  }, 500);
}

/**
 * Asks the program for a document.
 * @param {string} path
 * @returns {Promise<any>}
 */
export async function ask(path) {
  const r = await fetch(address(path));
  if (!r.ok) throw new Error(await reason(r));
  return r.json();
}

/**
 * Sends a mark.
 * @param {string} text
 */
export async function sendMark(text) {
  const r = await fetch(address("/api/v1/marks"), {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ text }),
  });
  if (!r.ok) throw new Error(await reason(r));
}

/**
 * Sends a JSON object and returns what comes back.
 * @param {string} method
 * @param {string} path
 * @param {object} body
 * @returns {Promise<any>}
 */
export async function send(method, path, body) {
  const r = await fetch(address(path), { method, headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
  if (!r.ok) throw new Error(await reason(r));
  return r.json();
}

/**
 * Asks for work that may take long, is told how far it is, and returns its
 * result. The program stops it when the signal aborts.
 * @param {string} method
 * @param {string} path
 * @param {object|null} body
 * @param {(text: string) => void} told
 * @param {AbortSignal} signal
 * @returns {Promise<any>}
 */
export async function work(method, path, body, told, signal) {
  const headers = { Accept: "application/x-ndjson", ...(body ? { "Content-Type": "application/json" } : {}) };
  const r = await fetch(address(path), { method, headers, signal, ...(body ? { body: JSON.stringify(body) } : {}) });
  if (!r.ok || !r.body) throw new Error(await reason(r));
  let rest = "";
  const text = r.body.pipeThrough(new TextDecoderStream()).getReader();
  for (;;) {
    const { done, value } = await text.read();
    rest += value ?? "";
    const lines = rest.split("\n");
    rest = lines.pop() ?? "";
    for (const line of lines) {
      const m = JSON.parse(line);
      if (m.problem) throw new Error(m.problem.detail);
      if ("result" in m) return m.result;
      told(m.progress);
    }
    if (done) throw new Error("the program gave no answer; is it still running?");
  }
}

/** @param {Response} r */
async function reason(r) {
  try {
    return (await r.json()).detail ?? r.statusText;
  } catch {
    return r.statusText;
  }
}
