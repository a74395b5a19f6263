// The overlay with what does not fit the fixed part: the chosen pulse in numbers, what is established,
// baselines, alarms as configured, the account.

import { driveText, known, UNKNOWN } from './format.js';
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

function rowParts(head, row, several) {
  const where = row.channel === 'all' ? 'All channels together' : `Channel ${row.channel}`;
  const rests = document.createElement('ul');
  rests.append(...QUANTITIES.map((quantity) => {
    const item = document.createElement('li');
    item.textContent = basisText(head, row, quantity);
    return item;
  }));
  const parts = [table(['quantity', 'level over baseline', 'limit', 'this pulse hears from', 'all pulses so far hear from'], levelCells(head, row)), rests];
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
