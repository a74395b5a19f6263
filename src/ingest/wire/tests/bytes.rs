//! Bytes as they travel: the worked example of the documentation, cuts anywhere, damage, bounds.

use proptest::prelude::*;

use super::*;

const PROTOCOL: &str = include_str!("../PROTOCOL.md");

/// CRC-32 bit by bit, as RFC 1952 §8 defines it; nothing of it is shared with the code under test.
pub(super) fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| {
            if crc & 1 == 1 { (crc >> 1) ^ 0xedb8_8320 } else { crc >> 1 }
        })
    })
}

/// The fenced block of that kind in the documentation.
fn block(kind: &str) -> &'static str {
    let start = PROTOCOL.split_once(&format!("```{kind}\n")).unwrap().1;
    start.split_once("```").unwrap().0
}

fn example() -> Vec<u8> {
    let lines = block("frame").lines();
    let bytes = lines.flat_map(|line| line.split_whitespace().skip(1));
    bytes.map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

#[test]
fn the_crc_is_the_one_of_the_catalogue() {
    // Source: check value of CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms;
    // algorithm of RFC 1952 §8.
    assert_eq!(crc32(b"123456789"), 0xcbf4_3926);
    assert_eq!(crc32fast::hash(b"123456789"), 0xcbf4_3926);
}

#[test]
fn the_documented_hello_is_a_hello_of_one_channel() {
    let (hello, unknown) = Hello::parse(block("json").as_bytes()).unwrap();
    assert!(unknown.is_empty());
    assert_eq!((hello.channels, hello.sample_format), (1, SampleFormat::Ri16Le));
    assert_eq!(hello.pretrigger_samples, 40_000);
}

#[test]
fn every_error_code_is_documented() {
    for code in ErrorCode::ALL {
        assert!(PROTOCOL.contains(&format!("\n| `{}` |", code.name())), "{code:?}");
    }
}

#[test]
fn the_documented_frame_is_encoded_byte_for_byte() {
    let (hello, _) = Hello::parse(block("json").as_bytes()).unwrap();
    let layout = Layout::new(&hello, 4096).unwrap();
    let header = Header {
        first_sample: 4_000_000,
        pulse_first_sample: 4_000_000,
        ..header(0, 1, 0, 3, Flags::FIRST)
    };
    let payload: Vec<u8> = [1_i16, -2, 300].into_iter().flat_map(i16::to_le_bytes).collect();
    let mut bytes = Vec::new();
    header.encode(&layout, &payload, &mut bytes);
    let example = example();
    assert_eq!(bytes, example);
    let word = |at: usize| u32::from_le_bytes(example[at..at + 4].try_into().unwrap());
    assert_eq!(word(80), crc32(&example[102..]));
    assert_eq!(word(92), crc32(&[&example[..92], &example[96..102]].concat()));
    for crc in [word(80), word(92)] {
        assert!(PROTOCOL.contains(&format!("{crc:#010x}")));
    }
    let mut decoder = Decoder::new();
    decode(&mut decoder, block("json").as_bytes());
    let arrived = Arrived { header, payload, payload_ok: true };
    let expected = (vec![DecoderEvent::Frame(arrived)], None);
    assert_eq!(decode(&mut decoder, &example), expected);
}

#[test]
fn the_documented_keepalive_has_the_documented_crc() {
    let mut bytes = vec![0; 92];
    bytes[..8].copy_from_slice(b"smr1\x60\x00\x10\x00");
    bytes[8] = 1;
    bytes[16..24].copy_from_slice(&4_000_003_u64.to_le_bytes());
    let crc = crc32(&bytes);
    assert!(PROTOCOL.contains(&format!("its header_crc32 is {crc:#010x}.")));
    bytes.extend_from_slice(&crc.to_le_bytes());
    let decoded = Header::decode(&bytes, &layout()).unwrap();
    assert_eq!((decoded.header.flags, decoded.header.sequence), (Flags::KEEPALIVE, 1));
}

/// A hello and frames of every kind.
fn conversation() -> Vec<u8> {
    let mut bytes = hello().to_line().into_bytes();
    let frames = [
        header(0, 1, 0, 2, Flags::FIRST),
        header(1, 1, 2, 0, Flags::NONE),
        Header { target: Target::NONE, drive_mpa: None, ..header(2, 1, 2, 7, Flags::LAST) },
        header(3, 0, 0, 0, Flags::KEEPALIVE),
        Header { drive_setting: Some(-1.5), ..header(3, 2, 0, 1, Flags::SHAM) },
        header(4, 0, 3000, 3, Flags::OUTSIDE),
        header(5, 0, 0, 0, Flags::END),
    ];
    frames.iter().for_each(|header| bytes.extend_from_slice(&encoded(header)));
    bytes
}

/// Events and fault of bytes that come in pieces.
fn decode_pieces<'a>(
    pieces: impl IntoIterator<Item = &'a [u8]>,
) -> (Vec<DecoderEvent>, Option<Refusal>) {
    let (mut decoder, mut events) = (Decoder::new(), Vec::new());
    for piece in pieces {
        let (more, fault) = decode(&mut decoder, piece);
        events.extend(more);
        if fault.is_some() {
            return (events, fault);
        }
    }
    (events, None)
}

#[test]
fn a_cut_at_any_byte_gives_the_same_events() {
    let bytes = conversation();
    let whole = decode_pieces([bytes.as_slice()]);
    assert_eq!((whole.0.len(), &whole.1), (8, &None));
    for cut in 0..=bytes.len() {
        assert_eq!(decode_pieces([&bytes[..cut], &bytes[cut..]]), whole, "cut at {cut}");
    }
    assert_eq!(decode_pieces(bytes.chunks(1)), whole);
}

#[test]
fn a_stream_that_ends_at_any_byte_gives_whole_frames_only() {
    let bytes = conversation();
    let (whole, _) = decode_pieces([bytes.as_slice()]);
    for end in 0..bytes.len() {
        let mut decoder = Decoder::new();
        let (events, fault) = decode(&mut decoder, &bytes[..end]);
        assert_eq!(fault, None, "end at {end}");
        assert!(events.len() < whole.len() && whole.starts_with(&events), "end at {end}");
    }
}

#[test]
fn a_hello_has_8192_bytes_at_most_with_its_line_feed() {
    let line = hello().to_line();
    let mut padded = line.trim_end().to_owned();
    padded.push_str(&" ".repeat(MAX_HELLO_BYTES - 1 - padded.len()));
    padded.push('\n');
    assert_eq!(padded.len(), MAX_HELLO_BYTES);
    for size in [1, 4096, 8191, 8192, 9000] {
        assert_eq!(decode_pieces(padded.as_bytes().chunks(size)).0.len(), 1, "{size}");
        let endless = [b' '; 2 * MAX_HELLO_BYTES];
        let (events, fault) = decode_pieces(endless.chunks(size));
        assert!(events.is_empty());
        assert_eq!(fault.unwrap().detail, "hello has no line feed within 8192 bytes", "{size}");
    }
}

#[test]
fn a_buffer_of_the_pool_is_used_again_and_what_it_held_is_dropped() {
    let mut decoder = started();
    let header = header(0, 1, 0, 7, Flags::FIRST);
    let used = Vec::with_capacity(500);
    let place = used.as_ptr();
    let mut used = Some(used);
    let bytes = encoded(&header);
    let mut pool = || {
        let mut buffer = used.take().unwrap();
        buffer.resize(30, 0xaa);
        buffer
    };
    let event = decoder.step(&mut bytes.as_slice(), &mut pool).unwrap();
    let Some(DecoderEvent::Frame(found)) = event else { panic!("{event:?}") };
    assert_eq!((found.payload.as_ptr(), &found), (place, &arrived(header)));
}

#[test]
fn nothing_is_taken_between_hello_and_start() {
    let bytes = conversation();
    let mut rest = bytes.as_slice();
    let mut decoder = Decoder::new();
    let first = decoder.step(&mut rest, &mut Vec::new);
    assert!(matches!(first, Ok(Some(DecoderEvent::Hello { .. }))));
    let left = rest.len();
    assert_eq!(left, bytes.len() - hello().to_line().len());
    assert_eq!(decoder.step(&mut rest, &mut Vec::new), Ok(None));
    assert_eq!(rest.len(), left);
    decoder.start(layout());
    assert!(decoder.at_boundary());
    assert!(matches!(decoder.step(&mut rest, &mut Vec::new), Ok(Some(DecoderEvent::Frame(_)))));
}

/// Runs damaged bytes through decoder and link in pieces; gives the largest buffer that was made.
fn survive(bytes: &[u8], piece: usize) -> usize {
    let mut link = Link::new(terms(), expectation());
    let (mut decoder, mut out) = (Decoder::new(), Vec::new());
    let (mut connection, mut largest) = (None, 0);
    for mut rest in bytes.chunks(piece) {
        loop {
            match decoder.step(&mut rest, &mut Vec::new) {
                Ok(Some(DecoderEvent::Hello { hello, .. })) => {
                    let Ok(accepted) = link.hello(Duration::ZERO, *hello, &peer(), &mut out) else {
                        return largest;
                    };
                    decoder.start(accepted.layout);
                    connection = Some(accepted.connection);
                }
                Ok(Some(DecoderEvent::Frame(arrived))) => {
                    largest = largest.max(arrived.payload.capacity());
                    let Some(connection) = connection else { panic!("a frame before hello") };
                    link.frame(connection, Duration::ZERO, arrived, &mut out);
                }
                Ok(None) => break,
                Err(_) => return largest,
            }
        }
    }
    largest
}

/// A header with any fields and right CRCs, as a hostile sender can make it.
fn any_header() -> impl Strategy<Value = Vec<u8>> {
    let longest = terms().max_payload_bytes / layout().set_bytes() + 2;
    (proptest::collection::vec(any::<u8>(), 102), any::<u16>(), 0..longest, 0_u64..5).prop_map(
        |(mut bytes, flags, samples, small)| {
            bytes[..4].copy_from_slice(b"smr1");
            bytes[4..6].copy_from_slice(&102_u16.to_le_bytes());
            bytes[6..8].copy_from_slice(&(flags & 0x1f4f).to_le_bytes());
            for (at, index) in [(8, small), (16, small * 7), (24, small / 2), (32, small), (40, 0)]
            {
                bytes[at..at + 8].copy_from_slice(&index.to_le_bytes());
            }
            bytes[48..64].fill(0);
            bytes[68..72].copy_from_slice(&samples.to_le_bytes());
            bytes[72..76].copy_from_slice(&(4 * samples).to_le_bytes());
            bytes[76] %= 4;
            bytes[77..80].copy_from_slice(&[6, 0, 0]);
            bytes[84..92].fill(0);
            bytes[96..102].copy_from_slice(b"vessel");
            let crc = crc32(&[&bytes[..92], &bytes[96..]].concat());
            bytes[92..96].copy_from_slice(&crc.to_le_bytes());
            bytes.resize(102 + 4 * usize::try_from(samples).unwrap(), 0);
            bytes
        },
    )
}

proptest! {
    #[test]
    fn any_split_gives_the_same_events(
        cuts in proptest::collection::vec(any::<prop::sample::Index>(), 0..20),
    ) {
        let bytes = conversation();
        let mut ends: Vec<_> = cuts.iter().map(|cut| cut.index(bytes.len())).collect();
        ends.sort_unstable();
        ends.push(bytes.len());
        let mut start = 0;
        let pieces = ends.iter().map(|end| &bytes[std::mem::replace(&mut start, *end)..*end]);
        prop_assert_eq!(decode_pieces(pieces), decode_pieces([bytes.as_slice()]));
    }

    #[test]
    fn damaged_bytes_never_panic_and_never_make_room_above_the_bound(
        damage in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        piece in 1_usize..300,
    ) {
        let mut bytes = conversation();
        let length = bytes.len();
        damage.iter().for_each(|(at, byte)| bytes[at.index(length)] = *byte);
        prop_assert!(survive(&bytes, piece) <= 4096);
    }

    #[test]
    fn hostile_headers_never_panic_and_never_make_room_above_the_bound(
        frames in proptest::collection::vec(any_header(), 1..8),
        piece in 1_usize..300,
    ) {
        let bytes = [hello().to_line().into_bytes(), frames.concat()].concat();
        prop_assert!(survive(&bytes, piece) <= 4096);
    }

    #[test]
    fn any_text_as_hello_never_panics(line in proptest::collection::vec(any::<u8>(), 0..200)) {
        prop_assert!(Hello::parse(&line).is_err());
    }

    #[test]
    fn any_header_comes_back_from_its_bytes(
        flags in prop::sample::select(vec![Flags::NONE, Flags::FIRST, Flags::LAST, Flags::SHAM]),
        sequence in 0..JSON_INTEGER_END,
        (pulse_first_sample, offset) in (0..JSON_INTEGER_END / 2, 0..JSON_INTEGER_END / 2),
        (pulse, pulse_time_ns) in (0..JSON_INTEGER_END, 0_u64..1 << 63),
        drive_mpa in proptest::option::of(prop::num::f64::NORMAL | prop::num::f64::ZERO),
        drive_setting in proptest::option::of(prop::num::f64::NORMAL),
        exposure in any::<u32>(),
        samples in 0_u32..100,
        stage in prop::sample::select(Stage::ALL.to_vec()),
        target in "[a-zé ]{0,16}",
    ) {
        let header = Header {
            flags,
            sequence,
            first_sample: pulse_first_sample + offset,
            pulse,
            pulse_first_sample,
            pulse_time_ns,
            drive_mpa,
            drive_setting,
            exposure: NonZeroU32::new(exposure),
            samples,
            stage: Some(stage),
            target: Target::new(&target).unwrap(),
        };
        let expected = (vec![DecoderEvent::Frame(arrived(header))], None);
        prop_assert_eq!(decode(&mut started(), &encoded(&header)), expected);
    }
}
