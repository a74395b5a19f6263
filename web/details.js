// The overlay with what does not fit the fixed part: baselines, alarms as configured, the account.

import { driveText, known, UNKNOWN } from './format.js';

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

/** Fills `body` from the head and the newest status. */
export function showDetails(body, head, status) {
  const baseline = (status?.baseline ?? []).map((one) => [one.target || 'unnamed', driveText(one.drive_mpa), one.pulses, one.needed, one.wanted, one.in_use ? 'yes' : 'no']);
  const watched = (head?.alarms ?? []).map((one) => [one.name, one.severity, one.watches, one.latch ? 'until acknowledged' : 'while it lasts']);
  const account = Object.entries(status?.account ?? {}).map(([name, count]) => [name.replaceAll('_', ' '), count]);
  const kept = Object.entries(status?.kept ?? {}).map(([name, count]) => [`kept ${name.replaceAll('_', ' ')}`, count]);
  body.replaceChildren(
    heading('Baseline'), table(['target', 'drive', 'pulses', 'needed', 'wanted', 'in use'], baseline),
    heading('Alarms that are watched for'), table(['name', 'severity', 'watches', 'stays on'], watched), promise(head),
    heading('Sample account'), table(['what', 'count'], [...account, ...kept]),
    heading('Session'), table(['what', 'value'], [
      ['folder', status?.folder?.path], ['recording', status?.folder?.failed ? `failed: ${status.folder.failed}` : status?.folder?.path ? 'going on' : 'none'],
      ['drive means', head?.drive_means], ['source', head?.source], ['subject', head?.subject], ['simmer', head?.simmer], ['run', head?.run],
    ]),
  );
}
