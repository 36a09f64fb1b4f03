// Alarms: shown in one live region, sounded and spoken. Which alarms are
// raised, and their words, the program decides.

/** @import {Alarm} from "./types.js" */
import { make, setAttr, setText } from "./dom.js";

/**
 * How each level is shown and heard: the first pause before it is said again [ms], 0 for
 * never. Pauses double up to longestPause.
 * @type {Record<string, {word: string, sign: string, tones: number[], again: number}>}
 */
const kinds = {
  stop: { word: "Stop", sign: "■", tones: [880, 660, 880, 660], again: 8000 },
  caution: { word: "Caution", sign: "▲", tones: [740, 740], again: 20_000 },
  note: { word: "Note", sign: "●", tones: [520], again: 0 },
};
const longestPause = 120_000;
const toneSec = 0.18;
const key = "gearwitness.sound";

/**
 * When an alarm is to be said again, after it has been said so often.
 * @param {string} level
 * @param {number} times
 * @returns {number} pause in ms, Infinity for never
 */
export function pause(level, times) {
  const first = kinds[level]?.again ?? 0;
  return first ? Math.min(first * 2 ** (times - 1), longestPause) : Infinity;
}

export class Alerts {
  /**
   * @param {HTMLElement} region the live region
   * @param {HTMLElement} button switches sound on and off
   * @param {HTMLElement} voice says where this computer cannot speak
   * @param {boolean} here the alarms are of the vehicle one sits in; those of a
   *   session played back beside a drive are silent until they are wanted
   */
  constructor(region, button, voice, here) {
    this.region = region;
    this.button = button;
    this.voice = voice;
    /** @type {number|undefined} the words that wait for the tones before them */
    this.soon = undefined;
    /** @type {Map<string, {item: HTMLElement, text: HTMLElement, level: string, said: number, times: number}>} */
    this.raised = new Map();
    /** @type {AudioContext|null} */
    this.audio = null;
    this.wanted = here && remembered() !== "off";
    button.addEventListener("click", () => {
      const on = !(this.wanted && this.ready());
      this.wanted = on;
      if (here) remember(on ? "on" : "off");
      if (on) this.open(() => this.trial());
      else globalThis.speechSynthesis?.cancel();
      this.tell();
    });
    // A browser lets a page be heard once its user has touched it, anywhere; a
    // touch of the button itself is the button's business.
    /** @param {Event} e */
    const touched = (e) => {
      if (e.target instanceof Node && button.contains(e.target)) return;
      if (this.wanted && !this.ready()) this.open(() => this.tell());
    };
    for (const e of ["pointerdown", "keydown"]) document.addEventListener(e, touched);
    this.tell();
  }

  ready() {
    return this.audio?.state === "running";
  }

  /** @param {() => void} then */
  open(then) {
    this.audio ??= new AudioContext();
    this.audio.resume().then(then, () => this.tell());
    this.audio.addEventListener("statechange", () => this.tell(), { once: true });
  }

  /** Whether words and tones can be heard. */
  on() {
    return this.wanted && this.ready();
  }

  tell() {
    const on = this.on();
    setAttr(this.button, "aria-pressed", String(on));
    setText(this.button, on ? "Sound on" : this.wanted ? "Allow sound" : "Sound off");
  }

  /** A tone and a word, so that one knows before the drive what can be heard. */
  trial() {
    const voices = globalThis.speechSynthesis?.getVoices().length ?? 0;
    this.voice.hidden = voices > 0;
    setText(this.voice, voices > 0 ? "" : "This computer has no voice: alarms will be tones only. Turn it up, and keep the page in sight of the passenger.");
    this.sound([660], "Alarms can be heard.");
  }

  /** What is raised has been heard: none of it is said again. */
  heard() {
    globalThis.speechSynthesis?.cancel();
    for (const r of this.raised.values()) r.said = Infinity;
  }

  /**
   * Shows what is raised now, in the order given, and sounds what is new: one voice at a
   * time, the most urgent first, again after growing pauses.
   * @param {Alarm[]} alarms
   */
  show(alarms) {
    const names = new Set(alarms.map(nameOf));
    for (const [name, a] of this.raised) {
      if (names.has(name)) continue;
      a.item.remove();
      this.raised.delete(name);
    }
    const now = performance.now();
    /** @type {HTMLElement|null} */
    let above = null;
    let speaks = false;
    for (const a of alarms) {
      const r = this.raised.get(nameOf(a)) ?? this.raise(a);
      setText(r.text, a.text || a.say);
      if (!r.item.parentElement || r.item.previousElementSibling !== above) {
        if (above) above.after(r.item);
        else this.region.prepend(r.item);
      }
      above = r.item;
      if (speaks || (r.times > 0 && now - r.said <= pause(a.level, r.times))) continue;
      if (r.times > 0 && globalThis.speechSynthesis?.speaking) continue;
      r.said = now;
      r.times++;
      speaks = true; // the next one at the next status
      this.sound(kinds[a.level]?.tones ?? [], a.say, a.level === "stop");
    }
  }

  /** @param {Alarm} a */
  raise(a) {
    const kind = kinds[a.level] ?? kinds.note;
    const text = make("span", { class: "alarm-text" });
    const heard = make("button", { type: "button", class: "button alarm-heard", title: "do not say it again" }, "Heard");
    heard.append(" ", make("kbd", {}, "Q"));
    const sign = make("span", { class: "alarm-sign", "aria-hidden": "true" }, kind?.sign ?? "");
    const item = make("p", { class: "alarm", "data-level": a.level }, sign, make("strong", {}, kind?.word ?? a.level), " ", text, heard);
    const r = { item, text, level: a.level, said: -Infinity, times: 0 };
    heard.addEventListener("click", () => {
      r.said = Infinity;
      globalThis.speechSynthesis?.cancel();
    });
    this.raised.set(nameOf(a), r);
    return r;
  }

  /**
   * Plays tones and reads words out, where sound is wanted and allowed.
   * @param {number[]} tones in Hz
   * @param {string} say
   * @param {boolean} [now] nothing is to be heard out first
   */
  sound(tones, say, now) {
    if (!this.wanted || !this.ready()) return;
    const speech = globalThis.speechSynthesis;
    if (now) {
      speech?.cancel();
      clearTimeout(this.soon);
    }
    this.beep(tones);
    if (!speech) return;
    const words = new SpeechSynthesisUtterance(say);
    words.lang = "en";
    this.soon = setTimeout(() => speech.speak(words), tones.length * toneSec * 1000 + 100);
  }

  /** @param {number[]} tones in Hz, one after the other */
  beep(tones) {
    const audio = this.audio;
    if (!audio) return;
    tones.forEach((hz, k) => {
      const from = audio.currentTime + k * toneSec;
      const tone = new OscillatorNode(audio, { type: "triangle", frequency: hz });
      const loud = new GainNode(audio, { gain: 0 });
      // Rise and fall over 20 ms, so that no click is heard.
      loud.gain.setValueAtTime(0, from);
      loud.gain.linearRampToValueAtTime(0.4, from + 0.02);
      loud.gain.setValueAtTime(0.4, from + toneSec - 0.04);
      loud.gain.linearRampToValueAtTime(0, from + toneSec - 0.02);
      tone.connect(loud).connect(audio.destination);
      tone.start(from);
      tone.stop(from + toneSec);
    });
    this.tell();
  }
}

/** @param {Alarm} a */
function nameOf(a) {
  return `${a.name} ${a.subject ?? ""}`;
}

function remembered() {
  try {
    return localStorage.getItem(key);
  } catch {
    return null; // storage may be forbidden; then the wish lasts as long as the page
  }
}

/** @param {string} v */
function remember(v) {
  try {
    localStorage.setItem(key, v);
  } catch {
    // as above
  }
}
