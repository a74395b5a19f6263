// The live feed: one WebSocket, opened again by itself when it is lost, slower with each failure.

import { backOffS } from './heartbeat.js';

export class Feed {
  /** `on` has `opened`, `message(object)`, `binary(buffer)`, `closed(againInS)`. */
  constructor(url, on, SocketClass = globalThis.WebSocket) {
    this.url = url;
    this.on = on;
    this.SocketClass = SocketClass;
    this.failures = 0;
    this.socket = null;
    this.timer = null;
  }

  open(url = this.url) {
    this.url = url;
    clearTimeout(this.timer);
    this.timer = null;
    this.drop();
    const socket = new this.SocketClass(url);
    socket.binaryType = 'arraybuffer';
    this.socket = socket;
    socket.onopen = () => {
      if (socket === this.socket) this.on.opened();
    };
    socket.onmessage = (message) => {
      if (socket !== this.socket) return;
      this.failures = 0;
      if (typeof message.data !== 'string') {
        this.on.binary(message.data);
        return;
      }
      let parsed = null;
      try {
        parsed = JSON.parse(message.data);
      } catch {
        return;
      }
      if (parsed !== null && typeof parsed === 'object') this.on.message(parsed);
    };
    socket.onclose = () => {
      if (socket !== this.socket) return;
      this.socket = null;
      const waitS = backOffS(this.failures);
      this.failures += 1;
      this.on.closed(waitS);
      this.timer = setTimeout(() => this.open(), waitS * 1000);
    };
  }

  drop() {
    if (this.socket === null) return;
    const socket = this.socket;
    this.socket = null;
    socket.close();
  }
}
