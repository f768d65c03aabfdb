//! `notefront report` and `notefront compare` on what goes wrong: names, places, disks, takes without entrances.

mod common;

use common::{Takes, document, notefront, stderr, stdout};
use notefront_takes::report as page;
use std::fs;
use std::path::Path;
use std::process::Output;

fn text(path: &Path) -> &str {
    path.to_str().expect("temporary folders have plain names")
}

fn report(take: &Path, page: &Path, more: &[&str]) -> Output {
    notefront(&[&["report", text(take), "-o", text(page)], more].concat())
}

#[test]
fn names_with_spaces_accents_quotes_and_marks_of_html_come_through() {
    let takes = Takes::new();
    let take = takes.good("pri\u{e8}re \"n\u{b0} 1\" <b>&amp; l'\u{e9}t\u{e9}.wav");
    let page = takes.path("page \u{fc}ber 'alles' & \"mehr\".html");
    let output = report(&take, &page, &[]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let html = fs::read_to_string(page).expect("the page");
    assert!(html.contains("pri\u{e8}re &quot;n\u{b0} 1&quot; &lt;b&gt;&amp;amp; l'\u{e9}t\u{e9}.wav"));
    assert!(!html.contains("<b>&amp; l'"), "a name is never markup");
}

#[test]
fn a_page_is_not_replaced_unasked_and_a_take_not_even_then() {
    let takes = Takes::new();
    let (take, page) = (takes.good("a.wav"), takes.path("a.html"));
    assert_eq!(report(&take, &page, &[]).status.code(), Some(0));
    fs::write(&page, "<!doctype html>\n with notes").expect("room");
    let refused = report(&take, &page, &[]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(stderr(&refused).contains("perhaps with notes in it"), "{}", stderr(&refused));
    assert_eq!(fs::read_to_string(&page).expect("still there"), "<!doctype html>\n with notes");
    assert_eq!(report(&take, &page, &["--force"]).status.code(), Some(0));
    assert!(fs::read_to_string(&page).expect("replaced").contains("</html>"));

    // A take by a page's name.
    let disguised = takes.path("take.html");
    fs::copy(&take, &disguised).expect("room");
    let refused = report(&take, &disguised, &["--force"]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(stderr(&refused).contains("is not a page"), "{}", stderr(&refused));
    assert_eq!(fs::read(&take).expect("the take"), fs::read(&disguised).expect("still there"));
}

#[test]
fn a_page_gets_no_name_of_something_else() {
    let takes = Takes::new();
    let take = takes.good("a.wav");
    for name in ["x.pdf", "a.wav", "page"] {
        let refused = report(&take, &takes.path(name), &["--force"]);
        assert_eq!(refused.status.code(), Some(2), "{name}");
        assert!(stderr(&refused).contains(".html"), "{}", stderr(&refused));
        assert!(name == "a.wav" || !takes.path(name).exists());
    }
}

#[test]
fn a_folder_that_is_missing_or_a_file_is_told_and_nothing_is_left() {
    let takes = Takes::new();
    let take = takes.good("a.wav");
    let missing = report(&take, &takes.path("no such folder/page.html"), &[]);
    assert_eq!(missing.status.code(), Some(1));
    assert!(stderr(&missing).contains("does not exist"), "{}", stderr(&missing));
    let in_a_file = report(&take, &take.join("page.html"), &[]);
    assert_eq!(in_a_file.status.code(), Some(1));
    fs::create_dir(takes.path("folder.html")).expect("room");
    let folder = report(&take, &takes.path("folder.html"), &["--force"]);
    assert_eq!(folder.status.code(), Some(1));
    for output in [missing, in_a_file, folder] {
        assert!(
            !stderr(&output).contains("os error") && !stderr(&output).contains(".notefront-"),
            "{}",
            stderr(&output)
        );
    }
    let left = fs::read_dir(take.parent().expect("a folder")).expect("a folder").count();
    assert_eq!(left, 2, "the take and the folder alone");
}

/// Full disk: a file system of 1 MiB, where the tests may mount one (NOTEFRONT_SMALL_DISK names a folder on it).
#[test]
fn a_full_disk_leaves_no_half_page() {
    let Some(disk) = std::env::var_os("NOTEFRONT_SMALL_DISK") else {
        notefront_tests::skipped::say("NOTEFRONT_SMALL_DISK names no folder on a full disk");
        return;
    };
    let num_files = || fs::read_dir(&disk).expect("a folder").count();
    let before = num_files();
    let html = "<!DOCTYPE html>".repeat(1 << 18);
    let refused = page::write(&Path::new(&disk).join("page.html"), &html, false).expect_err("4 MB on a disk of one");
    assert!(refused.to_string().contains("disk is full"), "{refused}");
    assert_eq!(num_files(), before);
}

/// The super-user may write to closed folders; NOTEFRONT_READ_ONLY can name one on a read-only file system.
#[cfg(unix)]
#[test]
fn a_read_only_folder_is_refused_with_a_remedy() {
    use std::os::unix::fs::PermissionsExt;
    let takes = Takes::new();
    let take = takes.good("a.wav");
    let named = std::env::var_os("NOTEFRONT_READ_ONLY").map(std::path::PathBuf::from);
    let folder = named.clone().unwrap_or_else(|| takes.path("closed"));
    if named.is_none() {
        fs::create_dir(&folder).expect("a folder");
        fs::set_permissions(&folder, fs::Permissions::from_mode(0o555)).expect("our folder");
        if fs::write(folder.join("x"), "").is_ok() {
            notefront_tests::skipped::say("this user may write to closed folders, and NOTEFRONT_READ_ONLY names none");
            return;
        }
    }
    let output = report(&take, &folder.join("page.html"), &[]);
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("cannot be written to"), "{}", stderr(&output));
}

#[cfg(target_os = "linux")]
#[test]
fn output_that_cannot_be_written_is_told() {
    // Every write to this device fails for want of space (full(4)).
    let takes = Takes::new();
    let take = takes.good("a.wav");
    let full = fs::OpenOptions::new().write(true).open("/dev/full").expect("Linux has it");
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_notefront"))
        .args(["compare", "--json", text(&take), text(&take)])
        .stdout(full)
        .output()
        .expect("the program starts");
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("could not be written"), "{}", stderr(&output));
}

#[test]
fn takes_without_entrances_are_compared_and_reported() {
    let takes = Takes::new();
    let silent = takes.wav("silent.wav", 1, common::RATE, &[0.0; 48_000]);
    let good = takes.good("good.wav");
    let output = notefront(&["compare", text(&silent), text(&good)]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(stdout(&output).contains("The takes have no entrance in common."), "{}", stdout(&output));
    assert!(stdout(&output).contains("Only in B: Bb2 at 0:00.5"), "{}", stdout(&output));
    let page = takes.path("page.html");
    assert_eq!(report(&silent, &page, &[]).status.code(), Some(0));
    assert!(fs::read_to_string(page).expect("the page").contains("No entrances were found in this take."));
}

#[test]
fn a_take_that_cannot_be_read_leaves_the_others_compared() {
    let takes = Takes::new();
    let (good, broken) = (takes.good("good.wav"), takes.bytes("broken.wav", "no sound"));
    let two = notefront(&["compare", text(&good), text(&broken)]);
    assert_eq!(two.status.code(), Some(1));
    assert!(stderr(&two).contains("nothing to compare"), "{}", stderr(&two));
    let three = notefront(&["compare", "--json", text(&good), text(&broken), text(&good)]);
    assert_eq!(three.status.code(), Some(1));
    assert_eq!(document(&three)["takes"].as_array().map(Vec::len), Some(2));
    assert_eq!(notefront(&["compare", text(&good)]).status.code(), Some(2), "one take is bad usage");
}

#[test]
fn a_take_against_itself_is_alike_in_every_figure() {
    let takes = Takes::new();
    let good = takes.good("good.wav");
    let document = document(&notefront(&["compare", "--json", text(&good), text(&good)]));
    let pair = &document["pairs"][0];
    assert_eq!((&pair["a"], &pair["b"], &pair["interval"]), (&0.into(), &0.into(), &0.into()));
    assert_eq!(pair["better"], serde_json::Value::Null);
    for change in ["clarity_change", "onset_cents_change", "settle_ms_change", "attack_ms_change", "level_db_change"] {
        assert_eq!(pair[change].as_f64(), Some(0.0), "{change}");
    }
    assert_eq!(document["summary"]["tempo_ratio"], serde_json::Value::Null, "one note has no tempo");
}
