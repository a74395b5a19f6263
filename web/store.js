// The pulses the page holds, in the order of `n` (the daemon's count of pulses in this run), newest
// last. Bounded: the oldest go first. What did not arrive stands as a gap of its own, and is filled
// when a reconnect brings it. Pure.

import { QUANTITIES } from './present.js';
import { establishedSince } from './together.js';

/** Most pulses that are held with one channel; with more channels fewer, so that memory stays put. */
export const MOST_PULSES = 20000;

const PER_SLOT = 16;
const MOST_NUMBERS = MOST_PULSES * 5 * PER_SLOT;
const MOST_TEXT = 240;

function number(value) {
  return typeof value === 'number' ? value : NaN;
}

function text(value) {
  return typeof value === 'string' ? value.slice(0, MOST_TEXT) : '';
}

export class PulseStore {
  constructor(mostPulses = MOST_PULSES) {
    this.mostPulses = mostPulses;
    this.allowances = [0, 0, 0, 0];
    this.clear([0]);
  }

  /** A quantity is tested lowered by its repeatability, dB: its level must pass the limit by as much. */
  allow(repeatabilityDb) {
    this.allowances = QUANTITIES.map((quantity) => repeatabilityDb?.[quantity] ?? 0);
  }

  /** Forgets everything; `channels` are the channel numbers of this run. */
  clear(channels) {
    this.channels = channels;
    this.slots = channels.length > 1 ? channels.length + 1 : 1;
    this.limit = Math.max(200, Math.min(this.mostPulses, Math.floor(MOST_NUMBERS / (this.slots * PER_SLOT))));
    this.entries = [];
    this.pulses = 0;
    this.appended = 0;
    this.rebuilt = (this.rebuilt ?? 0) + 1;
    this.runLength = 0;
    this.established = { text: '', since: null };
  }

  get newest() {
    return this.entries.at(-1) ?? null;
  }

  /** Place of the slot that stands for the whole receiver: `all`, else the only channel. */
  get mainSlot() {
    return this.slots - 1;
  }

  /**
   * Takes the rows of one pulse. `added` when they are the newest, `filled` when they closed a gap,
   * `known` when the page had them already.
   */
  take(message) {
    const n = message.n;
    if (!Number.isSafeInteger(n) || !Array.isArray(message.rows)) return 'known';
    const newest = this.newest;
    if (newest === null || n > (newest.kind === 'gap' ? newest.to : newest.n)) {
      this.append(n, message.rows);
      return 'added';
    }
    return this.fill(n, message.rows) ? 'filled' : 'known';
  }

  append(n, rows) {
    const newest = this.newest;
    const before = this.entries.length;
    if (newest !== null && n > newest.n + 1) {
      this.entries.push({ kind: 'gap', n: n - 1, from: newest.n + 1, to: n - 1 });
    }
    const made = this.entriesOf(n, rows);
    for (const entry of made) this.entries.push(entry);
    this.appended += this.entries.length - before;
    const last = made.at(-1);
    const past = this.entries.slice(Math.max(0, before - 2), before).findLast((one) => one.kind !== 'gap');
    const goesOn = past !== undefined && sameRun(past, last);
    this.runLength = goesOn ? this.runLength + this.entries.length - before : made.length;
    this.pulses += 1;
    if (this.entries.length > this.limit + 256) {
      this.entries.splice(0, this.entries.length - this.limit);
      this.runLength = Math.min(this.runLength, this.entries.length);
    }
  }

  fill(n, rows) {
    const place = this.entries.findIndex((one) => one.kind === 'gap' && one.from <= n && n <= one.to);
    if (place < 0) return false;
    const gap = this.entries[place];
    const parts = this.entriesOf(n, rows);
    if (n > gap.from) parts.unshift({ kind: 'gap', n: n - 1, from: gap.from, to: n - 1 });
    if (n < gap.to) parts.push({ kind: 'gap', n: gap.to, from: n + 1, to: gap.to });
    this.entries.splice(place, 1, ...parts);
    this.rebuilt += 1;
    this.pulses += 1;
    const [first, last] = this.run(this.entries.length - 1);
    this.runLength = last - first + 1;
    return true;
  }

  entriesOf(n, rows) {
    const entries = [];
    const hole = rows.find((row) => row.pulse === null && row.reason === 'pulse missing');
    if (hole) entries.push({ kind: 'hole', n, time_s: number(hole.time_s), drive_mpa: number(hole.drive_mpa), stage: text(hole.stage), exposure: hole.exposure ?? null });
    const whole = rows.filter((row) => row !== hole && !(row.pulse === null && row.reason === 'pulse missing'));
    const main = whole.find((row) => row.channel === 'all') ?? whole.at(-1);
    if (main === undefined) {
      if (entries.length === 0) entries.push({ kind: 'hole', n, time_s: NaN, drive_mpa: NaN, stage: '', exposure: null });
      return entries;
    }
    const values = new Float32Array(this.slots * PER_SLOT).fill(NaN);
    const verdicts = new Array(this.slots).fill(null);
    for (const row of whole) {
      const slot = row.channel === 'all' ? this.mainSlot : this.channels.indexOf(row.channel);
      if (slot < 0 || slot >= this.slots) continue;
      verdicts[slot] = row.verdict ?? null;
      QUANTITIES.forEach((quantity, place) => {
        values[slot * PER_SLOT + place] = number(row[`${quantity}_detect_db`]);
        values[slot * PER_SLOT + 4 + place] = number(row[`${quantity}_limit_db`]) + this.allowances[place];
        values[slot * PER_SLOT + 8 + place] = number(row[`${quantity}_hear_db`]);
        values[slot * PER_SLOT + 12 + place] = number(row[`${quantity}_hear_cumulative_db`]);
      });
    }
    entries.push({
      kind: 'pulse', n, pulse: main.pulse, time_s: number(main.time_s),
      drive_mpa: number(main.drive_mpa), drive_setting: number(main.drive_setting),
      target: text(main.target), exposure: main.exposure ?? null, stage: text(main.stage),
      verdict: main.verdict ?? null, reason: text(main.reason), ...this.cumulativeOf(text(main.cumulative)),
      verdicts, values,
    });
    return entries;
  }

  /** Text and pulses of what is established; rows that say the same share them. */
  cumulativeOf(words) {
    if (words !== this.established.text) this.established = { text: words, since: establishedSince(words) };
    return { cumulative: this.established.text, since: this.established.since };
  }

  /** First and last place of the stretch of one stage and exposure around `place`. */
  run(place) {
    const entries = this.entries;
    if (place < 0 || place >= entries.length) return [0, -1];
    let middle = place;
    while (middle > 0 && entries[middle].kind === 'gap') middle -= 1;
    const anchor = entries[middle];
    let first = middle;
    while (first > 0 && (entries[first - 1].kind === 'gap' || sameRun(entries[first - 1], anchor))) first -= 1;
    let last = place;
    while (last + 1 < entries.length && (entries[last + 1].kind === 'gap' || sameRun(entries[last + 1], anchor))) last += 1;
    return [first, last];
  }
}

function sameRun(a, b) {
  return a.stage === b.stage && a.exposure === b.exposure;
}

/**
 * Level over baseline, its limit, and what could be heard, dB, of quantity `place` (0 to 3): `hear` in
 * this pulse alone, `together` with the earlier pulses (NaN where the daemon does not say).
 */
export function levels(entry, slot, place) {
  const base = slot * PER_SLOT + place;
  const { values } = entry;
  return { detect: values[base], limit: values[base + 4], hear: values[base + 8], together: values[base + 12] };
}

/** Up to where nothing could have been heard, dB, neither in the pulse nor together with the earlier ones. */
export function unheardDb({ hear, together }) {
  return together < hear ? together : hear;
}
