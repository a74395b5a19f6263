// Writes the fixed part. Only what changed touches the document; text goes in as text, never as markup.

import { present } from './present.js';
import { shapeOf } from './shapes.js';
import { establishedNotes, togetherText } from './together.js';

const CHIPS = 24;
const NOTES = 8;
const LONG_SENTENCE = 125;

export class NowPart {
  constructor(document) {
    this.document = document;
    this.root = document.documentElement;
    this.parts = new Map();
    this.spoken = '';
    this.alarmSpoken = '';
    this.established = '[]';
    this.setPath('stale-path', 'STALE');
    this.setPath('established-path', 'ESTABLISHED');
  }

  part(id) {
    if (!this.parts.has(id)) this.parts.set(id, this.document.getElementById(id));
    return this.parts.get(id);
  }

  say(id, words) {
    const part = this.part(id);
    if (part.textContent !== words) part.textContent = words;
  }

  flag(name, value, on = this.root) {
    if (on.dataset[name] !== value) on.dataset[name] = value;
  }

  setPath(id, word) {
    const path = this.part(id);
    if (path.getAttribute('d') !== shapeOf(word)) path.setAttribute('d', shapeOf(word));
  }

  /** Shows head, status, link and alarms; `stale` as the heartbeat judged it. */
  show({ head, status, link, stale, banner }) {
    const view = present(head, status, link, stale.stale);
    this.flag('word', view.word);
    this.flag('live', head?.live === false ? 'no' : 'yes');
    this.flag('link', link.state);
    this.say('word', view.word);
    this.setPath('shape-path', view.word);
    this.say('sentence', view.sentence);
    this.say('together', togetherText(status));
    this.part('together').title = togetherText(status);
    this.flag('long', togetherText(status).length > LONG_SENTENCE ? 'yes' : 'no', this.part('together'));
    this.showEstablished(establishedNotes(head, status));
    this.part('replay').hidden = head?.live !== false;
    this.say('link', view.link);
    this.part('link').title = view.link;
    this.showCells(view);
    this.showBaseline(view);
    this.flag('go', view.go.go ? 'on' : 'hold', this.part('go'));
    this.say('go-word', view.go.word);
    this.say('go-why', view.go.why);
    this.showBanner(banner);
    this.showStale(stale);
    this.say('caution', head?.caution ?? '');
    this.say('help-caution', head?.caution ?? '');
    this.speak(view, stale, banner);
  }

  /** The lasting note of what is established. No alarm: it makes no sound and changes no word. */
  showEstablished(notes) {
    this.part('established').hidden = notes.length === 0;
    const key = JSON.stringify(notes);
    if (key === this.established) return;
    this.established = key;
    const items = notes.slice(0, NOTES).map(({ text }) => {
      const item = this.document.createElement('li');
      item.textContent = text;
      return item;
    });
    this.part('established-list').replaceChildren(...items);
    this.flag('many', notes.length > 1 ? 'yes' : 'no', this.part('established'));
    this.part('established').title = notes.map((note) => note.text).join('\n');
    this.say('established-count', notes.length > 1 ? `${notes.length} in all: D` : '');
    this.say('say-established', notes.length === 0 ? '' : `established: ${notes.map((note) => `${note.quantity} since pulse ${note.pulse}`).join(', ')}`);
  }

  showCells(view) {
    this.say('hearing-label', view.hearing.label);
    this.say('hearing-value', view.hearing.value);
    this.say('hearing-why', view.hearing.why);
    this.say('margin', view.margin.value);
    this.flag('over', view.margin.over ? 'yes' : 'no', this.part('margin'));
    this.say('margin-label', view.margin.label);
    this.say('drive', view.drive.value);
    this.say('drive-label', view.drive.label);
    this.say('target', view.target);
    this.say('pulse-label', view.pulse.label);
    this.say('pulse', view.pulse.value);
    this.say('stage', view.stage);
    this.say('injection-label', view.injection.label);
    this.say('injection', view.injection.value);
    ['harmonic', 'ultraharmonic', 'subharmonic', 'broadband'].forEach((quantity, place) => this.say(`dose-${quantity}`, view.doses[place]));
  }

  showBaseline(view) {
    const shown = view.showBaseline;
    this.part('cell-baseline').hidden = !shown;
    this.part('cell-dose').hidden = shown;
    if (!shown) return;
    const chips = view.baseline.slice(0, CHIPS);
    const ready = view.baseline.filter((one) => one.ready).length;
    this.say('baseline-label', chips.length === 0 ? 'baseline: no pulse yet' : `baseline, pulses per drive: ${ready} of ${view.baseline.length} drives ready`);
    const key = JSON.stringify(chips);
    if (key === this.chipsShown) return;
    this.chipsShown = key;
    this.part('baseline').replaceChildren(...chips.map((chip) => this.chip(chip)));
  }

  chip({ text, share, current }) {
    const box = this.document.createElement('span');
    box.className = 'progress';
    box.dataset.current = current ? 'yes' : 'no';
    const words = this.document.createElement('span');
    words.textContent = text;
    const bar = this.document.createElement('i');
    bar.style.width = `${Math.round(share * 100)}%`;
    box.append(bar, words);
    return box;
  }

  showBanner(banner) {
    this.flag('alarm', banner.kind, this.part('banner'));
    this.say('banner-word', banner.word);
    this.say('banner-cause', banner.cause);
    this.say('banner-more', banner.more);
    this.part('banner').title = `${banner.word} ${banner.cause} ${banner.more}`.trim();
    this.part('acknowledge').hidden = banner.kind === 'none' || banner.kind === 'seen';
  }

  showStale({ stale, why, ageS }) {
    this.flag('stale', stale ? 'yes' : 'no');
    this.part('stale').hidden = !stale;
    if (!stale) return;
    const age = ageS === null ? '' : ` What you see is ${Math.max(1, Math.round(ageS))} s old.`;
    this.say('stale-why', `${why}.${age}`);
  }

  speak(view, stale, banner) {
    const words = stale.stale ? `stale: ${stale.why}` : view.word.toLowerCase();
    if (words !== this.spoken) {
      this.spoken = words;
      this.say('say-verdict', words);
      this.document.title = `${stale.stale ? 'STALE' : view.word} · simmer`;
    }
    const alarm = banner.kind === 'stop' || banner.kind === 'warning' ? `${banner.word}. ${banner.cause}` : '';
    if (alarm !== this.alarmSpoken) {
      this.alarmSpoken = alarm;
      this.say('say-alarm', alarm);
    }
  }
}
