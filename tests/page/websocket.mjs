// The server's half of WebSocket, as far as a page that sends nothing needs it.
// Source: RFC 6455, section 1.3 (accept key) and 5.2 (frames).

import { createHash } from 'node:crypto';

const GUID = '258EAFA5-E914-47DA-95CA-C5AB0DC85B11';
const TEXT = 1;
const BINARY = 2;
const CLOSE = 8;
const PING = 9;
const PONG = 10;

/** Value of Sec-WebSocket-Accept for a client's key. */
export function acceptKey(key) {
  return createHash('sha1').update(key + GUID).digest('base64');
}

function frame(opcode, payload) {
  const length = payload.length;
  let head;
  if (length < 126) {
    head = Buffer.from([0x80 | opcode, length]);
  } else if (length < 65536) {
    head = Buffer.alloc(4);
    head[0] = 0x80 | opcode;
    head[1] = 126;
    head.writeUInt16BE(length, 2);
  } else {
    head = Buffer.alloc(10);
    head[0] = 0x80 | opcode;
    head[1] = 127;
    head.writeBigUInt64BE(BigInt(length), 2);
  }
  return Buffer.concat([head, payload]);
}

/** One client's connection. */
export class Peer {
  constructor(socket, onClose) {
    this.socket = socket;
    this.open = true;
    this.rest = Buffer.alloc(0);
    socket.on('data', (bytes) => this.take(bytes));
    const gone = () => {
      if (!this.open) return;
      this.open = false;
      onClose(this);
    };
    socket.on('close', gone);
    socket.on('error', gone);
  }

  take(bytes) {
    this.rest = Buffer.concat([this.rest, bytes]);
    while (this.rest.length >= 6) {
      const opcode = this.rest[0] & 15;
      const length = this.rest[1] & 127;
      if (length > 125) {
        this.socket.destroy();
        return;
      }
      if (this.rest.length < 6 + length) return;
      const mask = this.rest.subarray(2, 6);
      const payload = Buffer.from(this.rest.subarray(6, 6 + length).map((byte, place) => byte ^ mask[place % 4]));
      this.rest = this.rest.subarray(6 + length);
      if (opcode === PING) this.write(PONG, payload);
      if (opcode === CLOSE) {
        this.write(CLOSE, payload);
        this.socket.end();
      }
    }
  }

  write(opcode, payload) {
    if (this.open && this.socket.writable) this.socket.write(frame(opcode, payload));
  }

  text(object) {
    this.write(TEXT, Buffer.from(JSON.stringify(object)));
  }

  binary(payload) {
    this.write(BINARY, payload);
  }

  destroy() {
    this.socket.destroy();
  }
}

/** Answers the upgrade request; the peer, or null when it is none. */
export function upgrade(request, socket, onClose) {
  const key = request.headers['sec-websocket-key'];
  if (key === undefined) {
    socket.destroy();
    return null;
  }
  socket.write(`HTTP/1.1 101 Switching Protocols\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Accept: ${acceptKey(key)}\r\n\r\n`);
  return new Peer(socket, onClose);
}
