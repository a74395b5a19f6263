// The forms for injection, target and note, and the help. A form keeps its letters to itself: while one
// is open, no key acts.

import { injectionValues } from './acts.js';
import { KEYS, keyShown } from './keys.js';
import { SHAPES } from './shapes.js';

const FIELDS = ['agent', 'volume_ul', 'route', 'backdated_s'];
const at = (id) => document.getElementById(id);

export class Dialogs {
  constructor({ acts, say }) {
    this.acts = acts;
    this.say = say;
    this.textMark = 'note';
    at('injection-form').addEventListener('submit', (event) => this.takeInjection(event));
    at('text-form').addEventListener('submit', (event) => this.takeText(event));
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
}

function keyRow([key, , words]) {
  const row = document.createElement('div');
  const cap = document.createElement('span');
  const print = document.createElement('kbd');
  print.textContent = keyShown(key);
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

/** Writes keys and shapes into the help, from the lists that the page itself goes by. */
export function fillHelp() {
  at('help-keys').replaceChildren(...KEYS.map(keyRow));
  at('help-shapes').replaceChildren(...Object.entries(SHAPES).map(shapeItem));
}
