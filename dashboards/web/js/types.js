// The shapes of the program's JSON, as api.go and package board of
// dashboards write them. Times are seconds since session start.

/** @typedef {{state: string, title: string, text: string, playback: boolean}} Connection
 *  state: starting, no_adapter, ended, no_answer, no_frames, unknown_frames, unusable_frames, stale, live; the page adds no_contact. */

/** @typedef {{address: string, playback: boolean, state: string, text: string}} Source */

/** @typedef {{name: string, device: string, text: boolean, bit_rate?: number, passive: boolean, frames: number,
 *  load: number|null, lost: Record<string, number>}} Bus */

/** @typedef {{state: string, folder?: string, bytes: number, frames: number, lost: number, text: string}} Recording
 *  state: recording, warning, off, sealed, failed. */

/** @typedef {{state: string, text: string}} Requests  state: empty where nothing is sent, sending, paused, stopped. */

/** @typedef {{name: string, subject?: string, level: string, say: string, text?: string, since: number}} Alarm  level: note, caution, stop. */
/**
 * One thing found about the gearbox, as it stands.
 * @typedef {{id: number, finding: string, part: string, name: string, title: string, level: string, state: string, since_s: number, last_s: number,
 *  until_s?: number, worst?: number, unit?: string, times: number, sure: number, text: string}} Finding
 */

/** @typedef {{version: string, instance: string, start_s: number, now: number, connection: Connection,
 *  sources: Source[], buses: Bus[], recording: Recording, requests: Requests, alarms: Alarm[], samples: number, late: number,
 *  pages: number, skipped: number, can_mark: boolean, playback: PlaybackState|null}} Status */

/** @typedef {{paused: boolean, ended: boolean, speed: number, fastest: number, at: number}} PlaybackState */

/** @typedef {{t: number, kind: string, text: string, level?: string}} Moment  kind: shift, mark, alarm. */

/** @typedef {{to: number, done: boolean, problem: string, beyond: number, moments: Moment[]}} MomentList */

/** @typedef {{title: string, technician: string, workshop: string, job: string, vin: string, odometer: string,
 *  concern: string, position_consent: string, vin_remark: string}} Details */

/** @typedef {{name: string, folder: string, title?: string, vehicle?: string, started: string|null, ended: string|null,
 *  bytes: number, sealed: boolean, protected: boolean, problem?: string, recording?: boolean}} SessionRow */

/** @typedef {SessionRow & {workshop?: string, technician?: string, job?: string, vin?: string, vin_remark?: string,
 *  odometer?: string, concern?: string, position_consent?: string, software?: string, captures: string[],
 *  seal_sha256?: string, signer?: string, marks: {time_s: number, text: string}[], lost: number, lost_unknown?: boolean,
 *  positions_left_out?: number, vin_read?: {unit: string, vin: string, remark?: string, differs?: boolean}[]}} SessionFacts */

/** @typedef {{holds: boolean, files: number, bytes: number, frames: number, seal_sha256?: string, signer?: string,
 *  stamped?: string, findings: {kind: string, fault: boolean, path?: string, text: string, frames?: [number, number]}[]}} Verdict */

/** @typedef {{already: boolean, seal_sha256: string, signer?: string, files: number, bytes: number, damage: string[]}} SealDone */

/** @typedef {{n: number, median: (number|null)[]|null, low: (number|null)[]|null, high: (number|null)[]|null}} Middle */

/** @typedef {{t_s: number[]|null, bands: Middle[]}} Overlay */

/** @typedef {{what: string, then: string, now: string, judged: string, direction?: string, words: string, parts?: string[], kinds?: ComparisonRow[]}} ComparisonRow */

/** @typedef {{a: string, b: string, a_started?: string|null, b_started?: string|null, said: string, rows: ComparisonRow[], overlays: (Overlay & {kind: string})[]|null, notes: string[]|null}} Comparison */

/** @typedef {{session: number, started: string, n: number, median: number, interval_95?: {low: number, high: number}}} HistoryPoint */

/** @typedef {{from: string, to: string, kind: string, figure: string, unit: string, conditions: string, points: HistoryPoint[], words: string}} HistoryGroup */

/** @typedef {{vin: string, rows: SessionRow[], left: string[], sessions: string[], groups: HistoryGroup[], summary: string[]}} VehicleHistory */

/** @typedef {{name: string, ratio: number|null, holds: string[]}} Gear */

/** @typedef {{name: string, title: string, kind: string, signal: string}} Element  kind: clutch, brake, one_way. */

/** @typedef {{title: string, note?: string, roles: Record<string, string>, gears: Gear[], elements: Element[]}} Vehicle */

/** @typedef {{name: string, title: string, unit: string, origin: string, states?: {value: number, text: string}[],
 *  stale_after_s: number, digits: number, range?: [number, number], state: string, value: number|null,
 *  text: string, at: number|null}} Signal */

/** @typedef {{unit: string, factor: number, offset: number, digits: number}} Display
 *  shown is value * factor + offset, with so many decimals more than the value's own. */

/** @typedef {{signals: Signal[], units: Record<string, {metric: Display, us: Display}>}} SignalList */

/** @typedef {{step_s: number, x: number[], signals: Record<string, Column>}} History */

/** @typedef {{min: (number|null)[], max: (number|null)[], mid: (number|null)[]}} Column */

/** @typedef {Bus & {rate: number, errors: number, beyond: number}} BusLine */

/** @typedef {{kind: string, start: string, bits: number, big: boolean, check?: string}} Looks
 *  kind: flag, value, counter, check byte. */

/** @typedef {{bus: number, id: string, extended: boolean, name: string, state: string, expected_s: number|null, period_s: number|null,
 *  age_s: number, count: number, data: string, changed: string, flips: string,
 *  bad: {short: number, checksum: number, repeated: number, missed: number}|null, looks?: Looks[], definition?: string}} Identifier
 *  state: ok, off, gone. */

/** @typedef {{now: number, buses: BusLine[], identifiers: Identifier[]}} BusView */

/** @typedef {{bus: number, id: string, name: string, start: string, bits: number, big: boolean, signed: boolean, score: number,
 *  resolution: number, offset: number, unit: string, definition: string}} RelatedMatch */

/** @typedef {{signal: string, seconds: number, matches: RelatedMatch[]}} RelatedView */

/** @typedef {{seq: number, t: number, kind: string, data: Record<string, any>}} SessionEvent */

/** @typedef {{t: number, i: number[], v: (number|null)[], s: number[], at: number[]}} Values  one message of the live stream. */

/** @typedef {{signal: string, title: string, unit: string, low: number, high: number}} Band */

/** @typedef {Band & {value: number|null, holds: boolean}} BandNow */

/** @typedef {{name: string, say: string, of: number, gears: string[], until: string, hold: Band[], grace_s: number, for_s: number,
 *  at_most_s: number, rest_s: number, within_s: number, measure: string[]}} ProcedureStep */

/** @typedef {{procedure: string, title: string, state: string, verdict?: string, why?: string[], duration_s?: number, oil_begin_celsius?: number,
 *  oil_end_celsius?: number, steps?: {step: string, state: string, count: number, of: number, spoiled?: number, why?: string, duration_s: number,
 *  figures?: {signal: string, unit?: string, least: number, most: number, mean: number}[]}[]}} ProcedureChange
 *  state: waiting, begun, refused, ended; verdict: done, not done, stopped. */

/** @typedef {{name: string, state: string, ready: boolean, blocked: string[], needs: {name: string, say: string, met: boolean, missing: string[]}[], began: number|null,
 *  step: number, steps: {name: string, state: string, count: number, of: number, spoiled: number, why: string}[],
 *  now: {left_s: number, counting: boolean, held_s: number, rest_left_s: number, gears_done: number, until: boolean|null, bands: BandNow[]}|null,
 *  last: ProcedureChange|null, last_at: number|null}} ProcedureStatus  state: idle, waiting, running. */

/** @typedef {{name: string, title: string, note: string, cautions: string[], stop_when: {name: string, say: string}[], steps: ProcedureStep[], status: ProcedureStatus}} Procedure */

/** @typedef {{can: boolean, why: string, procedures: Procedure[]}} ProcedureList */

/** @typedef {{reading: string, title: string, value?: number, choice?: string, unit?: string, entered: string, celsius?: number, corrected?: number,
 *  limits?: [number, number], verdict: string, note?: string, by?: string, wall?: string}} BenchEntry  verdict: good, bad, noted. */

/** @typedef {{name: string, title: string, note?: string, unit?: string, limits?: [number, number], coil?: string,
 *  choices?: {text: string, verdict: string}[], entered: BenchEntry|null, earlier: BenchEntry[]}} BenchLine */

/** @typedef {{can: boolean, why: string, lines: BenchLine[]}} BenchSheet */

/** @typedef {{instance: string, seq: number, round: number}} Start */

export {};
