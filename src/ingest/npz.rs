//! NumPy's `.npz`: arrays as members of a ZIP archive, by their names.
//!
//! A member that is stored is read in place. A deflated one has no places to seek to: it is inflated
//! as a whole while it is read, up to [`MAX_INFLATED`].

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use zip::result::ZipError;
use zip::{CompressionMethod, ZipArchive};

use super::error::RecordingError;
use super::npy::{self, Array};
use super::sigmf_json::quoted;

/// Largest member that is inflated into memory, bytes.
pub(super) const MAX_INFLATED: u64 = 256 << 20;
/// Most members of an archive.
const MAX_MEMBERS: usize = 10_000;
/// Names listed in a message.
const LISTED: usize = 20;

/// A path and, after a colon, the name of a member: `file.npz:member`.
pub(super) fn split(path: &Path) -> Option<(PathBuf, String)> {
    let text = path.to_str()?;
    let at = text.to_ascii_lowercase().rfind(".npz:")? + 4;
    Some((PathBuf::from(&text[..at]), text[at + 1..].to_owned()))
}

/// Where the numbers of a recording are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Medium {
    /// In the file.
    File,
    /// In a deflated member of that index and size.
    Inflated { index: usize, bytes: u64 },
}

/// A member and the head of its array.
pub(super) struct Member {
    pub(super) name: String,
    pub(super) array: Array,
    pub(super) medium: Medium,
    /// Where the member begins, and how long it is, bytes.
    pub(super) byte: u64,
    pub(super) bytes: u64,
}

/// Opens a member by its name; without one, the only array there is.
pub(super) fn find(path: &Path, name: Option<&str>) -> Result<Member, RecordingError> {
    let mut archive = open(path)?;
    let bad = |fault: String| RecordingError::bad(path, fault);
    let members = archive.len();
    if members > MAX_MEMBERS {
        return Err(bad(format!("holds {members} members, at most {MAX_MEMBERS} are read")));
    }
    let names: Vec<String> = (0..members)
        .map(|index| match archive.name_for_index(index) {
            Some(Ok(name)) => name.into_owned(),
            _ => String::new(),
        })
        .collect();
    let bare = |name: &str| name.strip_suffix(".npy").unwrap_or(name).to_owned();
    let found = match name {
        Some(name) => names.iter().position(|other| other == name || bare(other) == name),
        None if members == 1 => Some(0),
        None => None,
    };
    let Some(index) = found else {
        let mut listed: Vec<String> = names.iter().take(LISTED).map(|name| bare(name)).collect();
        if members > LISTED {
            listed.push("…".to_owned());
        }
        let what = match name {
            Some(name) => format!("holds no array {}", quoted(name)),
            None => format!("holds {members} arrays; name one as {}:NAME", path.display()),
        };
        return Err(bad(format!("{what}; there are: {}", listed.join(", "))));
    };
    let name = bare(&names[index]);
    let about = |fault: String| RecordingError::bad(path, format!("{}: {fault}", quoted(&name)));
    let zip_fault = |error: ZipError| match error {
        ZipError::Io(error) if !damaged(&error) => RecordingError::reading(path, error),
        error => RecordingError::bad(path, format!("{}: {error}", quoted(&name))),
    };
    let raw = archive.by_index_raw(index).map_err(zip_fault)?;
    let (method, bytes, begin) = (raw.compression(), raw.size(), raw.data_start());
    if raw.encrypted() {
        return Err(about("is encrypted, which is not read".to_owned()));
    }
    drop(raw);
    let head = |fault| match fault {
        npy::Fault::Head(fault) => about(fault),
        npy::Fault::Reading(error) if damaged(&error) => about(error.to_string()),
        npy::Fault::Reading(error) => RecordingError::reading(path, error),
    };
    let (array, medium, byte) = if method == CompressionMethod::Stored {
        let byte = begin.ok_or_else(|| about("has no place in the archive".to_owned()))?;
        let mut file = File::open(path).map_err(|error| RecordingError::reading(path, error))?;
        file.seek(SeekFrom::Start(byte)).map_err(|error| RecordingError::reading(path, error))?;
        (npy::read(&mut file.take(bytes)).map_err(head)?, Medium::File, byte)
    } else {
        if bytes > MAX_INFLATED {
            return Err(about(format!(
                "is deflated and {bytes} bytes long, at most {MAX_INFLATED} are inflated; store it \
                 with numpy.savez"
            )));
        }
        let mut member = archive.by_index(index).map_err(zip_fault)?;
        (npy::read(&mut member).map_err(head)?, Medium::Inflated { index, bytes }, 0)
    };
    Ok(Member { name, array, medium, byte, bytes })
}

/// Inflates a member that [`find`] found.
pub(super) fn inflate(path: &Path, index: usize, bytes: u64) -> Result<Vec<u8>, RecordingError> {
    let bad = |fault: &dyn std::fmt::Display| {
        RecordingError::bad(path, format!("its deflated array is damaged: {fault}"))
    };
    let mut archive = open(path)?;
    let member = archive.by_index(index).map_err(|error| bad(&error))?;
    let mut inflated = Vec::with_capacity(usize::try_from(bytes).map_or(0, |bytes| bytes + 1));
    // One byte more than was said tells of a member that is longer; the reader checks its CRC.
    member.take(bytes + 1).read_to_end(&mut inflated).map_err(|error| bad(&error))?;
    if inflated.len() as u64 != bytes {
        return Err(bad(&format!("{} bytes, {bytes} were said", inflated.len())));
    }
    Ok(inflated)
}

fn open(path: &Path) -> Result<ZipArchive<BufReader<File>>, RecordingError> {
    let file = File::open(path).map_err(|error| RecordingError::reading(path, error))?;
    ZipArchive::new(BufReader::new(file)).map_err(|error| match error {
        ZipError::Io(error) if !damaged(&error) => RecordingError::reading(path, error),
        error => RecordingError::bad(path, format!("not a whole ZIP archive: {error}")),
    })
}

/// Whether a failure to read speaks of the content rather than of the system.
fn damaged(error: &std::io::Error) -> bool {
    error.raw_os_error().is_none()
}
