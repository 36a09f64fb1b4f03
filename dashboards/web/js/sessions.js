// The sessions recorded before: list, facts, report, verifying, sealing, and two
// side by side. Long work tells how far it is and can be cancelled.

/** @import {SessionRow, SessionFacts, Verdict, SealDone, Comparison, VehicleHistory} from "./types.js" */
import { comparison } from "./comparison.js";
import { make, setAttr, setText } from "./dom.js";
import { bytes, clock, count } from "./format.js";
import { history } from "./trend.js";

/**
 * A time of the wall clock, as it was in the place of the reader.
 * @param {string|null|undefined} iso
 */
export function when(iso) {
  if (!iso) return "";
  const d = new Date(iso);
  if (Number.isNaN(d.getTime())) return "";
  /** @param {number} n */
  const two = (n) => String(n).padStart(2, "0");
  return `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())} ${two(d.getHours())}:${two(d.getMinutes())}`;
}

/**
 * How long a session lasted; empty where its end is not known.
 * @param {{started: string|null, ended: string|null}} r
 */
export function lasted(r) {
  if (!r.started || !r.ended) return "";
  return clock((Date.parse(r.ended) - Date.parse(r.started)) / 1000);
}

/**
 * What is to be known of a session in a word or two.
 * @param {SessionRow} r
 */
export function stateOf(r) {
  return [r.recording ? "being recorded" : r.problem ? "cannot be read" : r.ended ? "" : "no end recorded", r.sealed ? "sealed" : "", r.protected ? "protected" : ""].filter(Boolean).join(", ");
}

/**
 * The facts of a session in the order people ask for them.
 * @param {SessionFacts} f
 * @returns {[string, string][]}
 */
export function factLines(f) {
  /** @type {[string, string|undefined][]} */
  const all = [
    ["Title", f.title],
    ["Vehicle", f.vehicle],
    ["Identification number", f.vin && f.vin_remark ? `${f.vin} (${f.vin_remark})` : f.vin],
    ["Number read", (f.vin_read ?? []).map((r) => `${r.vin}, by ${r.unit}${r.remark ? ` (${r.remark})` : ""}${r.differs ? "; it is NOT the one entered: is this the vehicle meant?" : ""}`).join("; ")],
    ["Odometer", f.odometer],
    ["Concern", f.concern],
    ["Workshop", f.workshop],
    ["Technician", f.technician],
    ["Job", f.job],
    ["Position", (f.position_consent || "nobody has agreed to position data being kept") + (f.positions_left_out ? `; left out of ${count(f.positions_left_out)} lines` : "")],
    ["Started", when(f.started)],
    ["Ended", f.ended ? when(f.ended) : f.recording ? "it is being recorded" : "not recorded: it was cut off, or is being recorded"],
    ["Size", `${bytes(f.bytes)}, ${f.captures.length} capture ${f.captures.length === 1 ? "file" : "files"}`],
    ["Lost", [f.lost ? `${count(f.lost)} frames or lines` : "", f.lost_unknown ? (f.lost ? "and more: it is not known how many" : "frames or lines, it is not known how many") : ""].filter(Boolean).join(", ")],
    ["Marks", f.marks.map((m) => m.text || "(no note)").join("; ")],
    ["Recorded by", f.software],
    ["Seal", f.sealed ? `SHA-256 ${f.seal_sha256 ?? ""}${f.signer ? `, signed with key ${f.signer}` : ", not signed"}` : "none: it can still be changed"],
    ["Protected", f.protected ? "yes, it is not pruned" : ""],
    ["Folder", f.folder],
    ["Cannot be read", f.problem],
  ];
  return /** @type {[string, string][]} */ (all.filter(([, v]) => v));
}

/**
 * @param {(hook: string) => HTMLElement} find
 * @param {(path: string) => Promise<any>} ask
 * @param {(method: string, path: string, body: object|null, told: (text: string) => void, signal: AbortSignal) => Promise<any>} work
 * @param {(path: string, title: string, then: () => void) => void} edit changes the details of a session
 * @returns {{show: () => void}}
 */
export function sessionsView(find, ask, work, edit) {
  const rows = find("sessions-rows");
  const side = find("session");
  const said = find("sessions-said");
  const compareButton = /** @type {HTMLButtonElement} */ (find("sessions-compare"));
  const busy = find("sessions-busy");
  const busyText = find("sessions-busy-text");
  /** @type {AbortController|null} */
  let under = null;
  /** @type {string[]} two sessions to compare, the one chosen first first */
  let pair = [];
  let chosen = "";
  /** @type {Map<string, string>} when each session began */
  let started = new Map();

  const address = (/** @type {string} */ name) => `/api/v1/sessions/${encodeURIComponent(name)}`;
  /** @param {unknown} e */
  const words = (e) => (e instanceof Error ? e.message : String(e));

  /**
   * Does long work, shows how far it is, and gives its result; null when it was
   * cancelled or failed, which is told.
   * @param {string} what
   * @param {string} method
   * @param {string} path
   * @param {object|null} body
   */
  async function long(what, method, path, body = null) {
    under?.abort();
    const mine = (under = new AbortController());
    busy.hidden = false;
    setText(busyText, `${what} …`);
    setText(said, "");
    try {
      return await work(method, path, body, (text) => setText(busyText, `${what}: ${text}`), mine.signal);
    } catch (e) {
      setText(said, mine.signal.aborted ? `${what}: cancelled.` : `${what}: ${words(e)}`);
      return null;
    } finally {
      if (under === mine) {
        under = null;
        busy.hidden = true;
      }
    }
  }
  find("sessions-cancel").addEventListener("click", () => under?.abort());

  async function list() {
    /** @type {{folder: string, sessions: SessionRow[]}} */
    let l;
    try {
      l = await ask("/api/v1/sessions");
    } catch (e) {
      setText(said, words(e));
      return;
    }
    setText(find("sessions-folder"), l.folder);
    find("sessions-empty").hidden = l.sessions.length > 0;
    started = new Map(l.sessions.map((r) => [r.name, r.started ?? ""]));
    pair = pair.filter((n) => l.sessions.some((s) => s.name === n));
    rows.replaceChildren(
      ...l.sessions.toReversed().map((r) => {
        const pick = make("input", { type: "checkbox", "aria-label": `compare ${r.title || r.name} of ${when(r.started)}` });
        pick.checked = pair.includes(r.name);
        pick.disabled = Boolean(r.problem);
        pick.addEventListener("change", () => {
          pair = pick.checked ? [...pair.slice(-1), r.name] : pair.filter((n) => n !== r.name);
          for (const box of rows.querySelectorAll("tr")) {
            const input = box.querySelector("input");
            if (input) input.checked = pair.includes(box.dataset.name ?? "");
          }
          compareButton.disabled = pair.length !== 2;
        });
        const open = make("button", { type: "button", class: "session-open" }, r.title || r.name);
        open.addEventListener("click", () => show(r.name));
        const row = make(
          "tr",
          { "data-name": r.name, ...(r.name === chosen ? { "aria-selected": "true" } : {}) },
          make("td", {}, make("label", { class: "session-pick" }, pick)),
          make("td", { class: "session-when" }, when(r.started)),
          make("th", { scope: "row" }, open, make("span", { class: "figure-note" }, r.problem ?? stateOf(r))),
          make("td", { class: "num" }, lasted(r)),
          make("td", { class: "num" }, bytes(r.bytes)),
        );
        return row;
      }),
    );
    compareButton.disabled = pair.length !== 2;
  }

  /**
   * Shows one session.
   * @param {string} name
   */
  async function show(name) {
    chosen = name;
    for (const row of rows.querySelectorAll("tr")) setAttr(row, "aria-selected", row.dataset.name === name ? "true" : null);
    /** @type {SessionFacts} */
    let f;
    try {
      f = await ask(address(name));
    } catch (e) {
      side.replaceChildren(make("h2", {}, name), make("p", {}, words(e)));
      return;
    }
    const result = make("div", { class: "session-result", role: "status" });
    /** @param {string} text @param {() => void} act @param {string} [kind] */
    const button = (text, act, kind = "") => {
      const b = make("button", { type: "button", class: `button ${kind}` }, text);
      b.addEventListener("click", act);
      return b;
    };
    /** @param {boolean} redact */
    const report = async (redact) => {
      const made = await long("Report", "GET", `${address(name)}/report${redact ? "?redact=1" : ""}`);
      if (!made) return;
      const link = make("a", { class: "button button-strong", href: made.report, target: "_blank", rel: "noopener" }, "Open the report");
      // The report is a page without a script; its window is asked to print once it is there.
      const print = button("Print …", () => {
        const w = open(made.report, "_blank");
        if (w) w.addEventListener("load", () => w.print());
        else print.replaceWith("Open it, and print it from there: this browser lets no page open another.");
      });
      result.replaceChildren(make("p", {}, redact ? "The report is made, without identification number and positions." : "The report is made."), make("p", { class: "session-actions" }, link, print));
      link.focus();
    };
    // Opened beside the drive, in a page of its own: the drive and its alarms stay.
    const play = async () => {
      const to = `/play/${encodeURIComponent(name)}/`;
      result.replaceChildren(make("p", {}, "Opening …"));
      try {
        await ask(`${to}api/v1/status`);
      } catch (e) {
        result.replaceChildren(make("p", { class: "session-caution" }, `It cannot be played back: ${words(e)}.`));
        return;
      }
      // A browser may not let a page open another; then its user does.
      const there = open(to, `play ${name}`);
      const link = make("a", { class: "button button-strong", href: to, target: `play ${name}` }, there ? "Show the playback" : "Open the playback");
      result.replaceChildren(make("p", {}, there ? "It is played back in a page of its own. What is being recorded goes on." : "It is ready, in a page of its own. What is being recorded goes on."), link);
      if (!there) link.focus();
    };
    const change = () =>
      edit(`${address(name)}/details`, `Details of ${f.title || name}`, async () => {
        await list();
        if (chosen !== name) return;
        await show(name);
        [...side.querySelectorAll("button")].find((b) => b.textContent === "Change details")?.focus();
      });
    const overTime = async () => {
      /** @type {VehicleHistory|null} */
      const h = await long("History", "GET", `${address(name)}/history`);
      if (!h || chosen !== name) return;
      const back = button("Back to the session", () => show(name));
      side.replaceChildren(make("p", { class: "session-actions" }, back), ...history(h, when));
      back.focus();
      reveal();
    };
    const verify = async () => {
      /** @type {Verdict|null} */
      const v = await long("Verify", "GET", `${address(name)}/verify`);
      if (v) result.replaceChildren(...verdict(v));
    };
    const seal = () => {
      const no = button("Leave it open", () => result.replaceChildren());
      const unsigned = make("input", { type: "checkbox" });
      result.replaceChildren(
        make("p", { class: "session-caution" }, make("strong", {}, "Sealing is for good."), " Tables, shifts and report are computed and added, every file gets its digest, and nothing can be changed afterwards: not the details either."),
        make("p", {}, make("label", {}, unsigned, " without a signature: nothing will prove who sealed it, and it cannot be signed later")),
        make(
          "p",
          { class: "session-actions" },
          button(
            "Seal for good",
            async () => {
              /** @type {SealDone|null} */
              const s = await long("Seal", "POST", `${address(name)}/seal`, { confirm: name, unsigned: unsigned.checked });
              if (!s) return;
              await list();
              await show(name);
              side.querySelector(".session-result")?.replaceChildren(
                make("p", {}, s.already ? "It was sealed before; nothing was changed." : `Sealed: ${s.files} files, ${bytes(s.bytes)}.`),
                make("p", { class: "session-digest" }, `SHA-256 ${s.seal_sha256}`),
                make("p", {}, s.signer ? `Signed with key ${s.signer}.` : "Not signed: nothing proves who sealed it."),
                ...s.damage.map((d) => make("p", { class: "session-caution" }, `Sealed as found: ${d}`)),
              );
            },
            "button-strong",
          ),
          no,
        ),
      );
      no.focus();
    };
    side.replaceChildren(
      make("h2", { class: "session-name" }, f.title || name),
      make(
        "p",
        { class: "session-actions" },
        button("Report", () => report(false)),
        button("Report without number and position", () => report(true)),
        ...(f.recording ? [] : [button("Play back", play)]),
        ...(f.vin ? [button("Vehicle over time", overTime)] : []),
        button("Verify", verify),
        ...(f.sealed || f.recording ? [] : [button("Change details", change), button("Seal …", seal)]),
      ),
      result,
      make("dl", { class: "session-facts" }, ...factLines(f).flatMap(([k, v]) => [make("dt", {}, k), make("dd", {}, v)])),
    );
    reveal();
  }

  /** Brings what was asked for into sight where it stands below the list. */
  function reveal() {
    const { top } = side.getBoundingClientRect();
    if (top < 0 || top > innerHeight * 0.7) side.scrollIntoView();
  }

  /** @param {Verdict} v */
  function verdict(v) {
    const faults = v.findings.filter((f) => f.fault);
    const sealed = Boolean(v.seal_sha256);
    return [
      make("p", { class: "session-verdict", "data-holds": String(v.holds) }, make("strong", {}, v.holds ? "✓ All holds" : `✗ ${faults.length} ${faults.length === 1 ? "thing does" : "things do"} not hold`), ` ${v.files} files, ${bytes(v.bytes)}, ${count(v.frames)} frames${sealed ? "" : "; it is not sealed"}.`),
      ...(v.stamped ? [make("p", {}, `A time stamp says that the seal existed at ${when(v.stamped)}.`)] : []),
      make("ul", { class: "findings" }, ...v.findings.map((f) => make("li", { "data-fault": String(f.fault) }, make("strong", {}, f.fault ? "Wrong" : "Note"), " ", [f.path, f.text, f.frames ? `frames ${f.frames[0]} to ${f.frames[1]}` : ""].filter(Boolean).join(": ")))),
    ];
  }

  compareButton.addEventListener("click", async () => {
    // Then and now: the one recorded first is the first, in whichever order they were ticked.
    const [a, b] = [...pair].sort((x, y) => (started.get(x) ?? "").localeCompare(started.get(y) ?? ""));
    if (!a || !b) return;
    /** @type {Comparison|null} */
    const c = await long("Compare", "GET", `/api/v1/sessions/compare?a=${encodeURIComponent(a)}&b=${encodeURIComponent(b)}`);
    if (!c) return;
    chosen = "";
    for (const row of rows.querySelectorAll("tr")) row.removeAttribute("aria-selected");
    side.replaceChildren(...comparison(c, when));
    reveal();
  });

  return { show: list };
}
