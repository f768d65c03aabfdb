//! Files written whole or not at all: a temporary file in the same folder, flushed to the disk, then renamed.
//!
//! A crash, a full disk or a pulled plug leaves the old file or the new one, never half of one. Several files
//! that belong together are prepared first and put in place at the end, so that a failure leaves none of them.

use crate::system_error;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use tempfile::{Builder, NamedTempFile};

/// Bytes gathered before they are written.
const BUFFER_LEN: usize = 1 << 16;

/// Why a file was not written.
#[derive(Debug)]
pub struct WriteError {
    /// The file that was to be written.
    pub path: PathBuf,
    /// What the system said.
    pub error: io::Error,
}

impl WriteError {
    fn new(path: &Path, error: io::Error) -> Self {
        Self { path: path.to_owned(), error }
    }

    /// What to do about it, as a sentence.
    #[must_use]
    pub fn remedy(&self) -> &'static str {
        match self.error.kind() {
            io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
                "The folder cannot be written to: choose another one."
            }
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => "The disk is full: free some space.",
            io::ErrorKind::NotFound => "The folder does not exist: make it, or choose another one.",
            io::ErrorKind::NotADirectory => "That is a file: name a folder.",
            io::ErrorKind::IsADirectory => "A folder has that name: move it away, or choose another place.",
            io::ErrorKind::InvalidFilename => "The name is too long for the disk: shorten the take's name.",
            io::ErrorKind::AlreadyExists => "Something has that name already: choose another one.",
            _ => OTHER_REMEDY,
        }
    }
}

/// What to do about what the system does not name.
const OTHER_REMEDY: &str = "Check the disk, or choose another folder.";

impl std::fmt::Display for WriteError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} could not be written", self.path.display())?;
        match self.remedy() {
            // The others say what is wrong by themselves.
            OTHER_REMEDY => write!(f, " ({}). {OTHER_REMEDY}", system_error::in_words(&self.error)),
            remedy => write!(f, ". {remedy}"),
        }
    }
}

impl std::error::Error for WriteError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        Some(&self.error)
    }
}

/// A file that is complete on the disk under a temporary name. Dropped, it is gone.
#[derive(Debug)]
pub struct Prepared {
    path: PathBuf,
    file: NamedTempFile,
}

impl Prepared {
    /// Writes a whole file beside the place it is to take. `write` gets a plain file to write to.
    ///
    /// # Errors
    /// Those of the system and of `write`; nothing is left behind then.
    pub fn from_file(path: &Path, write: impl FnOnce(&mut File) -> io::Result<()>) -> Result<Self, WriteError> {
        Self::try_from_file(path, write).map_err(|e| WriteError::new(path, e))
    }

    /// Like [`Prepared::from_file`], with a buffer for many small writes.
    ///
    /// # Errors
    /// Those of [`Prepared::from_file`].
    pub fn buffered(path: &Path, write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<Self, WriteError> {
        Self::from_file(path, |file| {
            let mut buffer = BufWriter::with_capacity(BUFFER_LEN, file);
            write(&mut buffer)?;
            buffer.flush()
        })
    }

    fn try_from_file(path: &Path, write: impl FnOnce(&mut File) -> io::Result<()>) -> io::Result<Self> {
        let mut file = temporary_beside(path)?;
        write(file.as_file_mut())?;
        file.as_file().sync_all()?;
        Ok(Self { path: path.to_owned(), file })
    }

    /// A folder of that name would make the last step fail.
    fn check_place(&self) -> Result<(), WriteError> {
        if self.path.is_dir() { Err(WriteError::new(&self.path, io::ErrorKind::IsADirectory.into())) } else { Ok(()) }
    }

    /// Puts the file in its place unless something of that name is there by now.
    ///
    /// # Errors
    /// [`io::ErrorKind::AlreadyExists`], or those of the system; what was there is still there.
    pub fn put_in_free_place(self) -> Result<PathBuf, WriteError> {
        self.file.persist_noclobber(&self.path).map_err(|e| WriteError::new(&self.path, e.error))?;
        Ok(self.path)
    }

    /// Puts the file in its place. A file of that name is replaced.
    ///
    /// # Errors
    /// Those of the system; the old file is then still there.
    pub fn put_in_place(self) -> Result<PathBuf, WriteError> {
        self.check_place()?;
        self.file.persist(&self.path).map_err(|e| WriteError::new(&self.path, e.error))?;
        Ok(self.path)
    }
}

/// Puts files in place that belong together, and returns their paths.
///
/// # Errors
/// Those of [`Prepared::put_in_place`]. What can be known beforehand is checked before the first is put in
/// place; should the system fail in between, the ones after that are not.
pub fn put_all_in_place(files: Vec<Prepared>) -> Result<Vec<PathBuf>, WriteError> {
    files.iter().try_for_each(Prepared::check_place)?;
    files.into_iter().map(Prepared::put_in_place).collect()
}

/// A temporary file that others may read as any file of the player's, once it has its name.
fn temporary_beside(path: &Path) -> io::Result<NamedTempFile> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let mut builder = Builder::new();
    builder.prefix(".notefront-").suffix(".tmp");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // The system takes its umask off, as for every new file.
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names_in(folder: &Path) -> Vec<String> {
        let entries = std::fs::read_dir(folder).expect("a folder");
        entries.map(|e| e.expect("an entry").file_name().to_string_lossy().into_owned()).collect()
    }

    #[test]
    fn a_file_appears_only_when_put_in_place() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("prise n\u{b0} 1 \"d\u{e9}but\".csv");
        let prepared = Prepared::buffered(&path, |out| out.write_all(b"a,b\r\n")).expect("room");
        assert!(!path.exists());
        prepared.put_in_place().expect("a free name");
        assert_eq!(std::fs::read(&path).expect("just written"), b"a,b\r\n");
    }

    #[test]
    fn a_failure_leaves_the_old_file_and_nothing_else() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("marks.mid");
        std::fs::write(&path, "old").expect("room");
        let failed = Prepared::buffered(&path, |out| {
            out.write_all(b"half")?;
            Err(io::ErrorKind::StorageFull.into())
        });
        assert!(failed.expect_err("the disk is full").to_string().contains("free some space"));
        assert_eq!(std::fs::read_to_string(&path).expect("still there"), "old");
        assert_eq!(names_in(folder.path()), ["marks.mid"]);
    }

    #[test]
    fn a_free_place_is_one_that_is_still_free() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("page.html");
        let prepared = || Prepared::buffered(&path, |out| out.write_all(b"page")).expect("room");
        prepared().put_in_free_place().expect("a free name");
        std::fs::write(&path, "with notes").expect("room");
        let refused = prepared().put_in_free_place().expect_err("taken by now");
        assert_eq!(refused.error.kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read_to_string(&path).expect("still there"), "with notes");
        assert_eq!(names_in(folder.path()), ["page.html"]);
    }

    #[test]
    fn files_that_are_not_put_in_place_vanish() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        drop(Prepared::buffered(&folder.path().join("a"), |out| out.write_all(b"x")).expect("room"));
        assert!(names_in(folder.path()).is_empty());
    }

    #[test]
    fn a_folder_in_the_way_is_told() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("marks.mid");
        std::fs::create_dir(&path).expect("a folder");
        let prepared = Prepared::buffered(&path, |_| Ok(())).expect("room");
        assert!(prepared.put_in_place().expect_err("in the way").to_string().contains("move it away"));
        assert_eq!(names_in(folder.path()), ["marks.mid"]);
    }

    #[test]
    fn a_missing_folder_is_told() {
        let failed = Prepared::buffered(Path::new("no such folder/marks.mid"), |_| Ok(())).expect_err("no folder");
        assert!(failed.to_string().contains("does not exist"), "{failed}");
    }

    #[cfg(unix)]
    #[test]
    fn others_may_read_it_as_any_new_file() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().expect("a temporary folder");
        let usual = folder.path().join("usual");
        std::fs::write(&usual, "").expect("room");
        let ours = Prepared::buffered(&folder.path().join("ours"), |_| Ok(())).expect("room").put_in_place();
        let mode = |path: &Path| std::fs::metadata(path).expect("a file").permissions().mode();
        assert_eq!(mode(&ours.expect("a free name")), mode(&usual));
    }
}
