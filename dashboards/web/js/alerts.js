// Alarms: shown in one live region, sounded and spoken. Which alarms are
// raised, and their words, the program decides.

/** @import {Alarm} from "./types.js" */
import { make, setAttr, setText } from "./dom.js";

/** @type {Record<string, {word: string, sign: string, tones: number[], again: number}>} */
const kinds = {
  stop: { word: "Stop", sign: "■", tones: [880, 660, 880, 660], again: 8000 },
  caution: { word: "Caution", sign: "▲", tones: [740, 740], again: 0 },
  note: { word: "Note", sign: "●", tones: [520], again: 0 },
};
const toneSec = 0.18;
const key = "gearwitness.sound";

export class Alerts {
  /**
   * @param {HTMLElement} region the live region
   * @param {HTMLElement} button switches sound on and off
   * @param {boolean} here the alarms are of the vehicle one sits in; those of a
   *   session played back beside a drive are silent until they are wanted
   */
  constructor(region, button, here) {
    this.region = region;
    this.button = button;
    /** @type {Map<string, {item: HTMLElement, level: string, said: number}>} */
    this.raised = new Map();
    /** @type {AudioContext|null} */
    this.audio = null;
    this.wanted = here && remembered() !== "off";
    button.addEventListener("click", () => {
      const on = !(this.wanted && this.ready());
      this.wanted = on;
      if (here) remember(on ? "on" : "off");
      if (on) this.open(() => this.beep([660]));
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

  /**
   * Shows what is raised now and sounds what is new.
   * @param {Alarm[]} alarms
   */
  show(alarms) {
    const names = new Set(alarms.map((a) => a.name));
    for (const [name, a] of this.raised) {
      if (names.has(name)) continue;
      a.item.remove();
      this.raised.delete(name);
    }
    for (const a of alarms) {
      const kind = kinds[a.level] ?? kinds.note;
      if (!kind) continue;
      let r = this.raised.get(a.name);
      if (!r) {
        const item = make("p", { class: "alarm", "data-level": a.level }, make("span", { class: "alarm-sign", "aria-hidden": "true" }, kind.sign), make("strong", {}, kind.word), " ", a.say);
        r = { item, level: a.level, said: -Infinity };
        this.raised.set(a.name, r);
        if (a.level === "stop") this.region.prepend(item);
        else this.region.append(item);
      }
      const now = performance.now();
      if (r.said === -Infinity || (kind.again && now - r.said > kind.again)) {
        r.said = now;
        this.sound(kind.tones, a.say, a.level === "stop");
      }
    }
  }

  /**
   * Plays tones and reads words out, where sound is wanted and allowed.
   * @param {number[]} tones in Hz
   * @param {string} say
   * @param {boolean} [now] nothing is to be heard out first
   */
  sound(tones, say, now) {
    if (!this.wanted || !this.ready()) return;
    if (now) globalThis.speechSynthesis?.cancel();
    this.beep(tones);
    const speech = globalThis.speechSynthesis;
    if (!speech) return;
    const words = new SpeechSynthesisUtterance(say);
    words.lang = "en";
    setTimeout(() => speech.speak(words), tones.length * toneSec * 1000 + 100);
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
