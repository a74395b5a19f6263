//! What the files of a recording say of themselves, and how that is held against a configuration.

use std::ffi::OsString;
use std::io::{Read, Seek};
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::array::{Grid, listed};
use super::bytes::open_file;
use super::cues::{self, Kept};
use super::error::RecordingError;
use super::layout::Layout;
use super::npy::{self, Array};
use super::npz::{self, Medium};
use super::pulses::{Pulse, lay_out};
use super::recording::{Container, Expect};
use super::sigmf::{self, Meta};
use super::sigmf_json::{List, Numbers, quoted};
use super::spots::{self, Hints, Spot};
use super::stored::{Number, Stored};
use super::wav;
use crate::signal::{Axis, SampleFormat};

/// Numbers that differ by less than this share are the same: writers print 15 digits or more.
const SAME_SHARE: f64 = 1e-9;

/// What the files of a recording say.
pub(super) struct Facts {
    pub(super) container: Container,
    /// Where messages about its head point.
    pub(super) head_path: PathBuf,
    pub(super) data_path: PathBuf,
    pub(super) meta_path: Option<PathBuf>,
    pub(super) meta: Option<Meta>,
    /// How its samples are kept; `None` when only the configuration says.
    pub(super) stored: Option<Stored>,
    pub(super) channels: Option<usize>,
    pub(super) sample_rate_hz: Option<f64>,
    pub(super) data_byte: u64,
    pub(super) data_bytes: u64,
    /// The array of a NumPy file and, once its axes are known, where its numbers lie.
    pub(super) array: Option<Array>,
    pub(super) grid: Option<Grid>,
    pub(super) medium: Medium,
    pub(super) warnings: Vec<String>,
    /// What is taken for granted without anybody having said it.
    pub(super) assumed: Vec<String>,
}

impl Facts {
    pub(super) fn read(path: &Path) -> Result<Self, RecordingError> {
        match meta_path(path)? {
            Some(meta_path) => Self::read_sigmf(meta_path),
            None => match npz::split(path).filter(|_| !path.exists()) {
                Some((archive, member)) => Self::read_archive(&archive, Some(&member)),
                None => Self::read_single(path),
            },
        }
    }

    fn read_sigmf(meta_path: PathBuf) -> Result<Self, RecordingError> {
        let note = |beside: &Path| format!(" beside {}", beside.display());
        if !meta_path.exists() {
            let note = note(&meta_path.with_extension("sigmf-data"));
            return Err(RecordingError::NotFound { path: meta_path, note });
        }
        let meta = sigmf::read(&meta_path)?;
        let data_path = meta.data_path.clone();
        if !data_path.exists() {
            return Err(RecordingError::NotFound { path: data_path, note: note(&meta_path) });
        }
        let (_, data_bytes) = open_file(&data_path)?;
        Ok(Self {
            container: Container::SigMf,
            head_path: meta_path.clone(),
            data_path,
            stored: Some(Stored::of(meta.sample_format)),
            channels: Some(meta.channels.unwrap_or(1)),
            sample_rate_hz: meta.sample_rate_hz,
            meta_path: Some(meta_path),
            meta: Some(meta),
            data_byte: 0,
            data_bytes,
            array: None,
            grid: None,
            medium: Medium::File,
            warnings: Vec::new(),
            assumed: Vec::new(),
        })
    }

    fn read_single(path: &Path) -> Result<Self, RecordingError> {
        let (mut file, data_bytes) = open_file(path)?;
        let mut facts = Self::bare(path, data_bytes);
        let mut begin = Vec::new();
        let reading = |error| RecordingError::reading(path, error);
        Read::by_ref(&mut file).take(16).read_to_end(&mut begin).map_err(reading)?;
        let named = |names: &[&str]| extension(path).is_some_and(|name| names.contains(&&*name));
        if wav::begins(&begin) || named(&["wav", "wave"]) {
            let header = wav::read(path, &mut file, data_bytes)?;
            facts.container = Container::Wav;
            facts.stored = Some(header.stored);
            facts.channels = Some(usize::from(header.channels));
            facts.sample_rate_hz = Some(f64::from(header.sample_rate_hz));
            (facts.data_byte, facts.data_bytes) = (header.data_byte, header.data_bytes);
            facts.warnings = header.warnings;
        } else if begin.starts_with(npy::MAGIC) || named(&["npy"]) {
            file.rewind().map_err(reading)?;
            let array = npy::read(&mut file).map_err(|fault| match fault {
                npy::Fault::Head(fault) => RecordingError::bad(path, fault),
                npy::Fault::Reading(error) => RecordingError::reading(path, error),
            })?;
            facts.take_array(array, 0, data_bytes)?;
        } else if named(&["npz"]) {
            return Self::read_archive(path, None);
        } else if let Some(kind) = foreign_kind(&begin) {
            let help = match kind.contains("HDF5") || kind.contains("MATLAB") {
                true => "simmer import makes SigMF of it",
                false => "SigMF, WAV, NumPy and raw samples are",
            };
            let fault = format!("is a {kind}, which is not read; {help}");
            return Err(RecordingError::bad(path, fault));
        }
        Ok(facts)
    }

    /// A member of a NumPy archive.
    fn read_archive(path: &Path, member: Option<&str>) -> Result<Self, RecordingError> {
        let (_, file_bytes) = open_file(path)?;
        let found = npz::find(path, member)?;
        let mut facts = Self::bare(path, file_bytes);
        facts.medium = found.medium;
        if member.is_none() {
            facts.assumed.push(format!("the array is {}, the only one", quoted(&found.name)));
        }
        facts.take_array(found.array, found.byte, found.bytes)?;
        Ok(facts)
    }

    /// Takes the array that begins with its head at a byte of a file or member of so many bytes.
    fn take_array(&mut self, array: Array, byte: u64, bytes: u64) -> Result<(), RecordingError> {
        let held = bytes.saturating_sub(array.head_bytes);
        let (shape, name, wanted) = (array.shape_text(), &array.name, array.data_bytes);
        if wanted > held {
            let fault =
                format!("array of {shape} {name} is {wanted} bytes long, only {held} are there");
            return Err(RecordingError::bad(&self.data_path, fault));
        }
        if wanted < held {
            let over = held - wanted;
            self.warnings.push(format!("{over} bytes after the array are not read"));
        }
        if matches!(array.stored.number, Number::I64 | Number::U64) {
            self.warnings.push(format!("{name} is read as rf64_le, exact up to 2^53"));
        }
        self.container = Container::Array;
        self.stored = Some(array.stored);
        (self.data_byte, self.data_bytes) = (byte + array.head_bytes, wanted);
        self.array = Some(array);
        Ok(())
    }

    /// Finds the axes of an array, by what the configuration says or by rule.
    pub(super) fn lay_axes(
        &mut self,
        said: Option<&[Axis]>,
        channels: Option<usize>,
    ) -> Result<(), RecordingError> {
        let Some(array) = &self.array else { return Ok(()) };
        let grid = Grid::new(array, self.data_byte, said, channels)
            .map_err(|fault| RecordingError::bad(&self.data_path, fault))?;
        if said.is_none() && array.shape.len() > 1 {
            self.assumed.push(format!(
                "array of shape {} is {}; recordings.array_axes says otherwise",
                array.shape_text(),
                listed(&grid.axes)
            ));
        }
        self.channels = Some(usize::try_from(grid.channels).unwrap_or(usize::MAX));
        self.grid = Some(grid);
        Ok(())
    }

    /// The facts of plain numbers that begin at a byte of the file `kept`.
    pub(super) fn of_array(
        path: &Path,
        kept: &Path,
        byte: u64,
        array: Array,
    ) -> Result<Self, RecordingError> {
        let bytes = array.head_bytes + array.data_bytes;
        let mut facts = Self { data_path: kept.to_owned(), ..Self::bare(path, 0) };
        facts.take_array(array, byte, bytes)?;
        facts.warnings.clear();
        Ok(facts)
    }

    fn bare(path: &Path, data_bytes: u64) -> Self {
        Self {
            container: Container::Raw,
            head_path: path.to_owned(),
            data_path: path.to_owned(),
            meta_path: None,
            meta: None,
            stored: None,
            channels: None,
            sample_rate_hz: None,
            data_byte: 0,
            data_bytes,
            array: None,
            grid: None,
            medium: Medium::File,
            warnings: Vec::new(),
            assumed: Vec::new(),
        }
    }

    /// Collects every difference from the configuration into one fault.
    pub(super) fn compare(&self, expect: &Expect) -> Result<(), RecordingError> {
        let mut faults = Vec::new();
        let mut differ = |what: &str, here: String, key: &str, there: String| {
            let source = &expect.source;
            faults.push(format!("{what} is {here}, {source}: receive.{key} is {there}"));
        };
        let sigmf = self.container == Container::SigMf;
        let whose = if self.array.is_some() { "the array's" } else { "the WAV header's" };
        let name = |key: &'static str, what: &str| match sigmf {
            true => key.to_owned(),
            false => format!("{whose} {what}"),
        };
        let wanted = expect.sample_format;
        let differs = |here: &Stored| if sigmf { !here.is(wanted) } else { !here.fits(wanted) };
        if let Some(here) =
            self.sample_format().filter(|_| self.stored.is_some_and(|s| differs(&s)))
        {
            let what = name("core:datatype", "sample format");
            differ(&what, here.name().into(), "sample_format", expect.sample_format.name().into());
        }
        if let Some(here) = self.channels.filter(|here| *here != expect.channels) {
            let what = name("core:num_channels", "number of channels");
            let absent = self.meta.as_ref().is_some_and(|meta| meta.channels.is_none());
            let here = if absent { "absent, which means 1".to_owned() } else { here.to_string() };
            differ(&what, here, "channels", expect.channels.to_string());
        }
        if let Some(here) = self.sample_rate_hz {
            let there = expect.sample_rate_hz;
            // A WAV header has whole hertz only.
            let same = same(here, there) || (!sigmf && (here - there).abs() <= 0.5);
            if !same {
                let what = name("core:sample_rate", "sample rate");
                let hint = factor(here, there);
                differ(&what, here.to_string(), "sample_rate_hz", there.to_string() + hint);
            }
        }
        let volts = self.meta.as_ref().and_then(|meta| meta.volts_per_count.as_ref());
        if let Some(here) = volts {
            let there = &expect.volts_per_count;
            let same = match here {
                Numbers::One(here) => there.iter().all(|there| same(*here, *there)),
                Numbers::Each(here) => {
                    here.len() == there.len()
                        && here.iter().zip(there).all(|(here, there)| same(*here, *there))
                }
            };
            if !same {
                let here = match here {
                    Numbers::One(here) => shown(&[*here]),
                    Numbers::Each(here) => shown(here),
                };
                differ("simmer:volts_per_count", here, "volts_per_count", shown(there));
            }
        }
        if faults.is_empty() {
            return Ok(());
        }
        Err(RecordingError::bad(&self.head_path, faults.join("; ")))
    }

    /// How its samples reach the analysis, where the file says.
    pub(super) fn sample_format(&self) -> Option<SampleFormat> {
        let said = self.meta.as_ref().map(|meta| meta.sample_format);
        said.or_else(|| self.stored.map(Stored::sample_format))
    }

    pub(super) fn each_volts_per_count(&self) -> Option<Vec<f64>> {
        match self.meta.as_ref()?.volts_per_count.as_ref()? {
            Numbers::One(volts) => Some(vec![*volts; self.channels?]),
            Numbers::Each(volts) => Some(volts.clone()),
        }
    }

    pub(super) fn layout(
        &self,
        format: SampleFormat,
        channels: usize,
        period: f64,
        warnings: &mut Vec<String>,
    ) -> Result<Layout, RecordingError> {
        let stored = self.stored.unwrap_or(Stored::of(format));
        let set_bytes = stored.bytes() as u64 * channels as u64;
        if let Some(meta) = &self.meta {
            let layout = meta.layout(self.data_bytes, set_bytes, warnings);
            return layout.map_err(|fault| RecordingError::bad(&self.head_path, fault));
        }
        if let Some(grid) = &self.grid {
            return Ok(grid.layout(period));
        }
        let over = self.data_bytes % set_bytes;
        if over != 0 {
            warnings.push(format!(
                "the data ends with {over} bytes of a sample set of {set_bytes}, left out"
            ));
        }
        Ok(Layout::one(self.data_byte, 0, self.data_bytes / set_bytes, set_bytes))
    }

    /// The pulses: at spots that were found, by the cue list, or by the annotations, which are used
    /// up; and what the list has beside them.
    pub(super) fn pulses(
        &mut self,
        layout: &Layout,
        spots: Option<&[Spot]>,
        hints: &Hints<'_>,
        warnings: &mut Vec<String>,
    ) -> Result<(Vec<Pulse>, Kept), RecordingError> {
        let list = hints.cues.map(cues::read).transpose()?;
        let path = hints.cues.unwrap_or(&self.head_path);
        let bad = |fault| RecordingError::bad(path, fault);
        let kept = list.as_ref().map(|list| list.kept.clone()).unwrap_or_default();
        if let Some(spots) = spots {
            let candidates = spots::named(spots, list, hints).map_err(bad)?;
            return Ok((lay_out(candidates, layout, 0, warnings).map_err(bad)?, kept));
        }
        if let Some(list) = list {
            if !list.placed {
                return Err(bad(
                    "line 1: missing columns: start_sample, sample_count; they may be \
                     left out only where rows of an array or [recordings] say where pulses lie"
                        .to_owned(),
                ));
            }
            return Ok((lay_out(list.candidates, layout, 0, warnings).map_err(bad)?, kept));
        }
        let Some(meta) = &mut self.meta else { return Ok((Vec::new(), kept)) };
        let List { items, fault } = std::mem::take(&mut meta.pulses);
        fault.map_or(Ok(()), |fault| Err(bad(fault)))?;
        Ok((lay_out(items, layout, meta.offset, warnings).map_err(bad)?, kept))
    }

    pub(super) fn start(&self, sample_rate_hz: f64) -> Result<Option<Timestamp>, RecordingError> {
        let Some(meta) = &self.meta else { return Ok(None) };
        meta.start(sample_rate_hz).map_err(|fault| RecordingError::bad(&self.head_path, fault))
    }
}

/// What a rate that is off by a power of a thousand means.
fn factor(here: f64, there: f64) -> &'static str {
    let ratio = (here / there).max(there / here);
    if [1e3, 1e6].iter().any(|power| same(ratio, *power)) {
        "; one of them is not in hertz"
    } else {
        ""
    }
}

fn same(here: f64, there: f64) -> bool {
    (here - there).abs() <= SAME_SHARE * here.abs().max(there.abs())
}

/// Numbers as messages show them, not more than fit a line.
fn shown(numbers: &[f64]) -> String {
    match numbers {
        [one] => format!("{one:e}"),
        [first, .., last] if numbers.len() > 8 => {
            format!("[{first:e}, …, {last:e}] ({} numbers)", numbers.len())
        }
        _ => {
            let each: Vec<_> = numbers.iter().map(|number| format!("{number:e}")).collect();
            format!("[{}]", each.join(", "))
        }
    }
}

fn extension(path: &Path) -> Option<String> {
    Some(path.extension()?.to_str()?.to_ascii_lowercase())
}

/// The metadata file a path stands for; `None` when it is a file of another kind.
fn meta_path(path: &Path) -> Result<Option<PathBuf>, RecordingError> {
    let fault = match extension(path).as_deref() {
        Some("sigmf-meta") => return Ok(Some(path.to_owned())),
        Some("sigmf-data") => return Ok(Some(path.with_extension("sigmf-meta"))),
        Some("sigmf") => "is a SigMF archive, which is not read; unpack it first",
        Some("sigmf-collection") => "is a SigMF collection, which is not read; name its recordings",
        _ => "",
    };
    if !fault.is_empty() && path.exists() {
        return Err(RecordingError::bad(path, fault));
    }
    if path.is_file() {
        return Ok(None);
    }
    let with = |ending: &str| {
        let mut name: OsString = path.as_os_str().to_owned();
        name.push(ending);
        PathBuf::from(name)
    };
    let meta = with(".sigmf-meta");
    Ok((meta.exists() || with(".sigmf-data").exists()).then_some(meta))
}

/// Formats that would be nonsense if taken for headerless samples, by their first bytes.
fn foreign_kind(begin: &[u8]) -> Option<&'static str> {
    let kinds: [(&[u8], &str); 5] = [
        (b"\x89HDF\r\n\x1a\n", "HDF5 file"),
        (b"MATLAB 5.0", "MATLAB file"),
        (b"MATLAB 7.3", "MATLAB file"),
        (b"PK\x03\x04", "ZIP file"),
        (b"\x1f\x8b\x08", "gzip file"),
    ];
    kinds.into_iter().find(|(magic, _)| begin.starts_with(magic)).map(|(_, kind)| kind)
}

#[cfg(test)]
mod tests {
    use std::fs;

    use serde_json::{Value, json};

    use super::super::specimen::{annotation, expect, meta, open_meta, pair, without};
    use super::super::{Recording, WavWriter};
    use super::*;

    #[track_caller]
    fn check_differs(key: &str, value: Value, fault: &str) {
        let mut meta = meta();
        meta["global"][key] = value;
        assert_eq!(open_meta(&meta).unwrap_err(), format!("x.sigmf-meta: {fault}"));
    }

    #[test]
    fn a_difference_names_both_places_and_both_values() {
        check_differs(
            "core:sample_rate",
            json!(25e6),
            "core:sample_rate is 25000000, bench.toml: receive.sample_rate_hz is 20000000",
        );
        check_differs(
            "core:num_channels",
            json!(2),
            "core:num_channels is 2, bench.toml: receive.channels is 1",
        );
        check_differs(
            "core:datatype",
            json!("ri8"),
            "core:datatype is ri8, bench.toml: receive.sample_format is ri16_le",
        );
        let there = "bench.toml: receive.volts_per_count is 6.103515625e-5";
        check_differs(
            "simmer:volts_per_count",
            json!(1e-4),
            &format!("simmer:volts_per_count is 1e-4, {there}"),
        );
        check_differs(
            "simmer:volts_per_count",
            json!([6.103515625e-5, 6.103515625e-5]),
            &format!("simmer:volts_per_count is [6.103515625e-5, 6.103515625e-5], {there}"),
        );
    }

    #[test]
    fn all_differences_are_told_at_once() {
        let mut meta = meta();
        meta["global"]["core:num_channels"] = json!(3);
        meta["global"]["core:sample_rate"] = json!(1e6);
        let message = open_meta(&meta).unwrap_err();
        assert!(message.contains("receive.channels") && message.contains("receive.sample_rate_hz"));
    }

    #[test]
    fn an_absent_number_of_channels_means_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = pair(folder.path(), &meta(), &[0; 200]);
        let error = Recording::open(&path, &expect(SampleFormat::Ri16Le, 2), None).unwrap_err();
        let fault = "core:num_channels is absent, which means 1, bench.toml: receive.channels is 2";
        assert!(error.to_string().ends_with(fault), "{error}");
        assert_eq!(error.exit_code(), 65);
    }

    #[test]
    fn one_number_or_one_a_channel_may_say_the_volts_per_count() {
        for same in [json!(6.103515625e-5), json!([6.10351562500001e-5])] {
            let mut meta = meta();
            meta["global"]["simmer:volts_per_count"] = same;
            open_meta(&meta).unwrap();
        }
    }

    #[test]
    fn a_wav_header_is_held_against_the_configuration_too() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.wav");
        let mut writer = WavWriter::create(&path, 2, 10_000_000).unwrap();
        writer.counts(&[1, 2, 3, 4]).unwrap();
        writer.finish().unwrap();
        let error = Recording::open(&path, &expect(SampleFormat::Rf32Le, 1), None).unwrap_err();
        let expected = "x.wav: the WAV header's sample format is ri16_le, bench.toml: \
            receive.sample_format is rf32_le; the WAV header's number of channels is 2, \
            bench.toml: receive.channels is 1; the WAV header's sample rate is 10000000, \
            bench.toml: receive.sample_rate_hz is 20000000";
        assert_eq!(without(&error.to_string(), folder.path()), expected);
    }

    #[test]
    fn a_pair_is_found_by_either_file_or_their_base() {
        let folder = tempfile::tempdir().unwrap();
        let mut meta = meta();
        meta["annotations"] = json!([annotation(0, 10, 1)]);
        pair(folder.path(), &meta, &[0; 200]);
        for name in ["x", "x.sigmf-meta", "x.sigmf-data"] {
            let path = folder.path().join(name);
            let recording = Recording::open(&path, &expect(SampleFormat::Ri16Le, 1), None).unwrap();
            assert_eq!(recording.pulses.len(), 1, "{name}");
            assert_eq!(recording.path, path);
        }
    }

    #[track_caller]
    fn check_fault(folder: &Path, name: &str, code: u8, fault: &str) {
        let expect = expect(SampleFormat::Ri16Le, 1);
        let error = Recording::open(&folder.join(name), &expect, None).unwrap_err();
        assert_eq!(without(&error.to_string(), folder), fault);
        assert_eq!(error.exit_code(), code);
    }

    #[test]
    fn what_is_missing_is_named_with_its_other_half() {
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        check_fault(at, "x", 66, "x: not found");
        check_fault(at, "x.wav", 66, "x.wav: not found");
        check_fault(at, "x.sigmf-meta", 66, "x.sigmf-meta: not found beside x.sigmf-data");
        fs::write(at.join("x.sigmf-data"), [0; 4]).unwrap();
        check_fault(at, "x", 66, "x.sigmf-meta: not found beside x.sigmf-data");
        fs::write(at.join("y.sigmf-meta"), meta().to_string()).unwrap();
        check_fault(at, "y", 66, "y.sigmf-data: not found beside y.sigmf-meta");
    }

    #[test]
    fn other_kinds_of_files_are_refused_by_name() {
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        let import = "simmer import makes SigMF of it";
        for (begin, kind, help) in [
            (b"\x89HDF\r\n\x1a\n".as_slice(), "HDF5 file", import),
            (b"MATLAB 5.0 MAT-file", "MATLAB file", import),
            (b"PK\x03\x04", "ZIP file", "SigMF, WAV, NumPy and raw samples are"),
        ] {
            fs::write(at.join("x.bin"), begin).unwrap();
            let fault = format!("x.bin: is a {kind}, which is not read; {help}");
            check_fault(at, "x.bin", 65, &fault);
        }
        fs::write(at.join("x.wav"), "time,volts\n0,1\n").unwrap();
        let text = "x.wav: not a WAV file: begins with \"time\", not \"RIFF\"";
        check_fault(at, "x.wav", 65, text);
        fs::write(at.join("x.sigmf"), "tar").unwrap();
        let archive = "x.sigmf: is a SigMF archive, which is not read; unpack it first";
        check_fault(at, "x.sigmf", 65, archive);
        fs::create_dir(at.join("folder")).unwrap();
        check_fault(at, "folder", 65, "folder: is a folder, must be a file");
        fs::write(at.join("empty.raw"), "").unwrap();
        check_fault(at, "empty.raw", 65, "empty.raw: holds no samples");
    }

    #[test]
    fn a_wav_file_with_another_ending_is_read_as_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.dat");
        let mut writer = WavWriter::create(&path, 1, 20_000_000).unwrap();
        writer.counts(&[1, 2, 3]).unwrap();
        writer.finish().unwrap();
        assert_eq!(Recording::look(&path).unwrap().container, Container::Wav);
    }

    #[test]
    fn part_of_a_last_sample_set_is_left_out_with_a_warning() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.raw");
        fs::write(&path, [0; 11]).unwrap();
        let recording = Recording::open(&path, &expect(SampleFormat::Ri16Le, 2), None).unwrap();
        assert_eq!(recording.stream.length, Some(2));
        let warning = "the data ends with 3 bytes of a sample set of 4, left out";
        assert_eq!(recording.warnings[0], warning);
    }
}
