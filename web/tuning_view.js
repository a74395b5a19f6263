// The tuning view: stands in place of the pulse list, shows what `Tuning` holds, takes keys, pointer and
// the two confirmations. Written only when something changed, at most once a frame.

import { fineDb, known } from './format.js';
import { plural, QUANTITIES } from './present.js';
import { ruleOf, Tuning, typedDb, nearestOnRoc } from './tuning.js';
import { drawOnset, drawRoc, fillDrives, rocSharesAt, verdictSign } from './tuning_plots.js';
import { alarmLimit, changeCaution, falseAlarmSentence, limitSentence, restsOn } from './tuning_words.js';

const MOST_N = 16;
const BEHIND_MS = 250;
const at = (id) => document.getElementById(id);

/** Fine steps of the keys, and whether they are coarse ones. */
const MOVES = { ArrowLeft: [-1, false], ArrowDown: [-1, false], ArrowRight: [1, false], ArrowUp: [1, false], PageDown: [-1, true], PageUp: [1, true] };

function option(value, words, selected) {
  const made = document.createElement('option');
  made.value = String(value);
  made.textContent = words;
  made.selected = selected;
  return made;
}

function item(words) {
  const made = document.createElement('li');
  made.textContent = words;
  return made;
}

export class TuningView {
  /** `schedule` asks for a frame; `state` holds the newest head; `openDialog` opens one by its id. */
  constructor({ acts, say, schedule, state, openDialog }) {
    Object.assign(this, { say, state, openDialog });
    this.tuning = new Tuning({ send: (...question) => acts.send(...question), changed: () => this.note(schedule) });
    this.isOpen = false;
    this.dirty = false;
    this.drawn = 0;
    this.kept = new Map();
    this.changes = [];
    this.sure = null;
    this.schedule = schedule;
    this.makeQuantities();
    at('tuning-legend').append(...['not_detected', 'stable', 'inertial'].map((verdict) => {
      const sign = document.createElement('span');
      sign.append(verdictSign(verdict), verdict.replace('_', ' '));
      return sign;
    }));
    this.listen();
  }

  note(schedule) {
    this.dirty = true;
    if (this.isOpen) schedule();
  }

  // ---- open and closed

  toggle() {
    if (this.isOpen) this.close();
    else this.open();
  }

  open() {
    this.isOpen = true;
    this.before = document.activeElement;
    this.show();
    void this.tuning.begin();
    at('tuning-slider').focus();
    this.note(this.schedule);
  }

  close() {
    this.isOpen = false;
    // What was typed and not taken is given up.
    at('tuning-db').value = this.shownDb ?? '';
    this.show();
    this.before?.focus?.();
    this.schedule();
  }

  show() {
    document.documentElement.dataset.tuning = this.isOpen ? 'open' : 'closed';
    at('tuning').hidden = !this.isOpen;
    at('work').hidden = this.isOpen;
    at('tuning-switch').setAttribute('aria-pressed', this.isOpen ? 'true' : 'false');
  }

  /** Another run of the daemon. */
  forget() {
    this.tuning.forget();
    if (this.isOpen) void this.tuning.begin();
  }

  /** Limits were changed, here or by someone else. */
  limitsChanged() {
    if (this.isOpen) void this.tuning.fetchLimits();
  }

  resized() {
    this.note(this.schedule);
  }

  // ---- what a person does

  makeQuantities() {
    at('tuning-quantities').append(...QUANTITIES.map((quantity) => {
      const label = document.createElement('label');
      const radio = document.createElement('input');
      Object.assign(radio, { type: 'radio', name: 'tuning-quantity', value: quantity, id: `tuning-${quantity}`, className: 'unseen' });
      const name = document.createElement('span');
      name.textContent = quantity;
      const limit = document.createElement('span');
      limit.id = `tuning-${quantity}-limit`;
      label.append(radio, name, limit);
      return label;
    }));
  }

  listen() {
    const { tuning } = this;
    at('tuning-session').addEventListener('change', () => tuning.chooseSession(at('tuning-session').value));
    at('tuning-channel').addEventListener('change', () => tuning.chooseChannel(JSON.parse(at('tuning-channel').value)));
    at('tuning-quantities').addEventListener('change', (event) => tuning.chooseQuantity(event.target.value));
    at('tuning-slider').addEventListener('input', () => tuning.setDb(Number(at('tuning-slider').value)));
    at('tuning-db').addEventListener('change', () => this.takeTyped());
    for (const id of ['tuning-m', 'tuning-n']) at(id).addEventListener('change', () => tuning.setRule(Number(at('tuning-m').value), Number(at('tuning-n').value)));
    at('tuning-propose').addEventListener('click', () => this.propose());
    at('tuning-again').addEventListener('click', () => void tuning.begin());
    at('tuning-use').addEventListener('click', () => this.askUse());
    at('tuning-back').addEventListener('click', () => this.askBack());
    at('limits-form').addEventListener('submit', (event) => this.takeConfirmed(event));
    at('limits-list').addEventListener('change', () => this.countChosen());
    const plot = at('tuning-roc-plot');
    plot.addEventListener('pointerdown', (event) => {
      if (event.button !== 0) return;
      plot.setPointerCapture(event.pointerId);
      event.preventDefault();
      this.drag(event);
    });
    plot.addEventListener('pointermove', (event) => {
      if (plot.hasPointerCapture(event.pointerId)) this.drag(event);
    });
  }

  drag(event) {
    const points = this.tuning.shown?.roc?.points ?? [];
    const { falseShare, foundShare, aspect } = rocSharesAt(at('tuning-roc-plot'), event.clientX, event.clientY);
    const place = nearestOnRoc(points, falseShare, foundShare, aspect);
    if (place !== null) this.tuning.seek(place);
  }

  takeTyped() {
    const { db, fault } = typedDb(at('tuning-db').value);
    if (fault === undefined) this.tuning.setDb(db);
    else {
      // Back at once: what is said next must stand beside the limit that holds.
      at('tuning-db').value = this.shownDb ?? '';
      this.say(`limit not changed: ${fault}`, 'fault');
    }
    this.kept.delete('tuning-db');
  }

  propose() {
    if (!this.tuning.propose()) this.say(`no limit is proposed for ${this.tuning.quantity}`, 'fault');
  }

  /** Takes a key press of the page; true when it was the view's own. */
  key(event) {
    if (!this.isOpen || event.ctrlKey || event.altKey || event.metaKey) return false;
    const { key, target } = event;
    if (key === 'Escape') {
      event.preventDefault();
      this.close();
      return true;
    }
    const move = MOVES[key];
    if (move === undefined && key !== 'Home' && key !== 'End') return false;
    const element = target instanceof HTMLElement ? target : document.body;
    // Lists of choices and what scrolls have arrows of their own; in a text, Home is the caret's.
    if (element.matches('select, input[type="radio"], .scrolls[tabindex]')) return true;
    if (move === undefined && element.matches('[data-digits]')) return true;
    event.preventDefault();
    if (element.matches('[data-digits]') && element.value !== this.shownDb) this.takeTyped();
    if (move !== undefined) this.tuning.step(...move);
    else if (key === 'Home') this.propose();
    return true;
  }

  // ---- confirmations

  severityOf(name) {
    const alarm = (this.state.head?.alarms ?? []).find((one) => one.name === name);
    return alarm ? ` (${alarm.severity})` : '';
  }

  askUse() {
    const { tuning } = this;
    const rests = tuning.shown === null ? '' : `They rest on ${restsOn(tuning.shown, this.label)}. `;
    this.confirm({
      title: 'Use these limits?', changes: tuning.changes(),
      none: `No alarm on ${[...new Set([tuning.quantity, ...tuning.own.keys()])].join(', ')} would change.`,
      what: `${rests}They hold on every channel from the next pulse on:`, done: 'limits changed',
    });
  }

  askBack() {
    this.confirm({ title: 'Back to the limits before?', changes: this.tuning.changesBack(), none: 'No limits were changed before.', what: 'From the next pulse on:', done: 'back to the limits before' });
  }

  confirm({ title, changes, none, what, done }) {
    this.changes = changes;
    this.sure = done;
    at('limits-title').textContent = title;
    at('limits-what').textContent = changes.length === 0 ? none : what;
    at('limits-fault').textContent = '';
    at('limits-list').replaceChildren(...changes.map((change, place) => this.changeItem(change, place)));
    at('limits-do').hidden = changes.length === 0;
    this.countChosen();
    this.openDialog('limits-dialog');
    at('limits-leave').focus();
  }

  changeItem(change, place) {
    const made = document.createElement('li');
    const label = document.createElement('label');
    const box = document.createElement('input');
    // A density is another kind of limit: it is given up only when a person says so.
    const isDensity = known(change.from.limit?.v2_per_hz) && !known(change.to.limit?.v2_per_hz);
    Object.assign(box, { type: 'checkbox', checked: !isDensity, value: String(place) });
    const words = document.createElement('span');
    words.textContent = `${change.name}${this.severityOf(change.name)}, ${change.quantity}: ${alarmLimit(change.from)} → ${alarmLimit(change.to)}`;
    label.append(box, words);
    made.append(label);
    const caution = changeCaution(change);
    if (caution !== '') {
      const said = document.createElement('p');
      said.className = 'caution';
      said.textContent = caution;
      made.append(said);
    }
    return made;
  }

  get chosen() {
    return [...at('limits-list').querySelectorAll('input:checked')].map((box) => this.changes[Number(box.value)]);
  }

  countChosen() {
    const chosen = this.chosen.length;
    at('limits-do').textContent = `change ${plural(chosen, 'alarm')}`;
    at('limits-do').disabled = chosen === 0;
  }

  takeConfirmed(event) {
    if (event.submitter?.value !== 'do') return;
    event.preventDefault();
    const chosen = this.chosen;
    if (chosen.length > 0) void this.put(chosen);
  }

  async put(chosen) {
    const done = this.sure;
    at('limits-do').disabled = true;
    const result = await this.tuning.put(chosen.map((change) => change.to));
    at('limits-do').disabled = false;
    if (!result.ok) {
      at('limits-fault').textContent = `NOT changed: ${result.why}`;
      if (!at('limits-dialog').open) this.say(`limits NOT changed: ${result.why}`, 'fault');
      return;
    }
    if (this.sure === done) at('limits-dialog').close();
    this.say(`${done}: ${chosen.map((change) => change.name).join(', ')}, from ${result.answer.holds_from ?? 'the next pulse'} on`);
  }

  // ---- shown

  /** Writes and draws what changed since the last time. */
  draw() {
    if (!this.isOpen || !this.dirty) return;
    this.dirty = false;
    this.drawn += 1;
    this.showChoices();
    this.showLimit();
    this.showWords();
    this.showPlots();
    this.showNotes();
  }

  /** Runs `write` when `value` is not what was shown last under this name. */
  once(name, value, write) {
    const key = JSON.stringify(value ?? null);
    if (this.kept.get(name) === key) return;
    this.kept.set(name, key);
    write();
  }

  write(id, words) {
    this.once(id, words, () => {
      at(id).textContent = words;
    });
  }

  get label() {
    const { session, sessions } = this.tuning;
    return sessions.find((one) => one.name === session)?.label ?? (session === 'now' ? 'this session' : session);
  }

  showChoices() {
    const { tuning } = this;
    const sessions = tuning.sessions.some((one) => one.name === tuning.session) ? tuning.sessions : [{ name: tuning.session, label: this.label, pulses: null }, ...tuning.sessions];
    this.once('sessions', [sessions, tuning.session], () => at('tuning-session').replaceChildren(...sessions.map((one) => option(one.name, known(one.pulses) ? `${one.label}: ${plural(one.pulses, 'pulse')}` : one.label, one.name === tuning.session))));
    const channels = tuning.answer?.channels ?? [];
    this.once('channels', [channels, tuning.channel], () => {
      at('tuning-channel').replaceChildren(...channels.map((channel) => option(JSON.stringify(channel), String(channel), channel === tuning.channel)));
      at('tuning-channel').disabled = channels.length < 2;
    });
    for (const quantity of QUANTITIES) {
      const limit = tuning.limitOf(quantity);
      const missing = tuning.answer !== null && !tuning.isMeasured(quantity);
      const radio = at(`tuning-${quantity}`);
      radio.checked = quantity === tuning.quantity;
      // A quantity that is gone can still be left by the keys, so the chosen one stays reachable.
      radio.disabled = missing && !radio.checked;
      this.write(`tuning-${quantity}-limit`, limit === null ? (missing ? 'not measured' : tuning.answer === null ? '–' : 'no limit') : `${fineDb(limit.db)} · ${limit.m_of_n}`);
    }
  }

  showLimit() {
    const { tuning } = this;
    const { limit, rangeDb, rule } = tuning;
    const held = tuning.answer?.limits?.[tuning.quantity];
    const slider = at('tuning-slider');
    const still = !tuning.isMeasured(tuning.quantity);
    // It stays in the order of the keys while there is nothing to move.
    slider.setAttribute('aria-disabled', still ? 'true' : 'false');
    if (rangeDb !== null) Object.assign(slider, { min: Math.floor(rangeDb[0] * 100) / 100, max: Math.ceil(rangeDb[1] * 100) / 100 });
    if (limit !== null) {
      slider.value = limit.db;
      slider.setAttribute('aria-valuetext', `${fineDb(limit.db)} dB over baseline`);
    }
    this.once('tuning-db', limit?.db, () => {
      this.shownDb = limit === null ? '' : String(Number(limit.db.toFixed(3)));
      at('tuning-db').value = this.shownDb;
    });
    at('tuning-db').disabled = still;
    for (const [id, value, most] of [['tuning-m', rule.m, rule.n], ['tuning-n', rule.n, Math.max(MOST_N, rule.n)]]) {
      at(id).disabled = limit === null;
      this.once(id, [value, most], () => at(id).replaceChildren(...Array.from({ length: most }, (_, k) => option(k + 1, String(k + 1), k + 1 === value))));
    }
    const proposes = known(held?.proposed_db);
    this.write('tuning-proposed', proposes ? `proposed ${fineDb(held.proposed_db)} dB${ruleOf(held.proposed_m_of_n) ? `, ${held.proposed_m_of_n}` : ''}` : 'nothing proposed');
    at('tuning-propose').disabled = !proposes;
    at('tuning-use').disabled = limit === null;
  }

  showWords() {
    const { shown, fault, sessionsFault, busy } = this.tuning;
    this.write('tuning-sentence', shown === null ? (fault === '' && busy ? 'Reading…' : '') : limitSentence(shown));
    this.write('tuning-alarms', shown === null ? '' : falseAlarmSentence(shown));
    this.write('tuning-fault', fault || sessionsFault);
    // A quick answer is not announced; one that lets wait is.
    if (!busy) at('tuning').dataset.behind = 'no';
    else if (this.behindFor !== this.tuning.inFlight) {
      const asked = this.tuning.inFlight;
      this.behindFor = asked;
      setTimeout(() => {
        if (this.tuning.inFlight === asked) at('tuning').dataset.behind = 'yes';
      }, BEHIND_MS);
    }
  }

  showPlots() {
    const { shown, seeking } = this.tuning;
    const roc = shown?.roc;
    const within = known(roc?.auc_lo) && known(roc?.auc_hi) ? ` (${roc.auc_lo.toFixed(2)} to ${roc.auc_hi.toFixed(2)})` : '';
    this.write('tuning-auc', known(roc?.auc) ? `ROC, area ${roc.auc.toFixed(2)}${within}` : 'ROC');
    this.write('tuning-onset-text', `found by drive${shown?.drive_means ? `: ${shown.drive_means}` : ''}`);
    at('tuning-onset-text').title = at('tuning-onset-text').textContent;
    const sizes = ['tuning-roc-plot', 'tuning-onset-plot'].map((id) => [at(id).clientWidth, at(id).clientHeight]);
    const held = seeking?.place ?? null;
    if (this.plotted !== shown || this.plottedHeld !== held || this.plottedSizes !== String(sizes)) {
      drawRoc(at('tuning-roc-plot'), shown, held);
      if (this.plotted !== shown || this.plottedSizes !== String(sizes)) {
        drawOnset(at('tuning-onset-plot'), shown);
        fillDrives(at('tuning-rows'), shown);
      }
      Object.assign(this, { plotted: shown, plottedHeld: held, plottedSizes: String(sizes) });
    }
  }

  showNotes() {
    const { tuning } = this;
    const advice = tuning.shown?.advice ?? [];
    this.once('advice', advice, () => at('tuning-advice').replaceChildren(...advice.map((words) => item(String(words)))));
    const { alarms, pending, before } = tuning.limits;
    this.once('holds', [tuning.limits, tuning.limitsFault, this.state.head?.alarms], () => {
      const line = (one) => `${one.name}${this.severityOf(one.name)}, ${one.quantity}: ${alarmLimit(one)}`;
      // Of several changes that wait for a pulse, the last one of an alarm will hold.
      const waiting = [...new Map(pending.map((one) => [one.name, one])).values()].map((one) => item(`from the next pulse on: ${line(one)}`));
      const none = tuning.limitsFault === '' ? 'no alarm watches a quantity' : `not known: ${tuning.limitsFault}`;
      at('tuning-holds').replaceChildren(...(alarms.length === 0 ? [item(none)] : alarms.map((one) => item(line(one)))), ...waiting);
      at('tuning-back').hidden = before.length === 0;
    });
    // What scrolls can be scrolled by the keys.
    for (const room of at('tuning').querySelectorAll('.scrolls')) {
      const scrolls = room.scrollHeight > room.clientHeight + 1;
      if (scrolls) room.tabIndex = 0;
      else room.removeAttribute('tabindex');
    }
  }
}
