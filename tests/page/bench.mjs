// Rows and spectra of an imagined flow phantom in a bench tank, shaped as the interface says. They are
// made up to exercise the page and are no measurement; the same numbers come out every time.

export const QUANTITIES = ['harmonic', 'ultraharmonic', 'subharmonic', 'broadband'];
export const F0_HZ = 0.7e6;
export const BIN_HZ = 5e3;
export const BINS = 2001;

/** A repeatable source of numbers, 0 to 1 (a linear congruential generator modulo 2^32). */
export function dice(seed) {
  let value = seed >>> 0;
  return () => {
    value = (Math.imul(value, 1664525) + 1013904223) >>> 0;
    return value / 2 ** 32;
  };
}

const around = (random) => random() + random() + random() - 1.5;

export function bands() {
  const line = (quantity, order) => ({ quantity, order, low_hz: order * F0_HZ - 15e3, high_hz: order * F0_HZ + 15e3 });
  const broadband = [];
  for (let half = 4; half < 17; half += 1) {
    const low = (half / 2) * F0_HZ + 60e3;
    const high = ((half + 1) / 2) * F0_HZ - 60e3;
    if (low >= 1.1e6 && high <= 6.0e6) broadband.push([low, high]);
  }
  return {
    fundamental: [F0_HZ - 15e3, F0_HZ + 15e3],
    lines: [...[2, 3, 4].map((order) => line('harmonic', order)), ...[1.5, 2.5, 3.5].map((order) => line('ultraharmonic', order)), line('subharmonic', 0.5)],
    broadband_hz: broadband,
    notches_hz: [[3.32e6, 3.34e6]],
  };
}

/** What a pulse does: levels over baseline of the four quantities, dB, by verdict. */
const OVER_DB = {
  not_detected: [0.3, 0.0, 0.0, 0.0],
  stable: [3.1, 5.2, 2.9, 0.2],
  inertial: [6.0, 7.5, 4.0, 7.9],
  indeterminate: [-0.2, 0.1, 0.0, 0.0],
};
const LIMIT_DB = [2.4, 1.2, 1.4, 0.6];
const HEAR_DB = [3.1, 1.6, 1.8, 0.8];

const SD_DB = [0.43, 0.21, 0.25, 0.11];
const BASELINE_V2 = [4e-9, 1.5e-10, 1.2e-10, 8e-10];

/** Detection limit of `taken` pulses together, dB: falls with their root towards what the baseline allows. */
export function togetherHearDb(place, taken) {
  return taken < 3 ? null : HEAR_DB[place] * (0.1 + 1.4 / Math.sqrt(taken));
}

/** What the limits of each quantity rest on. */
export function basis() {
  return Object.fromEntries(QUANTITIES.map((quantity, place) => [quantity, { n: 30, k: LIMIT_DB[place] / SD_DB[place], phi: 0.31, sd_db: SD_DB[place] }]));
}

const powerV2 = (place, db) => (db === null ? null : BASELINE_V2[place] * (10 ** (db / 10) - 1));

/**
 * One row of the contract. `taken` pulses took part in the series so far, this one included; `lift_db`
 * raises quantities by a little that no single pulse shows; `cumulative` says what is established.
 */
export function row({ pulse, time_s, channel, target, exposure, stage, drive_mpa, verdict, reason, since_injection_s, random, taken = 0, lift_db = {}, cumulative = null }) {
  const made = {
    pulse, time_utc: null, time_s, channel, target, exposure, stage, drive_mpa, drive_setting: null,
    fundamental_v2: 4e-4, broadband_v2_per_hz: 1e-15, fundamental_db: verdict === 'indeterminate' ? -20.1 : 0.1, noise_db: 0.0,
    since_injection_s, clipped_share: 0, verdict, cumulative, reason, loudest_quarter_v2_per_hz: null, loudest_quarter_s: null,
  };
  const judged = verdict !== null;
  QUANTITIES.forEach((quantity, place) => {
    const over = judged ? OVER_DB[verdict][place] + (lift_db[quantity] ?? 0) + 0.35 * around(random) : null;
    made[`${quantity}_v2`] = 1e-9;
    made[`${quantity}_db`] = over;
    made[`${quantity}_excess_dose_v2s`] = judged ? 1e-10 * pulse : null;
    made[`${quantity}_contrast_db`] = 3.0;
    made[`${quantity}_detect_db`] = over;
    made[`${quantity}_limit_db`] = judged ? LIMIT_DB[place] : null;
    made[`${quantity}_hear_db`] = judged ? HEAR_DB[place] * (drive_mpa < 0.1 ? 1.5 : 1) : null;
    made[`${quantity}_hear_cumulative_db`] = judged && verdict !== 'indeterminate' ? togetherHearDb(place, taken) : null;
    made[`${quantity}_hear_v2`] = channel === 'all' ? null : powerV2(place, made[`${quantity}_hear_db`]);
    made[`${quantity}_hear_cumulative_v2`] = channel === 'all' ? null : powerV2(place, made[`${quantity}_hear_cumulative_db`]);
  });
  made.basis = judged ? basis() : Object.fromEntries(QUANTITIES.map((quantity) => [quantity, null]));
  return made;
}

const SENSITIVITY_V2_PER_PA2 = 1e-10;
const LOSS_DB = [9, 7.5, 3.2, 14];
const AT_THE_FACE = 'plane-wave equivalent at the receiver\'s face';

/** What a table covers: all, or all but the subharmonic, a harmonic and a part of the broadband. */
function covered(what, whole) {
  const range = whole ? [0.335e6, 6e6] : [1.035e6, 2.6e6];
  return {
    label: `${what}, ${whole ? '0.335–6.0' : '1.035–2.6'} MHz`, whole, range_hz: range,
    lines_hz: { harmonic: whole ? [1.4e6, 2.1e6, 2.8e6] : [1.4e6, 2.1e6], ultraharmonic: [1.05e6, 1.75e6, 2.45e6], subharmonic: whole ? [0.35e6] : [] },
    lines_without_hz: { harmonic: whole ? [] : [2.8e6], ultraharmonic: [], subharmonic: whole ? [] : [0.35e6] },
    broadband_hz: bands().broadband_hz.filter(([, high]) => high <= range[1]), broadband_share: whole ? 1 : 0.411,
  };
}

/** What the head says of a channel's curves: a sensitivity, an insertion loss, either over all bands or not. */
export function curves(channel, { sensitivity = false, loss = false, whole = true }) {
  return {
    channel, pascal: sensitivity ? covered(AT_THE_FACE, whole) : null, corrected: loss ? covered('corrected for receive-path loss', whole) : null,
    corrected_pascal: sensitivity && loss ? covered(`${AT_THE_FACE}, corrected for receive-path loss`, whole) : null,
  };
}

/** The keys a row has more where its channel has curves. */
export function calibrated(row, { pascal, corrected, corrected_pascal }) {
  if (pascal === null && corrected === null) return {};
  const made = { fundamental_pa2: pascal && row.fundamental_v2 / SENSITIVITY_V2_PER_PA2, broadband_pa2_per_hz: pascal && row.broadband_v2_per_hz / SENSITIVITY_V2_PER_PA2 };
  QUANTITIES.forEach((quantity, place) => {
    const over = row[`${quantity}_db`];
    const reached = (part) => part !== null && (part.lines_hz[quantity] ?? part.broadband_hz).length > 0;
    const pa2 = (v2, part) => (v2 === null || !reached(part) ? null : v2 / SENSITIVITY_V2_PER_PA2);
    const unlost = 10 ** (LOSS_DB[place] / 10);
    const excess = powerV2(place, over);
    made[`${quantity}_pa2`] = pa2(BASELINE_V2[place] * 10 ** ((over ?? 0) / 10), pascal);
    made[`${quantity}_excess_pa2`] = pa2(excess, pascal);
    made[`${quantity}_corrected_excess_v2`] = excess === null || !reached(corrected) ? null : excess * unlost;
    made[`${quantity}_corrected_excess_pa2`] = pa2(excess === null ? null : excess * unlost, corrected_pascal);
    made[`${quantity}_hear_pa2`] = pa2(powerV2(place, row[`${quantity}_hear_db`]), pascal);
  });
  return made;
}

function lineLevel(bin, drive_mpa, over, deaf) {
  const order = (bin * BIN_HZ) / F0_HZ;
  const nearest = Math.round(order * 2) / 2;
  if (nearest < 0.5 || nearest > 8) return -Infinity;
  const offset = ((order - nearest) * F0_HZ) / BIN_HZ;
  const whole = Number.isInteger(nearest);
  let peak = whole ? -88 - 11 * (nearest - 1) + 20 * Math.log10(drive_mpa / 0.16) : -Infinity;
  if (!whole && over[1] > 1) peak = -147 + 1.6 * over[1] - nearest;
  if (whole && nearest > 1) peak += over[0];
  if (deaf) peak -= 20;
  return peak - 2.2 * offset * offset;
}

/** Spectrum of a pulse, dB re 1 V²/Hz. */
export function spectrum(drive_mpa, verdict, random) {
  const over = OVER_DB[verdict ?? 'not_detected'];
  const deaf = verdict === 'indeterminate';
  const levels = new Float32Array(BINS);
  for (let bin = 0; bin < BINS; bin += 1) {
    const floor = -152 - (bin / BINS) * 4 + (bin < 8 ? 12 : 0) + (bin === 666 ? 16 : 0) + over[3] + 0.9 * around(random);
    levels[bin] = Math.max(floor, lineLevel(bin, drive_mpa, over, deaf) + 0.4 * around(random));
  }
  return levels;
}

/** Baseline curves at a drive, as /spectrum gives them. */
export function baselineCurves(drive_mpa) {
  const steady = dice(5);
  const mean = spectrum(drive_mpa, 'not_detected', steady);
  return { drive_mpa, pulses: 30, mean_db: [...mean], p05_db: [...mean].map((level) => level - 1.1), p95_db: [...mean].map((level) => level + 1.0) };
}
