// Procedures on the page: a passenger chooses one, reads its cautions, sees what
// it needs, and has it read out step by step while it is watched.

/** @import {ProcedureList, Procedure, ProcedureStatus, ProcedureStep, BandNow, SessionEvent} from "./types.js" */
/** @import {LiveValues} from "./values.js" */
import { make, setAttr, setText } from "./dom.js";
import { clock, none, number } from "./format.js";
import { counted, gauge, heldFor, leaves, longEnough, spoken, verdictOf } from "./procedure.js";

/** A band that is left is told aloud after this, and again after so long [ms]. */
const toldAfter = 600;
const toldAgain = 5000;

/** @type {Record<string, string>} */
const states = { "to come": "to come", running: "now", done: "done", "not done": "not done", stopped: "stopped" };

/**
 * @param {(hook: string) => HTMLElement} find
 * @param {(method: string, path: string, body: object) => Promise<any>} send
 * @param {LiveValues} values
 * @param {(tones: number[], say: string, now?: boolean) => void} aloud
 * @param {() => boolean} heard whether what is said aloud can be heard
 * @param {ProcedureList} list
 */
export function coachView(find, send, values, aloud, heard, list) {
  const at = { list: find("coach-list"), side: find("coach"), strip: find("coach-strip"), shown: find("coach-view") };
  const { units } = values;
  /** @type {Map<string, ProcedureStatus>} */
  const stands = new Map(list.procedures.map((p) => [p.name, p.status]));
  let chosen = list.procedures[0]?.name ?? "";
  /** @type {Set<string>} procedures whose cautions have been read, until they begin */
  const read = new Set();
  /** what the side was built for, and what keeps it up */
  let built = "";
  /** @type {(() => void)[]} */
  let parts = [];
  /** @type {Map<string, {since: number, told: number}>} bands that are left */
  const left = new Map();
  /** what must not be held for long has been held long enough, and it was said */
  let letGo = false;

  /** @param {string} signal */
  const signalOf = (signal) => values.signals[values.index.get(signal) ?? -1];
  /** @param {number} v @param {string} unit */
  const edge = (v, unit) => number(Number(units.figure(v, unit).toFixed(2)), 2).replace(/\.?0+$/, "");
  /** @param {BandNow|import("./types.js").Band} b */
  const band = (b) => `${edge(b.low, b.unit)} to ${edge(b.high, b.unit)} ${units.of(b.unit).unit}`.trim();

  /**
   * Makes an element whose text follows what is true.
   * @template {keyof HTMLElementTagNameMap} K
   * @param {K} tag
   * @param {Record<string, string>} attributes
   * @param {() => string} text
   */
  const live = (tag, attributes, text) => {
    const e = make(tag, attributes);
    parts.push(() => setText(e, text()));
    return e;
  };

  /** @param {{action: string, cautions_known?: boolean}} body */
  const ask = async (body) => {
    const said = at.side.querySelector(".coach-said");
    try {
      if (said) setText(said, "");
      await send("POST", `/api/v1/procedures/${encodeURIComponent(chosen)}`, body);
    } catch (e) {
      if (said) setText(said, e instanceof Error ? e.message : String(e));
    }
  };

  /**
   * Whether bands are free yet: those of a sequence count from its first gear on.
   * @param {ProcedureStep} step
   * @param {ProcedureStatus["now"]} now
   */
  const free = (step, now) => step.gears.length > 0 && !now?.counting;

  /** @param {BandNow} b @param {() => BandNow|undefined} now @param {() => boolean} unbound */
  const bandRow = (b, now, unbound) => {
    const mark = make("span", { class: "gauge-at" });
    const good = make("span", { class: "gauge-good" });
    const name = `${b.title}, to be held at ${band(b)}`;
    const track = make("span", { class: "gauge", role: "meter", "aria-label": name, "aria-valuemin": "0", "aria-valuemax": "100" }, good, mark);
    const value = make("strong", { class: "coach-value" });
    const word = make("span", { class: "coach-word" });
    const row = make("li", { class: "coach-band" }, make("span", { class: "coach-title" }, b.title), value, word, track, make("span", { class: "coach-hold quiet" }, `hold ${band(b)}`));
    parts.push(() => {
      const n = now();
      if (!n) return;
      const s = signalOf(n.signal);
      const g = gauge(n, s?.range);
      const text = n.value === null ? none : `${units.text(n.value, n.unit, s?.digits ?? 0)} ${units.of(n.unit).unit}`;
      setText(value, text);
      setText(word, n.value === null ? "no value" : unbound() ? "" : n.holds ? "✓ good" : n.value < n.low ? "▲ more" : "▼ less");
      setAttr(row, "data-holds", unbound() ? null : String(n.holds));
      setAttr(track, "aria-valuenow", g.at === null ? null : String(Math.round(g.at * 100)));
      setAttr(track, "aria-valuetext", `${text}, ${n.holds ? "good" : leaves(n)}`);
      good.style.left = `${g.low * 100}%`;
      good.style.width = `${(g.high - g.low) * 100}%`;
      mark.hidden = g.at === null;
      mark.style.left = `${(g.at ?? 0) * 100}%`;
    });
    return row;
  };

  /** @param {Procedure} p @param {() => ProcedureStatus} status */
  const running = (p, status) => {
    const i = status().step;
    const step = /** @type {ProcedureStep} */ (p.steps[i]);
    const now = () => status().now;
    const gears = step.gears.map((g, k) => {
      const li = make("li", {}, g);
      parts.push(() => {
        const done = (now()?.gears_done ?? 0) > k;
        setAttr(li, "data-done", done ? "" : null);
        setAttr(li, "aria-label", `gear ${g}, ${done ? "done" : "to come"}`);
      });
      return li;
    });
    const held = make("div", { class: "bar" });
    if (step.for_s > 0) {
      const fill = make("div", { class: "bar-fill" });
      held.append(fill);
      parts.push(() => (fill.style.transform = `scaleX(${Math.min(1, (now()?.held_s ?? 0) / (step.at_most_s || step.for_s)).toFixed(3)})`));
    }
    const stop = make("button", { type: "button", class: "button coach-stop" }, "Stop the procedure");
    stop.addEventListener("click", () => ask({ action: "stop" }));
    return [
      make("p", { class: "coach-where" }, `Step ${i + 1} of ${p.steps.length}: ${step.name.replaceAll("_", " ")}`),
      make("p", { class: "coach-say", role: "status" }, step.say),
      make(
        "p",
        { class: "coach-figures" },
        live("strong", { class: "coach-count" }, () => counted(step, status().steps[i]?.count ?? 0)),
        live("span", { class: "coach-left" }, () => `${clock(Math.max(0, now()?.left_s ?? 0))} left`),
        live("span", { class: "coach-rest" }, () => ((now()?.rest_left_s ?? 0) > 0 ? `Rest: the next try in ${clock(Math.ceil(now()?.rest_left_s ?? 0))}` : "")),
      ),
      ...(gears.length ? [make("ol", { class: "coach-gears", "aria-label": "gears of this sequence" }, ...gears)] : []),
      ...(step.for_s > 0 ? [make("div", { class: "coach-held" }, live("span", {}, () => heldFor(step, now()?.held_s ?? 0)), held)] : []),
      make("ul", { class: "coach-bands" }, ...(now()?.bands ?? []).map((b, k) => bandRow(b, () => now()?.bands[k], () => free(step, now())))),
      ...(step.gears.length && now()?.bands.length ? [live("p", { class: "quiet" }, () => (free(step, now()) ? `What is to be held counts from gear ${step.gears[0]} on, until gear ${step.gears.at(-1)}.` : "It counts: hold it."))] : []),
      live("p", { class: "coach-again" }, () => (status().steps[i]?.spoiled ? `${status().steps[i]?.spoiled} ${status().steps[i]?.spoiled === 1 ? "try" : "tries"} did not count: ${status().steps[i]?.why}` : "")),
      make("p", { class: "session-actions" }, stop),
      make("p", { class: "coach-said", role: "status" }),
      stepList(p, status),
      ...endings(p),
    ];
  };

  /** @param {Procedure} p @param {() => ProcedureStatus} status */
  const stepList = (p, status) =>
    make(
      "ol",
      { class: "coach-steps", "aria-label": "steps" },
      ...p.steps.map((s, k) => {
        const state = live("span", { class: "coach-state" }, () => {
          const x = status().state === "running" ? status().steps[k] : undefined;
          return x ? [states[x.state] ?? x.state, counted(s, x.count)].filter(Boolean).join(", ") : `${counted(s, s.of).replace(/^\d+ of /, "")}${counted(s, s.of) ? ", " : ""}within ${clock(s.within_s)}`;
        });
        const li = make("li", {}, make("span", {}, s.say), " ", state);
        parts.push(() => setAttr(li, "aria-current", status().state === "running" && status().step === k ? "step" : null));
        return li;
      }),
    );

  /** @param {Procedure} p */
  const endings = (p) => (p.stop_when.length ? [make("p", { class: "coach-h" }, "What ends it at once:"), make("ul", { class: "coach-plain" }, ...p.stop_when.map((n) => make("li", {}, n.say)))] : []);

  /** @param {ProcedureStatus} s */
  const verdict = (s) => {
    const c = s.last;
    const v = c && verdictOf(c);
    if (!c || !v) return [];
    const steps = c.steps ?? [];
    return [
      make(
        "section",
        { class: "coach-verdict", "data-verdict": c.state === "refused" ? "refused" : (c.verdict ?? "") },
        make("p", {}, make("strong", {}, `${v.sign} ${v.word}`), ` at ${clock(s.last_at ?? 0)}${typeof c.duration_s === "number" ? `, after ${clock(c.duration_s)}` : ""}`),
        ...(c.why?.length ? [make("ul", { class: "coach-plain" }, ...c.why.map((w) => make("li", {}, w)))] : []),
        ...(typeof c.oil_begin_celsius === "number" && typeof c.oil_end_celsius === "number" ? [make("p", {}, `Oil in the pan: ${units.text(c.oil_begin_celsius, "°C", 1)} ${units.of("°C").unit} at the start, ${units.text(c.oil_end_celsius, "°C", 1)} ${units.of("°C").unit} at the end.`)] : []),
        ...(steps.length
          ? [
              make(
                "ul",
                { class: "coach-plain" },
                ...steps.map((x) =>
                  make(
                    "li",
                    {},
                    `${x.step.replaceAll("_", " ")}: ${x.state}${x.of > 1 ? `, ${x.count} of ${x.of}` : ""}, ${clock(x.duration_s)}${x.spoiled ? `, ${x.spoiled} did not count` : ""}`,
                    ...(x.figures ?? []).map((f) => make("span", { class: "figure-note" }, `${signalOf(f.signal)?.title ?? f.signal}: ${[f.least, f.mean, f.most].map((y) => units.text(y, f.unit ?? "", signalOf(f.signal)?.digits ?? 1)).join(" / ")} ${units.of(f.unit ?? "").unit} (least / mean / most)`)),
                  ),
                ),
              ),
            ]
          : []),
      ),
    ];
  };

  /** @param {Procedure} p @param {() => ProcedureStatus} status */
  const idle = (p, status) => {
    const waiting = status().state === "waiting";
    const box = make("input", { type: "checkbox" });
    box.checked = read.has(p.name);
    const begin = make("button", { type: "button", class: "button button-strong coach-begin" }, "Begin");
    begin.addEventListener("click", () => ask({ action: "begin", cautions_known: read.has(p.name) }));
    box.addEventListener("change", () => {
      if (box.checked) read.add(p.name);
      else read.delete(p.name);
      update();
    });
    const stop = make("button", { type: "button", class: "button coach-stop" }, "Wait no longer");
    stop.addEventListener("click", () => ask({ action: "stop" }));
    const other = () => list.procedures.find((o) => o.name !== p.name && stands.get(o.name)?.state !== "idle");
    const lacks = () => {
      const o = other();
      if (o) return `${o.title} is under way; stop it first.`;
      if (!read.has(p.name)) return "Read the cautions first, then tick the box.";
      if (status().ready) return "";
      return status().blocked.join(" ") || "Not everything it needs is there yet.";
    };
    parts.push(() => (begin.disabled = lacks() !== ""));
    return [
      ...verdict(status()),
      make("section", { class: "coach-cautions" }, make("h3", {}, "▲ Cautions"), make("ul", {}, ...p.cautions.map((c) => make("li", {}, c))), ...(list.can && !waiting ? [make("label", { class: "coach-read" }, box, " Everybody in the vehicle knows these cautions")] : [])),
      make("p", { class: "coach-h" }, "It needs:"),
      make(
        "ul",
        { class: "coach-needs" },
        ...status().needs.map((n, k) => {
          const li = make("li", {}, live("span", { class: "coach-sign" }, () => (status().needs[k]?.met ? "✓" : "○")), make("span", {}, n.say), live("span", { class: "quiet" }, () => {
            const x = status().needs[k];
            return x?.met ? "" : x?.missing.length ? `no value of ${x.missing.join(", ")}` : "not yet";
          }));
          parts.push(() => setAttr(li, "data-met", String(status().needs[k]?.met ?? false)));
          return li;
        }),
      ),
      ...(status().needs.length ? [] : [make("p", { class: "quiet" }, "nothing that can be watched")]),
      ...(list.can
        ? waiting
          ? [make("p", { class: "coach-figures", role: "status" }, "It begins as soon as everything it needs is there."), make("p", { class: "session-actions" }, stop)]
          : [make("p", { class: "session-actions" }, begin, live("span", { class: "coach-lacks" }, lacks))]
        : [make("p", { class: "coach-lacks" }, list.why)]),
      make("p", { class: "coach-said", role: "status" }),
      make("p", { class: "coach-h" }, "What is done:"),
      stepList(p, status),
      ...endings(p),
    ];
  };

  const build = () => {
    const p = list.procedures.find((x) => x.name === chosen);
    const s = stands.get(chosen);
    if (!p || !s) return;
    const key = [chosen, s.state, s.step, s.last_at, s.needs.length, s.now?.bands.length, units.system].join("|");
    if (key === built) return;
    const had = at.side.contains(document.activeElement) && built.startsWith(`${chosen}|`);
    built = key;
    parts = [];
    const status = () => stands.get(chosen) ?? s;
    const title = make("h2", { class: "session-name", tabindex: "-1" }, p.title);
    const silent = list.can ? [live("p", { class: "coach-silent", role: "status" }, () => (heard() ? "" : "The sound is not on: nothing is read out."))] : [];
    at.side.replaceChildren(title, ...silent, ...(p.note && s.state !== "running" ? [make("p", { class: "quiet" }, p.note)] : []), ...(s.state === "running" && p.steps[s.step] ? running(p, status) : idle(p, status)));
    if (had) title.focus();
    setAttr(at.side, "data-state", s.state);
  };

  const update = () => {
    if (!at.shown.hidden) {
      build();
      for (const p of parts) p();
    }
    for (const b of at.list.querySelectorAll("button")) {
      const s = stands.get(b.dataset.name ?? "");
      setAttr(b, "aria-current", b.dataset.name === chosen ? "true" : null);
      const note = b.querySelector(".figure-note");
      if (note && s) setText(note, s.state !== "idle" ? s.state : s.last ? `${(verdictOf(s.last)?.word ?? "").toLowerCase()} at ${clock(s.last_at ?? 0)}` : "");
    }
    strip();
  };

  /** One line of what is under way, wherever on the page one is. */
  const strip = () => {
    const p = list.procedures.find((x) => stands.get(x.name)?.state !== "idle");
    const s = p && stands.get(p.name);
    at.strip.hidden = !p || !at.shown.hidden;
    if (!p || !s) return;
    const step = p.steps[s.step];
    const words = step && s.now ? [`step ${s.step + 1} of ${p.steps.length}`, counted(step, s.steps[s.step]?.count ?? 0), `${clock(s.now.left_s)} left`, ...(free(step, s.now) ? [] : s.now.bands.map(leaves))] : ["waiting"];
    setText(at.strip, [p.title, ...words].filter(Boolean).join(" · "));
  };

  /** Tells aloud which band is left while it counts. */
  const guide = () => {
    for (const s of stands.values()) {
      if (s.state !== "running" || !s.now?.counting) continue;
      const step = list.procedures.find((p) => p.name === s.name)?.steps[s.step];
      const enough = step !== undefined && longEnough(step, s.now.held_s);
      if (enough && !letGo) aloud([880, 880], "Long enough. Let go.", true);
      letGo = enough;
      for (const b of s.now.bands) {
        if (b.holds) left.delete(b.signal);
        else {
          const t = performance.now();
          const l = left.get(b.signal) ?? { since: t, told: -Infinity };
          left.set(b.signal, l);
          if (t - l.since > toldAfter && t - l.told > toldAgain) {
            l.told = t;
            aloud([], leaves(b));
          }
        }
      }
      return;
    }
    left.clear();
    letGo = false;
  };

  at.list.replaceChildren(
    ...list.procedures.map((p) => {
      const b = make("button", { type: "button", class: "coach-choose", "data-name": p.name }, p.title, make("span", { class: "figure-note" }));
      b.addEventListener("click", () => {
        chosen = p.name;
        update();
      });
      return make("li", {}, b);
    }),
  );

  return {
    /** Follows what is not told by the program: whether the sound is on. */
    tick() {
      if (!at.shown.hidden) for (const p of parts) p();
    },
    /** Shows how things stand, when the view is chosen or units have changed. */
    show: update,
    /** @param {{procedures: ProcedureStatus[]}} m */
    status(m) {
      for (const s of m.procedures) {
        const before = stands.get(s.name)?.state;
        stands.set(s.name, s);
        if (s.state === "idle" || s.state === before) continue;
        read.delete(s.name); // its cautions are read again before the next time
        if (before === "idle" || before === undefined) chosen = s.name;
      }
      guide();
      update();
    },
    /** @param {SessionEvent} e one that happens now */
    event(e) {
      const s = spoken(e);
      if (s && s.say) aloud(s.tones, s.say, s.now);
    },
  };
}
