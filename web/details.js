// The overlay with what does not fit the fixed part: the chosen pulse in numbers, in pascals and corrected
// for loss where the receiver's curves are given, what is established, baselines, alarms as configured, the
// account.

import { driveText, known, megahertz, scientific, signedThreeDigits, threeDigits, UNKNOWN } from './format.js';
import { QUANTITIES, rowSentence } from './present.js';
import { levels } from './store.js';
import { basisText, establishedNotes, levelCells } from './together.js';

function table(heads, rows) {
  const made = document.createElement('table');
  const line = (cells, kind) => {
    const row = document.createElement('tr');
    row.append(...cells.map((words) => {
      const cell = document.createElement(kind);
      cell.textContent = words === null || words === undefined || words === '' ? UNKNOWN : String(words);
      return cell;
    }));
    return row;
  };
  made.append(line(heads, 'th'), ...rows.map((cells) => line(cells, 'td')));
  return made;
}

function heading(words) {
  const made = document.createElement('h2');
  made.textContent = words;
  return made;
}

function promise(head) {
  const chance = head?.false_alarms_per_exposure;
  const made = document.createElement('p');
  made.textContent = known(chance)
    ? `Chance of any false verdict in one exposure of ${head.expected_pulses} pulses: ${chance}. Limits set by hand and pulses beyond that number are outside this promise. Stable is judged from: ${(head.stable_from ?? []).join(', ') || 'nothing'}.`
    : '';
  return made;
}

function paragraph(words) {
  const made = document.createElement('p');
  made.textContent = words;
  return made;
}

/** The row that the page holds of an entry, where the daemon gives none: levels without what they rest on. */
export function heldRow(entry, slot, channel, head) {
  const row = { pulse: entry.pulse, channel };
  QUANTITIES.forEach((quantity, place) => {
    const { detect, limit, hear, together } = levels(entry, slot, place);
    row[`${quantity}_detect_db`] = detect;
    row[`${quantity}_limit_db`] = limit - (head?.repeatability_db?.[quantity] ?? 0);
    row[`${quantity}_hear_db`] = hear;
    row[`${quantity}_hear_cumulative_db`] = together;
  });
  return row;
}

/** What a table of the receiver does not reach, in words; empty where it reaches everything. */
export function uncoveredText(part) {
  const missing = Object.entries(part.lines_without_hz ?? {}).filter(([, lines]) => Array.isArray(lines) && lines.length > 0);
  const words = missing.map(([quantity, lines]) => `${quantity} ${lines.length === 1 ? 'line' : 'lines'} at ${lines.map(megahertz).join(' and ')} MHz`);
  const share = part.broadband_share;
  if (known(share) && share <= 0) words.push('the broadband');
  else if (known(share) && share < 1) words.push(`${share > 0.999 ? 'less than 0.1' : (100 * (1 - share)).toFixed(1)} % of the broadband`);
  if (words.length === 0 && part.whole === false) words.push('a part that the daemon does not name');
  return words.join(', ');
}

function labelText(what, part) {
  const label = typeof part.label === 'string' ? part.label : UNKNOWN;
  const uncovered = uncoveredText(part);
  return `${what}: ${label}${uncovered === '' ? '' : `; not covered: ${uncovered}`}`;
}

/**
 * What a channel has curves for: `face`, its coverage in pascals, and `corrected`, that of its excess
 * corrected for loss in `unit`; null without curves, as for all channels together.
 */
function curvesOf(head, channel) {
  const channels = head?.calibration?.channels;
  const own = Array.isArray(channels) ? channels.find((one) => one?.channel === channel) : undefined;
  const face = own?.pascal ?? null;
  // Both units would double the table: pascals say more, volts are all there is without a sensitivity.
  const corrected = (face === null ? own?.corrected : own.corrected_pascal) ?? null;
  return face === null && corrected === null ? null : { face, corrected, unit: face === null ? 'V²' : 'Pa²' };
}

function inUnit(text, unit) {
  return text === UNKNOWN ? UNKNOWN : `${text} ${unit}`;
}

/** Power at the receiver's face as a pressure; of the broadband its density as well. */
function faceText(row, quantity) {
  const powerPa2 = row[`${quantity}_pa2`];
  const pressure = inUnit(threeDigits(known(powerPa2) ? Math.sqrt(powerPa2) : null), 'Pa');
  if (quantity !== 'broadband' || !known(row.broadband_pa2_per_hz)) return pressure;
  return `${pressure}, ${scientific(row.broadband_pa2_per_hz)} Pa²/Hz`;
}

/**
 * A row at the receiver's face and corrected for loss: `{labels, heads, cells, notes}` for a table, with
 * the labels as the daemon words them; null where its channel has no curves.
 */
export function calibratedWords(head, row) {
  const curves = curvesOf(head, row.channel);
  if (curves === null) return null;
  const { face, corrected, unit } = curves;
  const made = { labels: [], heads: ['quantity'], cells: QUANTITIES.map((quantity) => [quantity]), notes: [] };
  const column = (words, text) => {
    made.heads.push(words);
    made.cells.forEach((line) => line.push(text(line[0])));
  };
  if (face !== null) {
    made.labels.push(labelText('Pressure, excess, what this pulse hears from', face));
    column('pressure, rms', (quantity) => faceText(row, quantity));
    column('excess over baseline', (quantity) => inUnit(signedThreeDigits(row[`${quantity}_excess_pa2`]), 'Pa²'));
    column('this pulse hears from', (quantity) => inUnit(threeDigits(row[`${quantity}_hear_pa2`]), 'Pa²'));
    made.notes.push('Pressure is the square root of the power of all covered lines of a quantity, or of all covered bins of the broadband; the broadband’s density in Pa²/Hz is its mean-square pressure for each Hz of them. What this pulse hears from is power added to the mean of its baseline.');
  }
  if (corrected !== null) {
    const key = unit === 'Pa²' ? 'corrected_excess_pa2' : 'corrected_excess_v2';
    made.labels.push(labelText('Excess, corrected for loss', corrected));
    column('excess, corrected for loss', (quantity) => inUnit(signedThreeDigits(row[`${quantity}_${key}`]), unit));
    made.notes.push('Only the excess is corrected for loss.');
  }
  made.notes.push('An excess sums power over lines, the level over baseline averages their decibels, so they can differ in sign. Verdicts and limits rest on volts.');
  return made;
}

function list(lines) {
  const made = document.createElement('ul');
  made.append(...lines.map((words) => {
    const item = document.createElement('li');
    item.textContent = words;
    return item;
  }));
  return made;
}

function calibratedParts(head, row) {
  const words = calibratedWords(head, row);
  if (words === null) return [];
  return [table(words.heads, words.cells), list(words.labels), paragraph(words.notes.join(' '))];
}

/** What the drive's monitor shows; empty without one, and for all channels together, where it is said once. */
export function monitorText(row) {
  if (row.channel === 'all' || !known(row.drive_monitor_v)) return '';
  const over = known(row.drive_monitor_db) ? `, ${row.drive_monitor_db < 0 ? '−' : '+'}${Math.abs(row.drive_monitor_db).toFixed(2)} dB over its baseline at this drive` : '';
  return `Drive monitor: ${threeDigits(row.drive_monitor_v)} V${over}.`;
}

function rowParts(head, row, several) {
  const where = row.channel === 'all' ? 'All channels together' : `Channel ${row.channel}`;
  const rests = list(QUANTITIES.map((quantity) => basisText(head, row, quantity)));
  const monitor = monitorText(row);
  const parts = [table(['quantity', 'level over baseline', 'limit', 'this pulse hears from', 'all pulses so far hear from'], levelCells(head, row)), rests, ...calibratedParts(head, row), ...(monitor === '' ? [] : [paragraph(monitor)])];
  if (several) parts.unshift(paragraph(where));
  return parts;
}

function pulseParts({ head, entry, isChosen, rows, note }) {
  if (entry === null || entry.kind !== 'pulse') return [];
  const shown = rows.flatMap((row) => rowParts(head, row, rows.length > 1));
  return [
    heading(isChosen ? 'Chosen pulse' : 'Newest pulse'), paragraph(rowSentence(entry)), ...shown,
    paragraph('Limits and detection limits include δ, the repeatability of the quantity. In V²: over the mean power of its baseline.'), paragraph(note),
  ];
}

function establishedParts(head, status) {
  const notes = establishedNotes(head, status);
  if (notes.length === 0) return [];
  const several = (head?.channels?.length ?? 1) > 1;
  const cells = notes.map((one) => [one.quantity, one.pulse, one.excess, one.drive, ...(several ? [one.channel] : [])]);
  return [heading('Established'), table(['quantity', 'since pulse', 'excess', 'drive', ...(several ? ['where'] : [])], cells)];
}

/**
 * Fills `body` from the head, the newest status and the pulse that is looked at: its `entry`, its
 * `rows` (of the receiver, and of the channel that is listened to) and a `note` on them.
 */
export function showDetails(body, { head, status, entry, isChosen, rows, note }) {
  const baseline = (status?.baseline ?? []).map((one) => [one.target || 'unnamed', driveText(one.drive_mpa), one.pulses, one.needed, one.wanted, one.in_use ? 'yes' : 'no']);
  const watched = (head?.alarms ?? []).map((one) => [one.name, one.severity, one.watches, one.latch ? 'until acknowledged' : 'while it lasts']);
  const account = Object.entries(status?.account ?? {}).map(([name, count]) => [name.replaceAll('_', ' '), count]);
  const kept = Object.entries(status?.kept ?? {}).map(([name, count]) => [`kept ${name.replaceAll('_', ' ')}`, count]);
  body.replaceChildren(
    ...pulseParts({ head, entry, isChosen, rows, note }), ...establishedParts(head, status),
    heading('Baseline'), table(['target', 'drive', 'pulses', 'needed', 'wanted', 'in use'], baseline),
    heading('Alarms that are watched for'), table(['name', 'severity', 'watches', 'stays on'], watched), promise(head),
    heading('Sample account'), table(['what', 'count'], [...account, ...kept]),
    heading('Session'), table(['what', 'value'], [
      ['folder', status?.folder?.path], ['recording', status?.folder?.failed ? `failed: ${status.folder.failed}` : status?.folder?.path ? 'going on' : 'none'],
      ['drive means', head?.drive_means], ['source', head?.source], ['subject', head?.subject], ['simmer', head?.simmer], ['run', head?.run],
    ]),
  );
}

/** Opens the overlay and asks the daemon for the whole row of the pulse that is looked at. */
export class Details {
  constructor({ acts, body, open, isOpen, store }) {
    Object.assign(this, { acts, body, open, isOpen, store });
    this.asked = 0;
  }

  async show({ head, status, entry, isChosen, channel }) {
    this.asked += 1;
    const question = this.asked;
    const wanted = this.store.channels.length > 1 ? ['all', channel] : [this.store.channels[0]];
    const held = entry?.kind === 'pulse' ? [heldRow(entry, this.store.mainSlot, wanted[0], head)] : [];
    const about = { head, status, entry, isChosen };
    showDetails(this.body, { ...about, rows: held, note: '' });
    this.open();
    if (held.length === 0) return;
    const after = entry.pulse > 0 ? `after=${entry.pulse - 1}&` : '';
    const result = await this.acts.send('GET', `/pulses?${after}limit=1`);
    if (question !== this.asked || !this.isOpen()) return;
    const came = result.ok && Array.isArray(result.answer.pulses) ? result.answer.pulses : [];
    const rows = wanted.map((one) => came.find((row) => row.pulse === entry.pulse && row.channel === one)).filter(Boolean);
    const why = result.ok ? 'the daemon no longer keeps this pulse' : result.why;
    if (rows.length > 0) showDetails(this.body, { ...about, rows, note: '' });
    else showDetails(this.body, { ...about, rows: held, note: `Powers and what the limits rest on are not shown: ${why}.` });
  }
}
