//! Recordings one after the other as the ordered input stream.
//!
//! Only the samples of pulses are read; between pulses the file is sought through. A frame holds at
//! most one block of one pulse and ends where the device index jumps, so a hole is a jump of
//! [`Frame::offset`].

use std::fs::File;
use std::io::{self, Cursor, Read, Seek, SeekFrom};
use std::sync::Arc;

use super::array::Group;
use super::error::RecordingError;
use super::npz::{self, Medium};
use super::recording::Recording;
use crate::engine::{Frame, Input};

/// Bytes of samples in a frame where nothing else is asked for.
pub const DEFAULT_BLOCK_BYTES: usize = 256 << 10;

/// Reads the pulses of recordings as [`Input`].
pub struct Source {
    recordings: std::vec::IntoIter<Recording>,
    open: Option<Open>,
    block_bytes: usize,
    buffers: Box<dyn FnMut() -> Vec<u8> + Send>,
    over: bool,
}

impl std::fmt::Debug for Source {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("Source").field("over", &self.over).finish_non_exhaustive()
    }
}

/// The recording being read and how far.
struct Open {
    recording: Recording,
    file: Box<dyn Media>,
    /// Pulses of an array on their way out.
    group: Group,
    /// Place of the file's cursor, bytes.
    cursor: u64,
    /// Samples as stored, where they are to be converted.
    stored: Vec<u8>,
    /// Which pulse, and how many of its sample sets are read.
    pulse: usize,
    read: u64,
}

impl Source {
    /// A source over `recordings` in their order, in frames of at most `block_bytes` but at least
    /// one sample set, written into what `buffers` gives.
    ///
    /// # Errors
    /// [`RecordingError::Bad`] when pulse numbers do not rise from one recording to the next.
    pub fn new(
        mut recordings: Vec<Recording>,
        block_bytes: usize,
        buffers: impl FnMut() -> Vec<u8> + Send + 'static,
    ) -> Result<Self, RecordingError> {
        let mut before: Option<(&Recording, u64)> = None;
        for recording in &recordings {
            let (Some(first), Some(last)) = (recording.pulses.first(), recording.pulses.last())
            else {
                continue;
            };
            if let Some((earlier, number)) = before
                && first.tag.number <= number
            {
                let fault = format!(
                    "begins with pulse {}, but {} before it ends with pulse {number}; \
                     numbers must rise: {}",
                    first.tag.number,
                    earlier.path.display(),
                    mended(&recordings)
                );
                return Err(RecordingError::bad(&recording.path, fault));
            }
            before = Some((recording, last.tag.number));
        }
        // How long a stream is stands in the last of its recordings.
        for later in (1..recordings.len()).rev() {
            if recordings[later].continues {
                recordings[later - 1].stream.length = recordings[later].stream.length;
            }
        }
        Ok(Self {
            recordings: recordings.into_iter(),
            open: None,
            block_bytes,
            buffers: Box::new(buffers),
            over: false,
        })
    }

    fn step(&mut self) -> Result<Input, RecordingError> {
        if let Some(open) = &mut self.open
            && open.pulse < open.recording.pulses.len()
        {
            return open.frame(self.block_bytes, (self.buffers)()).map(Input::Frame);
        }
        let Some(recording) = self.recordings.next() else {
            self.over = true;
            return Ok(Input::End);
        };
        let path = &recording.data_path;
        let file: Box<dyn Media> = match recording.medium {
            Medium::File => {
                Box::new(File::open(path).map_err(|error| RecordingError::reading(path, error))?)
            }
            Medium::Inflated { index, bytes } => {
                // What was inflated for the recording before goes first.
                self.open = self.open.take().map(Open::emptied);
                Box::new(Cursor::new(npz::inflate(path, index, bytes)?))
            }
        };
        let stream = recording.stream.clone();
        let goes_on = recording.continues && self.open.is_some();
        self.open = Some(Open {
            recording,
            file,
            group: Group::default(),
            cursor: 0,
            stored: Vec::new(),
            pulse: 0,
            read: 0,
        });
        if goes_on { self.step() } else { Ok(Input::Begin(stream)) }
    }
}

/// How recordings whose numbers do not rise become one session.
fn mended(recordings: &[Recording]) -> String {
    let mut spans: Vec<(u64, u64, &Recording)> = recordings
        .iter()
        .filter_map(|recording| {
            let (first, last) = (recording.pulses.first()?, recording.pulses.last()?);
            Some((first.tag.number, last.tag.number, recording))
        })
        .collect();
    spans.sort_by_key(|(first, ..)| *first);
    if spans.windows(2).all(|pair| pair[0].1 < pair[1].0) {
        let names: Vec<String> =
            spans.iter().map(|(.., recording)| recording.path.display().to_string()).collect();
        return format!("give them in the order {}", names.join(", "));
    }
    "their numbers overlap, give each a cue list (--cues, once for each recording) whose numbers go on"
        .to_owned()
}

impl Iterator for Source {
    type Item = Result<Input, RecordingError>;

    /// The next item: for each recording its head and its frames, at last the end. After an error
    /// nothing follows.
    fn next(&mut self) -> Option<Self::Item> {
        if self.over {
            return None;
        }
        let item = self.step();
        self.over |= item.is_err();
        Some(item)
    }
}

impl Open {
    /// The same without what it holds in memory.
    fn emptied(self) -> Self {
        Self { file: Box::new(Cursor::new(Vec::new())), group: Group::default(), ..self }
    }

    fn frame(&mut self, block_bytes: usize, mut bytes: Vec<u8>) -> Result<Frame, RecordingError> {
        let pulse = &self.recording.pulses[self.pulse];
        let stream = &self.recording.stream;
        let set_bytes = stream.sample_format.bytes() * stream.channels;
        let most = (block_bytes / set_bytes).max(1);
        let left = pulse.stored - self.read;
        let stretch = self.recording.layout.stretch(pulse.start + self.read, left.min(most as u64));
        let samples = usize::try_from(stretch.samples).map_or(most, |samples| samples.min(most));
        let (stored, format) = (self.recording.stored, stream.sample_format);
        bytes.resize(samples * set_bytes, 0);
        let as_is = stored.is(format);
        self.stored.resize(if as_is { 0 } else { samples * stored.bytes() * stream.channels }, 0);
        let into = if as_is { &mut bytes } else { &mut self.stored };
        let first = pulse.start + self.read;
        let read = match &self.recording.grid {
            Some(grid) if !into.is_empty() => {
                grid.read(&mut self.file, &mut self.group, first, into)
            }
            _ => read_at(&mut self.file, &mut self.cursor, stretch.byte, into),
        };
        read.map_err(|error| match error.kind() {
            io::ErrorKind::UnexpectedEof => RecordingError::bad(
                &self.recording.data_path,
                format!("became shorter while it was read, at byte {}", stretch.byte),
            ),
            _ => RecordingError::reading(&self.recording.data_path, error),
        })?;
        if !as_is {
            stored.convert(format, &self.stored, &mut bytes);
        }
        // A pulse whose samples were all lost has an empty frame, and its first index as said.
        let offset = stretch.device.saturating_sub(pulse.tag.first.0);
        let offset = if pulse.stored == 0 { 0 } else { offset };
        self.read += stretch.samples;
        let last = self.read == pulse.stored;
        let tag = Arc::clone(&pulse.tag);
        if last {
            (self.pulse, self.read) = (self.pulse + 1, 0);
        }
        Ok(Frame { tag, offset, bytes, last })
    }
}

/// What samples are read from: a file, or a part of one that was inflated.
trait Media: Read + Seek + Send {}

impl<T: Read + Seek + Send> Media for T {}

fn read_at(
    file: &mut (impl Read + Seek),
    cursor: &mut u64,
    byte: u64,
    into: &mut [u8],
) -> io::Result<()> {
    if into.is_empty() {
        return Ok(());
    }
    if *cursor != byte {
        file.seek(SeekFrom::Start(byte))?;
    }
    file.read_exact(into)?;
    *cursor = byte + into.len() as u64;
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::sync::mpsc::sync_channel;

    use serde_json::json;

    use super::super::specimen::{annotation, expect, frames, meta, pair, without};
    use super::*;
    use crate::signal::SampleFormat;

    fn numbered(folder: &std::path::Path, name: &str, numbers: [u64; 2]) -> Recording {
        let at = folder.join(name);
        fs::create_dir(&at).unwrap();
        let mut meta = meta();
        meta["annotations"] =
            json!([annotation(10, 20, numbers[0]), annotation(40, 20, numbers[1])]);
        let data: Vec<u8> = (0..200).collect();
        let path = pair(&at, &meta, &data);
        Recording::open(&path, &expect(SampleFormat::Ri16Le, 1), None).unwrap()
    }

    #[test]
    fn each_recording_begins_and_the_list_ends_once() {
        let folder = tempfile::tempdir().unwrap();
        let list = vec![numbered(folder.path(), "a", [1, 2]), numbered(folder.path(), "b", [3, 9])];
        let source = Source::new(list, DEFAULT_BLOCK_BYTES, Vec::new).unwrap();
        let seen: Vec<String> = source
            .map(|item| match item.unwrap() {
                Input::Begin(stream) => format!("begin {}", stream.length.unwrap()),
                Input::Frame(frame) => {
                    format!("{} {} {}", frame.tag.number, frame.bytes[0], frame.bytes.len())
                }
                Input::End => "end".to_owned(),
                other => format!("{other:?}"),
            })
            .collect();
        let expected =
            ["begin 100", "1 20 40", "2 80 40", "begin 100", "3 20 40", "9 80 40", "end"];
        assert_eq!(seen, expected);
    }

    #[test]
    fn numbers_that_do_not_rise_between_recordings_name_both() {
        let folder = tempfile::tempdir().unwrap();
        let list = vec![numbered(folder.path(), "a", [1, 5]), numbered(folder.path(), "b", [5, 6])];
        let error = Source::new(list, 64, Vec::new).unwrap_err();
        let parting = std::path::MAIN_SEPARATOR;
        let expected = format!(
            "b{parting}x.sigmf-meta: begins with pulse 5, but a{parting}x.sigmf-meta before it \
             ends with pulse 5; numbers must rise: their numbers overlap, give each a cue list \
             (--cues, once for each recording) whose numbers go on"
        );
        assert_eq!(without(&error.to_string(), folder.path()), expected);
        assert_eq!(error.exit_code(), 65);
    }

    #[test]
    fn a_hole_in_a_pulse_is_a_jump_of_the_offset() {
        let folder = tempfile::tempdir().unwrap();
        let mut meta = meta();
        meta["captures"] = json!([
            {"core:sample_start": 0}, {"core:sample_start": 20, "core:global_index": 1020},
        ]);
        meta["annotations"] = json!([annotation(10, 20, 1)]);
        let path = pair(folder.path(), &meta, &[0; 200]);
        let recording = Recording::open(&path, &expect(SampleFormat::Ri16Le, 1), None).unwrap();
        let seen: Vec<_> = frames(&recording, 12)
            .iter()
            .map(|frame| (frame.offset, frame.bytes.len(), frame.last))
            .collect();
        let expected = [(0, 12, false), (6, 8, false), (1010, 12, false), (1016, 8, true)];
        assert_eq!(seen, expected);
    }

    #[test]
    fn a_block_holds_at_least_one_sample_set() {
        let folder = tempfile::tempdir().unwrap();
        let recording = numbered(folder.path(), "a", [1, 2]);
        let frames = frames(&recording, 1);
        assert_eq!(frames.len(), 40);
        assert!(frames.iter().all(|frame| frame.bytes.len() == 2));
    }

    // Header and samples by hound, an independent writer.
    #[test]
    fn wav_samples_are_converted_the_same_in_blocks_of_any_size() {
        let folder = tempfile::tempdir().unwrap();
        let cues = folder.path().join("cues.csv");
        let head = "start_sample,sample_count,pulse,drive_mpa,stage";
        fs::write(&cues, format!("{head}\n1,4,1,,noise\n7,3,2,,noise\n")).unwrap();
        for (bits, format) in [(8, SampleFormat::Ri8), (24, SampleFormat::Ri32Le)] {
            let path = folder.path().join(format!("{bits}.wav"));
            let spec = hound::WavSpec {
                channels: 2,
                sample_rate: 20_000_000,
                bits_per_sample: bits,
                sample_format: hound::SampleFormat::Int,
            };
            let mut writer = hound::WavWriter::create(&path, spec).unwrap();
            let counts: Vec<i32> = (0..20).map(|at| (at - 10) << (bits - 5)).collect();
            counts.iter().for_each(|count| writer.write_sample(*count).unwrap());
            writer.finalize().unwrap();
            let recording = Recording::open(&path, &expect(format, 2), Some(&cues)).unwrap();
            let as_bytes = |counts: &[i32]| -> Vec<u8> {
                counts
                    .iter()
                    .flat_map(|count| count.to_le_bytes()[..format.bytes()].to_vec())
                    .collect()
            };
            for block_bytes in 1..100 {
                let mut pulses = [Vec::new(), Vec::new()];
                for frame in frames(&recording, block_bytes) {
                    pulses[usize::from(frame.tag.number == 2)].extend(frame.bytes);
                }
                let expected = [as_bytes(&counts[2..10]), as_bytes(&counts[14..20])];
                assert_eq!(pulses, expected, "{bits} bits in blocks of {block_bytes}");
            }
        }
    }

    #[test]
    fn buffers_come_from_the_pool_and_what_they_held_is_gone() {
        let folder = tempfile::tempdir().unwrap();
        let recording = numbered(folder.path(), "a", [1, 2]);
        let (send, pool) = sync_channel::<Vec<u8>>(8);
        send.send(vec![0xee; 999]).unwrap();
        send.send(Vec::with_capacity(7)).unwrap();
        let source =
            Source::new(vec![recording.clone()], 4096, move || pool.try_recv().unwrap()).unwrap();
        let seen: Vec<_> = source
            .filter_map(|item| match item.unwrap() {
                Input::Frame(frame) => Some(frame.bytes),
                _ => None,
            })
            .collect();
        let fresh: Vec<_> = frames(&recording, 4096).into_iter().map(|frame| frame.bytes).collect();
        assert_eq!(seen, fresh);
        assert!(seen[0].capacity() >= 999);
    }

    #[test]
    fn a_file_that_shrinks_while_it_is_read_ends_the_stream_with_an_error() {
        let folder = tempfile::tempdir().unwrap();
        let recording = numbered(folder.path(), "a", [1, 2]);
        fs::write(&recording.data_path, [0; 90]).unwrap();
        let mut source = Source::new(vec![recording], 4096, Vec::new).unwrap();
        let items: Vec<_> = source.by_ref().collect();
        let [Ok(Input::Begin(_)), Ok(Input::Frame(_)), Err(error)] = items.as_slice() else {
            panic!("{items:?}")
        };
        assert!(error.to_string().ends_with("became shorter while it was read, at byte 80"));
        assert!(source.next().is_none());
    }
}
