//! Whole files: bounded reading, and sums over their bytes.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::Path;

use sha2::{Digest, Sha256, Sha512};

use super::error::RecordingError;
use super::sigmf;
use super::sigmf_json::quoted;

/// Opens a regular file and tells its length. Others are not opened: a pipe would wait for ever.
pub(super) fn open_file(path: &Path) -> Result<(File, u64), RecordingError> {
    let reading = |error| RecordingError::reading(path, error);
    let found = fs::metadata(path).map_err(reading)?;
    if !found.is_file() {
        let kind = if found.is_dir() { "a folder" } else { "not a regular file" };
        return Err(RecordingError::bad(path, format!("is {kind}, must be a file")));
    }
    let file = File::open(path).map_err(reading)?;
    Ok((file, found.len()))
}

/// A whole file of at most `most` bytes.
pub(super) fn read_bounded(path: &Path, most: u64) -> Result<Vec<u8>, RecordingError> {
    let (file, length) = open_file(path)?;
    if length > most {
        let fault = format!("is {length} bytes long, at most {most} are read");
        return Err(RecordingError::bad(path, fault));
    }
    let mut bytes = Vec::with_capacity(usize::try_from(length).map_or(0, |length| length + 1));
    // One byte more than allowed tells of a file that grew meanwhile.
    file.take(most + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| RecordingError::reading(path, error))?;
    if bytes.len() as u64 > most {
        return Err(RecordingError::bad(
            path,
            format!("grew beyond {most} bytes while it was read"),
        ));
    }
    Ok(bytes)
}

/// Compares `core:sha512` with the data file; `false` when the metadata has none.
///
/// # Errors
/// As for opening; [`RecordingError::Bad`] when the sums differ.
pub fn verify_sha512(meta_path: &Path) -> Result<bool, RecordingError> {
    let meta = sigmf::read(meta_path)?;
    let Some(said) = meta.sha512 else { return Ok(false) };
    let mut sum = Sha512::new();
    feed(&meta.data_path, &mut sum)?;
    let found = hex(&sum.finalize());
    if found == said {
        return Ok(true);
    }
    let fault =
        format!("core:sha512 is {}, {} has {found}", quoted(&said), meta.data_path.display());
    Err(RecordingError::bad(meta_path, fault))
}

/// Feeds a whole file into a sum.
pub(super) fn feed(path: &Path, sum: &mut impl Digest) -> Result<(), RecordingError> {
    let (mut file, _) = open_file(path)?;
    let mut block = vec![0; 256 << 10];
    loop {
        match file.read(&mut block) {
            Ok(0) => return Ok(()),
            Ok(read) => sum.update(&block[..read]),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(RecordingError::reading(path, error)),
        }
    }
}

/// SHA-256 of a file, in hexadecimal digits.
///
/// # Errors
/// When it cannot be read.
pub fn file_sha256(path: &Path) -> Result<String, RecordingError> {
    let mut sum = Sha256::new();
    feed(path, &mut sum)?;
    Ok(hex(&sum.finalize()))
}

/// Lower-case hexadecimal digits.
pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::super::specimen::without;
    use super::*;

    #[test]
    fn a_file_over_the_bound_is_not_read() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x");
        fs::write(&path, "12345").unwrap();
        assert_eq!(read_bounded(&path, 5).unwrap(), b"12345");
        let error = read_bounded(&path, 4).unwrap_err();
        let fault = "x: is 5 bytes long, at most 4 are read";
        assert_eq!(without(&error.to_string(), folder.path()), fault);
    }

    #[cfg(unix)]
    #[test]
    fn a_device_is_not_opened() {
        let error = read_bounded(Path::new("/dev/zero"), 4).unwrap_err();
        assert_eq!(error.to_string(), "/dev/zero: is not a regular file, must be a file");
    }
}
