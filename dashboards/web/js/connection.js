// The head of the page: connection, recording, bus and time.

/** @import {Status, Connection} from "./types.js" */
import { setAttr, setText } from "./dom.js";
import { bytes, clock, count } from "./format.js";

/** @type {Record<string, string>} */
const signs = { live: "●", starting: "○", ended: "■", playing: "▶", held: "❚❚" };

/** States in which no alarm of the vehicle can be heard. */
const deaf = new Set(["no_contact", "no_adapter", "no_answer", "no_frames"]);

/** @type {Connection} */
export const noContact = {
  state: "no_contact",
  title: "No contact",
  text: "This page hears nothing from the program; the figures are old. Is gearwitness still running? The page goes on by itself when it is back.",
  playback: false,
};

/**
 * What was lost, in words; empty when nothing was.
 * @param {Status} s
 */
export function losses(s) {
  /** @type {Map<string, number>} */
  const by = new Map();
  for (const b of s.buses) for (const [reason, n] of Object.entries(b.lost)) by.set(reason, (by.get(reason) ?? 0) + n);
  if (s.recording.lost) by.set("not written", s.recording.lost);
  // A loss of unknown size counts 0, and is one all the same.
  return [...by].map(([reason, n]) => (n > 0 ? `${count(n)} ${reason}` : reason === "unknown" ? "not known how many" : `${reason} (not known how many)`)).join(", ");
}

/**
 * @param {(hook: string) => HTMLElement} find
 * @param {(say: string) => void} aloud tells those who look elsewhere that nothing comes any more
 * @returns {{status: (s: Status) => void, contact: (there: boolean) => void, time: (t: number) => void}}
 */
export function head(find, aloud) {
  const at = {
    box: find("connection"),
    sign: find("connection-sign"),
    word: find("connection-word"),
    text: find("connection-text"),
    bus: find("bus"),
    time: find("time"),
    announce: find("announce"),
    requests: find("requests"),
    recording: find("recording"),
    recordingWord: find("recording-word"),
    recordingFigures: find("recording-figures"),
  };
  let there = true;
  let state = "";
  /** @param {Connection} c @param {boolean} [held] */
  const connection = (c, held = false) => {
    const problem = !["live", "starting", "ended"].includes(c.state);
    setAttr(at.box, "data-state", problem ? "problem" : c.playback && c.state === "live" ? "playing" : c.state);
    setText(at.sign, problem ? "▲" : c.playback && c.state === "live" ? ((held ? signs.held : signs.playing) ?? "") : (signs[c.state] ?? ""));
    setText(at.word, c.title + (c.playback && problem ? " (playing back)" : ""));
    setText(at.text, c.text);
    if (state !== c.state) {
      // Told aloud on change only; the sentence itself may count seconds.
      if (state !== "") setText(at.announce, `${c.title}. ${c.text}`);
      if (state !== "" && deaf.has(c.state)) aloud(c.title);
      state = c.state;
    }
  };
  return {
    status(s) {
      if (!there) return;
      connection(s.connection, s.playback?.paused);
      at.requests.hidden = !s.requests.state;
      setAttr(at.requests, "data-state", s.requests.state);
      setText(at.requests, s.requests.text);
      const r = s.recording;
      const lost = losses(s);
      setAttr(at.recording, "data-state", r.state === "recording" && lost ? "warning" : r.state);
      setAttr(at.recording, "title", r.folder ? `${r.text} ${r.folder}` : r.text);
      setText(at.recordingWord, { recording: "Recording", off: "Not recording", sealed: "Sealed", failed: "Cannot record", warning: "Recording" }[r.state] ?? r.state);
      const figures = r.state === "off" ? "" : `${bytes(r.bytes)} · ${clock(s.now)}`;
      const warning = r.state === "warning" ? r.text : "";
      const loss = lost ? `lost: ${lost}` : r.state === "off" ? "" : "nothing lost";
      setText(at.recordingFigures, [figures, loss, warning].filter(Boolean).join(" · "));
      const bus = s.buses.map((b) => `${b.name} ${b.load === null ? `${count(b.frames)} ${b.text ? "lines" : "frames"}` : `load ${Math.round(b.load * 100)} %`}`).join(" · ");
      setText(at.bus, bus);
    },
    contact(is) {
      there = is;
      if (is) return;
      connection(noContact);
      // Whether it still records is not known from here.
      setAttr(at.recording, "data-state", "off");
      setText(at.recordingWord, "Recording not known");
      setText(at.recordingFigures, "");
    },
    time(t) {
      setText(at.time, clock(t));
    },
  };
}
