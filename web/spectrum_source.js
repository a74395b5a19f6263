// Which spectrum and which baseline the spectrum plot shows: the live row while the newest pulse is
// followed, else what the daemon kept. One question at a time, so a slow answer cannot pile up.

const BASELINES = 64;
const ASK_AGAIN_MS = 1000;
const ASK_OTHER_MS = 150;

export class SpectrumSource {
  constructor(base, arrived, fetcher = globalThis.fetch.bind(globalThis)) {
    this.base = base;
    this.arrived = arrived;
    this.fetcher = fetcher;
    this.asking = false;
    this.clear();
  }

  clear() {
    this.newest = null;
    this.densityDb = null;
    this.baseline = null;
    this.baselines = new Map();
    this.shown = '';
    this.changed = true;
    this.askedAtMs = -Infinity;
    this.turn = (this.turn ?? 0) + 1;
  }

  forgetBaselines() {
    this.baselines.clear();
    this.askedAtMs = -Infinity;
  }

  live(spectrum) {
    this.newest = spectrum;
  }

  keyOf(entry, channel) {
    return `${channel} ${entry.target} ${entry.drive_mpa.toPrecision(2)} ${entry.stage === 'exposure'}`;
  }

  /** Called once a frame with the entry that is looked at. */
  look(entry, follows, channel) {
    if (entry === null || entry.kind !== 'pulse') {
      if (this.shown !== 'none') this.set('none', null, null);
      return;
    }
    if (follows && this.newest !== null && this.newest.n === entry.n) {
      const key = this.keyOf(entry, channel);
      const baseline = this.baselines.get(key) ?? null;
      const name = `live ${entry.n} ${baseline !== null}`;
      if (this.shown !== name) this.set(name, this.newest.densityDb, baseline);
      if (!this.baselines.has(key)) void this.ask(entry, channel, key, true);
      return;
    }
    const name = `kept ${entry.n} ${channel}`;
    if (this.shown !== name && !follows) void this.ask(entry, channel, name, false);
  }

  set(name, densityDb, baseline) {
    this.shown = name;
    this.densityDb = densityDb;
    this.baseline = baseline;
    this.changed = true;
  }

  async ask(entry, channel, key, forBaseline) {
    const now = performance.now();
    const wait = key === this.askedKey ? ASK_AGAIN_MS : ASK_OTHER_MS;
    if (this.asking || entry.pulse === null || (forBaseline && now - this.askedAtMs < wait)) return;
    this.asking = true;
    this.askedKey = key;
    this.askedAtMs = now;
    const { turn } = this;
    let answer = null;
    try {
      const response = await this.fetcher(`${this.base}/spectrum?pulse=${entry.pulse}&channel=${channel}`);
      if (response.ok) answer = await response.json();
    } catch {
      answer = null;
    }
    this.asking = false;
    if (turn !== this.turn) return;
    const baseline = answer?.baseline && Array.isArray(answer.baseline.mean_db) ? answer.baseline : null;
    if (forBaseline) {
      // Where there is none yet the question is asked again, at most once a second.
      if (baseline !== null) this.baselines.set(key, baseline);
      if (this.baselines.size > BASELINES) this.baselines.delete(this.baselines.keys().next().value);
    } else {
      this.set(key, answer?.density_db ?? null, baseline);
    }
    this.arrived();
  }
}
