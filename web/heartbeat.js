// Whether what the page shows is the present. The daemon beats four times a second, whether or not
// pulses come; a beat that is 1 s late, or a lost connection, makes the page stale. Pure: the caller
// gives the time.

const BEAT_EVERY_S = 0.25;
const LATE_S = 1.0;
const DEAD_S = 10;

export class Heartbeat {
  constructor() {
    this.connected = false;
    this.lastBeatS = null;
    this.everBeaten = false;
    this.farewell = false;
  }

  opened(nowS) {
    this.connected = true;
    this.farewell = false;
    this.openedS = nowS;
    this.heardS = nowS;
    this.lastBeatS = null;
  }

  /** Something else came: before the first beat the history does, which may take longer than a beat. */
  message(nowS) {
    this.openedS = nowS;
    this.heardS = nowS;
  }

  /** Whether an open connection has been silent for so long that it is better opened anew. */
  isDead(nowS) {
    return this.connected && nowS - this.heardS >= DEAD_S;
  }

  beat(nowS) {
    this.lastBeatS = nowS;
    this.shownS = nowS;
    this.heardS = nowS;
    this.everBeaten = true;
  }

  /** The daemon said that it stops. */
  bye() {
    this.farewell = true;
  }

  closed() {
    this.connected = false;
  }

  /** `{stale, why, ageS}`; before the first connection nothing is shown that could be old. */
  judge(nowS) {
    const ageS = this.everBeaten ? nowS - this.shownS : null;
    if (!this.connected) {
      if (!this.everBeaten) return { stale: false, why: '', ageS };
      return { stale: true, why: this.farewell ? 'the daemon has stopped' : 'connection lost, trying again', ageS };
    }
    const late = nowS - (this.lastBeatS ?? this.openedS) >= BEAT_EVERY_S + LATE_S;
    // Connected again, but what is shown is still the old state until the first beat.
    const old = this.everBeaten && this.lastBeatS === null;
    if (late) return { stale: true, why: 'no word from the daemon', ageS };
    return { stale: old, why: old ? 'connected again, catching up' : '', ageS };
  }
}

/** Wait before attempt `count` (from 0) to connect again, s: doubling from 0.25 to at most 5. */
export function backOffS(count) {
  return Math.min(5, 0.25 * 2 ** Math.min(count, 10));
}
