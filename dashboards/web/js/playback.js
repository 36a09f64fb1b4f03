// Steering a recording that is played back: hold, step, speed, the time line and
// jumps from one shift, mark or alarm to the next.

/** @import {PlaybackState, Moment, MomentList} from "./types.js" */
import { make, setAttr, setText } from "./dom.js";
import { clock } from "./format.js";

/** A jump lands so long before what it leads to, so that one sees it come [s]. */
const ahead = 1;
/** What stands on the page then comes from so much of the recording before [s]. */
const lead = 30;
/** While the recording is still being read ahead, what is new is asked for this often [ms]. */
const againMs = 700;

/** @type {[number, string][]} */
const speeds = [
  [0.1, "0.1 ×"],
  [0.25, "0.25 ×"],
  [0.5, "0.5 ×"],
  [1, "1 ×"],
  [2, "2 ×"],
  [4, "4 ×"],
  [10, "10 ×"],
  [60, "60 ×"],
];

/**
 * The moment to jump to from a time, or undefined: the next (direction 1) or the
 * one before (-1). Pressed again and again it goes on, though a jump lands
 * before its moment.
 * @param {Moment[]} list in order of time
 * @param {number} now
 * @param {number} direction
 * @returns {Moment|undefined}
 */
export function neighbour(list, now, direction) {
  const at = now + ahead;
  return direction > 0 ? list.find((m) => m.t > at + 0.3) : list.findLast((m) => m.t < at - 0.3);
}

/**
 * What to ask of the playback so that a time is shown, with what led up to it.
 * @param {number} t
 * @returns {{seek_s: number, step_s: number}}
 */
export function jumpTo(t) {
  const to = Math.max(0, t);
  const from = Math.max(0, to - lead);
  return { seek_s: Number(from.toFixed(3)), step_s: Number((to - from).toFixed(3)) };
}

/**
 * A short line for each moment, as the path of a drawing as wide as the recording
 * and 12 high; alarms stand high, marks in the middle, shifts low.
 * @param {Moment[]} list
 * @param {string} kind
 */
export function strokes(list, kind) {
  const [from, to] = /** @type {Record<string, [number, number]>} */ ({ alarm: [0, 4], mark: [4, 8], shift: [8, 12] })[kind] ?? [0, 0];
  return list.flatMap((m) => (m.kind === kind ? [`M${m.t} ${from}V${to}`] : [])).join("");
}

/** @type {[string, string, string][]} */
const kinds = [
  ["shift", "Shift", "shift"],
  ["mark", "Mark", "mark"],
  ["alarm", "Alarm", "alarm"],
];

const svg = "http://www.w3.org/2000/svg";

/**
 * @param {(hook: string) => HTMLElement} find
 * @param {(path: string) => Promise<any>} ask
 * @param {(method: string, path: string, body: object) => Promise<any>} send
 * @returns {{status: (p: PlaybackState|null) => void, time: (t: number) => void}}
 */
export function playback(find, ask, send) {
  const bar = find("playback");
  const play = find("playback-play");
  const line = /** @type {HTMLInputElement} */ (find("playback-line"));
  const speed = /** @type {HTMLSelectElement} */ (find("playback-speed"));
  const other = /** @type {HTMLInputElement} */ (find("playback-other"));
  const said = find("playback-said");
  const shown = find("playback-time");
  /** @type {PlaybackState|null} */
  let state = null;
  /** @type {Moment[]} */
  let moments = [];
  let length = 0;
  let now = 0;
  let dragging = false;
  let asked = false;

  /** @param {object} what */
  const steer = async (what) => {
    try {
      setText(said, "");
      show(await send("POST", "/api/v1/playback", what));
    } catch (e) {
      setText(said, e instanceof Error ? e.message : String(e));
    }
  };

  play.addEventListener("click", () => {
    if (!state) return;
    if (state.ended) steer({ seek_s: 0, resume: true });
    else steer(state.paused ? { resume: true } : { pause: true });
  });
  for (const [hook, s] of /** @type {[string, number][]} */ ([["playback-step-short", 0.1], ["playback-step-long", 1]]))
    find(hook).addEventListener("click", () => steer({ pause: true, step_s: s }));

  speed.append(...speeds.map(([v, text]) => make("option", { value: String(v) }, text)), make("option", { value: "fastest" }, "as fast as possible"), make("option", { value: "other" }, "other …"));
  speed.addEventListener("change", () => {
    other.hidden = speed.value !== "other";
    if (speed.value === "other") other.focus();
    else if (state) steer({ speed: speed.value === "fastest" ? state.fastest : Number(speed.value) });
  });
  other.addEventListener("change", () => {
    const v = Number(other.value);
    if (v > 0) steer({ speed: v });
  });

  line.addEventListener("input", () => {
    dragging = true;
    tell(Number(line.value));
  });
  line.addEventListener("change", () => {
    dragging = false;
    steer(jumpTo(Number(line.value)));
  });

  const drawing = document.createElementNS(svg, "svg");
  setAttr(drawing, "class", "timeline-moments");
  setAttr(drawing, "preserveAspectRatio", "none");
  setAttr(drawing, "aria-hidden", "true");
  /** @type {Record<string, SVGPathElement>} */
  const paths = {};
  for (const [kind] of kinds) {
    const p = document.createElementNS(svg, "path");
    setAttr(p, "class", `timeline-${kind}`);
    drawing.append(p);
    paths[kind] = p;
  }
  line.before(drawing);

  /** @type {{kind: string, back: HTMLButtonElement, on: HTMLButtonElement, count: HTMLElement}[]} */
  const jumps = kinds.map(([kind, label, name]) => {
    const back = make("button", { type: "button", class: "button jump", "aria-label": `previous ${name}`, title: `previous ${name}` }, "◂");
    const on = make("button", { type: "button", class: "button jump", "aria-label": `next ${name}`, title: `next ${name}` }, "▸");
    const count = make("span", { class: "quiet" });
    find("playback-jumps").append(make("span", { class: `jumps jumps-${kind}` }, back, make("span", { class: "jumps-name" }, label, " ", count), on));
    for (const [button, direction] of /** @type {[HTMLButtonElement, number][]} */ ([[back, -1], [on, 1]]))
      button.addEventListener("click", () => {
        const to = neighbour(moments.filter((m) => m.kind === kind), now, direction);
        if (!to) return;
        // At the end there is nothing to run on; a jump takes it up again.
        steer({ ...jumpTo(to.t - ahead), ...(state?.ended ? { pause: true } : {}) }).then(() => setText(find("announce"), `${label} at ${clock(to.t, 1)}: ${to.text}`));
      });
    return { kind, back, on, count };
  });

  const enable = () => {
    for (const j of jumps) {
      const list = moments.filter((m) => m.kind === j.kind);
      setText(j.count, String(list.length));
      j.back.disabled = !neighbour(list, now, -1);
      j.on.disabled = !neighbour(list, now, 1);
    }
  };

  /** Asks for what has been found ahead until all is known. */
  const survey = async () => {
    for (;;) {
      try {
        /** @type {MomentList} */
        const m = await ask(`/api/v1/playback/moments?after=${moments.length}`);
        length = Math.max(m.to, 0.1);
        moments.push(...m.moments);
        moments.sort((a, b) => a.t - b.t);
        line.max = String(length);
        setAttr(drawing, "viewBox", `0 0 ${length} 12`);
        for (const [kind] of kinds) setAttr(/** @type {Element} */ (paths[kind]), "d", strokes(moments, kind));
        setText(find("playback-ahead"), m.problem || (m.done ? (m.beyond ? `${m.beyond} more moments are not listed` : "") : `reading ahead: ${clock(m.to)} so far`));
        enable();
        if (m.done) return;
      } catch {
        // The program is busy or gone; the head of the page tells.
      }
      await new Promise((done) => setTimeout(done, againMs));
    }
  };

  /** @param {number} t */
  const tell = (t) => {
    setText(shown, `${clock(t, 1)} of ${clock(length)}`);
    setAttr(line, "aria-valuetext", clock(t));
  };

  /** @param {PlaybackState|null} p */
  const show = (p) => {
    state = p;
    bar.hidden = p === null;
    if (!p) return;
    if (!asked) {
      asked = true;
      survey();
    }
    setText(play, p.ended ? "Play again" : p.paused ? "Play" : "Hold");
    setAttr(bar, "data-state", p.ended ? "ended" : p.paused ? "held" : "playing");
    const known = speeds.some(([v]) => v === p.speed);
    if (document.activeElement !== speed && document.activeElement !== other) {
      speed.value = p.speed >= p.fastest ? "fastest" : known ? String(p.speed) : "other";
      other.hidden = speed.value !== "other";
      if (!other.hidden) other.value = String(p.speed);
    }
    enable();
  };

  return {
    status: show,
    time(t) {
      now = t;
      if (!state || dragging) return;
      length = Math.max(length, t);
      line.max = String(length);
      if (document.activeElement !== line || !line.matches(":active")) line.value = String(t);
      tell(t);
    },
  };
}
