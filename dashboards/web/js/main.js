// Wires the page: finds its elements, opens the stream, hands things on.

/** @import {Vehicle, SignalList, SessionEvent, Status, ProcedureList, BenchSheet} from "./types.js" */
import { Alerts } from "./alerts.js";
import { benchView } from "./bench.js";
import { busView } from "./bus.js";
import { coachView } from "./coach.js";
import { head } from "./connection.js";
import { sessionDetails } from "./details.js";
import { setAttr } from "./dom.js";
import { Found } from "./found.js";
import { ask, beside, besideName, follow, send, sendMark, work } from "./feed.js";
import { Graphs } from "./graphs.js";
import { Happened } from "./happened.js";
import { marking } from "./mark.js";
import { playback } from "./playback.js";
import { sessionsView } from "./sessions.js";
import { allPanel, elementsPanel, figuresPanel, gearPanel } from "./panels.js";
import { Units, unitChoice } from "./units.js";
import { LiveValues } from "./values.js";

/**
 * @param {string} hook
 * @returns {HTMLElement}
 */
function find(hook) {
  const e = document.querySelector(`[data-hook="${hook}"]`);
  if (!(e instanceof HTMLElement)) throw new Error(`the page has no ${hook}`);
  return e;
}

const alerts = new Alerts(find("alarms"), find("sound"), find("voice"), !beside);
const top_ = head(find, (say) => alerts.sound([740, 740], say));
const marks = marking(find, sendMark);

/** Asks until there is an answer: the program may be starting. @param {string} path */
async function insist(path) {
  for (;;) {
    try {
      return await ask(path);
    } catch {
      top_.contact(false);
      await new Promise((done) => setTimeout(done, 1000));
    }
  }
}

/** @type {[Vehicle, SignalList, ProcedureList, BenchSheet]} */
const [vehicle, list, procedures, sheet] = await Promise.all([insist("/api/v1/vehicle"), insist("/api/v1/signals"), insist("/api/v1/procedures"), insist("/api/v1/readings")]);
top_.contact(true);
find("vehicle").textContent = [besideName, vehicle.title].filter(Boolean).join(" · ");
const title = besideName ? `Playback: ${besideName}` : vehicle.title;
if (title) document.title = `${title} – gearwitness`;

const units = new Units(list.units);
unitChoice(find("units"), units, () => {
  graphs.unitsChanged();
  happened.unitsChanged();
  coach.show();
  fresh = true;
});
const values = new LiveValues(list.signals, units);
const graphs = new Graphs(
  { list: find("graphs"), spans: find("spans"), pause: find("pause"), resume: find("resume"), time: find("graph-time"), range: find("range") },
  vehicle,
  values,
  ask,
);
const happened = new Happened(
  { shifts: find("shifts"), shiftCount: find("shift-count"), shiftsEmpty: find("shifts-empty"), log: find("log"), logEmpty: find("log-empty") },
  (t) => graphs.zoomTo(t - 6, t + 4),
  units,
);
find("elements").closest("section")?.toggleAttribute("hidden", vehicle.elements.length === 0);
const panels = [
  gearPanel(find, vehicle, values),
  figuresPanel(find("figures"), vehicle, values),
  elementsPanel(find("elements"), find("element-scale"), vehicle, values),
  allPanel(/** @type {HTMLDetailsElement} */ (find("all")), find("all-rows"), /** @type {HTMLInputElement} */ (find("all-find")), list.signals, values),
];

busView(
  {
    details: /** @type {HTMLDetailsElement} */ (find("bus-view")),
    lines: find("bus-lines"),
    which: find("bus-which"),
    rows: find("bus-rows"),
    empty: find("bus-empty"),
    form: /** @type {HTMLFormElement} */ (find("related")),
    signal: /** @type {HTMLSelectElement} */ (find("related-signal")),
    said: find("related-said"),
    matches: find("related-matches"),
  },
  list.signals,
  ask,
);

const found = new Found(find("found"), (t) => graphs.zoomTo(t - 6, t + 4));

/** @param {SessionEvent} e */
function take(e) {
  if (!happened.add(e)) return;
  graphs.event(e);
  found.event(e);
}

const player = playback(find, ask, send);
const details = sessionDetails(find, ask, send);
const sessions = sessionsView(find, ask, work, details.edit);
const coach = coachView(find, send, values, (tones, say, now) => alerts.sound(tones, say, now), () => alerts.on(), procedures);
const bench = benchView(find, ask, send, sheet, vehicle.title);
find("to-procedures").hidden = procedures.procedures.length === 0;
find("to-bench").hidden = beside || sheet.lines.length === 0;

if (beside) {
  // Drive and sessions are on the page of the drive.
  find("to-drive").setAttribute("href", "/#drive");
  find("to-sessions").setAttribute("href", "/#sessions");
  find("to-playback").hidden = false;
  find("recording").hidden = find("mark").hidden = true;
}

/** @type {[string, string, () => void][]} what can be shown: its address, its view, and what it does when it comes up */
const views = [
  ["drive", "drive-view", () => {}],
  ["procedures", "coach-view", () => {}],
  ["bench", "bench-view", bench.show],
  ["sessions", "sessions-view", sessions.show],
];

/** Shows what the address says; the drive where it says nothing. */
function view() {
  const wish = location.hash.slice(1);
  const there = views.find(([name]) => name === wish && !find(`to-${name}`).hidden && !(beside && name === "sessions"))?.[0] ?? "drive";
  for (const [name, hook] of views) {
    find(hook).hidden = name !== there;
    // Beside a drive, that link leads to the drive, and playback is what is here.
    setAttr(find(beside && name === "drive" ? "to-playback" : `to-${name}`), "aria-current", name === there ? "page" : null);
  }
  document.body.toggleAttribute("data-sessions", there === "sessions" || there === "bench");
  for (const [name, , show] of views) if (name === there) show();
  coach.show();
}
addEventListener("hashchange", view);
find("skip").addEventListener("click", (e) => {
  e.preventDefault(); // its address is only for a page that has not got here yet
  for (const [, hook] of views) if (!find(hook).hidden) find(hook).focus();
});
view();

let instance = "";
let round = 0;
/** when the graphs were last filled in, and whether something is missing since [ms] */
let filled = 0;
let gap = false;
/** @type {SessionEvent[]|null} what comes while the list of old events is asked for */
let waiting = [];
let fresh = false;

follow("/api/v1/live", {
  async start(m) {
    if (instance && instance !== m.instance) {
      location.reload(); // another run, perhaps another vehicle file
      return;
    }
    const first = instance === "";
    if (!first && m.round === round) return;
    instance = m.instance;
    round = m.round;
    waiting = [];
    if (!first) {
      // A playback jumped: nothing of before counts any more.
      values.restart();
      graphs.restart();
      happened.restart();
      found.restart();
      fresh = true;
    }
    const mine = waiting;
    const old = await insist("/api/v1/events");
    if (mine !== waiting) return; // it jumped again
    for (const e of [...old.events, ...waiting]) take(e);
    waiting = null;
  },
  values(m) {
    const first = values.now === 0 && m.t > 0;
    // Played back fast, or stepped, time comes in leaps: what is between is asked for.
    gap ||= m.t > values.now + 0.5;
    values.apply(m);
    player.time(m.t);
    graphs.sample();
    fresh = true;
    if (!first && !(gap && performance.now() > filled + 1000)) return;
    gap = false;
    filled = performance.now();
    graphs.backfill(m.t).catch(() => {}); // without it the graphs begin now
  },
  /** @param {Status} s */
  status(s) {
    top_.status(s);
    top_.time(s.now);
    marks.allow(s.can_mark);
    player.status(s.playback);
    details.allow(s.recording.state !== "off");
    alerts.show(s.alarms);
    coach.tick();
    values.ended = s.connection.state === "ended";
  },
  event(e) {
    if (waiting) waiting.push(e);
    else {
      take(e);
      coach.event(e);
    }
  },
  procedures: coach.status,
  contact(there) {
    top_.contact(there);
    document.body.toggleAttribute("data-old", !there);
  },
});

function paint() {
  // The browser does not call this in a hidden tab, so nothing is drawn there.
  if (fresh) {
    fresh = false;
    for (const p of panels) p();
  }
  graphs.paint();
  requestAnimationFrame(paint);
}
requestAnimationFrame(paint);

document.addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.metaKey || e.altKey || e.repeat) return;
  // Where letters are typed or choose something, they are letters.
  if (e.target instanceof HTMLSelectElement || e.target instanceof HTMLTextAreaElement) return;
  if (e.target instanceof HTMLInputElement && !["radio", "checkbox", "range", "button", "submit"].includes(e.target.type)) return;
  if (e.key === "m" || e.key === "M") marks.key();
  else if (e.key === "p" || e.key === "P") graphs.pause();
  else if (e.key === "q" || e.key === "Q") alerts.heard();
});
