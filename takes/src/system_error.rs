//! What the system said of a file, in words: no numbers of its own, and no names of temporary files.

use std::io::{self, ErrorKind};

/// Why reading or writing failed, as the end of a sentence: "the disk is full".
#[must_use]
pub fn in_words(error: &io::Error) -> String {
    let known = match error.kind() {
        ErrorKind::NotFound => "it is not there",
        ErrorKind::PermissionDenied => "no permission",
        ErrorKind::ReadOnlyFilesystem => "the disk is read-only",
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => "the disk is full",
        ErrorKind::FileTooLarge => "the file would be too large",
        ErrorKind::NotADirectory => "a file stands where a folder is named",
        ErrorKind::IsADirectory => "a folder has that name",
        ErrorKind::InvalidFilename => "the name is too long",
        ErrorKind::AlreadyExists => "something has that name already",
        ErrorKind::UnexpectedEof => "it ends too soon",
        ErrorKind::TimedOut => "the disk or the network does not answer",
        ErrorKind::StaleNetworkFileHandle | ErrorKind::NetworkDown => "the network was lost",
        ErrorKind::ResourceBusy | ErrorKind::ExecutableFileBusy => "another program is using it",
        ErrorKind::OutOfMemory => "there is not enough memory",
        _ => return plain(&error.to_string()),
    };
    known.to_owned()
}

/// A message without what only its system understands: Rust adds " (os error 5)" to what the system says, and the
/// library of temporary files " at path ..." with a name that is gone by then.
fn plain(said: &str) -> String {
    let before = |text: &str, mark: &str| text.split(mark).next().unwrap_or(text).trim_end().to_owned();
    before(&before(said, " at path \""), " (os error ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_number_and_no_temporary_name_is_told() {
        // Linux numbers of errors: no such file, no space, an input or output error, a loop of links.
        for (number, said) in [(2, "it is not there"), (28, "the disk is full"), (5, "Input/output error")] {
            let system = io::Error::from_raw_os_error(number);
            let of_a_temporary = io::Error::new(system.kind(), format!("{system} at path \"/x/.notefront-a.tmp\""));
            for error in [system, of_a_temporary] {
                if cfg!(target_os = "linux") {
                    assert_eq!(in_words(&error), said, "{number}");
                }
            }
        }
    }

    #[test]
    fn a_library_s_own_words_stay() {
        assert_eq!(in_words(&io::Error::other("the header is damaged")), "the header is damaged");
    }
}
