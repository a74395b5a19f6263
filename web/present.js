// What the fixed part says, as text, from the daemon's head and status. Pure: no document, no clock.

import { driveText, known, levelDb, scientific, span, UNKNOWN } from './format.js';

export const QUANTITIES = ['harmonic', 'ultraharmonic', 'subharmonic', 'broadband'];

const WORDS = new Set(['NOT DETECTED', 'STABLE', 'INERTIAL', 'NOT HEARING', 'NO VERDICT', 'WAITING']);

const SIGNS = {
  fundamental: 'hearing, by the fundamental',
  noise: 'hearing, by the noise gate',
  none: 'hearing, without a sign of life',
};

function plural(count, noun) {
  return `${count} ${noun}${count === 1 ? '' : 's'}`;
}

/** Hearing yes or no and which channel: `{label, value, why}`. */
export function hearingText(head, status) {
  const label = SIGNS[head?.sign_of_life] ?? 'hearing';
  const now = status?.now;
  if (!now || now.hearing === null || now.hearing === undefined) {
    return { label, value: UNKNOWN, why: '' };
  }
  const deaf = Array.isArray(now.not_hearing) ? now.not_hearing : [];
  const total = head?.channels?.length ?? 1;
  const several = total > 1;
  const why = [...new Set(deaf.map((one) => String(one.why)))].join(', ');
  const names = deaf.map((one) => one.channel).join(' ');
  if (now.hearing) {
    if (deaf.length === 0) return { label, value: several ? `YES: all ${total}` : 'YES', why };
    return { label, value: `YES ${total - deaf.length} of ${total}`, why: `not ${names}: ${why}` };
  }
  if (!several) return { label, value: 'NO', why: why === '' ? '' : `channel ${names}: ${why}` };
  if (deaf.length === 0) return { label, value: 'NO', why };
  return { label, value: deaf.length > 4 ? `NO: ${deaf.length} of ${total}` : `NO: ${names}`, why };
}

/** Margin to the nearest stop limit: below it, or over. */
export function marginText(status) {
  const margin = status?.margin;
  const label = 'margin to the stop limit';
  if (!margin || !known(margin.db)) return { value: UNKNOWN, over: false, label };
  const over = margin.db > 0;
  // What lies below a limit says nothing while nothing could have been heard.
  if (!over && status.now?.hearing !== true) return { value: UNKNOWN, over: false, label: 'margin to stop: nothing is heard' };
  const amount = Math.abs(margin.db).toFixed(1);
  const place = margin.channel === null || margin.channel === undefined ? '' : `, channel ${margin.channel}`;
  return {
    value: over ? `${amount} dB OVER` : `${amount} dB below`,
    over,
    label: `margin to stop: ${margin.quantity ?? margin.alarm}${place}`,
  };
}

/** Pulse k of N and what stands beside it. */
export function pulseText(head, status) {
  const exposure = status?.exposure;
  if (!exposure) {
    const last = status?.last_pulse;
    return { label: 'pulse', value: known(last) ? String(last) : UNKNOWN };
  }
  const parts = [`exposure ${exposure.number}`];
  if (exposure.missing > 0) parts.push(`${exposure.missing} missing`);
  const wanted = known(exposure.expected) ? ` of ${exposure.expected}` : '';
  return {
    label: `pulse, ${parts.join(', ')}`,
    value: `${exposure.received}${wanted}`,
  };
}

/** Since the last injection, and which it was. */
export function injectionText(status) {
  const waiting = (status?.pending ?? []).some((act) => act?.mark === 'injection');
  const injection = status?.injection;
  const tail = waiting ? ', one waits for a pulse' : '';
  if (!injection) return { label: `since injection${tail}`, value: 'none' };
  const parts = [`since injection ${injection.number}`];
  if (known(injection.volume_ul)) parts.push(`${injection.volume_ul} µL`);
  if (injection.agent) parts.push(injection.agent);
  return { label: parts.join(', ') + tail, value: span(injection.since_s) };
}

/** The go-ahead line. `go` only while all is well, the link is fresh and this is no replay. */
export function goAhead(head, status, stale) {
  if (stale) return { go: false, word: 'hold', why: 'no word from the daemon; not an interlock' };
  if (head?.live === false || status?.live === false) {
    return { go: false, word: 'hold', why: 'a replay gives no go-ahead' };
  }
  const line = status?.go_ahead;
  if (!line) return { go: false, word: 'hold', why: 'nothing heard yet; not an interlock' };
  if (line.go_on === true) return { go: true, word: 'go on', why: 'all is well; not an interlock' };
  const why = (line.why ?? []).map(String).join('; ');
  return { go: false, word: 'hold', why: `${why || 'no reason given'} (not an interlock)` };
}

/** Word of the verdict; what the daemon does not define is no verdict. */
export function wordOf(status) {
  const word = status?.now?.word ?? 'WAITING';
  return WORDS.has(word) ? word : 'NO VERDICT';
}

/**
 * Baseline progress, the drive that is being recorded first: `{text, share, current}` each.
 * A drive is ready with as many pulses as were wanted, usable from those that are needed.
 */
export function baselineProgress(status) {
  const drives = Array.isArray(status?.baseline) ? status.baseline : [];
  const last = status?.last;
  const isCurrent = (one) =>
    known(last?.drive_mpa) && one.target === (status?.target ?? '') &&
    Math.abs(one.drive_mpa - last.drive_mpa) <= 0.05 * last.drive_mpa;
  const chips = drives.map((one) => {
    const where = one.target ? `${one.target} ` : '';
    let count = `${one.pulses} of ${one.wanted}`;
    if (one.in_use) count = `${one.pulses}, in use`;
    else if (one.pulses >= one.wanted) count = 'ready';
    else if (one.pulses >= one.needed) count += ', usable';
    return {
      text: `${where}${driveText(one.drive_mpa)} ${count}`,
      share: Math.min(1, one.pulses / Math.max(1, one.wanted)),
      current: isCurrent(one),
      ready: one.in_use || one.pulses >= one.wanted,
    };
  });
  return chips.sort((a, b) => Number(b.current) - Number(a.current) || Number(a.ready) - Number(b.ready));
}

/** What an act is that waits for a pulse: a mark, a stage, or other limits. */
function pendingWords(act) {
  if (typeof act?.mark === 'string') return act.mark;
  if (typeof act?.stage === 'string') return `stage ${act.stage}`;
  return Array.isArray(act?.limits) ? `limits of ${act.limits.join(' and ')}` : '';
}

/** One line about the stream, the source and the account. */
export function linkText(head, status, link) {
  if (link.state !== 'up') return link.text;
  const parts = [];
  const stream = status?.stream;
  if (stream) {
    const device = [stream.device, stream.name].filter(Boolean)[0] ?? '';
    const words = { waiting: 'waiting for a digitiser', up: `digitiser up: ${device}`, cut: `digitiser cut off: ${device}`, ended: 'stream ended' };
    parts.push(words[stream.state] ?? String(stream.state));
  }
  if (status?.paused) parts.push('paused');
  const waiting = (status?.pending ?? []).map(pendingWords).filter((words) => words !== '' && words !== 'injection');
  if (waiting.length > 0) parts.push(`for the next pulse: ${waiting.join(', ')}`);
  if (status?.folder?.failed) parts.unshift(`NOT RECORDING: ${status.folder.failed}`);
  if (status?.account?.lost > 0) parts.push(`${status.account.lost} samples lost`);
  const exposure = status?.exposure;
  if (exposure && known(exposure.expected) && exposure.received > exposure.expected) {
    parts.unshift(`pulses past ${exposure.expected} are outside the promise`);
  }
  if (head?.source) parts.push(head.source);
  if (head?.subject) parts.push(head.subject);
  if (status && !status.folder?.path) parts.push('nothing is recorded');
  return parts.join(' · ');
}

/** Everything the fixed part shows. */
export function present(head, status, link, stale) {
  const stage = status?.stage ?? UNKNOWN;
  const last = status?.last;
  const doses = status?.excess_dose_v2s;
  return {
    word: wordOf(status),
    sentence: status?.now?.sentence ?? 'Nothing has come from the daemon yet.',
    hearing: hearingText(head, status),
    margin: marginText(status),
    drive: {
      label: head?.drive_means ? `drive: ${head.drive_means}` : 'drive',
      value: driveText(last?.drive_mpa, last?.drive_setting),
    },
    target: status?.target || 'unnamed',
    pulse: pulseText(head, status),
    stage: status?.paused ? `${stage}, paused` : stage,
    injection: injectionText(status),
    doses: QUANTITIES.map((quantity) => scientific(doses?.[quantity])),
    showBaseline: stage === 'baseline' || stage === 'noise',
    baseline: baselineProgress(status),
    go: goAhead(head, status, stale),
    link: linkText(head, status, link),
    stageFrom: status?.stream?.stage_from ?? null,
  };
}

/** What one row says in words, for the chosen pulse. */
export function rowSentence(entry) {
  if (entry.kind === 'gap') return `${plural(entry.to - entry.from + 1, 'pulse')} not shown`;
  if (entry.kind === 'hole') return `a pulse is missing after ${span(entry.time_s)}`;
  const verdict = { not_detected: 'not detected', indeterminate: 'not hearing' }[entry.verdict] ?? entry.verdict;
  const parts = [`pulse ${entry.pulse ?? UNKNOWN}`, verdict ?? '', entry.reason || (entry.verdict === null ? entry.stage : '')];
  parts.push(span(entry.time_s), driveText(entry.drive_mpa, entry.drive_setting));
  if (entry.target) parts.push(entry.target);
  if (entry.cumulative) parts.push(`together: ${entry.cumulative}`);
  return parts.filter(Boolean).join(' · ');
}

export { levelDb, plural };
