//! Bytes of one connection → hello and frames, wherever the bytes are cut.

use super::flags::MAX_TARGET_BYTES;
use super::header::{self, Decoded, FIXED_BYTES, Header, Layout};
use super::hello::{Hello, MAX_HELLO_BYTES};
use super::json::syntax;
use super::reply::Refusal;

/// A frame that came in.
#[derive(Debug, Clone, PartialEq)]
pub struct Arrived {
    /// Its header.
    pub header: Header,
    /// Its interleaved samples; whole sample sets.
    pub payload: Vec<u8>,
    /// Whether the payload's CRC was right, or there was none to check.
    pub payload_ok: bool,
}

/// What the decoder found.
#[derive(Debug, Clone, PartialEq)]
pub enum DecoderEvent {
    /// The first line; [`Decoder::start`] must follow before frames are read.
    Hello {
        /// The hello.
        hello: Box<Hello>,
        /// Keys that version 1 does not know, for the log.
        unknown_keys: Vec<String>,
    },
    /// A frame.
    Frame(Arrived),
}

/// A frame whose header is known and whose other bytes are coming.
#[derive(Debug)]
struct Coming {
    decoded: Decoded,
    skip: usize,
    left: usize,
    payload: Vec<u8>,
    crc: Option<crc32fast::Hasher>,
}

#[derive(Debug)]
enum State {
    Hello(Vec<u8>),
    Greeted,
    Header,
    Coming(Coming),
    Broken(Refusal),
}

/// Reads one connection. Holds at most a hello, or a header and one payload.
#[derive(Debug)]
pub struct Decoder {
    state: State,
    layout: Option<Layout>,
    header: [u8; FIXED_BYTES + MAX_TARGET_BYTES],
    filled: usize,
}

impl Default for Decoder {
    fn default() -> Self {
        Self::new()
    }
}

impl Decoder {
    /// A decoder that waits for a hello.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            state: State::Hello(Vec::new()),
            layout: None,
            header: [0; FIXED_BYTES + MAX_TARGET_BYTES],
            filled: 0,
        }
    }

    /// The hello was taken: what follows are frames of this layout.
    ///
    /// # Panics
    /// When no hello was read before, or this was called already.
    pub fn start(&mut self, layout: Layout) {
        assert!(matches!(self.state, State::Greeted), "a decoder starts once, after its hello");
        self.layout = Some(layout);
        self.state = State::Header;
    }

    /// Whether the connection may end here without cutting anything off.
    #[must_use]
    pub const fn at_boundary(&self) -> bool {
        matches!(self.state, State::Header) && self.filled == 0
    }

    /// Takes bytes off the front of `input` until an event is complete or the bytes are used up, then
    /// gives `None`. Between hello and [`Decoder::start`] nothing is taken. `pool` gives a buffer for
    /// a payload, after its length was checked; what it holds is dropped.
    ///
    /// # Errors
    /// The fault that ends the connection; from then on the same again.
    pub fn step(
        &mut self,
        input: &mut &[u8],
        pool: &mut dyn FnMut() -> Vec<u8>,
    ) -> Result<Option<DecoderEvent>, Refusal> {
        let result = self.advance(input, pool);
        if let Err(refusal) = &result {
            self.state = State::Broken(refusal.clone());
        }
        result
    }

    fn advance(
        &mut self,
        input: &mut &[u8],
        pool: &mut dyn FnMut() -> Vec<u8>,
    ) -> Result<Option<DecoderEvent>, Refusal> {
        loop {
            match &mut self.state {
                State::Broken(refusal) => return Err(refusal.clone()),
                State::Greeted => return Ok(None),
                State::Hello(line) => {
                    let Some(line) = take_line(line, input)? else { return Ok(None) };
                    let (hello, unknown_keys) = Hello::parse(&line)?;
                    self.state = State::Greeted;
                    return Ok(Some(DecoderEvent::Hello { hello: Box::new(hello), unknown_keys }));
                }
                State::Header => {
                    let Some((decoded, checked)) = self.take_header(input)? else {
                        return Ok(None);
                    };
                    let coming = Coming::new(decoded, self.filled, checked, pool);
                    self.state = State::Coming(coming);
                    self.filled = 0;
                }
                State::Coming(coming) => {
                    coming.take(input);
                    if coming.skip > 0 || coming.left > 0 {
                        return Ok(None);
                    }
                    let arrived = coming.finish();
                    self.state = State::Header;
                    return Ok(Some(DecoderEvent::Frame(arrived)));
                }
            }
        }
    }

    /// The header once it is there, and whether its payload carries a CRC.
    fn take_header(&mut self, input: &mut &[u8]) -> Result<Option<(Decoded, bool)>, Refusal> {
        let Some(layout) = &self.layout else { return Ok(None) };
        loop {
            let fixed = self.filled < FIXED_BYTES;
            let wanted =
                if fixed { FIXED_BYTES } else { header::known_bytes(&self.header[..FIXED_BYTES])? };
            let here = take(input, wanted - self.filled);
            self.header[self.filled..][..here.len()].copy_from_slice(here);
            self.filled += here.len();
            header::check_magic(&self.header[..self.filled])?;
            if self.filled < wanted {
                return Ok(None);
            }
            if !fixed {
                let decoded = Header::decode(&self.header[..wanted], layout)?;
                return Ok(Some((decoded, layout.payload_crc())));
            }
        }
    }
}

impl Coming {
    fn new(
        decoded: Decoded,
        known_bytes: usize,
        checked: bool,
        pool: &mut dyn FnMut() -> Vec<u8>,
    ) -> Self {
        let left = usize::try_from(decoded.payload_bytes).unwrap_or(usize::MAX);
        let mut payload = if left > 0 { pool() } else { Vec::new() };
        payload.clear();
        payload.reserve_exact(left);
        let skip = usize::from(decoded.header_bytes) - known_bytes;
        let crc = checked.then(crc32fast::Hasher::new);
        Self { decoded, skip, left, payload, crc }
    }

    fn take(&mut self, input: &mut &[u8]) {
        self.skip -= take(input, self.skip).len();
        let here = take(input, self.left);
        if let Some(crc) = &mut self.crc {
            // While the bytes are in the cache.
            crc.update(here);
        }
        self.payload.extend_from_slice(here);
        self.left -= here.len();
    }

    fn finish(&mut self) -> Arrived {
        let crc = self.crc.take().map(crc32fast::Hasher::finalize);
        Arrived {
            header: self.decoded.header,
            payload: std::mem::take(&mut self.payload),
            payload_ok: crc.is_none_or(|crc| crc == self.decoded.payload_crc32),
        }
    }
}

fn take<'a>(input: &mut &'a [u8], most: usize) -> &'a [u8] {
    let (here, rest) = input.split_at(most.min(input.len()));
    *input = rest;
    here
}

/// The whole line without its LF, once it is there.
fn take_line(line: &mut Vec<u8>, input: &mut &[u8]) -> Result<Option<Vec<u8>>, Refusal> {
    let room = MAX_HELLO_BYTES - line.len();
    let seen = &input[..room.min(input.len())];
    match seen.iter().position(|byte| *byte == b'\n') {
        Some(end) => {
            line.extend_from_slice(take(input, end));
            take(input, 1);
            Ok(Some(std::mem::take(line)))
        }
        None if seen.len() == room => {
            Err(syntax(format!("hello has no line feed within {MAX_HELLO_BYTES} bytes")))
        }
        None => {
            line.extend_from_slice(take(input, seen.len()));
            Ok(None)
        }
    }
}
