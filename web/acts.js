// What a person does: marks, stages, acknowledgements, sent to the daemon and answered in words.
// Values of an injection are kept for the next one; a mark can be taken back for ten seconds.

const UNDO_S = 10;
const KEPT = 'simmer injection';

/**
 * Values of the injection form as the contract wants them: `{values}` or `{fault}`. Empty fields are
 * left out.
 */
export function injectionValues(fields) {
  const values = {};
  for (const name of ['agent', 'route']) {
    const text = String(fields[name] ?? '').trim();
    if (text !== '') values[name] = text;
  }
  for (const [name, label] of [['volume_ul', 'volume'], ['backdated_s', 'seconds ago']]) {
    const text = String(fields[name] ?? '').trim().replace(',', '.');
    if (text === '') continue;
    const value = Number(text);
    if (!Number.isFinite(value) || value < 0) return { fault: `${label} “${text}” is not a number of 0 or more` };
    values[name] = value;
  }
  return { values };
}

/** An injection in words, for the line that offers the undo. */
export function injectionWords(values) {
  const parts = [];
  if (values.volume_ul !== undefined) parts.push(`${values.volume_ul} µL`);
  if (values.agent) parts.push(values.agent);
  if (values.route) parts.push(values.route);
  if (values.backdated_s) parts.push(`${values.backdated_s} s ago`);
  return parts.length > 0 ? `injection (${parts.join(', ')})` : 'injection';
}

/** Words of a refusal: the daemon's problem detail, else the status. */
async function refusal(response) {
  try {
    const problem = await response.json();
    return String(problem.detail || problem.title || response.status);
  } catch {
    return `the daemon answered ${response.status}`;
  }
}

export class Acts {
  constructor({ base, say, fetcher = globalThis.fetch.bind(globalThis), storage = null, clock = () => performance.now() }) {
    this.base = base;
    this.say = say;
    this.fetcher = fetcher;
    this.storage = storage;
    this.clock = clock;
    this.undoable = [];
    this.injection = this.recall();
    this.changed = () => {};
  }

  recall() {
    try {
      const kept = JSON.parse(this.storage?.getItem(KEPT) ?? '{}');
      return injectionValues(kept).values ?? {};
    } catch {
      return {};
    }
  }

  keepInjection(values) {
    this.injection = values;
    try {
      this.storage?.setItem(KEPT, JSON.stringify(values));
    } catch {
      // A browser that keeps nothing still remembers for as long as the page is open.
    }
  }

  async send(method, path, body) {
    try {
      const response = await this.fetcher(`${this.base}${path}`, {
        method,
        headers: { 'content-type': 'application/json' },
        body: body === undefined ? undefined : JSON.stringify(body),
      });
      if (!response.ok) return { ok: false, status: response.status, why: await refusal(response) };
      return { ok: true, status: response.status, answer: await response.json().catch(() => ({})) };
    } catch {
      return { ok: false, status: 0, why: 'the daemon cannot be reached' };
    }
  }

  async mark(body, words) {
    const result = await this.send('POST', '/marks', body);
    if (!result.ok) {
      this.say(`${words} NOT marked: ${result.why}`, 'fault');
      return false;
    }
    const id = result.answer.id;
    if (body.mark !== 'void' && id !== undefined) {
      this.undoable.push({ id, words, until: this.clock() + UNDO_S * 1000 });
      this.undoable = this.undoable.slice(-20);
      this.changed();
      setTimeout(() => this.changed(), UNDO_S * 1000 + 50);
    }
    this.say(body.mark === 'void' ? `taken back: ${words}` : `marked: ${words}, from ${result.answer.holds_from ?? 'the next pulse'} on. U takes it back`);
    return true;
  }

  markInjection() {
    return this.mark({ mark: 'injection', ...this.injection }, injectionWords(this.injection));
  }

  /** The mark that U would take back, or null. */
  get lastUndoable() {
    const last = this.undoable.at(-1);
    return last && last.until > this.clock() ? last : null;
  }

  async undo() {
    const last = this.lastUndoable;
    if (last === null) {
      this.say('nothing to take back: a mark can be taken back for 10 s', 'fault');
      return;
    }
    this.undoable.pop();
    if (!(await this.mark({ mark: 'void', void: last.id }, last.words))) this.undoable.push(last);
    this.changed();
  }

  async stage(stage) {
    const result = await this.send('POST', '/stage', { stage });
    if (result.ok) this.say(`stage ${stage} from the next pulse on`);
    else if (result.status === 409) this.say(`stage not changed: ${result.why || 'the sender sets the stage'}`, 'fault');
    else this.say(`stage not changed: ${result.why}`, 'fault');
    return result.ok;
  }

  async acknowledge(id) {
    const result = await this.send('POST', `/alarms/${encodeURIComponent(id)}/acknowledge`);
    if (!result.ok) this.say(`NOT acknowledged: ${result.why}`, 'fault');
    return result.ok;
  }
}
