// Marks of the session as events tell them, for the strip over the exposure. Bounded. Pure.

const MOST = 500;

function labelOf(event) {
  if (event.mark === 'injection') return `injection ${event.number ?? ''}`.trim();
  if (event.mark === 'target') return `target ${event.target ?? ''}`.trim();
  if (event.mark === 'note') return `note: ${String(event.text ?? '').slice(0, 24)}`;
  return String(event.mark);
}

export class MarkBook {
  constructor() {
    this.clear();
  }

  clear() {
    this.list = [];
    this.newest = -1;
    this.changes = 0;
  }

  /** Takes an event; one that was seen before is passed over. */
  take(event) {
    if (!Number.isSafeInteger(event.n) || event.n <= this.newest) return;
    this.newest = event.n;
    if (event.event !== 'mark') return;
    this.changes += 1;
    if (event.mark === 'void') {
      this.list = this.list.filter((one) => one.id !== event.void);
      return;
    }
    this.list.push({ id: event.id, pulse: event.pulse, time_s: event.time_s, label: labelOf(event).slice(0, 60) });
    if (this.list.length > MOST) this.list.splice(0, this.list.length - MOST);
  }
}
