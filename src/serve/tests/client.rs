//! A client by hand: HTTP/1.1 (RFC 9112) and WebSocket (RFC 6455), as much as the tests need.

use std::net::SocketAddr;

use serde_json::Value;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use super::within;

/// An answer, read to its end.
#[derive(Debug)]
pub(super) struct Answer {
    pub(super) status: u16,
    pub(super) head: String,
    pub(super) body: Vec<u8>,
}

impl Answer {
    pub(super) fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().skip(1).find_map(|line| {
            let (key, value) = line.split_once(':')?;
            key.eq_ignore_ascii_case(name).then_some(value.trim())
        })
    }

    pub(super) fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap()
    }

    pub(super) fn text(&self) -> &str {
        std::str::from_utf8(&self.body).unwrap()
    }

    /// A problem of that status: RFC 9457 §3.1 names the members and §3 the media type.
    #[track_caller]
    pub(super) fn is_problem(&self, status: u16) -> String {
        assert_eq!(self.status, status, "{}", self.text());
        assert_eq!(self.header("content-type"), Some("application/problem+json"));
        let problem = self.json();
        assert_eq!(problem["type"], "about:blank");
        assert_eq!(problem["status"], status);
        assert!(problem["title"].as_str().is_some_and(|title| !title.is_empty()));
        let detail = problem["detail"].as_str().unwrap();
        assert!(!detail.is_empty() && !detail.ends_with('.'), "{detail}");
        detail.to_owned()
    }
}

/// Sends a request as it is written and reads until the other side closes.
pub(super) async fn raw(address: SocketAddr, request: &[u8]) -> Answer {
    within(async {
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream.write_all(request).await.unwrap();
        let mut bytes = Vec::new();
        stream.read_to_end(&mut bytes).await.unwrap();
        let end = bytes.windows(4).position(|four| four == b"\r\n\r\n").unwrap();
        let head = String::from_utf8(bytes[..end].to_vec()).unwrap();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        Answer { status, head, body: bytes[end + 4..].to_vec() }
    })
    .await
}

/// A request with a body and further header lines, each ending in a line break.
pub(super) async fn ask(
    address: SocketAddr,
    method: &str,
    path: &str,
    headers: &str,
    body: &str,
) -> Answer {
    let host = if headers.to_ascii_lowercase().contains("host:") {
        String::new()
    } else {
        format!("Host: {address}\r\n")
    };
    let request = format!(
        "{method} {path} HTTP/1.1\r\n{host}{headers}Connection: close\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    );
    raw(address, request.as_bytes()).await
}

pub(super) async fn get(address: SocketAddr, path: &str) -> Answer {
    ask(address, "GET", path, "", "").await
}

pub(super) async fn post(address: SocketAddr, path: &str, body: &str) -> Answer {
    ask(address, "POST", path, "", body).await
}

/// A connection with the bytes that came and were not used yet.
pub(super) struct Connection {
    stream: TcpStream,
    bytes: Vec<u8>,
}

impl Connection {
    /// Sends a GET with further header lines and reads the answer's head.
    pub(super) async fn open(address: SocketAddr, path: &str, headers: &str) -> (Self, String) {
        let mut stream = TcpStream::connect(address).await.unwrap();
        let request = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\n{headers}\r\n");
        stream.write_all(request.as_bytes()).await.unwrap();
        let mut connection = Self { stream, bytes: Vec::new() };
        let head = within(connection.until(b"\r\n\r\n")).await.unwrap();
        (connection, String::from_utf8(head).unwrap())
    }

    async fn more(&mut self) -> bool {
        let mut part = [0; 65_536];
        let read = self.stream.read(&mut part).await.unwrap_or(0);
        self.bytes.extend_from_slice(&part[..read]);
        read > 0
    }

    /// Everything up to and with `end`; nothing when the connection ends before.
    async fn until(&mut self, end: &[u8]) -> Option<Vec<u8>> {
        loop {
            if let Some(at) = self.bytes.windows(end.len()).position(|bytes| bytes == end) {
                return Some(self.bytes.drain(..at + end.len()).collect());
            }
            if !self.more().await {
                return None;
            }
        }
    }

    async fn exactly(&mut self, count: usize) -> Option<Vec<u8>> {
        while self.bytes.len() < count {
            if !self.more().await {
                return None;
            }
        }
        Some(self.bytes.drain(..count).collect())
    }
}

/// An NDJSON answer in chunks.
pub(super) struct Lines {
    connection: Connection,
    text: Vec<u8>,
}

impl Lines {
    pub(super) async fn open(address: SocketAddr, path: &str) -> Self {
        let (connection, head) = Connection::open(address, path, "").await;
        assert!(head.starts_with("HTTP/1.1 200 "), "{head}");
        assert!(head.to_ascii_lowercase().contains("content-type: application/x-ndjson"), "{head}");
        assert!(head.to_ascii_lowercase().contains("transfer-encoding: chunked"), "{head}");
        Self { connection, text: Vec::new() }
    }

    /// The next line; nothing at the end of the answer. RFC 9112 §7.1: size in hexadecimal, line
    /// break, that many bytes, line break; a size of 0 ends it.
    pub(super) async fn next(&mut self) -> Option<Value> {
        within(async {
            loop {
                if let Some(at) = self.text.iter().position(|byte| *byte == b'\n') {
                    let line: Vec<u8> = self.text.drain(..=at).collect();
                    return Some(serde_json::from_slice(&line).unwrap());
                }
                let size = self.connection.until(b"\r\n").await?;
                let size = std::str::from_utf8(&size).unwrap().trim();
                let size = usize::from_str_radix(size, 16).unwrap();
                let part = self.connection.exactly(size + 2).await?;
                if size == 0 {
                    return None;
                }
                self.text.extend_from_slice(&part[..size]);
            }
        })
        .await
    }
}

/// One message of a WebSocket.
#[derive(Debug)]
pub(super) enum Message {
    Text(Value),
    Binary(Vec<u8>),
    Close(u16),
}

/// A WebSocket.
pub(super) struct Socket {
    connection: Connection,
}

impl Socket {
    pub(super) async fn open(address: SocketAddr, path: &str) -> Self {
        let headers = "Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n\
                       Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n";
        let (connection, head) = Connection::open(address, path, headers).await;
        assert!(head.starts_with("HTTP/1.1 101 "), "{head}");
        // RFC 6455 §1.3: the answer to the key "dGhlIHNhbXBsZSBub25jZQ=="
        assert!(head.contains("s3pPLMBiTxaQ9kYGzzhZRbK+xOo="), "{head}");
        Self { connection }
    }

    /// The next message that is no ping or pong; nothing when the connection is over. RFC 6455 §5.2: final
    /// bit and opcode, length in 7, 16 or 64 bits, and no mask from a server.
    pub(super) async fn next(&mut self) -> Option<Message> {
        within(async {
            loop {
                let head = self.connection.exactly(2).await?;
                assert_eq!(head[0] & 0xf0, 0x80, "a whole message without extensions");
                assert_eq!(head[1] & 0x80, 0, "a server masks nothing");
                let length = match head[1] {
                    126 => {
                        let bytes = self.connection.exactly(2).await?;
                        usize::from(u16::from_be_bytes(bytes.try_into().unwrap()))
                    }
                    127 => {
                        let bytes = self.connection.exactly(8).await?;
                        usize::try_from(u64::from_be_bytes(bytes.try_into().unwrap())).unwrap()
                    }
                    short => usize::from(short),
                };
                let payload = self.connection.exactly(length).await?;
                return Some(match head[0] & 0xf {
                    1 => Message::Text(serde_json::from_slice(&payload).unwrap()),
                    2 => Message::Binary(payload),
                    8 => Message::Close(u16::from_be_bytes([payload[0], payload[1]])),
                    // RFC 6455 §5.5.2 and §5.5.3: ping and pong
                    9 | 10 => continue,
                    opcode => panic!("opcode {opcode}"),
                });
            }
        })
        .await
    }

    /// The next text message of that kind; others are passed over.
    pub(super) async fn next_of(&mut self, kind: &str) -> Value {
        loop {
            match self.next().await {
                Some(Message::Text(text)) if text["is"] == kind => return text,
                Some(_) => {}
                None => panic!("the feed ended before a message {kind}"),
            }
        }
    }

    /// Sends a frame, masked with zeros: RFC 6455 §5.3 lets the client choose the mask.
    pub(super) async fn send(&mut self, opcode: u8, payload: &[u8]) {
        let mut frame = vec![0x80 | opcode];
        match u16::try_from(payload.len()) {
            Ok(short @ 0..126) => frame.push(0x80 | u8::try_from(short).unwrap()),
            Ok(length) => {
                frame.push(0x80 | 126);
                frame.extend_from_slice(&length.to_be_bytes());
            }
            Err(_) => {
                frame.push(0x80 | 127);
                frame.extend_from_slice(&u64::try_from(payload.len()).unwrap().to_be_bytes());
            }
        }
        frame.extend_from_slice(&[0; 4]);
        frame.extend_from_slice(payload);
        // A server that has had enough may close before everything is written.
        self.connection.stream.write_all(&frame).await.ok();
    }
}
