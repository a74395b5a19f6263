// The keys, one list for what they do and for the help. Pure.

/** `[key as the browser names it, act, what the help says]`. */
export const KEYS = [
  ['a', 'acknowledge', 'acknowledge the alarm in the banner'],
  ['i', 'injection', 'mark an injection now (values from F)'],
  ['f', 'injection-form', 'fill in agent, volume, route, how long ago'],
  ['u', 'undo', 'take the last mark back (10 s)'],
  ['1', 'stage-noise', 'stage noise: press twice'],
  ['2', 'stage-baseline', 'stage baseline: press twice'],
  ['3', 'stage-exposure', 'stage exposure: press twice'],
  ['g', 'target', 'name the target'],
  ['p', 'pause', 'mark a pause'],
  ['r', 'resume', 'mark that it goes on'],
  ['x', 'abort', 'mark an abort (ends the exposure in the record)'],
  ['n', 'note', 'write a note'],
  ['s', 'sound', 'sound on or off'],
  ['ArrowDown', 'older', 'choose the next older pulse'],
  ['ArrowUp', 'newer', 'choose the next newer pulse'],
  ['PageDown', 'older-page', 'a page of pulses back'],
  ['PageUp', 'newer-page', 'a page of pulses forward'],
  ['End', 'oldest', 'choose the oldest pulse'],
  ['Home', 'newest', 'follow the newest pulse (also Esc)'],
  ['+', 'taller', 'taller rows'],
  ['-', 'lower', 'lower rows'],
  ['0', 'fit', 'rows as low as the exposure needs'],
  ['c', 'channel', 'spectrum of the next channel'],
  ['l', 'listen', 'listen longer: how many more pulses hear down to a level'],
  ['t', 'tuning', 'tuning: try limits on recorded pulses (also closes it, as Esc does)'],
  ['d', 'details', 'chosen pulse, baselines, alarms, sample account'],
  ['h', 'help', 'this help'],
];

/** Keys of the tuning view, for the help: `[how they are printed, what they do]`. */
export const TUNING_KEYS = [
  ['← →', 'in tuning: move the limit by a fine step (also ↓ ↑)'],
  ['Page ↓ ↑', 'in tuning: move it by a coarse step'],
  ['Home', 'in tuning: the proposed limit and rule'],
];

/** Acts that concern what the tuning view stands in place of. */
export const OF_THE_LIST = new Set(['older', 'newer', 'older-page', 'newer-page', 'oldest', 'newest', 'taller', 'lower', 'fit', 'channel', 'listen']);

const SHOWN = { ArrowDown: '↓', ArrowUp: '↑', PageDown: 'Page ↓', PageUp: 'Page ↑', '-': '−' };
const ACTS = new Map(KEYS.map(([key, act]) => [key, act]));
const SCROLLING = new Set(['ArrowDown', 'ArrowUp', 'PageDown', 'PageUp', 'Home', 'End']);

/** How a key is printed. */
export function keyShown(key) {
  return SHOWN[key] ?? (key.length === 1 ? key.toUpperCase() : key);
}

/**
 * The act a key press means, or null. Keys with a modifier belong to the browser, keys in a field to
 * the field; a key held down counts once, but for moving through the list.
 */
export function actOf({ key, ctrlKey, altKey, metaKey, repeat, inField }) {
  if (ctrlKey || altKey || metaKey || inField) return null;
  if (key === '?') return 'help';
  if (key === '=') return 'taller';
  if (key === 'Escape') return 'newest';
  const name = key.length === 1 ? key.toLowerCase() : key;
  const act = ACTS.get(name) ?? null;
  return repeat && !SCROLLING.has(name) ? null : act;
}
