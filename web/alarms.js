// Alarms as the page shows and sounds them. The status of every beat is the truth; an event between
// two beats acts at once. Pure.

export class AlarmBook {
  constructor() {
    this.clear();
  }

  clear() {
    this.list = [];
    this.warned = new Set();
    this.newest = -1;
    this.settled = false;
  }

  /** Takes the alarms of a status; returns the warnings that are new since the last one. */
  fromStatus(alarms) {
    this.list = Array.isArray(alarms) ? alarms.slice(0, 200) : [];
    const fresh = this.list.filter((one) => one.severity === 'warning' && !one.acknowledged && !this.warned.has(one.id));
    for (const one of this.list) if (one.severity === 'warning') this.warned.add(one.id);
    if (this.warned.size > 2000) this.warned = new Set([...this.warned].slice(-1000));
    const first = !this.settled;
    this.settled = true;
    return first ? [] : fresh;
  }

  /** Takes a live event; returns a warning that is new, or null. */
  fromEvent(event) {
    if (Number.isSafeInteger(event.n)) {
      if (event.n <= this.newest) return null;
      this.newest = event.n;
    }
    const known = this.list.find((one) => one.id === event.id);
    if (event.event === 'alarm acknowledged' && known) known.acknowledged = true;
    if (event.event === 'alarm over' && known) {
      known.on = false;
      if (!known.latch) this.list = this.list.filter((one) => one !== known || !one.acknowledged);
    }
    // An alarm that is meant for other sinks only is no business of the page.
    const elsewhere = Array.isArray(event.sinks) && !event.sinks.includes('page');
    if (event.event !== 'alarm raised' || known || elsewhere || !this.settled) return null;
    const alarm = { id: event.id, name: event.name, severity: event.severity, cause: event.cause, channel: event.channel, pulse: event.pulse, time_s: event.time_s, on: true, acknowledged: false };
    this.list.push(alarm);
    if (alarm.severity !== 'warning' || this.warned.has(alarm.id)) return null;
    this.warned.add(alarm.id);
    return alarm;
  }

  acknowledgedHere(id) {
    const alarm = this.list.find((one) => one.id === id);
    if (alarm) alarm.acknowledged = true;
  }

  get open() {
    return this.list.filter((one) => !one.acknowledged);
  }

  /** The alarm the banner shows: the first open stop alarm, else the first open, else the first on. */
  get leading() {
    return this.open.find((one) => one.severity === 'stop') ?? this.open[0] ?? this.list[0] ?? null;
  }

  get stopIsOpen() {
    return this.open.some((one) => one.severity === 'stop');
  }

  /** What the banner says: `{kind, word, cause, more, id}`. */
  banner() {
    const leading = this.leading;
    if (leading === null) return { kind: 'none', word: 'no alarm', cause: '', more: '', id: null };
    const seen = leading.acknowledged;
    const kind = seen ? 'seen' : leading.severity === 'stop' ? 'stop' : 'warning';
    const place = leading.channel === null || leading.channel === undefined ? '' : `, channel ${leading.channel}`;
    const when = typeof leading.time_s === 'number' ? ` at ${leading.time_s.toFixed(1)} s` : '';
    const pulse = typeof leading.pulse === 'number' ? ` (pulse ${leading.pulse}${place})` : '';
    const first = this.list[0];
    const others = this.list.filter((one) => one !== leading && one !== first).map((one) => one.name);
    let more = '';
    if (seen) more = leading.on ? 'acknowledged, still on' : 'acknowledged';
    else if (this.list.length > 1) {
      more = first === leading ? 'came first' : `came first: ${first.name}${typeof first.time_s === 'number' ? ` at ${first.time_s.toFixed(1)} s` : ''}`;
      if (others.length > 0) more += `; then: ${others.join(', ')}`;
    } else if (!leading.on) more = 'is over, not acknowledged';
    return { kind, word: leading.severity === 'stop' ? `STOP: ${leading.name}` : String(leading.name), cause: `${leading.severity}: ${leading.cause ?? ''}${when}${pulse}`, more, id: leading.id };
  }
}

/** The sound that should be going on: a stop alarm, a fall (stale or not hearing), or none. */
export function soundWanted({ stale, status, stopIsOpen }) {
  if (stopIsOpen) return 'stop';
  if (stale) return 'falling';
  const deaf = status?.now?.word === 'NOT HEARING' || (status?.now?.hearing === false && status?.stage === 'exposure');
  return deaf && !status?.paused ? 'falling' : 'quiet';
}
