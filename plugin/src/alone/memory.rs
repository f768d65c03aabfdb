//! What the standalone keeps from one window to the next, as a project does for the insert: passes, looks, the folder for files;
//! and what a project has no need of: the choices, devices, beats and the delay that was measured on those devices.

use super::click::Beats;
use super::controls::Controls;
use crate::choices::Choices;
use crate::project::Project;
use crate::quiet::USUAL_GAP_S;
use notefront_takes::app_folders;
use notefront_takes::atomic_file::Prepared;
use parking_lot::Mutex;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs::{self, File, TryLockError};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// Names of the file in the user's data folder, and of the one that says who writes it.
const FILE_NAME: &str = "standalone.json";
const LOCK_NAME: &str = "standalone.lock";

/// The field beside those of a project.
const SETTINGS: &str = "settings";

/// What a project has no need of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct OwnSettings {
    /// What is judged, and how.
    pub choices: Choices,
    /// The input's name, as the system gives it.
    pub input: Option<String>,
    /// The output's.
    pub output: Option<String>,
    /// The channel that is heard, from 0.
    pub channel: usize,
    /// Count-in and click.
    pub beats: Beats,
    /// They are used.
    pub with_beats: bool,
    /// Silence that ends a pass, seconds.
    pub gap_s: f64,
    /// The delay last measured.
    pub delay: Option<Delay>,
}

/// A delay, and the devices it was measured on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Delay {
    /// Names of input and output.
    pub devices: (String, String),
    /// Rate of the input, Hz.
    pub rate_hz: f64,
    /// What the loop adds to what the system's time stamps say, samples of the input.
    pub samples: i64,
    /// Its unrest, samples.
    pub spread: f64,
}

impl Default for OwnSettings {
    fn default() -> Self {
        let beats = Controls::default().beats();
        let choices = Choices::default();
        let (input, output, delay) = (None, None, None);
        Self { choices, input, output, channel: 0, beats, with_beats: false, gap_s: USUAL_GAP_S, delay }
    }
}

impl OwnSettings {
    /// The delay, if it was measured on these devices at this rate.
    #[must_use]
    pub fn delay_on(&self, input: &str, output: Option<&str>, rate_hz: f64) -> Option<&Delay> {
        let is_theirs = |delay: &&Delay| {
            delay.devices.0 == input
                && Some(delay.devices.1.as_str()) == output
                && (delay.rate_hz - rate_hz).abs() < 0.5
        };
        self.delay.as_ref().filter(is_theirs)
    }
}

/// The file, held by one window at a time.
#[derive(Debug)]
pub struct Memory {
    path: PathBuf,
    /// Held as long as the window is open.
    _lock: File,
    /// Passes and entrances that the file holds.
    kept: Mutex<(usize, usize)>,
    /// Set by the window; written with the passes and when the window closes.
    pub settings: Mutex<OwnSettings>,
}

impl Memory {
    /// The usual file, and what it holds put into `project`.
    ///
    /// # Errors
    /// Why nothing is kept, in words.
    pub fn usual(project: &Project) -> Result<(Self, Option<String>), String> {
        let folder = app_folders::data().ok_or("This system has no place for what is to be kept.")?;
        Self::open(&folder, project)
    }

    /// The file in a folder, which is made where it is missing, and a notice where it is damaged.
    ///
    /// # Errors
    /// Why nothing is kept, in words.
    pub fn open(folder: &Path, project: &Project) -> Result<(Self, Option<String>), String> {
        let no_place = |e: std::io::Error| {
            format!(
                "{}: nothing can be kept there ({}).",
                folder.display(),
                notefront_takes::system_error::in_words(&e)
            )
        };
        fs::create_dir_all(folder).map_err(no_place)?;
        let lock = File::create(folder.join(LOCK_NAME)).map_err(no_place)?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(
                    "Another window of Notefront is open and keeps its passes: what is played in this one goes \
                            when it closes. Write its files, or close the other."
                        .into(),
                );
            }
            Err(TryLockError::Error(e)) => return Err(no_place(e)),
        }
        let memory =
            Self { path: folder.join(FILE_NAME), _lock: lock, kept: Mutex::default(), settings: Mutex::default() };
        let notice = memory.restore(project)?;
        Ok((memory, notice))
    }

    fn restore(&self, project: &Project) -> Result<Option<String>, String> {
        let text = match fs::read(&self.path) {
            Ok(text) => text,
            Err(e) if e.kind() == ErrorKind::NotFound => return Ok(None),
            Err(e) => {
                return Err(format!("What was kept cannot be read ({}).", notefront_takes::system_error::in_words(&e)));
            }
        };
        let Ok(fields) = serde_json::from_slice::<BTreeMap<String, String>>(&text) else {
            let aside = self.path.with_extension("damaged.json");
            let whereto = if fs::rename(&self.path, &aside).is_ok() { aside.as_path() } else { &self.path };
            return Ok(Some(format!("What was kept is damaged and was put aside as {}.", whereto.display())));
        };
        project.take_fields(&fields);
        if let Some(mut settings) = fields.get(SETTINGS).and_then(|text| serde_json::from_str::<OwnSettings>(text).ok())
        {
            settings.choices = settings.choices.clamped();
            *self.settings.lock() = settings;
        }
        let mut session = project.session.lock();
        session.rejudge(&self.settings.lock().choices.judging());
        *self.kept.lock() = (session.passes().len(), session.num_entrances());
        Ok(None)
    }

    /// Writes the file when a pass has ended or gone since it was written.
    ///
    /// # Errors
    /// Why it was not written, in words; tried again with the next pass.
    pub fn keep_up(&self, project: &Project) -> Result<(), String> {
        let session = project.session.lock();
        let (now, is_playing) = ((session.passes().len(), session.num_entrances()), session.live().is_some());
        drop(session);
        if is_playing || *self.kept.lock() == now {
            return Ok(());
        }
        *self.kept.lock() = now;
        self.keep(project)
    }

    /// Writes the file, whole or not at all.
    ///
    /// # Errors
    /// Why it was not written, in words.
    pub fn keep(&self, project: &Project) -> Result<(), String> {
        let not_kept = |e: serde_json::Error| format!("The passes were not kept: {e}.");
        let mut fields = project.fields().map_err(not_kept)?;
        let settings = serde_json::to_string(&*self.settings.lock()).map_err(not_kept)?;
        fields.insert(SETTINGS.to_owned(), settings);
        let file = Prepared::buffered(&self.path, |out| Ok(serde_json::to_writer(out, &fields)?));
        file.and_then(Prepared::put_in_place).map(drop).map_err(|e| format!("The passes were not kept: {e}."))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    fn with_passes(num: usize) -> Project {
        let project = Project::default();
        for _ in 0..num {
            project.session.lock().add(fixture::mixed_pass(12, 3));
        }
        project
    }

    fn num_passes(project: &Project) -> usize {
        project.session.lock().passes().len()
    }

    #[test]
    fn what_was_played_is_there_in_the_next_window() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let first = with_passes(3);
        let (memory, notice) = Memory::open(&folder.path().join("new"), &first).expect("a folder of our own");
        assert_eq!(notice, None);
        memory.keep_up(&first).expect("room");
        drop(memory);
        let next = with_passes(0);
        let (memory, _) = Memory::open(&folder.path().join("new"), &next).expect("the first is closed");
        assert_eq!(num_passes(&next), 3);
        next.session.lock().add(fixture::mixed_pass(5, 4));
        memory.keep_up(&next).expect("room");
        drop(memory);
        let last = with_passes(0);
        Memory::open(&folder.path().join("new"), &last).expect("closed");
        assert_eq!(num_passes(&last), 4);
    }

    #[test]
    fn devices_beats_and_the_delay_on_those_devices_are_there_again() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let project = with_passes(0);
        let (memory, _) = Memory::open(folder.path(), &project).expect("a folder of our own");
        assert_eq!(*memory.settings.lock(), OwnSettings::default());
        let devices = ("in".to_owned(), "out".to_owned());
        let delay = Delay { devices, rate_hz: 48_000.0, samples: 777, spread: 1.5 };
        let beats = Beats { tempo_bpm: 91.0, per_bar: 3, count_in_bars: 2, goes_on: false };
        let choices = Choices { a4_hz: 1e9, strictness: 0.8, ..Choices::default() };
        let set =
            OwnSettings { choices, input: Some("in".into()), beats, delay: Some(delay), ..OwnSettings::default() };
        *memory.settings.lock() = set.clone();
        memory.keep(&project).expect("room");
        drop(memory);
        let (memory, notice) = Memory::open(folder.path(), &with_passes(0)).expect("closed");
        assert_eq!(notice, None);
        let back = memory.settings.lock().clone();
        assert_eq!(back, OwnSettings { choices: choices.clamped(), ..set });
        let delay = |input, output, rate_hz| back.delay_on(input, output, rate_hz).map(|d| d.samples);
        assert_eq!(delay("in", Some("out"), 48_000.0), Some(777));
        for other in [("in", None, 48_000.0), ("out", Some("out"), 48_000.0), ("in", Some("out"), 44_100.0)] {
            assert_eq!(delay(other.0, other.1, other.2), None, "{other:?}");
        }
    }

    #[test]
    fn of_two_windows_one_keeps_and_the_other_says_so() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let (first, second) = (with_passes(1), with_passes(1));
        let (memory, _) = Memory::open(folder.path(), &first).expect("a folder of our own");
        let why = Memory::open(folder.path(), &second).expect_err("the first holds it");
        assert!(why.contains("Another window"), "{why}");
        memory.keep(&first).expect("room");
    }

    #[test]
    fn what_is_damaged_is_put_aside_and_said() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        fs::write(folder.path().join(FILE_NAME), b"\xff{").expect("room");
        let project = with_passes(0);
        let (memory, notice) = Memory::open(folder.path(), &project).expect("a folder of our own");
        assert!(notice.is_some_and(|n| n.contains("damaged")));
        memory.keep(&project).expect("room");
        assert_eq!(fs::read(folder.path().join("standalone.damaged.json")).expect("put aside"), b"\xff{");
    }
}
