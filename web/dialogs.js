// The forms for injection, target and note, and the help. A form keeps its letters to itself: while one
// is open, no key acts.

import { injectionValues } from './acts.js';
import { KEYS, keyShown, TUNING_KEYS } from './keys.js';
import { SHAPES } from './shapes.js';
import { askedDb, listenAnswer } from './together.js';

const FIELDS = ['agent', 'volume_ul', 'route', 'backdated_s'];
const at = (id) => document.getElementById(id);

export class Dialogs {
  /** `state` holds the newest head and status. */
  constructor({ acts, say, state }) {
    this.acts = acts;
    this.say = say;
    this.state = state;
    this.listened = 0;
    this.textMark = 'note';
    at('injection-form').addEventListener('submit', (event) => this.takeInjection(event));
    at('text-form').addEventListener('submit', (event) => this.takeText(event));
    at('listen-form').addEventListener('submit', (event) => this.takeListen(event));
  }

  open(id) {
    if (!at(id).open) at(id).showModal();
  }

  askInjection() {
    const { elements } = at('injection-form');
    for (const name of FIELDS) elements[name].value = this.acts.injection[name] ?? '';
    at('injection-fault').textContent = '';
    this.open('injection-dialog');
    elements.agent.focus();
  }

  takeInjection(event) {
    const choice = event.submitter?.value ?? 'mark';
    if (choice === 'close') return;
    const { elements } = at('injection-form');
    const { values, fault } = injectionValues(Object.fromEntries(FIELDS.map((name) => [name, elements[name].value])));
    if (fault) {
      event.preventDefault();
      at('injection-fault').textContent = fault;
      return;
    }
    this.acts.keepInjection(values);
    if (choice === 'mark') void this.acts.markInjection();
    else this.say('kept for the next press of I');
  }

  /** Asks for the name of a target or for a note. */
  askText(mark, text) {
    this.textMark = mark;
    at('text-title').textContent = mark === 'target' ? 'Target' : 'Note';
    at('text-label').textContent = mark === 'target' ? 'name of the target' : 'text';
    const field = at('text-form').elements.text;
    field.value = text;
    this.open('text-dialog');
    field.select();
  }

  takeText(event) {
    if (event.submitter?.value === 'close') return;
    const text = at('text-form').elements.text.value.trim();
    if (this.textMark === 'target') void this.acts.mark({ mark: 'target', target: text }, `target ${text || 'unnamed'}`);
    else if (text !== '') void this.acts.mark({ mark: 'note', text }, 'note');
  }

  /** Asks how much longer to listen; what was answered before is forgotten. */
  askListen() {
    this.listened += 1;
    at('listen-fault').textContent = '';
    at('listen-answer').replaceChildren();
    this.open('listen-dialog');
    at('listen-form').elements.db.select();
  }

  takeListen(event) {
    if (event.submitter?.value === 'close') return;
    event.preventDefault();
    void this.listen(at('listen-form').elements.db.value);
  }

  /** Only the answer to the newest question is shown. */
  async listen(text) {
    this.listened += 1;
    const question = this.listened;
    const { db, fault } = askedDb(text);
    at('listen-answer').replaceChildren();
    at('listen-fault').textContent = fault ?? '';
    if (fault !== undefined) return;
    const result = await this.acts.send('GET', `/listen?db=${encodeURIComponent(db)}`);
    if (question !== this.listened) return;
    if (!result.ok) {
      at('listen-fault').textContent = `no answer: ${result.why}`;
      return;
    }
    const { head, lines } = listenAnswer(result.answer, db, this.state.head, this.state.status);
    const list = document.createElement('ul');
    list.append(...lines.map((words) => {
      const item = document.createElement('li');
      item.textContent = words;
      return item;
    }));
    const first = document.createElement('p');
    first.textContent = head;
    at('listen-answer').replaceChildren(first, list);
  }
}

function keyRow([shown, words]) {
  const row = document.createElement('div');
  const cap = document.createElement('span');
  const print = document.createElement('kbd');
  print.textContent = shown;
  cap.append(print);
  const does = document.createElement('span');
  does.textContent = words;
  row.append(cap, does);
  return row;
}

function shapeItem([word, path]) {
  const item = document.createElement('li');
  const svg = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
  svg.setAttribute('viewBox', '0 0 24 24');
  svg.setAttribute('aria-hidden', 'true');
  const drawn = document.createElementNS('http://www.w3.org/2000/svg', 'path');
  drawn.setAttribute('d', path);
  svg.append(drawn);
  const words = document.createElement('span');
  words.textContent = word.toLowerCase();
  item.append(svg, words);
  return item;
}

/** Signs of the list's columns: `[class, path in a box of 24 by 12, words]`. */
const SIGNS = [
  ['bar', 'M0 2H24V10H0z', 'level'],
  ['limit', 'M11 0H13V12H11z', 'limit'],
  ['strokes', 'M-2 12L10 0M4 12L16 0M10 12L22 0M16 12L28 0', 'not heard'],
  ['dots', 'M3 2h2v2h-2zM9 2h2v2h-2zM15 2h2v2h-2zM21 2h2v2h-2zM6 7h2v2h-2zM12 7h2v2h-2zM18 7h2v2h-2z', 'heard only together'],
  ['lasting', 'M11 0H13V4H11zM11 8H13V12H11z', 'together hears from'],
  ['lasting', 'M12 0L18 6L12 12L6 6zM12 4L10 6L12 8L14 6z', 'established'],
];

function signItem([kind, path, words]) {
  const item = document.createElement('li');
  const svg = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
  svg.setAttribute('viewBox', '0 0 24 12');
  svg.setAttribute('aria-hidden', 'true');
  const drawn = document.createElementNS('http://www.w3.org/2000/svg', 'path');
  drawn.setAttribute('d', path);
  drawn.setAttribute('class', kind);
  svg.append(drawn);
  item.append(svg, words);
  return item;
}

/** Writes keys, signs and shapes into the help and under the list, from the lists the page itself goes by. */
export function fillHelp() {
  for (const id of ['legend', 'help-legend']) at(id).replaceChildren(...SIGNS.map(signItem));
  at('help-keys').replaceChildren(...[...KEYS.map(([key, , words]) => [keyShown(key), words]), ...TUNING_KEYS].map(keyRow));
  at('help-shapes').replaceChildren(...Object.entries(SHAPES).map(shapeItem));
}
