// What the tuning view says, as text, from the daemon's answers. Pure.

import { fineDb, known, scientific, UNKNOWN } from './format.js';
import { plural } from './present.js';

const megapascals = (value) => value.toFixed(3);

/** A share of pulses in percent: `3.3 %`, `0.042 %`. */
export function percent(share) {
  if (!known(share)) return UNKNOWN;
  const value = 100 * share;
  if (value === 0) return '0 %';
  if (value < 0.1) return `${scientificBelow(value)} %`;
  // Near 0 and near all, a whole percent is too coarse.
  return `${value < 10 || value > 99 ? Number(value.toFixed(1)) : Math.round(value)} %`;
}

/** A count of alarms in two digits: `20`, `0.13`, `1.2e−6`. */
export function count(value) {
  if (!known(value)) return UNKNOWN;
  return value !== 0 && Math.abs(value) < 0.1 ? scientificBelow(value) : String(value >= 100 ? Math.round(value) : Number(value.toPrecision(2)));
}

function scientificBelow(value) {
  return Math.abs(value) >= 1e-4 ? String(Number(value.toPrecision(2))) : value.toExponential(1).replace('-', '−');
}

/** An interval after its value: ` (0.139 to 0.157)`; an end that is not known is left open. */
export function interval(low, high, write = megapascals) {
  if (known(low) && known(high)) return ` (${write(low)} to ${write(high)})`;
  if (known(low)) return ` (${write(low)} or more)`;
  return known(high) ? ` (up to ${write(high)})` : '';
}

/** The onset in words; what the advice says of the fit is not said twice. */
function onsetWords({ onset, advice }, single) {
  if (!onset || !known(onset.drive50_mpa)) return `no onset${onset?.why ? `: ${onset.why}` : ''}`;
  const half = `${single ? 'bubbles found' : 'single pulses with bubbles over'} half the time from ${megapascals(onset.drive50_mpa)} MPa${interval(onset.drive50_lo, onset.drive50_hi)}`;
  const most = known(onset.drive90_mpa) ? `, nine times in ten from ${megapascals(onset.drive90_mpa)} MPa` : '';
  const why = onset.why && !(advice ?? []).includes(onset.why) ? `: ${onset.why}` : '';
  const how = onset.fit === 'firth' ? ` (penalised fit${why})` : '';
  return `${half}${most}${how}`;
}

/** What the limit means: quiet pulses over it, and from which drive on it finds bubbles. */
export function limitSentence(answer) {
  const limit = answer.limits?.[answer.quantity];
  const { quiet } = answer;
  if (!limit || !known(limit.db)) return `There is no limit for ${answer.quantity} in this session.`;
  const single = limit.m_of_n === '1 of 1';
  const upper = known(quiet?.share_upper) ? `; at most ${percent(quiet.share_upper)} a pulse` : '';
  const over = quiet && quiet.of > 0 ? `${quiet.over} of ${plural(quiet.of, 'quiet pulse')} over${upper}` : 'no quiet pulses';
  return `At ${fineDb(limit.db)} dB${single ? '' : `, ${limit.m_of_n}`}: ${over}; ${onsetWords(answer, single)}.`;
}

/** False alarms in one exposure, with the rule. */
export function falseAlarmSentence(answer) {
  const { quiet } = answer;
  if (!known(quiet?.per_exposure)) return '';
  const upper = known(quiet.per_exposure_upper) ? `, at most ${count(quiet.per_exposure_upper)}` : '';
  const missed = (answer.drives ?? []).reduce((sum, one) => sum + one.missed, 0);
  const pulses = (answer.drives ?? []).reduce((sum, one) => sum + one.pulses, 0);
  const left = answer.left_out > 0 ? ` (${answer.left_out} left out)` : '';
  const misses = pulses > 0 ? ` Missed by ${answer.quantity}: ${missed} of ${pulses} with bubbles${left}.` : '';
  return `False alarms per exposure of ${plural(answer.expected_pulses, 'pulse')}: ${quiet.over === 0 ? 'none by these quiet pulses' : `${count(quiet.per_exposure)} expected`}${upper}.${misses}`;
}

/** The limit of an alarm as `GET /limits` has it: `+1.20 dB, 1 of 1`. */
export function alarmLimit(alarm) {
  if (alarm.limit === 'budget') return 'by the budget';
  if (known(alarm.limit?.db)) return `${fineDb(alarm.limit.db)} dB, ${alarm.m_of_n}, off at ${fineDb(alarm.off_db)} dB`;
  if (known(alarm.limit?.v2_per_hz)) return `${scientific(alarm.limit.v2_per_hz)} V²/Hz, ${alarm.m_of_n}`;
  return UNKNOWN;
}

/** What changing an alarm gives up, or an empty text. */
export function changeCaution({ from, to }) {
  if (to.limit === 'budget') return '';
  if (from.limit === 'budget') return 'A limit set by hand leaves the promise of the false-alarm budget.';
  if (known(from.limit?.v2_per_hz) && !known(to.limit?.v2_per_hz)) return 'The density it holds now is given up: the new limit is over the baseline.';
  return '';
}

/** On what the limits rest: `this session, channel 0: 90 quiet and 180 bubbles pulses, 12 left out`. */
export function restsOn(answer, label) {
  const left = answer.left_out > 0 ? `, ${answer.left_out} left out` : '';
  const where = answer.channel === 'all' ? 'all channels' : `channel ${answer.channel}`;
  return `${label}, ${where}: ${answer.n_quiet} quiet and ${plural(answer.n_bubbles, 'bubbles pulse')}${left}`;
}

/** The verdicts of one drive with the misses of the quantity: one entry a drive, lowest first. */
export function driveRows(answer) {
  const rows = new Map();
  const row = (drive) => {
    const key = drive.toFixed(6);
    if (!rows.has(key)) rows.set(key, { drive_mpa: drive, misses: null, verdict: null });
    return rows.get(key);
  };
  for (const one of answer.drives ?? []) if (known(one.drive_mpa)) row(one.drive_mpa).misses = one;
  for (const one of answer.verdicts ?? []) if (known(one.drive_mpa)) row(one.drive_mpa).verdict = one;
  return [...rows.values()].sort((a, b) => a.drive_mpa - b.drive_mpa);
}

/** The parts of a verdict bar, `[verdict, pulses]`, the quietest first; what has no verdict is last. */
export function verdictParts(one) {
  const parts = [['not_detected', one.not_detected], ['stable', one.stable], ['inertial', one.inertial]];
  const rest = one.pulses - one.not_detected - one.stable - one.inertial;
  return [...parts, ['none', rest]].filter(([, pulses]) => pulses > 0);
}
