//! Where files are written: names that a page may have, folders made when they are missing, copies of our own.

use crate::complain;
use notefront_takes::mark_files;
use notefront_takes::system_error;
use std::path::{Path, PathBuf};

/// Endings of a page's name; a browser goes by them.
const PAGE_ENDINGS: [&str; 2] = ["html", "htm"];

/// Reads the name of a page. What a page is not must not get its name.
pub fn page_name(text: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    let ending = path.extension().map(|ending| ending.to_string_lossy().to_lowercase());
    match ending {
        Some(ending) if PAGE_ENDINGS.contains(&ending.as_str()) => Ok(path),
        Some(ending) if ending == "pdf" => Err(format!(
            "a page is an HTML file. Name it {}, open it in a browser and print it to a PDF from there",
            path.with_extension("html").display()
        )),
        _ => Err(format!("a page is an HTML file: name it {}", path.with_extension("html").display())),
    }
}

/// Makes a folder and those above it where they are missing; false, and told, where it cannot be.
pub fn make_folder(folder: &Path) -> bool {
    std::fs::create_dir_all(folder)
        .inspect_err(|e| {
            let why = system_error::in_words(e);
            complain(&format!("{}: the folder cannot be made ({why}). Choose another one.", folder.display()));
        })
        .is_ok()
}

/// The takes without marked copies of our own, which are named and left out.
pub fn without_marked_copies(takes: &[PathBuf]) -> Vec<PathBuf> {
    let (copies, takes): (Vec<PathBuf>, Vec<PathBuf>) =
        takes.iter().cloned().partition(|take| mark_files::is_marked_copy(take));
    if !copies.is_empty() {
        let names: Vec<_> = copies.iter().map(|copy| copy.display().to_string()).collect();
        complain(&format!("left out, since marked copies are not marked again: {}", names.join(", ")));
    }
    takes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_is_named_as_what_it_is() {
        for name in ["x.html", "a/b.HTM", "my.take.html"] {
            assert_eq!(page_name(name), Ok(PathBuf::from(name)));
        }
        for name in ["x.pdf", "x", "take.wav", ".html"] {
            assert!(page_name(name).is_err_and(|why| why.contains("HTML")), "{name}");
        }
        assert!(page_name("x.PDF").is_err_and(|why| why.contains("x.html") && why.contains("print")));
    }
}
