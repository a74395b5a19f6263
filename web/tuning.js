// Tuning: limits that are tried on recorded pulses. Holds what a person chose, asks the daemon what it
// would mean, one question at a time, and works out which alarms it would change. Nothing changes by
// trying; only `put` changes limits. No document.

import { known } from './format.js';
import { QUANTITIES } from './present.js';

/** An alarm ends this far below its limit, dB, half of a limit that is low, unless it had a gap of its own. */
export const GAP_DB = 0.5;
const GIVE_UP_MS = 10000;
const MOST_DB = 300;
const STEPS_OVER_RANGE = 200;
const COARSE = 10;
/** Typed limits and those of the keys stand on this grid, dB. */
const GRID_DB = 0.01;
const MOST_TRIES = 16;
/** Shares this close are the same place on the ROC. */
const SAME_SHARE = 0.004;

const onGrid = (db) => Number((Math.round(db / GRID_DB) * GRID_DB).toFixed(2));

/** Steps of the keys over a range, dB: `{fine, coarse}`, on a grid of 1, 2 and 5. */
export function stepsFor(rangeDb) {
  const wanted = Math.max(GRID_DB, (rangeDb[1] - rangeDb[0]) / STEPS_OVER_RANGE);
  const decade = 10 ** Math.floor(Math.log10(wanted) + 1e-9);
  const fine = [1, 2, 5, 10].map((part) => part * decade).find((step) => step >= wanted * (1 - 1e-9));
  return { fine: Number(fine.toPrecision(1)), coarse: Number((COARSE * fine).toPrecision(1)) };
}

/** A typed limit: `{db}`, or `{fault}` in words. */
export function typedDb(text) {
  const words = String(text ?? '').trim().replace(',', '.').replace('−', '-');
  const db = Number(words);
  if (words === '' || !Number.isFinite(db) || Math.abs(db) > MOST_DB) return { fault: `“${words}” is not a number of dB within ±${MOST_DB}` };
  return { db };
}

/** `{m, n}` of `2 of 3`; null when it is none. */
export function ruleOf(text) {
  const found = /^(\d+) of (\d+)$/.exec(String(text ?? ''));
  return found === null ? null : { m: Number(found[1]), n: Number(found[2]) };
}

/** The place on the ROC nearest to a pointer, all in shares; `aspect` is width over height of the plot. */
export function nearestOnRoc(points, falseShare, foundShare, aspect = 1) {
  let best = null;
  let least = Infinity;
  for (let k = 0; k + 1 < points.length; k += 1) {
    const [x, y] = points[k];
    const [dx, dy] = [points[k + 1][0] - x, points[k + 1][1] - y];
    const length = (dx * aspect) ** 2 + dy ** 2;
    const along = length > 0 ? ((falseShare - x) * dx * aspect ** 2 + (foundShare - y) * dy) / length : 0;
    const share = Math.max(0, Math.min(1, along));
    const place = [x + share * dx, y + share * dy];
    const away = ((falseShare - place[0]) * aspect) ** 2 + (foundShare - place[1]) ** 2;
    if (away < least) [best, least] = [place, away];
  }
  return best;
}

/**
 * The alarms that other limits would change, as `{name, quantity, from, to}` with `to` as the daemon
 * wants it; those that hold it already are left out. `limits` has `{db, m_of_n}` by quantity.
 */
export function alarmChanges(alarms, limits) {
  const changes = [];
  for (const from of alarms) {
    const limit = limits[from.quantity];
    if (limit === undefined || limit === null) continue;
    const to = { name: from.name, quantity: from.quantity, limit: { db: limit.db }, off_db: offDb(from, limit.db), m_of_n: limit.m_of_n };
    const same = from.limit?.db === limit.db && from.m_of_n === limit.m_of_n;
    if (!same) changes.push({ name: from.name, quantity: from.quantity, from, to });
  }
  return changes;
}

/** Where the alarm ends: under the new limit by its own gap. */
function offDb(alarm, db) {
  let gap = Math.min(GAP_DB, 0.5 * Math.abs(db));
  if (known(alarm.limit?.db) && known(alarm.off_db)) gap = alarm.limit.db - alarm.off_db;
  // Beside a density, off_db counts from that density itself.
  else if (known(alarm.limit?.v2_per_hz) && known(alarm.off_db)) gap = -alarm.off_db;
  return Number((db - gap).toFixed(6)) + 0;
}

export class Tuning {
  /** `send` is `Acts.send`; `changed` is called whenever there is something else to show. */
  constructor({ send, changed, later = (act, ms) => setTimeout(act, ms) }) {
    Object.assign(this, { send, changed, later });
    this.forget();
  }

  /** As on the first day: another run of the daemon. */
  forget() {
    this.sessions = [];
    this.sessionsFault = '';
    this.session = 'now';
    this.channel = null;
    this.quantity = 'broadband';
    this.own = new Map();
    this.limits = { alarms: [], pending: [], before: [] };
    this.limitsFault = '';
    this.forgetAnswer();
    this.asked ??= 0;
    this.listed = (this.listed ?? 0) + 1;
    this.fetched = (this.fetched ?? 0) + 1;
  }

  forgetAnswer() {
    this.answer = null;
    this.fault = '';
    this.abandon();
  }

  /** An answer that is under way belongs to something else now. */
  abandon() {
    this.inFlight = null;
    this.wanted = false;
    this.seeking = null;
    this.returning = null;
    this.seen = [];
  }

  /** The answer, when it is one on the quantity that is chosen. */
  get shown() {
    return this.answer?.quantity === this.quantity ? this.answer : null;
  }

  /** Whether what is shown is behind what is chosen. */
  get busy() {
    return this.inFlight !== null;
  }

  /** Asks for everything anew. */
  async begin() {
    this.abandon();
    void this.fetchLimits();
    this.ask();
    this.listed += 1;
    const question = this.listed;
    const result = await this.send('GET', '/tuning/sessions');
    if (question !== this.listed) return;
    this.sessionsFault = result.ok ? '' : `sessions not listed: ${result.why}`;
    this.sessions = result.ok && Array.isArray(result.answer.sessions) ? result.answer.sessions.slice(0, 200) : [];
    this.changed();
  }

  async fetchLimits() {
    this.fetched += 1;
    const question = this.fetched;
    const result = await this.send('GET', '/limits');
    if (question !== this.fetched) return;
    this.limitsFault = result.ok ? '' : result.why;
    const list = (name) => (result.ok && Array.isArray(result.answer[name]) ? result.answer[name] : []);
    this.limits = { alarms: list('alarms'), pending: list('pending'), before: list('before') };
    this.changed();
  }

  // ---- what is chosen

  chooseSession(name) {
    this.session = name;
    this.channel = null;
    this.forgetAnswer();
    this.ask();
  }

  chooseChannel(channel) {
    this.channel = channel;
    this.forgetAnswer();
    this.ask();
  }

  chooseQuantity(quantity) {
    if (!QUANTITIES.includes(quantity)) return;
    this.quantity = quantity;
    this.fault = '';
    this.abandon();
    this.ask();
  }

  /** Limit and rule of a quantity, `{db, m_of_n}`: the person's own, else the one the answer holds. */
  limitOf(quantity) {
    const own = this.own.get(quantity);
    if (own !== undefined) return own;
    const held = this.answer?.limits?.[quantity];
    if (!held || !known(held.db)) return null;
    if (this.returning === quantity) return { db: held.proposed_db, m_of_n: held.proposed_m_of_n };
    return { db: held.db, m_of_n: held.m_of_n };
  }

  get limit() {
    return this.limitOf(this.quantity);
  }

  /** Range of the slider, dB; null before the daemon gave one. */
  get rangeDb() {
    const range = this.shown?.range_db;
    return Array.isArray(range) && known(range[0]) && known(range[1]) && range[1] > range[0] ? range : null;
  }

  get rule() {
    return ruleOf(this.limit?.m_of_n ?? this.answer?.limits?.[this.quantity]?.m_of_n) ?? { m: 1, n: 1 };
  }

  /** Whether the quantity has levels that a limit can be tried on, be one proposed or not. */
  isMeasured(quantity) {
    return (this.answer?.limits?.[quantity] ?? null) !== null;
  }

  setDb(db) {
    if (!this.isMeasured(this.quantity)) {
      this.changed();
      return;
    }
    this.seeking = null;
    this.own.set(this.quantity, { db, m_of_n: `${this.rule.m} of ${this.rule.n}` });
    this.ask();
  }

  /** Moves the limit by `steps` fine steps, within the slider's range. */
  step(steps, coarse = false) {
    const range = this.rangeDb;
    if (range === null) return;
    // Without a limit the keys begin where nothing is over.
    const db = this.limit?.db ?? range[1];
    const { fine, coarse: wide } = stepsFor(range);
    const moved = onGrid(db + steps * (coarse ? wide : fine));
    // A typed limit may lie outside the range: it is not thrown back by a step.
    const low = Math.min(onGrid(range[0]), db);
    const high = Math.max(onGrid(range[1]), db);
    this.setDb(Math.max(low, Math.min(high, moved)));
  }

  /** Back to the proposed limit and rule; false when the daemon proposes none. */
  propose() {
    const held = this.answer?.limits?.[this.quantity];
    if (!held || !known(held.proposed_db)) return false;
    this.seeking = null;
    this.own.delete(this.quantity);
    this.returning = this.quantity;
    this.ask();
    return true;
  }

  setRule(m, n) {
    const limit = this.limit;
    if (limit === null) return;
    const of = Math.max(1, n);
    this.own.set(this.quantity, { db: limit.db, m_of_n: `${Math.max(1, Math.min(of, m))} of ${of}` });
    this.ask();
  }

  /** Looks for the limit that stands at a place `[false_share, found_share]` of the ROC. */
  seek(place) {
    if (this.rangeDb === null) return;
    this.seeking = { place, share: place[0] + place[1], tries: 0, db: null };
    this.ask();
  }

  // ---- questions and answers

  /** One question at a time; what was chosen meanwhile is asked when its answer is in. */
  ask() {
    this.wanted = true;
    if (this.inFlight === null) void this.pump();
    this.changed();
  }

  question() {
    const limits = Object.fromEntries(this.own);
    if (this.seeking !== null) {
      this.seeking.db = this.nextTry();
      limits[this.quantity] = { db: this.seeking.db, m_of_n: `${this.rule.m} of ${this.rule.n}` };
    }
    const body = { session: this.session, quantity: this.quantity };
    if (this.channel !== null) body.channel = this.channel;
    if (Object.keys(limits).length > 0) body.limits = limits;
    return body;
  }

  async pump() {
    while (this.wanted) {
      this.wanted = false;
      this.asked += 1;
      const number = this.asked;
      this.inFlight = number;
      this.later(() => this.giveUp(number), GIVE_UP_MS);
      const result = await this.send('POST', '/tuning', this.question());
      if (this.inFlight !== number) return;
      this.inFlight = null;
      this.take(result);
    }
    this.changed();
  }

  giveUp(number) {
    if (this.inFlight !== number) return;
    this.inFlight = null;
    this.seeking = null;
    this.answer = null;
    this.fault = `no answer from the daemon for ${GIVE_UP_MS / 1000} s`;
    if (this.wanted) void this.pump();
    this.changed();
  }

  take(result) {
    if (!result.ok) {
      this.seeking = null;
      this.answer = null;
      this.fault = result.why;
      this.changed();
      return;
    }
    const { answer } = result;
    const at = answer.roc?.at;
    const db = answer.limits?.[this.quantity]?.db;
    if (Array.isArray(at) && known(at[0]) && known(at[1]) && known(db)) this.note(db, at[0] + at[1]);
    if (this.seeking !== null && !this.arrived()) {
      this.wanted = true;
      return;
    }
    this.fault = '';
    this.answer = answer;
    if (!this.wanted) this.returning = null;
    this.channel = answer.channel ?? this.channel;
    this.changed();
  }

  // ---- from a place on the ROC to a limit: the answer has no limits along its ROC, but the share that
  // is over falls as the limit rises, so it is searched between limits whose answers were seen.

  note(db, share) {
    this.seen = this.seen.filter((one) => one.db !== db);
    this.seen.push({ db, share });
    this.seen.sort((a, b) => a.db - b.db);
    if (this.seen.length > 200) this.seen = this.seen.filter((_, place) => place % 2 === 0);
  }

  bracket() {
    const { share } = this.seeking;
    const [from, to] = this.rangeDb;
    const below = this.seen.filter((one) => one.share > share + SAME_SHARE).at(-1);
    const above = this.seen.find((one) => one.share < share - SAME_SHARE);
    return [below ?? { db: from, share: 2 }, above ?? { db: to, share: 0 }];
  }

  nextTry() {
    const seeking = this.seeking;
    const [below, above] = this.bracket();
    seeking.tries += 1;
    // By turns along the chord and in the middle: shares of few pulses go in steps, which a chord alone
    // may take for ever to pass.
    const chord = seeking.tries % 2 === 1 && below.share > above.share ? (below.share - seeking.share) / (below.share - above.share) : 0.5;
    const db = onGrid(below.db + Math.max(0.05, Math.min(0.95, chord)) * (above.db - below.db));
    return Math.max(below.db, Math.min(above.db, db));
  }

  /** Whether the search is over; then the nearest limit is the person's own. */
  arrived() {
    const seeking = this.seeking;
    const [below, above] = this.bracket();
    const away = (one) => Math.abs(one.share - seeking.share);
    const last = this.seen.find((one) => one.db === seeking.db);
    const done = last !== undefined && (away(last) <= SAME_SHARE || above.db - below.db <= GRID_DB * 1.5 || seeking.tries >= MOST_TRIES);
    // A new place may have been wanted while this answer was under way: it has had no try yet.
    if (seeking.db === null || (!done && seeking.tries < MOST_TRIES)) return false;
    const nearest = this.seen.reduce((best, one) => (away(one) < away(best) ? one : best), last ?? this.seen[0]);
    if (nearest === undefined) {
      this.seeking = null;
      return true;
    }
    this.own.set(this.quantity, { db: nearest.db, m_of_n: `${this.rule.m} of ${this.rule.n}` });
    this.seeking = null;
    // The answer in hand is that of another limit: that of the nearest one is asked for once more.
    if (nearest !== last) this.wanted = true;
    return nearest === last;
  }

  // ---- the alarms

  /** The alarms as they will be once what waits for a pulse holds. */
  get coming() {
    const waiting = new Map(this.limits.pending.map((one) => [one.name, one]));
    return this.limits.alarms.map((one) => waiting.get(one.name) ?? one);
  }

  /** What “use these limits” would change: the shown quantity and those that a person moved. */
  changes() {
    const wanted = {};
    for (const quantity of new Set([this.quantity, ...this.own.keys()])) wanted[quantity] = this.limitOf(quantity);
    return alarmChanges(this.coming, wanted);
  }

  /** What “back” would change. */
  changesBack() {
    return this.limits.before.map((to) => ({ name: to.name, quantity: to.quantity, from: this.coming.find((one) => one.name === to.name) ?? to, to }));
  }

  /** Sets limits; gives the daemon's answer. */
  async put(alarms) {
    const result = await this.send('PUT', '/limits', { alarms });
    await this.fetchLimits();
    return result;
  }
}
