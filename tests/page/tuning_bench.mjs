// What the mock daemon answers about limits that are tried: pulses of an imagined flow phantom, quiet ones
// and ones with bubbles, counted at any limit. They are made up to exercise the page and are no
// measurement; the same pulses come out every time. The counting is real, so that numbers move with limits.

import { dice, QUANTITIES } from './bench.mjs';

const DRIVES_MPA = [0.06, 0.09, 0.12, 0.16, 0.22, 0.3];
const SD_DB = [0.5, 0.25, 0.28, 0.25];
const REPEATABILITY_DB = [1.5, 0, 0, 0.1];
/** Drive from which on a quantity is heard, MPa, and its level far over it, dB. */
const ONSET_MPA = [0.07, 0.13, 0.145, 0.165];
const LOUD_DB = [6, 7, 5, 7];

function normal(random) {
  return Math.sqrt(-2 * Math.log(1 - random())) * Math.cos(2 * Math.PI * random());
}

/** `{drive_mpa, d: [dB of the four quantities]}` for quiet and bubbles pulses of a session. */
export function pulsesOf({ seed = 5, quietEach = 15, bubblesEach = 30, drives = DRIVES_MPA } = {}) {
  const random = dice(seed);
  const make = (each, level) => drives.flatMap((drive_mpa) => Array.from({ length: each }, () => ({ drive_mpa, d: SD_DB.map((sd, place) => sd * normal(random) + level(drive_mpa, place)) })));
  const grown = (drive, place) => LOUD_DB[place] / (1 + (ONSET_MPA[place] / drive) ** 9);
  return { quiet: make(quietEach, () => 0), bubbles: make(bubblesEach, (drive, place) => grown(drive, place) * (0.5 + random())) };
}

function binomialTail(n, p, from) {
  let sum = 0;
  let logChoose = 0;
  for (let k = 0; k <= n; k += 1) {
    if (k > 0) logChoose += Math.log((n - k + 1) / k);
    if (k >= from) sum += Math.exp(logChoose + k * Math.log(p) + (n - k) * Math.log1p(-p));
  }
  return Math.min(1, sum);
}

function root(rising) {
  let [low, high] = [1e-12, 1 - 1e-12];
  for (let k = 0; k < 60; k += 1) {
    const middle = (low + high) / 2;
    if (rising(middle) > 0) high = middle;
    else low = middle;
  }
  return (low + high) / 2;
}

/** Upper and lower Clopper-Pearson bounds, each one-sided with `error`. */
export function upperShare(k, n, error) {
  return k >= n ? 1 : root((p) => binomialTail(n, p, k + 1) - (1 - error));
}

export function lowerShare(k, n, error) {
  return k <= 0 ? 0 : root((p) => binomialTail(n, p, k) - error);
}

/** Logistic regression on the drive's logarithm by Newton's steps; null without an onset to fit. */
function fit(drives) {
  if (drives.every((one) => one.missed === 0) || drives.every((one) => one.over === 0)) return null;
  let [a, b] = [0, 0];
  const x = drives.map((one) => Math.log(one.drive_mpa));
  const middle = x.reduce((sum, one) => sum + one, 0) / x.length;
  for (let round = 0; round < 40; round += 1) {
    let [g0, g1, v00, v01, v11] = [0, 0, 1e-3, 0, 1e-3];
    drives.forEach((one, k) => {
      const u = x[k] - middle;
      const p = 1 / (1 + Math.exp(-(a + b * u)));
      const weight = one.pulses * p * (1 - p);
      g0 += one.over - one.pulses * p - 1e-3 * a;
      g1 += (one.over - one.pulses * p) * u - 1e-3 * b;
      v00 += weight;
      v01 += weight * u;
      v11 += weight * u * u;
    });
    const determinant = v00 * v11 - v01 * v01;
    a += (v11 * g0 - v01 * g1) / determinant;
    b += (v00 * g1 - v01 * g0) / determinant;
    if (Math.abs(g0) + Math.abs(g1) < 1e-9) break;
  }
  const drive = (share) => Math.exp(middle + (Math.log(share / (1 - share)) - a) / b);
  return b > 0 ? { drive, share: (mpa) => 1 / (1 + Math.exp(-(a + b * (Math.log(mpa) - middle)))), slope: b } : null;
}

function onsetOf(drives) {
  const fitted = fit(drives);
  const nothing = { drive50_mpa: null, drive50_lo: null, drive50_hi: null, drive90_mpa: null, drive90_lo: null, drive90_hi: null };
  if (fitted === null) return { fit: 'none', why: drives.every((one) => one.over === 0) ? 'no pulse is over the limit at any drive' : 'every pulse is over the limit at every drive', curve: [], ...nothing };
  const [first, last] = [drives[0].drive_mpa, drives.at(-1).drive_mpa];
  const curve = Array.from({ length: 61 }, (_, k) => first + (k / 60) * (last - first)).map((mpa) => [mpa, fitted.share(mpa)]);
  const width = (share) => (share === 0.5 ? 1.06 : 1.11) + 1 / (10 * fitted.slope);
  const around = (share) => [fitted.drive(share), fitted.drive(share) / width(share), fitted.drive(share) * width(share)];
  const [half, most] = [around(0.5), around(0.9)];
  return { fit: 'maximum likelihood', why: null, curve, drive50_mpa: half[0], drive50_lo: half[1], drive50_hi: half[2], drive90_mpa: most[0], drive90_lo: most[1], drive90_hi: most[2] };
}

function rocOf(quiet, bubbles, db) {
  const [none, some] = [quiet, bubbles].map((all) => [...all].sort((a, b) => b - a));
  const over = (all, limit) => all.filter((d) => d > limit).length / all.length;
  const limits = [...new Set([...none, ...some])].sort((a, b) => b - a);
  const every = Math.max(1, Math.ceil(limits.length / 399));
  const points = [[0, 0], ...limits.filter((_, k) => k % every === 0).map((limit) => [over(none, limit - 1e-9), over(some, limit - 1e-9)]), [1, 1]];
  const pairs = none.reduce((sum, low) => sum + some.reduce((wins, high) => wins + (high > low ? 1 : high === low ? 0.5 : 0), 0), 0);
  const auc = pairs / (none.length * some.length);
  return { points, at: [over(none, db), over(some, db)], auc, auc_lo: Math.max(0, auc - 0.03), auc_hi: Math.min(1, auc + 0.02) };
}

/** Which pulses a rule of m of n passes, pulse by pulse within a drive. */
function passes(pulses, place, { db, m_of_n }) {
  const [m, n] = m_of_n.split(' of ').map(Number);
  return pulses.map((one, k) => {
    if (one.d[place] <= db) return false;
    let over = 0;
    for (let back = k; back > k - n && back >= 0 && pulses[back].drive_mpa === one.drive_mpa; back -= 1) if (pulses[back].d[place] > db) over += 1;
    return over >= m;
  });
}

function verdictsOf(bubbles, limits) {
  const over = QUANTITIES.map((quantity, place) => (limits[quantity] === null ? bubbles.map(() => false) : passes(bubbles, place, limits[quantity])));
  const rows = new Map();
  bubbles.forEach(({ drive_mpa }, k) => {
    if (!rows.has(drive_mpa)) rows.set(drive_mpa, { drive_mpa, pulses: 0, not_detected: 0, stable: 0, inertial: 0 });
    const row = rows.get(drive_mpa);
    row.pulses += 1;
    row[over[3][k] ? 'inertial' : over[1][k] || over[2][k] ? 'stable' : 'not_detected'] += 1;
  });
  return [...rows.values()];
}

function drivesOf(bubbles, place, db) {
  const rows = new Map();
  for (const { drive_mpa, d } of bubbles) {
    if (!rows.has(drive_mpa)) rows.set(drive_mpa, { drive_mpa, pulses: 0, over: 0 });
    const row = rows.get(drive_mpa);
    row.pulses += 1;
    if (d[place] > db) row.over += 1;
  }
  return [...rows.values()].map((one) => ({ ...one, missed: one.pulses - one.over, share: one.over / one.pulses, lo: lowerShare(one.over, one.pulses, 0.025), hi: upperShare(one.over, one.pulses, 0.025) }));
}

/** The 200 answer to `POST /tuning`, for the pulses of a session in all its channels. */
export function tuningAnswer({ pulses, body, channels = [0], advice = [], expectedPulses = 600 }) {
  const { quiet, bubbles } = pulses;
  const limits = Object.fromEntries(QUANTITIES.map((quantity, place) => {
    // Largest quiet level and the repeatability: a limit, though not the one the method would give.
    const proposed_db = Number((Math.max(...quiet.map((one) => one.d[place])) + REPEATABILITY_DB[place]).toFixed(3));
    const proposed_m_of_n = place === 0 || place === 3 ? '1 of 1' : '2 of 3';
    return [quantity, { db: proposed_db, m_of_n: proposed_m_of_n, ...body.limits?.[quantity], proposed_db, proposed_m_of_n }];
  }));
  const place = QUANTITIES.indexOf(body.quantity);
  const { db, m_of_n } = limits[body.quantity];
  const [silent, loud] = [quiet, bubbles].map((all) => all.map((one) => one.d[place]));
  const over = silent.filter((d) => d > db).length;
  const upper = upperShare(over, silent.length, 0.05);
  const [m, n] = m_of_n.split(' of ').map(Number);
  const each = (share) => expectedPulses * (share <= 0 ? 0 : binomialTail(n, Math.min(1 - 1e-12, share), m));
  const drives = drivesOf(bubbles, place, db);
  return {
    session: body.session, channel: body.channel ?? (channels.includes('all') ? 'all' : channels[0]), channels, quantity: body.quantity, expected_pulses: expectedPulses,
    drive_means: 'peak negative pressure at the focus, free field', n_quiet: quiet.length, n_bubbles: bubbles.length, left_out: 12, limits,
    range_db: [Math.floor(Math.min(...silent)), Math.ceil(Math.max(...loud))],
    quiet: { over, of: silent.length, share: over / silent.length, share_upper: upper, per_exposure: each(over / silent.length), per_exposure_upper: each(upper) },
    drives, verdicts: verdictsOf(bubbles, limits), roc: rocOf(silent, loud, db), onset: onsetOf(drives), advice, took_ms: 3.2,
  };
}

/** Two lines of advice as long as they come. */
export const ADVICE = [
  'broadband: a share of 2.8e−6 a pulse is below what 90 quiet pulses can show (3.3 %): extrapolated by the normal tail',
  'record 30 bubbles pulses each between 0.12 and 0.22 MPa: there the onset is least certain',
];

/** Alarms as `GET /limits` has them. */
export const ALARMS = [
  { name: 'inertial', quantity: 'broadband', limit: 'budget' },
  { name: 'loud', quantity: 'broadband', limit: { db: 6 }, off_db: 5, m_of_n: '2 of 3' },
  { name: 'stable', quantity: 'ultraharmonic', limit: 'budget' },
];
