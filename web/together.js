// What many pulses say together, and from where on one pulse or all of them would have been heard, in
// words. Pure: no document, no clock.

import { driveText, fineDb, known, scientific, UNKNOWN } from './format.js';
import { plural, QUANTITIES } from './present.js';

const PART = /^(harmonic|ultraharmonic|subharmonic|broadband) since (\d{1,15})(?: on channel (\d{1,9}|all))?$/;

/** Most pulses a baseline is asked for; the daemon answers nothing beyond it. */
const MOST_BASELINE_PULSES = 4096;

function titled(words) {
  return words.charAt(0).toUpperCase() + words.slice(1);
}

/**
 * The pulse since which each quantity is established, in the order of QUANTITIES, from a row's
 * `cumulative`; null where none is. What is not understood is not established.
 */
export function establishedSince(cumulative) {
  let since = null;
  for (const part of String(cumulative ?? '').split('; ')) {
    const found = PART.exec(part);
    if (found === null) continue;
    since ??= [null, null, null, null];
    since[QUANTITIES.indexOf(found[1])] = Number(found[2]);
  }
  return since;
}

/** What many pulses say, in a sentence; empty when the daemon says nothing. */
export function togetherText(status) {
  const words = status?.now?.together;
  return typeof words === 'string' ? words : '';
}

function intervalText(one) {
  if (!known(one.excess_db)) return UNKNOWN;
  return `${fineDb(one.excess_db)} ± ${known(one.within_db) ? one.within_db.toFixed(2) : '∞'} dB`;
}

function channelText(head, channel) {
  if ((head?.channels?.length ?? 1) < 2 || channel === null || channel === undefined) return '';
  return `channel ${channel}`;
}

/** What is established now, an item each: `{quantity, pulse, excess, drive, channel, text}`. */
export function establishedNotes(head, status) {
  const list = status?.now?.established;
  if (!Array.isArray(list)) return [];
  return list.filter((one) => one !== null && typeof one === 'object').map((one) => {
    const quantity = String(one.quantity);
    const pulse = known(one.pulse) ? String(one.pulse) : UNKNOWN;
    const excess = intervalText(one);
    const drive = known(one.drive_mpa) ? driveText(one.drive_mpa) : 'drive not known';
    const channel = channelText(head, one.channel);
    const text = `${quantity} since pulse ${pulse}: ${excess}, ${drive}${channel ? `, ${channel}` : ''}`;
    return { quantity, pulse, excess, drive, channel, text };
  });
}

function withPower(db, powerV2, hasPower) {
  if (!known(db)) return UNKNOWN;
  return hasPower ? `${fineDb(db)} dB, ${scientific(powerV2)} V²` : `${fineDb(db)} dB`;
}

/**
 * The levels and limits of one row as cells of a table: quantity, level over baseline, limit (with δ,
 * so that the level must pass it), detection limit of one pulse, of the pulses so far together.
 */
export function levelCells(head, row) {
  const hasPower = row.channel !== 'all';
  return QUANTITIES.map((quantity) => {
    const value = (name) => row[`${quantity}_${name}`];
    const limit = known(value('limit_db')) ? value('limit_db') + (head?.repeatability_db?.[quantity] ?? 0) : null;
    return [
      quantity, known(value('detect_db')) ? `${fineDb(value('detect_db'))} dB` : UNKNOWN, known(limit) ? `${fineDb(limit)} dB` : UNKNOWN,
      withPower(value('hear_db'), value('hear_v2'), hasPower), withPower(value('hear_cumulative_db'), value('hear_cumulative_v2'), hasPower),
    ];
  });
}

/** Where the limit of a quantity comes from: `limit = mean + 5.63 SD (30 baseline pulses, …)`. */
export function basisText(head, row, quantity) {
  const basis = row.basis?.[quantity];
  if (!basis || !known(basis.k)) return `${quantity}: no limit, or what it rests on is not known`;
  const allowance = head?.repeatability_db?.[quantity] ?? 0;
  const rests = [plural(basis.n, 'baseline pulse')];
  if (known(basis.sd_db)) rests.push(`SD ${basis.sd_db.toFixed(2)} dB`);
  if (known(basis.phi)) rests.push(`φ ${basis.phi.toFixed(2)}`);
  if (known(head?.alpha)) rests.push(`α ${head.alpha.toExponential(1).replace('-', '−')}`);
  const more = allowance > 0 ? ` + δ ${allowance.toFixed(2)} dB` : '';
  return `${quantity}: limit = mean + ${basis.k.toFixed(2)} SD${more} (${rests.join(', ')})`;
}

/** The level asked for in the field: `{db}`, or `{fault}` in words. */
export function askedDb(text) {
  const words = String(text ?? '').trim().replace(',', '.');
  const db = Number(words);
  if (words === '' || !Number.isFinite(db) || db <= 0) return { fault: `“${words}” is not a number of dB above 0` };
  return { db };
}

function listenWords(one, where, head, status) {
  if (one === null || typeof one !== 'object') return 'not judged over many pulses here';
  if (one.more === 0) return 'heard already';
  if (known(one.more)) {
    const rate = head?.repetition_hz;
    const lasts = known(rate) && rate > 0 ? `, about ${Math.ceil(one.more / rate)} s` : '';
    const exposure = status?.exposure;
    const past = exposure && known(exposure.expected) && exposure.received + one.more > exposure.expected;
    return `${one.more} more ${one.more === 1 ? 'pulse' : 'pulses'} ${where}${lasts}${past ? `; past the ${exposure.expected} pulses of the promise` : ''}`;
  }
  if (known(one.record)) return `not with this baseline: record ${plural(one.record, 'pulse')} ${where}`;
  return `not with a baseline of up to ${MOST_BASELINE_PULSES} pulses`;
}

/** The daemon's answer to “listen longer” in words: `{head, lines}`, a line for each quantity. */
export function listenAnswer(answer, db, head, status) {
  const where = known(answer?.drive_mpa) ? `at ${driveText(answer.drive_mpa)}` : 'at this drive';
  const lines = [...QUANTITIES].reverse().map((quantity) => {
    const one = answer?.quantities?.[quantity];
    const now = known(one?.now_db) ? ` (now from ${fineDb(one.now_db)} dB)` : '';
    return `${titled(quantity)}: ${listenWords(one ?? null, where, head, status)}${now}`;
  });
  const pulse = known(answer?.pulse) ? `After pulse ${answer.pulse}` : 'Now';
  return { head: `${pulse}, ${where}, to hear a lasting emission from ${fineDb(db)} dB on:`, lines };
}
